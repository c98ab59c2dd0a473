"""The words guides use for stages and amounts, and names that somebody may have meant."""

from __future__ import annotations

import re
import tomllib
from collections.abc import Iterable, Mapping
from dataclasses import dataclass
from difflib import get_close_matches
from functools import lru_cache
from importlib.resources import files

from emergence.records import LEVELS, STAGES


@dataclass(frozen=True)
class Words:
    """The list of words.toml: each word, made `plain`, to its stage or level; ``many_from`` insects are many."""

    stages: Mapping[str, str]
    levels: Mapping[str, str]
    many_from: int


def plain(word: str) -> str:
    """Return a word without what people vary: case, hyphens, underscores, commas, doubled blanks."""
    return re.sub(r"[\s_,\-]+", " ", word).strip().casefold()


@lru_cache(maxsize=1)
def the_words() -> Words:
    """Return the packaged list."""
    table = tomllib.loads(files("emergence").joinpath("journal", "words.toml").read_text(encoding="utf-8"))
    stages = {plain(word): stage for stage in STAGES for word in (stage, *table["stages"][stage])}
    levels = {plain(word): level for level in LEVELS for word in (level, *table["levels"][level])}
    return Words(stages, levels, int(table["counts"]["many_from"]))


def _find(word: str, words: Mapping[str, str]) -> str | None:
    asked = plain(word)
    return words.get(asked) or words.get(asked.removesuffix("s"))


def find_stage(word: str, own: Mapping[str, str] | None = None) -> str | None:
    """Return the stage that a word names, ``own`` (a taxon's stage_words) first; None where it names none."""
    mine = {plain(key): stage for key, stage in (own or {}).items()}
    return _find(word, mine) or _find(word, the_words().stages)


def find_level(word: str) -> str | None:
    """Return the level that a word or a count names; None where it names none."""
    words = the_words()
    if re.fullmatch(r"\d{1,9}\+?", word.strip()):
        count = int(word.strip().removesuffix("+"))
        return "none" if count == 0 else "many" if count >= words.many_from else "few"
    return _find(word, words.levels)


def nearest(word: str, options: Iterable[str]) -> str:
    """Return ``"Did you mean 'x'? "`` for the option that comes nearest to a word, "" where none does."""
    folded = {plain(option): option for option in options}
    asked = plain(word)
    near = get_close_matches(asked, list(folded), n=1, cutoff=0.6)
    if not near and len(asked) >= 3:
        near = [option for option in folded if option.startswith(asked)]
    return f"Did you mean {folded[near[0]]!r}? " if near else ""


def nearest_stage(word: str) -> str:
    """Return a suggestion for a word that names no stage."""
    return nearest(word, the_words().stages)


def nearest_level(word: str) -> str:
    """Return a suggestion for a word that names no level."""
    return nearest(word, the_words().levels)

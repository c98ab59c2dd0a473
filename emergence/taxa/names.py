"""The words by which people call a taxon."""

from __future__ import annotations

import re
from collections.abc import Mapping
from difflib import get_close_matches
from functools import lru_cache

from emergence.taxa.model import Taxon


@lru_cache(maxsize=4096)
def plain(word: str) -> str:
    """Return a word without what people vary: case, hyphens, underscores, doubled blanks, apostrophes."""
    return re.sub(r"[\s_-]+", " ", word.replace("’", "'")).strip().casefold()


def taxon_words(taxa: Mapping[str, Taxon]) -> dict[str, str]:
    """Return every word that leads to a taxon, made ``plain``, with the id; the first taxon keeps a word."""
    words = {plain(key): key for key in taxa}
    for key, taxon in taxa.items():
        for word in (taxon.name, *taxon.also_called):
            words.setdefault(plain(word), key)
    return words


def singulars(word: str) -> tuple[str, ...]:
    """Return a ``plain`` word and what it may be the plural of: damselflies, damselfly."""
    asked = plain(word)
    forms = (asked, asked.removesuffix("s"), re.sub("ies$", "y", asked))
    return tuple(dict.fromkeys(forms))


def group_taxa(word: str, taxa: Mapping[str, Taxon]) -> list[str]:
    """Return the ids of the taxa of the group that a word names, in one or in many."""
    asked = singulars(word)
    return [key for key, taxon in taxa.items() if taxon.group in asked]


def find_taxon(word: str, taxa: Mapping[str, Taxon]) -> str | None:
    """Return the id of the taxon that a word names: its id, name or one of ``also_called``, or its plural."""
    words = taxon_words(taxa)
    return next((words[form] for form in singulars(word) if form in words), None)


def nearest_taxon(word: str, taxa: Mapping[str, Taxon]) -> str | None:
    """Return the id of the taxon that a word names or comes nearest to, None where nothing is near.

    Parameters
    ----------
    word
        As a person wrote it.
    taxa
        The catalogue, by id.
    """
    if found := find_taxon(word, taxa):
        return found
    words = taxon_words(taxa)
    near = get_close_matches(plain(word), list(words), n=1, cutoff=0.6)
    return words[near[0]] if near else None

"""Where, how, when and in which colours an insect is fished on the day."""

from __future__ import annotations

import math
import re
import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Annotated, Any

from pydantic import BaseModel, ConfigDict, Field

from emergence.angling.numbers import number
from emergence.angling.sheet import DaySheet, Insect, Triple
from emergence.sources import Standing

Anchor = Annotated[str, Field(pattern=r"^(rise|noon|set)[+-]\d+(\.\d+)?$")]


class Hours(BaseModel):
    """Hours of activity: ``words``, from when to when by sunrise, noon and sunset ("noon+3"), and a second span."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    words: str
    begin: Anchor = Field(alias="from")
    end: Anchor = Field(alias="to")
    also_begin: Anchor | None = Field(default=None, alias="also_from")
    also_end: Anchor | None = Field(default=None, alias="also_to")
    source: Annotated[str, Field(min_length=3)]
    standing: Standing


class Practice(BaseModel):
    """How a kind of insect is fished; texts are common practice without source, with {words} to fill in."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    moving: str
    still: str
    how: str
    late: str
    weed: str
    bare: str
    stained: str
    hours: Hours


@lru_cache(maxsize=1)
def _table() -> Mapping[str, dict[str, Any]]:
    text = files("emergence").joinpath("angling", "practice.toml").read_text(encoding="utf-8")
    return {key: part for key, part in tomllib.loads(text).items() if key != "format"}


def practice(taxon: str, group: str) -> Practice:
    """Return how an insect is fished: its own part laid over that of its group, or of "other"."""
    table = _table()
    return Practice.model_validate(table.get(group, table["other"]) | table.get(taxon, {}))


def hours_of(hours: Hours, sun: Triple) -> tuple[tuple[float, float], ...]:
    """Return the spans of hours [h] of a day whose sunrise, noon and sunset are ``sun`` [h]; none runs backwards."""
    spans = [(_at(hours.begin, sun), _at(hours.end, sun))]
    if hours.also_begin is not None and hours.also_end is not None:
        spans.append((_at(hours.also_begin, sun), _at(hours.also_end, sun)))
    return tuple((begin, max(begin, end)) for begin, end in spans)


def _at(anchor: str, sun: Triple) -> float:
    name, sign, hours = re.split("([+-])", anchor)
    return sun[("rise", "noon", "set").index(name)] + float(sign + hours)


def habitat(stems: str, secchi_m: float) -> str:
    """Return what colours are matched to: stained water, weed, or bare bottom; weed where nothing is said."""
    if not math.isnan(secchi_m) and secchi_m < number("secchi_stained_m"):
        return "stained"
    return "bare" if stems == "none" else "weed"


@dataclass(frozen=True)
class Advice:
    """What the sheet says of one insect: the practice, the spans of hours [h], the colours, and what is fished now."""

    insect: Insect
    practice: Practice
    hours: tuple[tuple[float, float], ...]
    colours: str
    moving: bool

    @property
    def where(self) -> str:
        """Where to fish, with {words} to fill in."""
        return self.practice.moving if self.moving else self.practice.still


MOST_ADVISED = 3


def day_advice(sheet: DaySheet) -> tuple[Advice, ...]:
    """Return advice for the insects that matter on the day: known residents first, the likeliest to move on top.

    Damselflies go before others: their migration is the headline (common practice, no source). Of insects that are
    fished alike, the first is told. On days that are likely under ice nothing is.

    Where nothing is likely to move, the commonest insect that lives there as a nymph or larva is fished as such.
    """
    if sheet.ice_chance > number("under_ice_share"):
        return ()
    least = number("shown_chance")
    ranked = sorted(sheet.board.insects, key=lambda i: (i.residence != "yes", i.group != "damselfly", -i.moving_chance))
    chosen: list[Insect] = []
    for insect in ranked:
        fished = [practice(i.taxon, i.group) for i in chosen]
        if insect.moving_chance >= least and practice(insect.taxon, insect.group) not in fished:
            chosen.append(insect)
    chosen = chosen[:MOST_ADVISED]
    if not chosen:
        chosen = sorted((i for i in ranked if i.stages is not None), key=_still_first)[:1]
    return tuple(_advice(sheet, insect, moving=insect.moving_chance >= least) for insect in chosen)


def _still_first(insect: Insect) -> tuple[bool, bool, float]:
    grown = 0.0 if insect.stages is None else insect.stages.mature + insect.stages.moving
    return insect.residence != "yes", insect.group not in ("damselfly", "midge"), -grown


def _advice(sheet: DaySheet, insect: Insect, *, moving: bool) -> Advice:
    own = practice(insect.taxon, insect.group)
    colours = getattr(own, habitat(sheet.stems, sheet.secchi_m))
    return Advice(insect, own, hours_of(own.hours, sheet.sun), colours, moving)

"""The cautions of a sheet, in order of danger on the day."""

from __future__ import annotations

import tomllib
from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from importlib.resources import files
from typing import Annotated

from pydantic import BaseModel, ConfigDict, Field

from emergence.angling.numbers import number
from emergence.angling.sheet import DaySheet
from emergence.angling.sums import HeatTiers, heat_tier
from emergence.sources import Standing

TIERS = ("none", "caution", "stop", "closure")
FIRST = ("air", "ice", "cold", "lightning", "heat")
"""Cautions that go before all others, ice, cold and heat where the day raises them; the order is our prior."""


class Warned(BaseModel):
    """One caution: its text, the texts it has when the day raises it, and who says so."""

    model_config = ConfigDict(extra="forbid", frozen=True)

    text: str
    seen: str = ""
    caution: str = ""
    stop: str = ""
    closure: str = ""
    all_day: str = ""
    source: Annotated[str, Field(min_length=3)]
    standing: Standing


@dataclass(frozen=True)
class Caution:
    """A caution as told: key, text with {words} to fill in, whether the day raises it, the tiers it is about."""

    key: str
    text: str
    raised: bool
    tiers: HeatTiers | None = None


@lru_cache(maxsize=1)
def warned() -> Mapping[str, Warned]:
    """Return the packaged cautions in their usual order."""
    text = files("emergence").joinpath("angling", "cautions.toml").read_text(encoding="utf-8")
    return {key: Warned.model_validate(part) for key, part in tomllib.loads(text).items() if key != "format"}


def day_cautions(sheet: DaySheet) -> tuple[Caution, ...]:
    """Return the cautions of the day.

    Notes
    -----
    The usual order is that of cautions.toml. What the day raises goes up: ice about and cold water behind the first
    line, heat, which endangers fish and not people, behind lightning. Cold water is told whenever the 10 % surface
    temperature is below 15 °C, and left out in warmer water. Kinds of fish with tiers of their own are told apart where
    they reach different ones, the most endangered first.
    """
    told = []
    for key, one in warned().items():
        if key == "cold":
            if sheet.water[0] < number("cold_c"):
                told.append(Caution(key, one.text, raised=True))
        elif key == "ice":
            seen = sheet.ice_chance >= number("ice_share")
            told.append(Caution(key, one.seen if seen else one.text, raised=seen))
        elif key == "heat":
            told += _heat(sheet, one)
        elif key != "birds" or sheet.stems != "none":
            told.append(Caution(key, one.text, raised=False))
    up = {c: FIRST.index(c.key) for c in told if c.raised or c.key in ("air", "lightning")}
    return tuple(sorted(told, key=lambda c: up.get(c, len(FIRST))))


def _heat(sheet: DaySheet, one: Warned) -> list[Caution]:
    """Return a line for each kind of fish that reaches a tier, the gravest first; one line where none does."""
    found = [(TIERS.index(heat_tier(sheet.afternoon_c[1], tiers)), tiers) for tiers in sheet.tiers]
    found.sort(key=lambda pair: (-pair[0], pair[1].caution_c))
    return [
        Caution("heat", _heat_text(sheet, one, tier, tiers), raised=tier > 0, tiers=tiers)
        for place, (tier, tiers) in enumerate(found)
        if tier > 0 or place == 0
    ]


def _heat_text(sheet: DaySheet, one: Warned, tier: int, tiers: HeatTiers) -> str:
    """Return the text of a tier; where not even the dawn is below the stop, that of a day without fishing."""
    if sheet.dawn_c >= tiers.stop_c:
        return one.all_day
    return getattr(one, TIERS[tier]) if tier else one.text

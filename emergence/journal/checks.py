"""What a note may hold: numbers with their units, what cannot be, and what is doubtful."""

from __future__ import annotations

import math
import re
from dataclasses import dataclass
from typing import Literal

from emergence.dates import YEAR_DAYS, northern_day_of_year, to_date
from emergence.journal.entries import Body, IceDate, Reading, Sighting
from emergence.records import LEVELS, STAGES

Unit = Literal["C", "F", "m", "ft"]
FOOT_M = 0.3048
_NUMBER = re.compile(r"([+-]?(?:\d+(?:[.,]\d*)?|[.,]\d+))\s*(°?\s*[cf]|m|ft|feet|foot|')?", re.IGNORECASE | re.ASCII)
_CLOCK = re.compile(r"(\d{1,2})[:.h](\d{2})", re.ASCII)
_HALF_DAY = re.compile(r"(.*\d)\s*([ap])\.?m\.?", re.IGNORECASE | re.ASCII)
_SPELT: dict[str, Unit] = {"c": "C", "f": "F", "m": "m", "ft": "ft", "feet": "ft", "foot": "ft", "'": "ft"}

WATER_C = (-2.0, 45.0)
DEPTH_M = (0.0, 1700.0)
HOUR = (0.0, 24.0)
MINUTES = (0.0, 1440.0)
BOUNDS = {"water_c": WATER_C, "depth_m": DEPTH_M, "hour": HOUR, "minutes": MINUTES}
WORDS = {"event": ("on", "off"), "stage": STAGES, "level": LEVELS}
_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
FIRST_DAY = -62091
"""1 January 1800: no earlier day [d] is taken."""

MARGIN_C = 12.0
"""How far a surface reading may lie from the usual water of its place and day before it is doubted [°C]; our prior."""
LATE_C = 14.0
"""An ice date is doubted where the usual water is warmer than this [°C]; our prior."""
EARLY_C = -6.0
"""Moving, hatching and flying insects are doubted where the usual water, as if it could not freeze, is colder [°C]; our
prior."""
SURFACE_M = 3.0
"""Deeper readings [m] may be cold at any time of the year."""


class ImpossibleError(ValueError):
    """A value cannot be: ``rule`` says why, ``remedy`` what to do."""

    def __init__(self, rule: str, remedy: str = "") -> None:
        super().__init__(rule)
        self.rule, self.remedy = rule, remedy


def number(text: str, unit: Unit) -> float:
    """Return a number in °C or m; a suffix (56F, 13.5 °C, 2ft) counts more than ``unit``. A decimal comma is taken.

    Raises
    ------
    ImpossibleError
        It is no number, or its unit is of another kind.
    """
    found = _NUMBER.fullmatch(text.strip())
    temperature = unit in ("C", "F")
    examples = "13.5, 13.5C or 56F" if temperature else "0.5, 0.5m or 2ft"
    if found is None:
        raise ImpossibleError("this is no number", f"Write for example {examples}.")
    value, suffix = float(found[1].replace(",", ".")), (found[2] or "").replace("°", "").strip().lower()
    said = _SPELT[suffix] if suffix else unit
    if temperature is not (said in ("C", "F")):
        raise ImpossibleError("the unit does not belong here", f"Write for example {examples}.")
    if said == "F":
        return (value - 32.0) / 1.8
    return value * FOOT_M if said == "ft" else value


def clock(text: str) -> float:
    """Return the hour of the day [h] of 14, 14.5, 14:30 or 2:30pm.

    Raises
    ------
    ImpossibleError
        It is no hour.
    """
    text, half = text.strip(), _HALF_DAY.fullmatch(text.strip())
    if half is not None and 1 <= (twelve := clock(half[1])) < 13:
        return twelve % 12 + (12 if half[2].lower() == "p" else 0)
    parts = _CLOCK.fullmatch(text) if ":" in text or "h" in text else None
    try:
        hour = int(parts[1]) + int(parts[2]) / 60.0 if parts else float(text.replace(",", "."))
    except ValueError:
        hour = math.nan
    if not HOUR[0] <= hour <= HOUR[1] or (parts and int(parts[2]) > 59):
        raise ImpossibleError("the hour must lie between 0 and 24", "Write for example 14, 14:30 or 2:30pm.")
    return hour


def within(value: float, bounds: tuple[float, float], what: str, remedy: str) -> float:
    """Return the value if it lies within its bounds, ends included.

    Raises
    ------
    ImpossibleError
        It does not.
    """
    if not bounds[0] - 1e-9 <= value <= bounds[1] + 1e-9:
        raise ImpossibleError(f"{what} must lie between {bounds[0]:g} and {bounds[1]:g}", remedy)
    return value


@dataclass(frozen=True)
class Place:
    """Where a lake lies: latitude [degrees north], elevation_m [m], and its max_depth_m [m]; NaN where not known."""

    latitude: float = math.nan
    elevation_m: float = math.nan
    max_depth_m: float = math.nan


def usual_water(place: Place, day: int) -> float:
    """Return a rough usual surface temperature [°C] of a place and day [d], as if water could not freeze.

    A seasonal cycle with its warmest day at the end of July (January in the south), mean 27 °C at the equator and
    falling with the square of latitude, half-range growing with latitude, 5.5 °C less for each 1,000 m. Only for
    finding slips of the pen; our prior.
    """
    latitude = abs(place.latitude)
    mean = 27.0 - 0.0072 * latitude**2 - 0.0055 * max(place.elevation_m, 0.0)
    half_range = 0.3 * latitude
    season = int(northern_day_of_year([day], [place.latitude < 0])[0])
    return mean + half_range * math.cos(2.0 * math.pi * (season - 210) / YEAR_DAYS)


def doubt(body: Body, place: Place, temperature: Unit = "C", length: Unit = "m") -> str:
    """Return why a note is doubtful, in the units to show; "" where it is not (or where the place is not known)."""
    reasons = [_usual_doubt(body, place, temperature), _depth_doubt(body, place, length)]
    return "; ".join(reason for reason in reasons if reason)


def shown(water_c: float, unit: Unit) -> str:
    """Return a temperature in the unit to show."""
    return f"{water_c * 1.8 + 32.0:.3g} °F" if unit == "F" else f"{water_c:.3g} °C"


def wrong_in(body: Body) -> str:
    """Return the first cell of a kept note that no note can hold, "" for a sound one: what damage leaves."""
    for name, kind in type(body).__annotations__.items():
        value, wanted = (
            getattr(body, name, None),
            {"str": str, "int": int, "float": float, "float | None": float | None},
        )
        if kind in wanted and not isinstance(value, wanted[kind]):
            return name
        low, high = BOUNDS.get(name, (-math.inf, math.inf))
        if isinstance(value, float) and not low - 1e-3 <= value <= high + 1e-3:
            return name
        if value not in WORDS.get(name, (value,)) or (isinstance(value, str) and _CONTROL.search(value)):
            return name
    return "" if body.day >= FIRST_DAY else "date"


def usual_words(water_c: float, unit: Unit) -> str:
    """Return a rough temperature in whole degrees of the unit to show."""
    return f"{water_c * 1.8 + 32.0:.0f} °F" if unit == "F" else f"{water_c:.0f} °C"


def _depth_doubt(body: Body, place: Place, length: Unit) -> str:
    if not isinstance(body, Reading) or body.depth_m is None or not body.depth_m > place.max_depth_m:
        return ""
    below, deepest = (metres / (FOOT_M if length == "ft" else 1.0) for metres in (body.depth_m, place.max_depth_m))
    return f"{below:.3g} {length} below the surface of a lake that is {deepest:.3g} {length} deep"


def _usual_doubt(body: Body, place: Place, temperature: Unit) -> str:
    usual = usual_water(place, body.day)
    if math.isnan(usual):
        return ""
    month = f"{to_date(body.day):%B}"
    if isinstance(body, Reading):
        return _reading_doubt(body, max(usual, 0.0), month, temperature)
    if isinstance(body, IceDate) and usual > LATE_C:
        return f"ice {body.event} in {month}, where water is usually about {usual_words(usual, temperature)}"
    seen = isinstance(body, Sighting) and body.level != "none" and body.stage in ("moving", "pupa", "adult")
    if isinstance(body, Sighting) and seen and usual < EARLY_C:
        return f"{body.taxon} {body.stage} in {month}, in the depth of winter"
    return ""


def _reading_doubt(body: Reading, usual: float, month: str, unit: Unit) -> str:
    warm = body.water_c > usual + MARGIN_C
    deep = body.depth_m is not None and body.depth_m > SURFACE_M
    cold = body.water_c < usual - MARGIN_C and not deep
    if not warm and not cold:
        return ""
    return f"{shown(body.water_c, unit)} in {month} is far from usual here (about {usual_words(usual, unit)})"

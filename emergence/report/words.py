"""The guide's words: chances, dates and events as a person would say them."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Callable
from typing import Any

import pandas as pd

from emergence.runs.results import TaxonLabel

CHANCE_WORDS = (
    (95, "almost certain"),
    (85, "very likely"),
    (65, "likely"),
    (55, "over even"),
    (45, "about even"),
    (35, "less likely than not"),
    (15, "unlikely"),
    (0, "very unlikely"),
)
"""Least chance [%] of each word; common practice, no source. An even chance is never called likely."""
MONTHS = ("Jan", "Feb", "Mar", "Apr", "May", "Jun", "Jul", "Aug", "Sep", "Oct", "Nov", "Dec")
NYMPHS_MOVE, TURNOVER, HEAT = "nymphs on the move", "spring turnover", "heat in the water"
MAY_LIVE_HERE = "may live here"
NO_EVEN_DAY = "no day better than even yet"
LEAST_NONE = 0.05
"""Chance from which "not this season" is said; our prior."""
THIN = "thin, no best week"
STALE_DAYS = 5
"""Days after which the weather is called old; our prior."""
EVENT_ORDER = ("migration", "emergence", "turnover", "thermal")

CAUTIONS = (
    "This program knows air temperature only: no wind, thunder, blooms or closures.",
    "Never judge ice from it: its ice is for insects, not for standing on.",
    "Local rules decide where and when you may go.",
)

Day = dt.date | pd.Timestamp | Any
"""A date or a blank (NaT, None)."""


def percent(chance: float) -> str:
    """Return a chance as whole per cent; a simulation's 0 and 1 are not called impossible and certain."""
    if math.isnan(chance):
        return "-"
    if chance < 0.005:
        return "<1 %"
    return ">99 %" if chance >= 0.995 else f"{_whole(chance)} %"


def chance_words(chance: float) -> str:
    """Return the word for a chance; it follows the whole per cent that is printed beside it."""
    if math.isnan(chance):
        return "not known"
    return next(word for least, word in CHANCE_WORDS if _whole(chance) >= least)


def _whole(chance: float) -> int:
    return round(100 * chance)


def blank(date: Day) -> bool:
    """Return whether a date is missing."""
    return bool(pd.isna(date))


def day(date: Day) -> str:
    """Return ``12 Jun``, or nothing for a blank date."""
    return "" if blank(date) else f"{date.day} {MONTHS[date.month - 1]}"


def day_and_year(date: Day) -> str:
    """Return ``12 Jun 2024``, or nothing for a blank date."""
    return "" if blank(date) else f"{day(date)} {date.year}"


def span(start: Day, end: Day) -> str:
    """Return ``1-7 Jun`` or ``29 May-4 Jun``; ``29 May on`` without an end, nothing without a start."""
    if blank(start):
        return ""
    if blank(end):
        return f"{day(start)} on"
    if (start.year, start.month, start.day) == (end.year, end.month, end.day):
        return day(start)
    same = (start.year, start.month) == (end.year, end.month)
    return f"{start.day}-{day(end)}" if same else f"{day(start)}-{day(end)}"


def week(start: Day) -> str:
    """Return the seven days from ``start`` on."""
    return "" if blank(start) else span(start, start + dt.timedelta(days=6))


def count(number: int, one: str, many: str = "") -> str:
    """Return ``1 lake`` or ``2 lakes``."""
    return f"{number} {one if number == 1 else many or one + 's'}"


def event_words(event: str, leaving: str = "hatch") -> str:
    """Return what the guide calls an event; ``leaving`` is the taxon's word for its emergence."""
    return {"migration": NYMPHS_MOVE, "turnover": TURNOVER, "thermal": HEAT}.get(event, leaving)


def insect_words(label: TaxonLabel | None, taxon: str, event: str, brood: int = 0) -> str:
    """Return ``Bluets, nymphs on the move`` or ``Callibaetis, brood 2 hatch``; ``brood`` 0 says none."""
    words = event_words(event, label.leaving if label else "hatch")
    if taxon == "-":
        return words
    name = label.name if label else taxon
    return f"{name}, brood {brood} {words}" if brood else f"{name}, {words}"


def shift_words(days: float) -> str:
    """Return ``3 days earlier``, ``1 day later`` or ``unmoved``."""
    whole = round(abs(days))
    return f"{count(whole, 'day')} {'earlier' if days < 0 else 'later'}" if whole else "unmoved"


def weather_age(
    as_of: dt.date, last: dt.date, today: dt.date | None, date_words: Callable[[Day], str] = day_and_year
) -> str:
    """Return how old the weather is, against today where today is known."""
    if last > as_of:
        return f"Weather after {date_words(as_of)} is in the folder and was not used."
    behind = (as_of - last).days
    known = f"Weather known to {date_words(last)}"
    if behind:
        known += f", {count(behind, 'day')} before the date asked for"
    age = (today - last).days if today else 0
    if age <= 0:
        return known + "."
    old = f"{known}, {count(age, 'day')} ago."
    return old + (" Fetch newer weather before you trust this week." if age > STALE_DAYS else "")

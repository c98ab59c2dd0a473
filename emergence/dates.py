"""Calendar arithmetic: day numbers, seasons, year wrap, half-year shift.

Everywhere inside, a *day number* is an ``int`` counting days from 1970-01-01 (day 0), and a *span* includes both
of its ends. Day-of-year runs from 1 to 366.
"""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

EPOCH = dt.date(1970, 1, 1)
NEVER = 32767
"""Day offset that stands for "not reached" in int16 arrays; larger than every real offset."""
YEAR_DAYS = 365.25
HALF_YEAR = 183


def day_number(date: dt.date) -> int:
    """Return the day number [d] of a date."""
    return (date - EPOCH).days


def to_date(day: int) -> dt.date:
    """Return the date of a day number [d]."""
    return EPOCH + dt.timedelta(days=int(day))


def to_datetime64(days: ArrayLike) -> NDArray[np.datetime64]:
    """Return day numbers [d] as ``datetime64[D]`` of the same shape."""
    return np.asarray(days, dtype=np.int64).astype("datetime64[D]")


def day_of_year(days: ArrayLike) -> NDArray[np.int64]:
    """Return the day of the year (1-366) of day numbers [d], same shape."""
    dates = to_datetime64(days)
    return np.asarray((dates - dates.astype("datetime64[Y]").astype("datetime64[D]")).astype(np.int64) + 1)


def year_of(days: ArrayLike) -> NDArray[np.int64]:
    """Return the calendar year of day numbers [d], same shape."""
    return to_datetime64(days).astype("datetime64[Y]").astype(np.int64) + 1970


def month_of(days: ArrayLike) -> NDArray[np.int64]:
    """Return the month (1-12) of day numbers [d], same shape."""
    return to_datetime64(days).astype("datetime64[M]").astype(np.int64) % 12 + 1


def northern_day_of_year(days: ArrayLike, southern: ArrayLike) -> NDArray[np.int64]:
    """Return day of year as seen from the north: shifted by half a year where ``southern`` is true.

    Parameters
    ----------
    days
        Day numbers [d], shape (n,).
    southern
        Truth of "south of the equator", broadcast against ``days``.
    """
    doy = day_of_year(days)
    shifted = (doy - 1 + HALF_YEAR) % 365 + 1
    return np.where(np.asarray(southern, dtype=bool), shifted, doy)


@dataclass(frozen=True)
class SeasonSpan:
    """One season of one hemisphere.

    ``year`` names it (its start year); ``sim_start`` lies four months before ``start`` (freeze-up), ``end`` is its
    last day. All day numbers [d].
    """

    year: int
    southern: bool
    sim_start: int
    start: int
    end: int


def season_span(year: int, southern: bool) -> SeasonSpan:
    """Return the season that starts in ``year``: calendar year in the north, 1 July to 30 June in the south."""
    if southern:
        first, last = dt.date(year, 7, 1), dt.date(year + 1, 6, 30)
        before = dt.date(year, 3, 1)
    else:
        first, last = dt.date(year, 1, 1), dt.date(year, 12, 31)
        before = dt.date(year - 1, 9, 1)
    return SeasonSpan(year, southern, day_number(before), day_number(first), day_number(last))


def season_year(day: int, southern: bool) -> int:
    """Return the name (start year) of the season that holds a day number."""
    date = to_date(day)
    return date.year if not southern or date.month >= 7 else date.year - 1


def seasons_to_forecast(as_of: int, southern: bool) -> list[SeasonSpan]:
    """Return the season that holds ``as_of`` and, in its last quarter, the next one too."""
    current = season_span(season_year(as_of, southern), southern)
    last_quarter = dt.date(current.year + (1 if southern else 0), 4 if southern else 10, 1)
    spans = [current]
    if as_of >= day_number(last_quarter):
        spans.append(season_span(current.year + 1, southern))
    return spans


def same_day_in(year: int, day: int) -> int:
    """Return the day number of ``day``'s month and day in another year; 29 February becomes 28 February."""
    date = to_date(day)
    try:
        return day_number(date.replace(year=year))
    except ValueError:
        return day_number(date.replace(year=year, day=28))

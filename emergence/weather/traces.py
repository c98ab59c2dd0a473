"""Sky slots: past years laid onto the days after the issue date."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emergence.dates import day_of_year, month_of, same_day_in, to_date
from emergence.weather import constants as k
from emergence.weather.ahead import Outlook, shifted_traces
from emergence.weather.gaps import FilledSeries

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

CALENDAR_YEAR = -1
"""Stands for a year in slots of a station that has no usable past year: its calendar mean."""


@dataclass(frozen=True)
class Slots:
    """The past years of a run.

    ``slot_year`` (S,), ascending: the one list of the run, the same sky over every lake; a year names the
    trace that begins on the day after the issue date's month and day in that calendar year. ``year``
    (stations, S) is what each station really lays there, `CALENDAR_YEAR` without any past year; ``joint``
    (stations, S) is false where that is not the slot's own year. ``outlook`` has for each station what else is known
    of the days ahead; empty for past years as they were. Rows follow ``station_id``.
    """

    station_id: tuple[str, ...]
    slot_year: Ints
    year: Ints
    joint: NDArray[np.bool_]
    outlook: tuple[Outlook, ...] = ()

    def outlook_of(self, row: int) -> Outlook | None:
        """Return what else is known of the days ahead at a station."""
        return self.outlook[row] if self.outlook else None

    @property
    def without_past(self) -> tuple[str, ...]:
        """Stations whose traces are only their calendar mean, without the weather's own spread."""
        return tuple(s for s, years in zip(self.station_id, self.year, strict=True) if np.all(years < 0))

    @property
    def distinct_years(self) -> Ints:
        """How many different past years each station lays, shape (stations,): few of them spread too little."""
        return np.array([len(set(years[years >= 0].tolist())) for years in self.year], dtype=np.int64)

    def first_trace_day(self, as_of: int) -> int:
        """Return the first day number that any trace needs; the day after ``as_of`` without traces."""
        years = self.year[self.year >= 0]
        return 1 + (same_day_in(int(years.min()), as_of) if len(years) else as_of)


def choose_slots(
    observed: Mapping[str, tuple[int, NDArray[np.bool_]]], *, as_of: int, horizon_day: int, n_slots: int = 30
) -> Slots:
    """Choose the past years that stand for the weather to come.

    Parameters
    ----------
    observed
        For each station the day number of its first day and the truth of "measured", shape (days,). Give all
        stations of the season folder that can carry a forecast, so that adding a lake changes nothing.
    as_of
        Issue date (day number).
    horizon_day
        Last day to be forecast (day number), of whichever lake reaches farthest.
    n_slots
        Most slots.

    Returns
    -------
    Slots
        At least one slot, at most ``n_slots``.

    Raises
    ------
    ValueError
        When ``horizon_day`` lies before ``as_of``, or ``n_slots`` is not positive.

    Notes
    -----
    A year is usable at a station when its trace ends at or before ``as_of`` and at least 60 % of its days
    are measured (our prior); so no trace holds a day that is still to come, and no season is its own trace.
    The latest years serve better than all: with the last 30 the mean temperature of days 15-90 scores better on all
    thirteen records tried that are long enough to tell (tests/benchmarks/traces.py).
    The list takes the latest years that are usable at half or more of the stations with any usable year,
    and is filled up with the latest years usable at any. A station without the slot's year takes the one of
    its usable years that it has used least so far, the nearest of those, the later of two; slots are served
    from the latest to the earliest.
    """
    if horizon_day < as_of or n_slots < 1:
        raise ValueError(
            f"horizon_day {horizon_day} must not precede as_of {as_of}; n_slots {n_slots} must be positive"
        )
    years, usable = _usable_years(observed, as_of, horizon_day - as_of)
    with_past = int(usable.any(axis=1).sum())
    count = usable.sum(axis=0)
    widely = 2 * count >= max(with_past, 1)
    ranked = [*years[widely][::-1], *years[(count > 0) & ~widely][::-1]]
    slot_year = np.sort(np.array(ranked[:n_slots] or [CALENDAR_YEAR], dtype=np.int64))
    rows = [_years_of_station(slot_year, years[row]) for row in usable]
    year = np.array(rows, dtype=np.int64).reshape(len(rows), len(slot_year))
    return Slots(tuple(observed), slot_year, year, (year == slot_year) & (year >= 0))


def _usable_years(
    observed: Mapping[str, tuple[int, NDArray[np.bool_]]], as_of: int, n_days: int
) -> tuple[Ints, NDArray[np.bool_]]:
    """Return the candidate years, ascending, and where each is usable, shape (stations, years)."""
    this_year = to_date(as_of).year
    earliest = min((to_date(first).year for first, _ in observed.values()), default=this_year)
    years = np.arange(earliest, this_year)
    start = np.array([same_day_in(int(y), as_of) + 1 for y in years], dtype=np.int64)
    past = start + n_days - 1 <= as_of
    least = np.ceil(k.LEAST_TRACE_SHARE.value * n_days - 1e-9)
    usable = np.zeros((len(observed), len(years)), dtype=bool)
    for row, (first, seen) in zip(usable, observed.values(), strict=True):
        sums = np.concatenate([[0], np.cumsum(seen)])
        low, high = np.clip(start - first, 0, len(seen)), np.clip(start + n_days - first, 0, len(seen))
        row[:] = past & (sums[high] - sums[low] >= least)
    return years, usable


def _years_of_station(slot_year: Ints, own: Ints) -> list[int]:
    """Return the year that one station lays in each slot."""
    if len(own) == 0:
        return [CALENDAR_YEAR] * len(slot_year)
    uses = {int(y): int(y in slot_year) for y in own}
    out = []
    for slot in slot_year[::-1]:
        year = int(slot)
        if year not in uses:
            year = min(uses, key=lambda y: (uses[y], abs(y - slot), -y))
            uses[year] += 1
        out.append(year)
    return out[::-1]


def lay_traces(
    filled: FilledSeries, *, as_of: int, n_days: int, years: ArrayLike, outlook: Outlook | None = None
) -> tuple[Floats, Floats, Floats]:
    """Lay past years onto the days after the issue date.

    Parameters
    ----------
    filled
        A station's record, filled up to ``as_of``.
    as_of
        Issue date (day number).
    n_days
        Days ahead.
    years
        Year of each slot, shape (S,); `CALENDAR_YEAR` for the calendar mean.
    outlook
        What else is known of the days ahead (`emergence.weather.ahead`); without it past years are laid as they were.

    Returns
    -------
    tuple
        Minima, means, maxima [°C], each (n_days, S), minimum <= mean <= maximum. The days of a trace follow each
        other as they did then; after 29 February, as after 28 February, comes 1 March of a common year.

    Raises
    ------
    ValueError
        When a trace reaches outside the record.
    """
    chosen = np.asarray(years, dtype=np.int64)
    past = np.flatnonzero(chosen >= 0)
    start = np.array([same_day_in(int(y), as_of) + 1 - filled.first_day for y in chosen[past]], dtype=np.int64)
    if len(start) and (start.min() < 0 or start.max() + n_days > len(filled.tmean_c)):
        raise ValueError(
            f"station {filled.station_id}: traces of {chosen[past].min()} to {chosen[past].max()} "
            f"over {n_days} days reach outside the record {to_date(filled.first_day)} to "
            f"{to_date(filled.last_day)}; fill a longer record"
        )
    at = start[None, :] + np.arange(n_days)[:, None]
    ahead = as_of + 1 + np.arange(n_days)
    usual = filled.calendar_c[day_of_year(ahead) - 1]
    half = filled.half_range_c[month_of(ahead) - 1]
    out = []
    for record, calm in (
        (filled.tmin_c, usual - half),
        (filled.tmean_c, usual),
        (filled.tmax_c, usual + half),
    ):
        laid = np.repeat(calm[:, None], len(chosen), axis=1)
        laid[:, past] = record[at]
        out.append(laid)
    traces = (out[0], out[1], out[2])
    return traces if outlook is None else shifted_traces(filled, outlook, traces, chosen)

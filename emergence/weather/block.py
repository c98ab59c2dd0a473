"""Air temperature of a block of lakes, at their height, ready for the water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emergence.dates import month_of, to_date
from emergence.weather.ahead import Outlook
from emergence.weather.gaps import CALENDAR, FilledSeries
from emergence.weather.lapse import VARIABLES
from emergence.weather.mix import Links, counted_days, counted_slots, mixed, usual_days
from emergence.weather.traces import Slots, lay_traces

Floats32 = NDArray[np.float32]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]


class Legs(NamedTuple):
    """The days of a run (day numbers): known ``sim_start`` to ``as_of``, ahead from there to ``horizon``."""

    sim_start: int
    as_of: int
    horizon: int


@dataclass(frozen=True)
class LakeWeather:
    """Daily air temperature of a block of L lakes at lake height [°C], float32, time first.

    ``known_*`` (days from ``legs.sim_start`` to ``legs.as_of``, L); ``ahead_*`` (days after ``legs.as_of`` to
    ``legs.horizon``, L, S sky slots). Always ``tmin <= tmean <= tmax``.
    """

    legs: Legs
    known_tmin: Floats32
    known_tmean: Floats32
    known_tmax: Floats32
    ahead_tmin: Floats32
    ahead_tmean: Floats32
    ahead_tmax: Floats32


@dataclass(frozen=True)
class LakeRecord:
    """Daily air temperature of L lakes at lake height over a whole record, float32, time first.

    ``tmin``, ``tmean``, ``tmax`` [°C] and ``how`` (as in `FilledSeries`, of the heaviest station that is more than
    its calendar mean), each (days, L) from ``first_day`` on.
    """

    first_day: int
    tmin: Floats32
    tmean: Floats32
    tmax: Floats32
    how: NDArray[np.uint8]


def lake_record(
    filled_by_station: Sequence[FilledSeries], links: Links, *, first_day: int, last_day: int
) -> LakeRecord:
    """Return the air over lakes from station records.

    Parameters
    ----------
    filled_by_station
        Filled records; all that are used must cover ``first_day`` to ``last_day``.
    links
        Stations of each lake and the way to its height (`mix.link_stations`).
    first_day, last_day
        Day numbers [d], both included.

    Returns
    -------
    LakeRecord
        Weighted station values plus the height correction of the month. On days on which some of a lake's
        stations are only their calendar mean, the others' departure from the usual stands for all (`mix.mixed`).

    Raises
    ------
    ValueError
        When a record does not cover the days.
    """
    used, links = _used_stations(links)
    part = [_cut(filled_by_station[i], first_day, last_day) for i in used]
    days = np.arange(first_day, last_day + 1)
    how = np.stack([f.how for f in part])
    counted = counted_days(how, links)
    tmin, tmean, tmax = (
        mixed(_beside([getattr(f, f"{name}_c")[:, None] for f in part]), usual_days(part, days, name), links, counted)[
            :, :, 0
        ]
        + _correction(days, links, v)
        for v, name in enumerate(VARIABLES)
    )
    return LakeRecord(first_day, np.minimum(tmin, tmean), tmean, np.maximum(tmax, tmean), _how(how, links))


def lake_weather(filled_by_station: Sequence[FilledSeries], links: Links, *, legs: Legs, sky: Slots) -> LakeWeather:
    """Return the air over a block of lakes: as it was up to the issue date, and as the slots have it after.

    Parameters
    ----------
    filled_by_station
        Records filled up to ``legs.as_of`` and no further; those used must reach back to ``legs.sim_start``
        and to the first trace.
    links
        Stations of each lake and the way to its height (`mix.link_stations`).
    legs
        First day, issue date and horizon.
    sky
        Past years of each slot, rows as ``filled_by_station``.

    Returns
    -------
    LakeWeather
        Weighted station values plus the height correction of the month; in each slot only stations that lay the same
        year (`mix.counted_slots`).

    Raises
    ------
    ValueError
        When a record is too short, or one goes on after ``legs.as_of``.
    """
    for filled in (filled_by_station[i] for i in links.in_use):
        if filled.last_day > legs.as_of:
            raise ValueError(
                f"station {filled.station_id}: record goes on to {to_date(filled.last_day)}, "
                f"after the issue date {to_date(legs.as_of)}; fill it up to the issue date only"
            )
    known = lake_record(filled_by_station, links, first_day=legs.sim_start, last_day=legs.as_of)
    used, links = _used_stations(links)
    laid = [_laid(filled_by_station[i], legs, sky.year[i], sky.outlook_of(int(i))) for i in used]
    days = np.arange(legs.as_of + 1, legs.horizon + 1)
    counted = counted_slots(sky.year[used], sky.joint[used], links)
    part = [filled_by_station[i] for i in used]
    tmin, tmean, tmax = (
        mixed(_beside([traces[v] for traces in laid]), usual_days(part, days, name), links, counted)
        for v, name in enumerate(VARIABLES)
    )
    for v, values in enumerate((tmin, tmean, tmax)):
        values += _correction(days, links, v)[:, :, None]
    np.minimum(tmin, tmean, out=tmin)
    np.maximum(tmax, tmean, out=tmax)
    return LakeWeather(legs, known.tmin, known.tmean, known.tmax, tmin, tmean, tmax)


def _laid(filled: FilledSeries, legs: Legs, years: Ints, outlook: Outlook | None) -> tuple[Floats32, ...]:
    """Return a station's traces, float32, laid once for all blocks of lakes."""

    def lay() -> tuple[Outlook | None, tuple[Floats32, ...]]:
        n_days = legs.horizon - legs.as_of
        traces = lay_traces(filled, as_of=legs.as_of, n_days=n_days, years=years, outlook=outlook)
        return outlook, tuple(t.astype(np.float32) for t in traces)  # the outlook is held: so its id stays its own

    return filled.kept(("traces", legs.as_of, legs.horizon, tuple(years.tolist()), id(outlook)), lay)[1]


def _used_stations(links: Links) -> tuple[Ints, Links]:
    """Return the records in use, and the links into them."""
    used, column = np.unique(links.station_index, return_inverse=True)
    return used, replace(links, station_index=column.reshape(links.station_index.shape))


def _cut(filled: FilledSeries, first_day: int, last_day: int) -> FilledSeries:
    """Return the part of a filled record from ``first_day`` to ``last_day``."""
    if filled.first_day > first_day or filled.last_day < last_day:
        raise ValueError(
            f"station {filled.station_id}: record {to_date(filled.first_day)} to {to_date(filled.last_day)} "
            f"does not cover {to_date(first_day)} to {to_date(last_day)}; fill a longer record"
        )
    part = slice(first_day - filled.first_day, last_day - filled.first_day + 1)
    return FilledSeries(
        filled.station_id,
        first_day,
        filled.tmin_c[part],
        filled.tmax_c[part],
        filled.tmean_c[part],
        filled.how[part],
        filled.range_estimated[part],
        filled.calendar_c,
        filled.half_range_c,
    )


def _beside(by_station: Sequence[NDArray[np.floating]]) -> Floats32:
    """Return station arrays (days, ...) as one, shape (stations, days, ...), float32."""
    return np.stack(by_station, dtype=np.float32, casting="same_kind")


def _how(how: NDArray[np.uint8], links: Links) -> NDArray[np.uint8]:
    """Return how each lake's day came about, (days, lakes): as at its heaviest station with more than the usual."""
    out = how[links.station_index[:, 0]]
    silent = np.flatnonzero((out == CALENDAR).any(axis=1))
    for place in range(1, links.weight.shape[1]):
        rows = silent[links.weight[silent, place] > 0.0]
        out[rows] = np.where(out[rows] == CALENDAR, how[links.station_index[rows, place]], out[rows])
    return np.ascontiguousarray(out.T)


def _correction(days: Ints, links: Links, variable: int) -> Floats32:
    """Return the height correction of each day and lake [°C], shape (days, lakes)."""
    return np.asarray(links.correction_c[:, variable].T.astype(np.float32)[month_of(days) - 1])

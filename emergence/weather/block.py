"""Air temperature of a block of lakes, at their height, ready for the water."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emergence.dates import month_of, to_date
from emergence.weather.gaps import FilledSeries
from emergence.weather.lapse import Variable, height_correction
from emergence.weather.traces import lay_traces

Floats32 = NDArray[np.float32]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

_VARIABLES: tuple[Variable, ...] = ("tmin", "tmean", "tmax")


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

    ``tmin``, ``tmean``, ``tmax`` [°C] and ``how`` (as in `FilledSeries`), each (days, L) from ``first_day``
    on.
    """

    first_day: int
    tmin: Floats32
    tmean: Floats32
    tmax: Floats32
    how: NDArray[np.uint8]


def lake_record(
    filled_by_station: Sequence[FilledSeries],
    station_index: Ints,
    dz_m: Floats,
    southern: Bools,
    *,
    first_day: int,
    last_day: int,
) -> LakeRecord:
    """Return the air over lakes from station records.

    Parameters
    ----------
    filled_by_station
        Filled records; all that are used must cover ``first_day`` to ``last_day``.
    station_index
        Station of each lake, shape (L,), no -1.
    dz_m
        Lake minus station [m], shape (L,).
    southern
        Truth of "south of the equator", shape (L,).
    first_day, last_day
        Day numbers [d], both included.

    Returns
    -------
    LakeRecord
        Station values plus the height correction of the month.

    Raises
    ------
    ValueError
        When a lake has no station or a record does not cover the days.
    """
    used, column = _used_stations(station_index)
    part = [_cut(filled_by_station[i], first_day, last_day) for i in used]
    days = np.arange(first_day, last_day + 1)
    tmin, tmean, tmax = (
        _gather([getattr(f, f"{v}_c") for f in part], column) + _correction(days, dz_m, southern, v) for v in _VARIABLES
    )
    return LakeRecord(first_day, np.minimum(tmin, tmean), tmean, np.maximum(tmax, tmean), _gather_how(part, column))


def lake_weather(
    filled_by_station: Sequence[FilledSeries],
    station_index: Ints,
    dz_m: Floats,
    southern: Bools,
    *,
    legs: Legs,
    years: Ints,
) -> LakeWeather:
    """Return the air over a block of lakes: as it was up to the issue date, and as the slots have it after.

    Parameters
    ----------
    filled_by_station
        Records filled up to ``legs.as_of`` and no further; those used must reach back to ``legs.sim_start``
        and to the first trace.
    station_index
        Station of each lake, shape (L,), no -1.
    dz_m
        Lake minus station [m], shape (L,).
    southern
        Truth of "south of the equator", shape (L,).
    legs
        First day, issue date and horizon.
    years
        Year that each station lays in each slot, shape (stations, S), rows as ``filled_by_station``.

    Returns
    -------
    LakeWeather
        Station values plus the height correction of the month.

    Raises
    ------
    ValueError
        When a lake has no station, a record is too short, or one goes on after ``legs.as_of``.
    """
    used, column = _used_stations(station_index)
    for filled in (filled_by_station[i] for i in used):
        if filled.last_day > legs.as_of:
            raise ValueError(
                f"station {filled.station_id}: record goes on to {to_date(filled.last_day)}, "
                f"after the issue date {to_date(legs.as_of)}; fill it up to the issue date only"
            )
    known = lake_record(filled_by_station, station_index, dz_m, southern, first_day=legs.sim_start, last_day=legs.as_of)
    n_days = legs.horizon - legs.as_of
    laid = [lay_traces(filled_by_station[i], as_of=legs.as_of, n_days=n_days, years=years[i]) for i in used]
    days = np.arange(legs.as_of + 1, legs.horizon + 1)
    tmin, tmean, tmax = (_gather([traces[j] for traces in laid], column) for j in range(len(_VARIABLES)))
    for values, variable in zip((tmin, tmean, tmax), _VARIABLES, strict=True):
        values += _correction(days, dz_m, southern, variable)[:, :, None]
    np.minimum(tmin, tmean, out=tmin)
    np.maximum(tmax, tmean, out=tmax)
    return LakeWeather(legs, known.tmin, known.tmean, known.tmax, tmin, tmean, tmax)


def _used_stations(station_index: Ints) -> tuple[Ints, Ints]:
    """Return the stations in use and each lake's place among them."""
    if np.any(station_index < 0):
        raise ValueError(f"{np.count_nonzero(station_index < 0)} lakes have no station; leave them out before")
    used, column = np.unique(station_index, return_inverse=True)
    return used, column


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


def _gather(by_station: Sequence[Floats], column: Ints) -> Floats32:
    """Return station arrays (days, ...) side by side for each lake, shape (days, lakes, ...)."""
    return np.take(np.stack(by_station, axis=1).astype(np.float32), column, axis=1)


def _gather_how(part: Sequence[FilledSeries], column: Ints) -> NDArray[np.uint8]:
    return np.take(np.stack([f.how for f in part], axis=1), column, axis=1)


def _correction(days: Ints, dz_m: Floats, southern: Bools, variable: Variable) -> Floats32:
    """Return the height correction of each day and lake [°C], shape (days, lakes)."""
    months = np.arange(1, 13)[:, None]
    table = height_correction(dz_m[None, :], months, variable, southern[None, :]).astype(np.float32)
    return table[month_of(days) - 1]

"""The central estimate of water and ice over the whole weather record, for ``emergence water`` and for fits."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.dates import NEVER, day_of_year, month_of, season_year, to_date
from emergence.errors import NoWeatherError
from emergence.learning.water import IceFit, LakeFit
from emergence.records import Lakes, Season
from emergence.water.features import FEATURES, Features, features
from emergence.water.members import member_water
from emergence.water.shape import LakeShape, lake_shape
from emergence.water.spread import MemberErrors, Spread, unseen_spread
from emergence.water.surface import WaterPath, drivers, exchange, first_month_mean, initial_state, simulate
from emergence.weather.block import lake_record
from emergence.weather.climate import annual_amplitude
from emergence.weather.gaps import CALENDAR, FilledSeries, fill_record, last_weather_day, observed_means
from emergence.weather.lapse import height_correction, height_sd
from emergence.weather.neighbours import assign_stations, station_neighbours

Days = NDArray[np.int64]
Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Record:
    """The whole record simulated: arrays (days, lakes, 1) from ``first_day``; ``first``, ``last`` bound each lake's.

    ``measured`` (days, lakes) tells days whose air was measured; ``dropped`` names lakes without any weather.
    """

    lakes: Lakes
    first_day: int
    first: Days
    last: Days
    path: WaterPath
    known: Features
    measured: NDArray[np.bool_]
    shape: LakeShape
    spread: Spread
    dropped: tuple[str, ...]

    @property
    def days(self) -> Days:
        """Day numbers, shape (days,)."""
        return self.first_day + np.arange(len(self.path.water_c))


@dataclass(frozen=True)
class WaterRecord:
    """Central estimate: lake_id, date, water_c [°C], ice [0..1]; ``dropped`` names lakes without any weather."""

    table: pd.DataFrame
    dropped: tuple[str, ...]


def simulate_record(season: Season, lakes: Lakes) -> Record:
    """Simulate lakes over all days on which any of their stations was measured.

    Raises
    ------
    NoWeatherError
        When no lake has any weather.
    """
    stations = season.stations
    has = np.array([_measured(season, s) is not None for s in stations.station_id.tolist()], dtype=bool)
    assignment = assign_stations(lakes, stations, has)
    keep = assignment.station_index >= 0
    if not keep.any():
        raise NoWeatherError("No lake has any weather: put daily air temperatures into weather/STATION.csv.")
    dropped = tuple(str(i) for i in lakes.lake_id[~keep])
    lakes, dz = lakes.take(keep), assignment.dz_m[keep]
    used, column = np.unique(assignment.station_index[keep], return_inverse=True)
    ends = np.array([_measured(season, str(stations.station_id[k])) for k in used])
    begin, end = int(ends[:, 0].min()), max(last_weather_day(season.weather), int(ends[:, 1].max()))
    filled = _filled(season, used, has, begin, end)
    record = lake_record(filled, column, dz, lakes.southern, first_day=begin, last_day=end)
    shape = lake_shape(lakes, np.array([annual_amplitude(f.calendar_c) for f in filled])[column])
    days = np.arange(begin, end + 1)
    cells = record.tmean[:, :, None]
    path, _ = simulate(cells, drivers(days, shape), exchange(shape), initial_state(first_month_mean(cells)))
    usual = np.stack([f.calendar_c for f in filled], axis=1)[day_of_year(days) - 1][:, column]
    usual = usual + height_correction(dz[None], month_of(days)[:, None], "tmean", lakes.southern[None])
    return Record(
        lakes=lakes,
        first_day=begin,
        first=ends[column, 0],
        last=ends[column, 1],
        path=path,
        known=features(day_of_year(days), (record.tmean - usual).astype(np.float32)[:, :, None], path.ice),
        measured=record.how != CALENDAR,
        shape=shape,
        spread=unseen_spread(shape, height_sd(dz)),
        dropped=dropped,
    )


def central_water(
    record: Record, fits: Mapping[str, LakeFit], ice_fits: Mapping[str, IceFit]
) -> tuple[Floats, NDArray[np.bool_]]:
    """Return water [°C] and ice of every day and lake, each fitted lake with its own mean deviation."""
    ids = [str(i) for i in record.lakes.lake_id]
    beta = np.zeros((len(FEATURES), len(ids), 1), dtype=np.float32)
    shift = np.zeros((len(ids), 1), dtype=np.int64)
    for k, lake_id in enumerate(ids):
        if lake_id in fits:
            beta[:, k, 0] = fits[lake_id].mean
        if lake_id in ice_fits:
            shift[k, 0] = round(ice_fits[lake_id].mean_d)
    if not beta.any() and not shift.any():
        return record.path.water_c[:, :, 0], record.path.ice[:, :, 0]
    water, ice = record.path.water_c[:, :, 0].copy(), record.path.ice[:, :, 0].copy()
    errors = MemberErrors(beta, np.zeros_like(shift, dtype=np.float32), np.zeros_like(shift), shift)
    for part, opening in _winters(record):
        path = WaterPath(*(v[part] for v in vars(record.path).values()))
        known = Features(record.known.calendar[part], record.known.weather[part])
        silent = np.zeros((len(path.ice), 1), dtype=np.float32)
        laid = member_water(path, errors, known=known, bank=silent, opening=opening, keep=exchange(record.shape).keep)
        water[part], ice[part] = laid.water_c[:, :, 0, 0], laid.ice[:, :, 0, 0]
    return water, ice


def spring_openings(record: Record) -> dict[int, Days]:
    """Return each season's simulated ice-off as a day number, shape (lakes,), ``dates.NEVER`` without ice."""
    found = {}
    for part, opening in _winters(record):
        year = season_year(int(record.days[part][-1]), bool(record.lakes.southern[0]))
        found[year] = np.where(opening[:, 0] >= 0, opening[:, 0] + record.days[part][0], NEVER)
    return found


def _winters(record: Record) -> list[tuple[slice, Days]]:
    """Return the record cut where no northern (or southern) lake has ice, each part with its break-up, (lakes, 1)."""
    south = bool(record.lakes.southern[0])
    first, last = record.days[0], record.days[-1]
    cuts = [int(d) for d in record.days if to_date(d).month == (3 if south else 9) and to_date(d).day == 1]
    edges = [int(first), *[c for c in cuts if first < c], int(last) + 1]
    parts = []
    for a, b in pairwise(edges):
        ice = record.path.ice[a - first : b - first]
        after = len(ice) - np.argmax(ice[::-1], axis=0)
        opening = np.where(ice.any(axis=0) & (after < len(ice)), after, -1)
        parts.append((slice(int(a - first), int(b - first)), opening))
    return parts


def water_record(
    record: Record, water: Floats, ice: NDArray[np.bool_], *, first: int | None, last: int | None
) -> WaterRecord:
    """Return the table of ``emergence water``: every lake from the first to the last weather day of its station."""
    low = record.first if first is None else np.maximum(record.first, first)
    high = record.last if last is None else np.minimum(record.last, last)
    wanted = (record.days[:, None] >= low) & (record.days[:, None] <= high)
    lake, day = np.nonzero(wanted.T)
    table = pd.DataFrame(
        {
            "lake_id": record.lakes.lake_id[lake],
            "date": record.days[day].astype("datetime64[D]"),
            "water_c": water[day, lake].astype(float).round(2),
            "ice": ice[day, lake].astype(float),
        }
    )
    return WaterRecord(table, record.dropped)


def _measured(season: Season, station: str) -> tuple[int, int] | None:
    series = season.weather.get(station)
    if series is None:
        return None
    seen = np.flatnonzero(np.isfinite(observed_means(series)))
    return (series.first_day + int(seen[0]), series.first_day + int(seen[-1])) if len(seen) else None


def _filled(season: Season, used: Days, has: NDArray[np.bool_], begin: int, end: int) -> Sequence[FilledSeries]:
    stations = season.stations
    near = station_neighbours(stations, has)
    return [
        fill_record(
            season.weather[str(stations.station_id[k])],
            neighbours=[(season.weather[str(stations.station_id[j])], dz) for j, dz in near[k]],
            first_day=begin,
            last_day=end,
            latitude=float(stations.latitude[k]),
            elevation_m=float(stations.elevation_m[k]),
        )
        for k in used
    ]

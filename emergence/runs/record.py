"""The central estimate of water and ice over the whole weather record, for ``emergence water`` and for fits."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.dates import NEVER, day_of_year, season_year, to_date
from emergence.errors import NoWeatherError
from emergence.records import Lakes, Season
from emergence.runs.checked import checked_season
from emergence.water.breakup import breakup_shift, lay_breakup
from emergence.water.fast import simulate
from emergence.water.features import Features, features
from emergence.water.members import member_water
from emergence.water.shape import LakeShape, lake_shape
from emergence.water.spread import MemberErrors, Spread, unseen_spread
from emergence.water.surface import WaterPath, drivers, exchange, first_month_mean, initial_state, opening_keep
from emergence.weather.block import lake_record
from emergence.weather.climate import annual_amplitude
from emergence.weather.gaps import (
    CALENDAR,
    FilledSeries,
    fill_record,
    first_fill_day,
    last_weather_day,
    observed_means,
)
from emergence.weather.lapse import learned_lapse
from emergence.weather.mix import link_stations, station_normals, usual_air, weighted
from emergence.weather.neighbours import Assignment, assign_stations, station_neighbours

Days = NDArray[np.int64]
Floats = NDArray[np.floating]


@dataclass(frozen=True)
class Record:
    """The whole record simulated: arrays (days, lakes, 1) from ``first_day``; ``first``, ``last`` bound each lake's.

    ``measured`` (days, lakes) tells days whose air was measured, ``tmin`` and ``tmax`` [°C] are its daily extremes;
    ``dropped`` names lakes without any weather.
    """

    lakes: Lakes
    first_day: int
    first: Days
    last: Days
    path: WaterPath
    known: Features
    measured: NDArray[np.bool_]
    tmin: Floats
    tmax: Floats
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
    season = checked_season(season)
    stations = season.stations
    has = np.array([_measured(season, s) is not None for s in stations.station_id.tolist()], dtype=bool)
    assignment = assign_stations(lakes, stations, has)
    keep = assignment.found
    if not keep.any():
        raise NoWeatherError("No lake has any weather: put daily air temperatures into weather/STATION.csv.")
    dropped = tuple(str(i) for i in lakes.lake_id[~keep])
    lakes, assignment = lakes.take(keep), assignment.take(keep)
    first, last = _ends(season, assignment)
    begin, end = int(first.min()), max(last_weather_day(season.weather), int(last.max()))
    filled = _filled(season, has, begin, end)
    lapse = learned_lapse(stations.take(has), np.stack([station_normals(f) for f in filled]))
    links = link_stations(assignment, np.cumsum(has) - 1, lapse)
    record = lake_record(filled, links, first_day=begin, last_day=end)
    shape = lake_shape(lakes, weighted(np.array([annual_amplitude(f.calendar_c) for f in filled]), links))
    days = np.arange(begin, end + 1)
    cells = record.tmean[:, :, None]
    path, _ = simulate(cells, drivers(days, shape), exchange(shape), initial_state(first_month_mean(cells)))
    usual = usual_air(filled, links, days)
    return Record(
        lakes=lakes,
        first_day=begin,
        first=first,
        last=last,
        path=path,
        known=features(day_of_year(days), (record.tmean - usual).astype(np.float32)[:, :, None], path.ice),
        measured=record.how != CALENDAR,
        tmin=record.tmin,
        tmax=record.tmax,
        shape=shape,
        spread=unseen_spread(shape, links.height_sd_c),
        dropped=dropped,
    )


def central_water(record: Record, spread: Spread) -> tuple[Floats, NDArray[np.bool_]]:
    """Return water [°C] and ice of every day and lake, each lake with its mean deviation (nought for unseen lakes)."""
    beta = spread.mean.T[:, :, None].astype(np.float32)
    own = np.rint(spread.ice_mean_d)[:, None].astype(np.int64)
    water, ice = record.path.water_c[:, :, 0].copy(), record.path.ice[:, :, 0].copy()
    as_simulated = not beta.any() and not own.any()
    for part, opening in winters(record):
        later = breakup_shift(opening + record.days[part][0], record.shape)[:, 0]
        if as_simulated:
            lay_breakup(ice[part], opening[:, 0], later)
            continue
        path = WaterPath(*(v[part] for v in vars(record.path).values()))
        known = Features(record.known.calendar[part], record.known.weather[part])
        silent = np.zeros((len(path.ice), 1), dtype=np.float32)
        errors = MemberErrors(beta, np.zeros_like(own, dtype=np.float32), np.zeros_like(own), own)
        laid = member_water(path, errors, known=known, bank=silent, opening=opening, keep=opening_keep(record.shape))
        water[part], ice[part] = laid.water_c[:, :, 0, 0], laid.ice[:, :, 0, 0]
        lay_breakup(ice[part], np.where(opening >= 0, opening + own, -1)[:, 0], later)
    return water, ice


def spring_openings(record: Record) -> dict[int, Days]:
    """Return each season's ice-off by the model as a day number, shape (lakes,), ``dates.NEVER`` without ice."""
    found: dict[int, Days] = {}
    for part, opening in winters(record):
        year = season_year(int(record.days[part][-1]), bool(record.lakes.southern[0]))
        opened = opening + record.days[part][0]
        dates = np.where(opening >= 0, opened + breakup_shift(opened, record.shape), NEVER)[:, 0]
        found.setdefault(year, dates)  # an autumn at the record's end is the next season's winter
    return found


def winters(record: Record) -> list[tuple[slice, Days]]:
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


def _ends(season: Season, assignment: Assignment) -> tuple[Days, Days]:
    """Return the first and last day on which any of each lake's stations was measured."""
    index = assignment.station_index
    ends = {int(k): _measured(season, str(season.stations.station_id[k])) for k in np.unique(index[index >= 0])}
    known = [[e for k in row if k >= 0 and (e := ends[int(k)]) is not None] for row in index]
    return np.array([min(e[0] for e in row) for row in known]), np.array([max(e[1] for e in row) for row in known])


def _filled(season: Season, has: NDArray[np.bool_], begin: int, end: int) -> Sequence[FilledSeries]:
    """Return the filled records of the stations that have any, each from its own first year or earlier."""
    stations = season.stations
    near = station_neighbours(stations, has)
    filled = []
    for k in np.flatnonzero(has):
        own = season.weather[str(stations.station_id[k])]
        neighbours = [(season.weather[str(stations.station_id[j])], dz) for j, dz in near[k]]
        filled.append(
            fill_record(
                own,
                neighbours=neighbours,
                first_day=first_fill_day(own, neighbours, begin),
                last_day=end,
                latitude=float(stations.latitude[k]),
                elevation_m=float(stations.elevation_m[k]),
            )
        )
    return filled

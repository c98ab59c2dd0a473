"""The central estimate of water and ice over the whole weather record, for ``emergence water``."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.errors import NoWeatherError
from emergence.records import Lakes, Season
from emergence.runs.plan import last_weather_day
from emergence.water.shape import lake_shape
from emergence.water.surface import drivers, exchange, first_month_mean, initial_state, simulate
from emergence.weather.block import lake_record
from emergence.weather.climate import annual_amplitude
from emergence.weather.gaps import FilledSeries, fill_record, observed_means
from emergence.weather.neighbours import assign_stations, station_neighbours

Days = NDArray[np.int64]


@dataclass(frozen=True)
class WaterRecord:
    """Central estimate: lake_id, date, water_c [°C], ice [0..1]; ``dropped`` names lakes without any weather."""

    table: pd.DataFrame
    dropped: tuple[str, ...]


def water_record(season: Season, lakes: Lakes, *, first: int | None = None, last: int | None = None) -> WaterRecord:
    """Return water and ice of every day from the first to the last weather day of each lake's station.

    Parameters
    ----------
    season
        The season folder.
    lakes
        Lakes wanted.
    first, last
        Bounds of the days written (day numbers, included); default the whole record.
    """
    stations = season.stations
    has = np.array([_measured(season, s) is not None for s in stations.station_id.tolist()], dtype=bool)
    assignment = assign_stations(lakes, stations, has)
    keep = assignment.station_index >= 0
    dropped = tuple(str(i) for i in lakes.lake_id[~keep])
    if not keep.any():
        raise NoWeatherError("No lake has any weather: put daily air temperatures into weather/STATION.csv.")
    lakes, index = lakes.take(keep), assignment.station_index[keep]
    used, column = np.unique(index, return_inverse=True)
    ends = np.array([_measured(season, str(stations.station_id[k])) for k in used])
    begin, end = int(ends[:, 0].min()), last_weather_day(season.weather)
    end = max(end, int(ends[:, 1].max()))
    filled = _filled(season, used, has, begin, end)
    air = lake_record(filled, column, assignment.dz_m[keep], lakes.southern, first_day=begin, last_day=end).tmean
    shape = lake_shape(lakes, np.array([annual_amplitude(f.calendar_c) for f in filled])[column])
    days = np.arange(begin, end + 1)
    cells = air[:, :, None]
    path, _ = simulate(cells, drivers(days, shape), exchange(shape), initial_state(first_month_mean(cells)))
    low = ends[column, 0] if first is None else np.maximum(ends[column, 0], first)
    high = ends[column, 1] if last is None else np.minimum(ends[column, 1], last)
    wanted = (days[:, None] >= low) & (days[:, None] <= high)
    lake, day = np.nonzero(wanted.T)
    table = pd.DataFrame(
        {
            "lake_id": lakes.lake_id[lake],
            "date": days[day].astype("datetime64[D]"),
            "water_c": path.water_c[day, lake, 0].astype(float).round(2),
            "ice": path.ice[day, lake, 0].astype(float),
        }
    )
    return WaterRecord(table, dropped)


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

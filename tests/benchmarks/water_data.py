"""Season folders as lake-years for scoring and fitting the water model: air at lake height, scored water, ice-off.

Scored water: daily mean of the readings, at least 4 °C, at least 80 % of the 20 days before with observed air.
Spring: from ice-off (observed, else 15 March) to 1 July (1 August beyond 65 degrees). Ice-off: the day after the last
ice of the winter (an ``off`` date between 20 January and 28 August, half a year later in the south).
"""

from __future__ import annotations

import dataclasses
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from emergence.dates import day_of_year, northern_day_of_year, year_of
from emergence.records import Season, StationSeries
from emergence.season import read_season
from emergence.water.shape import LakeShape, lake_shape
from emergence.weather.block import lake_record
from emergence.weather.climate import annual_amplitude
from emergence.weather.gaps import OBSERVED, fill_record, first_fill_day
from emergence.weather.lapse import VARIABLES, height_correction, height_sd
from emergence.weather.mix import Links
from emergence.weather.neighbours import assign_stations, station_neighbours

TODAY = 25_000  # 2038: nothing in these folders lies after it
LATE_D = {"sparkling_grid": 2}  # stations whose dates are late by so many days, see WATER.md
BEFORE_D, AFTER_D = 184, 366  # a lake-year runs from 1 July of the year before to its 31 December
WINTER_END = 240
FAULT_C = 10.0


@dataclass(frozen=True)
class Records:
    """All lakes: ``shape`` and names (lakes,), and their lake-years ("cells").

    ``cell_lake`` (cells,); ``days`` (days, cells) day numbers; ``air_c`` (days, cells) at lake height; water readings
    in long form: ``obs_day`` (row of ``days``), ``obs_cell``, ``obs_c`` [°C], ``obs_spring``; ice-off in long form:
    ``ice_cell``, ``ice_day`` (row). ``main`` (lakes,) true for the lakes of the first folder.
    """

    lake_id: np.ndarray
    station: np.ndarray
    main: np.ndarray
    shape: LakeShape
    cell_lake: np.ndarray
    days: np.ndarray
    air_c: np.ndarray
    obs_day: np.ndarray
    obs_cell: np.ndarray
    obs_c: np.ndarray
    obs_spring: np.ndarray
    ice_cell: np.ndarray
    ice_day: np.ndarray

    @property
    def obs_lake(self) -> np.ndarray:
        """Lake of each reading."""
        return self.cell_lake[self.obs_cell]

    @property
    def ice_lake(self) -> np.ndarray:
        """Lake of each ice-off."""
        return self.cell_lake[self.ice_cell]


def read_records(folders: Sequence[Path], *, correct_dates: bool = True, most_ice_years: int = 10_000) -> Records:
    """Read the folders.

    ``correct_dates`` moves the stations of LATE_D; of years with an ice date and no water at most ``most_ice_years``
    are kept for each lake outside the first folder, evenly spaced.
    """
    parts = []
    for k, folder in enumerate(folders):
        if not (folder / "lakes.csv").exists():
            sys.exit(f"{folder} is no season folder (no lakes.csv): name the folders to score on the command line")
        season = read_season(folder, today=TODAY)
        if correct_dates:
            weather = {s: _earlier(x, LATE_D.get(s, 0)) for s, x in season.weather.items()}
            season = dataclasses.replace(season, weather=weather)
        parts.append(_folder(season, k == 0))
    return _join(parts, most_ice_years)


def _earlier(series: StationSeries, days: int) -> StationSeries:
    return dataclasses.replace(series, first_day=series.first_day - days)


def _folder(season: Season, main: bool) -> list[dict]:
    """One dict of plain values for each lake of a folder, lakes without weather left out."""
    stations = season.stations
    usable = np.array([s in season.weather for s in stations.station_id.tolist()])
    found = assign_stations(season.lakes, stations, usable)
    keep = found.found
    lakes, index, dz = season.lakes.take(keep), found.station_index[keep, 0], found.dz_m[keep, 0]
    near = station_neighbours(stations, usable)
    out = []
    for row in range(len(lakes)):
        k = int(index[row])
        own = season.weather[str(stations.station_id[k])]
        others = [(season.weather[str(stations.station_id[j])], z) for j, z in near[k]]
        first = min(first_fill_day(own, others, own.first_day), int(own.first_day)) - BEFORE_D
        last = own.last_day + BEFORE_D
        filled = fill_record(
            own,
            neighbours=others,
            first_day=first,
            last_day=last,
            latitude=float(stations.latitude[k]),
            elevation_m=float(stations.elevation_m[k]),
        )
        lake = lakes.take(np.array([row]))
        record = lake_record([filled], _one_station(float(dz[row]), lake.southern), first_day=first, last_day=last)
        values = {
            "lake_id": str(lake.lake_id[0]),
            "station": str(stations.station_id[k]),
            "main": main,
            "shape": lake_shape(lake, np.array([annual_amplitude(filled.calendar_c)])),
            "first": first,
            "air": record.tmean[:, 0].astype(float),
            "southern": bool(lake.southern[0]),
        }
        values |= _observations(season, values, record.how[:, 0] == OBSERVED)
        if len(values["water_day"]) or len(values["ice_off"]):
            out.append(values)
    return out


def _one_station(dz_m: float, southern: np.ndarray) -> Links:
    """One station for one lake, its height corrected by the table."""
    months = np.arange(1, 13)
    moved = [height_correction(dz_m, months, variable, southern) for variable in VARIABLES]
    return Links(np.zeros((1, 1), dtype=np.int64), np.ones((1, 1)), np.stack(moved)[None], height_sd(np.array([dz_m])))


def _observations(season: Season, lake: dict, observed: np.ndarray) -> dict:
    """Scored water and ice-off of one lake, day numbers."""
    first, n = lake["first"], len(lake["air"])
    mine = season.readings.lake_id == lake["lake_id"]
    days, inverse = np.unique(season.readings.day[mine], return_inverse=True)
    water = np.bincount(inverse, season.readings.water_c[mine]) / np.maximum(np.bincount(inverse), 1)
    inside = (days >= first + 20) & (days < first + n)
    days, water = days[inside], water[inside]
    total = np.concatenate([[0], np.cumsum(observed)])
    share = (total[days - first] - total[days - first - 20]) / 20
    scored = (water >= 4) & (share >= 0.8)
    off = np.unique(season.ice.day[(season.ice.lake_id == lake["lake_id"]) & (season.ice.event == "off")])
    north = northern_day_of_year(off, lake["southern"])
    off = off[(north >= 20) & (north <= WINTER_END)]
    share = np.array([_share(total, d - first - 60, d - first) for d in off])
    off = off[share >= 0.8] if len(off) else off
    latest = {int(y): int(d) for y, d in zip(year_of(off), off, strict=True)}
    days, water = days[scored], water[scored]
    return {"water_day": days, "water_c": water, "ice_off": np.array(sorted(latest.values()), dtype=np.int64)}


def _share(total: np.ndarray, low: int, high: int) -> float:
    if low < 0 or high >= len(total):
        return 0.0
    return float(total[high] - total[low]) / (high - low)


def _join(folders: list[list[dict]], most_ice_years: int) -> Records:
    lakes = [lake for folder in folders for lake in folder]
    cell_lake, begin, air, obs, ice = [], [], [], [], []
    length = BEFORE_D + AFTER_D
    for k, lake in enumerate(lakes):
        years = np.unique(np.concatenate([year_of(lake["water_day"]), year_of(lake["ice_off"])]))
        off = {int(y): int(d) for y, d in zip(year_of(lake["ice_off"]), lake["ice_off"], strict=True)}
        dry = np.setdiff1d(years, year_of(lake["water_day"]))
        if not lake["main"] and len(dry) > most_ice_years:
            kept = dry[np.linspace(0, len(dry) - 1, most_ice_years).round().astype(int)]
            years = np.setdiff1d(years, np.setdiff1d(dry, kept))
        for year in years.tolist():
            cell = len(cell_lake)
            start = int(np.datetime64(f"{year}-01-01").astype(int)) - BEFORE_D
            at = np.clip(np.arange(start, start + length) - lake["first"], 0, len(lake["air"]) - 1)
            cell_lake.append(k)
            begin.append(start)
            air.append(lake["air"][at])
            mine = year_of(lake["water_day"]) == year
            for day, value in zip(lake["water_day"][mine].tolist(), lake["water_c"][mine].tolist(), strict=True):
                obs.append((day - start, cell, value, _is_spring(day, lake, off.get(year))))
            if year in off:
                ice.append((off[year] - start, cell))
    shape = [lake["shape"] for lake in lakes]
    merged = LakeShape(
        **{f.name: np.concatenate([getattr(s, f.name) for s in shape]) for f in dataclasses.fields(LakeShape)}
    )
    rows = np.array(obs, dtype=float).reshape(-1, 4)
    gone = np.array(ice, dtype=np.int64).reshape(-1, 2)
    return Records(
        lake_id=np.array([lake["lake_id"] for lake in lakes]),
        station=np.array([lake["station"] for lake in lakes]),
        main=np.array([lake["main"] for lake in lakes]),
        shape=merged,
        cell_lake=np.array(cell_lake),
        days=np.array(begin)[None, :] + np.arange(length)[:, None],
        air_c=np.stack(air, axis=1),
        obs_day=rows[:, 0].astype(np.int64),
        obs_cell=rows[:, 1].astype(np.int64),
        obs_c=rows[:, 2],
        obs_spring=rows[:, 3] > 0,
        ice_day=gone[:, 0],
        ice_cell=gone[:, 1],
    )


def _is_spring(day: int, lake: dict, off: int | None) -> bool:
    """Northern spring; the lakes of these folders all lie in the north."""
    doy = int(day_of_year(np.array([day]))[0])
    end = 213 if lake["shape"].latitude[0] > 65 else 182
    begin = int(day_of_year(np.array([off]))[0]) if off is not None else 74
    return begin <= doy < end

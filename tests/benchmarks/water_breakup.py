"""Fit of the correction of the date of ice-off (emergence/water/breakup.py) to ice dates, stations as the evidence.

Run: ``python -m tests.benchmarks.water_breakup FOLDER ... [--as-dated]``. Three coefficients: days per day from 30
March, per logarithm of mean depth, per km above 500 m; no constant (with one, New England and Quebec pull Wisconsin
four days late). A lake's mean error and its years' errors enter with their own variances; a station's lakes share its
weight.
"""

from __future__ import annotations

import argparse
import dataclasses
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from emergence.dates import NEVER, day_of_year, season_year
from emergence.records import Season
from emergence.runs.record import Record, simulate_record
from emergence.season import read_season
from emergence.water.breakup import fading
from emergence.water.coefficients import load_coefficients
from tests.benchmarks.water_coefs import breakup_off
from tests.benchmarks.water_data import LATE_D, TODAY, Records, _earlier, read_records

NAMES = ("stretch", "depth", "height")
LAKE_SD, YEAR_SD = 8.0, 6.0  # d: how lakes, and years of one lake, differ beyond the three terms
PRIOR_SD = (0.3, 3.0, 3.0)
MOST_YEARS = 15.0


@dataclass(frozen=True)
class IceOff:
    """One lake's ice-off: observed and simulated (uncorrected) day of the year, its station and shape."""

    station: str
    observed: np.ndarray
    simulated: np.ndarray
    depth_m: float
    elevation_m: float


def read_seasons(folders: list[Path], *, correct_dates: bool) -> list[Season]:
    """Read season folders, late stations moved to their true days."""
    out = []
    for folder in folders:
        season = read_season(folder, today=TODAY)
        if correct_dates:
            weather = {s: _earlier(x, LATE_D.get(s, 0)) for s, x in season.weather.items()}
            season = dataclasses.replace(season, weather=weather)
        out.append(season)
    return out


def ice_dates(records: Records, lake: int) -> np.ndarray:
    """Day numbers of a lake's ice-off."""
    mine = records.ice_lake == lake
    return np.sort(records.days[records.ice_day[mine], records.ice_cell[mine]])


def simulated_dates(record: Record, openings: dict[int, np.ndarray], k: int, dates: np.ndarray) -> np.ndarray:
    """Day numbers of the simulated ice-off in the years of ``dates``, NEVER where the lake did not freeze."""
    return np.array([int(openings[season_year(int(d), False)][k]) if len(openings) else NEVER for d in dates])


def design(lake: IceOff) -> np.ndarray:
    """What the coefficients multiply, (dates, 3), as in breakup.py."""
    c = load_coefficients()["breakup"]
    late = (np.clip(lake.simulated, c["day_low"], c["day_high"]) - c["pivot_day"]) * fading(lake.simulated)
    depth = np.log(np.clip(lake.depth_m, c["depth_low_m"], c["depth_high_m"]) / 6.0)
    height = np.clip(lake.elevation_m - c["height_from_m"], 0, c["height_high_m"] - c["height_from_m"]) / 1000.0
    return np.column_stack([late, np.full(len(late), depth), np.full(len(late), height)])


def fit(lakes: list[IceOff]) -> dict[str, float]:
    """Return the coefficients (generalised least squares, ridge to none)."""
    sharing = {s: sum(lake.station == s for lake in lakes) for s in {lake.station for lake in lakes}}
    left, right = np.diag(np.array(PRIOR_SD) ** -2.0), np.zeros(3)
    for lake in lakes:
        x, y = design(lake), lake.observed - lake.simulated
        n = len(y)
        years = min(n, MOST_YEARS)
        weight = sharing[lake.station] ** -0.5
        between = 1 / (LAKE_SD**2 + YEAR_SD**2 / years)
        xm, ym, xd, yd = x.mean(axis=0), y.mean(), x - x.mean(axis=0), y - y.mean()
        within = years / n / YEAR_SD**2
        left += weight * (between * np.outer(xm, xm) + within * xd.T @ xd)
        right += weight * (between * xm * ym + within * xd.T @ yd)
    return dict(zip(NAMES, np.linalg.solve(left, right).tolist(), strict=True))


def all_ice(records: Records, seasons: list[Season]) -> dict[str, IceOff]:
    """Return every lake with at least three ice dates, simulated without the correction."""
    from emergence.runs.record import spring_openings

    out: dict[str, IceOff] = {}
    with breakup_off():
        for season in seasons:
            record = simulate_record(season, season.lakes)
            openings = spring_openings(record)
            for k, name in enumerate(record.lakes.lake_id.tolist()):
                where = np.flatnonzero(records.lake_id == name)
                if not len(where) or name in out:
                    continue
                dates = ice_dates(records, int(where[0]))
                found = simulated_dates(record, openings, k, dates)
                kept = found != NEVER
                if kept.sum() < 3:
                    continue
                seen = day_of_year(dates[kept]).astype(float)
                late = seen + (found - dates)[kept]
                shape = record.shape
                station = str(records.station[where[0]])
                out[name] = IceOff(station, seen, late, float(shape.mean_depth_m[k]), float(shape.elevation_m[k]))
    return out


def main() -> None:
    """Fit and print."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("folders", nargs="+", type=Path)
    parser.add_argument("--as-dated", action="store_true")
    args = parser.parse_args()
    records = read_records(args.folders, correct_dates=not args.as_dated)
    lakes = all_ice(records, read_seasons(args.folders, correct_dates=not args.as_dated))
    print(f"{len(lakes)} lakes on {len({x.station for x in lakes.values()})} stations")
    for name, value in fit(list(lakes.values())).items():
        print(f"{name:8s} {value:.3f}")


if __name__ == "__main__":
    main()

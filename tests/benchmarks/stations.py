"""Benchmark of the way from stations to lakes: its cost for many lakes, and its error on stations left out.

Run: ``python -m tests.benchmarks.stations [--lakes 10000] [--stations 300]``. Lakes and stations of the timing are
synthetic (places, heights and ten years of air drawn with a fixed seed). The errors are of real networks
(tests/data/SOURCES.md: Colorado by months, New York by days) and of a synthetic one.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable
from typing import TypeVar

import numpy as np

from emergence.records import Lakes, Stations, StationSeries
from emergence.weather.block import Legs, lake_record, lake_weather
from emergence.weather.gaps import FilledSeries, fill_record
from emergence.weather.lapse import VARIABLES, learned_lapse
from emergence.weather.left_out import leave_one_out, overall_rmse
from emergence.weather.mix import link_stations, station_normals
from emergence.weather.neighbours import assign_stations
from emergence.weather.traces import choose_slots
from tests.test_weather_left_out import Network, colorado, new_york, planted

T = TypeVar("T")
FIRST, LAST = 16_071, 20_000  # 1 January 2014, 4 October 2024
BLOCK, AHEAD = 64, 230


def places(count: int, seed: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return latitudes, longitudes and heights over a province of some 1,000 by 1,000 km."""
    rng = np.random.default_rng(seed)
    return rng.uniform(45, 54, count), rng.uniform(-125, -112, count), rng.uniform(50, 2000, count)


def some_stations(count: int) -> tuple[Stations, list[FilledSeries]]:
    """Return synthetic stations with filled records; a tenth of them silent for half of the last year."""
    ids = np.array([f"s{k:05d}" for k in range(count)], dtype=object)
    stations = Stations(ids, ids, *places(count, 1))
    days = np.arange(FIRST, LAST + 1)
    rng = np.random.default_rng(2)
    season = -12.0 * np.cos(2 * np.pi * (days - 20) / 365.25)
    filled = []
    for k in range(count):
        mean = 12.0 + season - 5.5 * stations.elevation_m[k] / 1000.0 + rng.normal(0, 3, len(days))
        if k % 10 == 0:
            mean[-250:-60] = np.nan
        series = StationSeries(ids[k], int(days[0]), mean - 5.0, mean + 5.0, mean)
        place = {"latitude": float(stations.latitude[k]), "elevation_m": float(stations.elevation_m[k])}
        filled.append(fill_record(series, neighbours=[], first_day=int(days[0]), last_day=LAST, **place))
    return stations, filled


def some_lakes(count: int) -> Lakes:
    """Return invented lakes, none of which names a station."""
    ids = np.array([f"lake{k:06d}" for k in range(count)], dtype=object)
    blank, unknown = np.full(count, "", dtype=object), np.full(count, np.nan)
    return Lakes(ids, ids, blank, *places(count, 3), unknown, unknown, unknown, unknown, blank, blank, blank, blank)


def timed(what: str, rows: list[tuple[str, str]], work: Callable[[], T]) -> T:
    """Return what ``work`` gives, and note its wall time."""
    begin = time.perf_counter()
    out = work()
    rows.append((what, f"{time.perf_counter() - begin:.2f}"))
    return out


def cost(lakes_count: int, stations_count: int) -> list[tuple[str, str]]:
    """Return wall times [s]."""
    stations, filled = some_stations(stations_count)
    lakes = some_lakes(lakes_count)
    rows: list[tuple[str, str]] = []
    usable, place = np.ones(len(stations), dtype=bool), np.arange(len(stations))
    found = timed("stations and weights of each lake, s", rows, lambda: assign_stations(lakes, stations, usable))
    normals = timed("monthly normals, s", rows, lambda: np.stack([station_normals(f) for f in filled]))
    lapse = timed("lapse rates around each station, s", rows, lambda: learned_lapse(stations, normals))
    links = timed("links, s", rows, lambda: link_stations(found, place, lapse))
    first = LAST - 364
    timed("365 known days at all lakes, s", rows, lambda: lake_record(filled, links, first_day=first, last_day=LAST))
    total = sum(float(value) for _, value in rows)
    rows.append((f"together: {lakes_count} lakes x 365 days x 3 variables, s", f"{total:.2f}"))
    measured = {f.station_id: (f.first_day, f.measured) for f in filled}
    sky = choose_slots(measured, as_of=LAST, horizon_day=LAST + AHEAD)
    legs = Legs(first, LAST, LAST + AHEAD)

    def blocks() -> None:
        for begin in range(0, lakes_count, BLOCK):
            lake_weather(filled, links.take(slice(begin, begin + BLOCK)), legs=legs, sky=sky)

    slots = len(sky.slot_year)
    timed(f"known days and {AHEAD} days ahead x {slots} slots, blocks of {BLOCK}, s", rows, blocks)
    several = (links.weight > 0).sum(axis=1)
    rows.append(("stations a lake, mean and most", f"{several.mean():.1f}, {several.max()}"))
    rows.append(("records whose rates are learned", f"{int((lapse.learned_from > 0).sum())} of {len(stations)}"))
    return rows


def errors(name: str, network: Network, years: float) -> list[str]:
    """Return table rows of the error on stations left out."""
    last = max(series.last_day for series in network[1].values())
    rows = leave_one_out(*network, first_day=last - round(years * 365.25) + 1, last_day=last)
    out = []
    for variable in VARIABLES:
        ours, nearest = overall_rmse(rows, variable)
        mine = [r for r in rows if r.variable == variable]
        better = sum(r.rmse_c < r.nearest_rmse_c for r in mine)
        out.append(f"| {name} | {variable} | {ours:.2f} | {nearest:.2f} | {better} of {len(mine)} |")
    return out


def main() -> None:
    """Print both tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=10_000)
    parser.add_argument("--stations", type=int, default=300)
    args = parser.parse_args()
    rows = cost(args.lakes, args.stations)
    print("\n".join(["| figure | value |", "|---|---|", *(f"| {k} | {v} |" for k, v in rows)]) + "\n")
    told = [
        *errors("Colorado, 31 stations, months of 5 years", colorado(), 5),
        *errors("New York, 3 stations, days of 1 year", new_york(), 1),
        *errors("synthetic, 16 stations, days of 2 years", planted(), 2),
    ]
    head = [
        "| network | variable | weighted RMSE, °C | nearest as it is, °C | stations served better |",
        "|---|---|---|---|---|",
    ]
    print("\n".join([*head, *told]))


if __name__ == "__main__":
    main()

"""Invented season folders of any size: lakes over a province, stations among them, decades of daily air."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np

LAST = dt.date(2025, 5, 10)
SOUTH, NORTH, WEST, EAST = 45.0, 54.0, -125.0, -112.0
HEADER = "lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m,station_id,stems,share"


def write_world(folder: Path, *, lakes: int, stations: int, years: int, seed: int = 5) -> Path:
    """Write lakes.csv, stations.csv and weather of the years up to ``LAST``; return the folder."""
    (folder / "weather").mkdir(parents=True, exist_ok=True)
    rng = np.random.default_rng(seed)
    (folder / "lakes.csv").write_text(_lakes(lakes, rng))
    _write_stations(folder, stations, years, rng)
    return folder


def _lakes(count: int, rng: np.random.Generator) -> str:
    place, height = _places(count, rng), rng.uniform(5, 1900, count)
    area, depth = np.exp(rng.normal(3, 1, count)), np.exp(rng.normal(np.log(4), 0.6, count))
    stems = np.array(["none", "some", "much"])[rng.integers(0, 3, count)]
    rows = [
        f"lake{k:07d},Lake {k},region {k % 20},{place[0][k]:.5f},{place[1][k]:.5f},{height[k]:.0f},"
        f"{area[k]:.2f},{depth[k]:.2f},{2.2 * depth[k]:.2f},,{stems[k]},no"
        for k in range(count)
    ]
    return "\n".join([HEADER, *rows]) + "\n"


def _places(count: int, rng: np.random.Generator) -> tuple[np.ndarray, np.ndarray]:
    return rng.uniform(SOUTH, NORTH, count), rng.uniform(WEST, EAST, count)


def _write_stations(folder: Path, count: int, years: int, rng: np.random.Generator) -> None:
    latitude, longitude = _places(count, rng)
    height = rng.uniform(50, 1500, count)
    rows = [f"s{k:05d},Station {k},{latitude[k]:.5f},{longitude[k]:.5f},{height[k]:.0f}" for k in range(count)]
    head = "station_id,name,latitude,longitude,elevation_m"
    (folder / "stations.csv").write_text("\n".join([head, *rows]) + "\n")
    first = LAST.replace(year=LAST.year - years)
    day = np.arange(np.datetime64(first), np.datetime64(LAST) + 1)
    dates = day.astype(str).tolist()
    season = -12.0 * np.cos(2 * np.pi * (day.astype(int) - 20) / 365.25)
    common = _weather(len(day), rng)
    for k in range(count):
        level = 13.0 - 0.6 * (latitude[k] - 49.0) - 5.5 * height[k] / 1000.0
        mean = level + season + 0.8 * common + 0.6 * _weather(len(day), rng)
        half = 5.0 + 1.5 * np.abs(rng.standard_normal(len(day)))
        low, high = np.char.mod("%.1f", mean - half), np.char.mod("%.1f", mean + half)
        body = "\n".join(map(",".join, zip(dates, low.tolist(), high.tolist(), strict=True)))
        (folder / "weather" / f"s{k:05d}.csv").write_text(f"date,tmin_c,tmax_c\n{body}\n")


def _weather(days: int, rng: np.random.Generator) -> np.ndarray:
    """Return departures from the usual [°C] that fade by a quarter a day, standard deviation 3.5."""
    step = rng.standard_normal(days) * 3.5 * np.sqrt(1 - 0.75**2)
    out = np.empty(days)
    now = step[0]
    for k in range(days):
        now = 0.75 * now + step[k]
        out[k] = now
    return out

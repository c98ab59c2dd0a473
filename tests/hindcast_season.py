"""A synthetic season folder for hindcasts: invented weather of 13 years, and a lake that follows it, read each week."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np

from emergence.dates import day_number, day_of_year, to_date

FIRST, LAST = dt.date(2001, 1, 1), dt.date(2013, 12, 31)
TODAY = day_number(dt.date(2014, 6, 1))
LAKES = """\
lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m
tarn,Synthetic Tarn,,51.0,-30.0,300,40,4.0,9
mere,Silent Mere,,51.1,-30.1,310,30,5.0,11
"""
STATIONS = "station_id,name,latitude,longitude,elevation_m\ntown,Town,51.0,-30.05,290\n"


def weather(first: dt.date = FIRST, last: dt.date = LAST) -> tuple[np.ndarray, np.ndarray]:
    """Return day numbers and daily means [°C]: a seasonal cycle, weather that lasts, and warm and cold springs."""
    days = np.arange(day_number(first), day_number(last) + 1)
    rng = np.random.default_rng(20010101)
    noise = rng.standard_normal(len(days))
    slow = np.zeros(len(days))
    for k in range(1, len(days)):
        slow[k] = 0.9 * slow[k - 1] + noise[k]
    return days, 8.0 - 11.0 * np.cos(2 * np.pi * (day_of_year(days) - 20) / 365.25) + 1.3 * slow


def water(air: np.ndarray) -> np.ndarray:
    """Return a lake that follows the air within ten days or so [°C], 1.5 °C warmer, not below 0."""
    out = np.empty(len(air))
    state = 2.0
    for k, value in enumerate(air):
        state += 0.1 * (value + 1.5 - state)
        out[k] = max(state, 0.0)
    return out


def emergence_days(days: np.ndarray, lake: np.ndarray) -> set[int]:
    """Return the planted days, one a season, on which the first caenis fly: the lake has passed 250 °C·day above 10."""
    out = set()
    year = np.array([to_date(int(d)).year for d in days])
    for y in np.unique(year):
        heat = np.cumsum(np.maximum(lake[year == y] - 10.0, 0.0))
        out.add(int(days[year == y][np.argmax(heat >= 250.0)]))
    return out


def hindcast_files() -> dict[str, str]:
    """Return the text of every file by its name."""
    days, air = weather()
    lake = water(air)
    error = 0.4 * np.random.default_rng(7).standard_normal(len(days))
    read = [k for k in range(len(days)) if days[k] % 7 == 0 and 32 <= day_of_year(days[k : k + 1])[0] <= 230]
    readings = [f"tarn,{to_date(days[k])},{max(lake[k] + error[k], 0.0):.1f}" for k in read]
    seen = ["lake_id,date,taxon,stage,level"]
    for day in sorted(emergence_days(days, lake)):
        looks = (("none", day - 9), ("none", day - 2), ("few", day + 3), ("many", day + 10))
        seen += [f"tarn,{to_date(at)},caenis,adult,{level}" for level, at in looks]
    return {
        "sightings.csv": "\n".join(seen),
        "lakes.csv": LAKES,
        "stations.csv": STATIONS,
        "weather/town.csv": "\n".join(
            ["date,tmean_c", *(f"{to_date(d)},{t:.1f}" for d, t in zip(days, air, strict=True))]
        ),
        "readings.csv": "\n".join(["lake_id,date,water_c", *readings]),
        "season.toml": 'name = "Synthetic"\n[ensemble]\nslots = 12\nreplicates = 4\n',
    }


def write_hindcast_season(folder: Path) -> Path:
    """Write the folder and return it."""
    for name, text in hindcast_files().items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text + "\n", encoding="utf-8")
    return folder

"""A small valid season folder, and ways to change it: three lakes, two stations, two years of daily weather."""

from __future__ import annotations

import datetime as dt
import math
from collections.abc import Mapping
from pathlib import Path

from emergence.dates import day_number

TODAY = day_number(dt.date(2024, 6, 1))
FIRST, LAST = dt.date(2022, 6, 1), dt.date(2024, 5, 31)

LAKES = """\
lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m,station_id,stems,share,notes
alder,Alder Pond,valley,51.2,-119.4,420,12.5,2.1,5,low,much,yes,"reeds, north end"
birch,Birch Lake,valley,51.3,-119.5,610,85,,14.5,low,,no,
cedar,,fell,51.6,-119.9,1480,,,,high,none,,
"""
STATIONS = """\
station_id,name,latitude,longitude,elevation_m
low,Valley floor,51.25,-119.45,400
high,Pass hut,51.62,-119.88,1500
"""
READINGS = """\
lake_id,date,water_c,depth_m,hour
alder,2024-05-04,9.5,0.5,14
alder,2024-05-12,12.25,,
birch,2024-05-12,8,1,9.5
"""
ICE = """\
lake_id,date,event
alder,2023-11-20,on
alder,2024-04-02,off
cedar,2024-05-20,off
"""
SIGHTINGS = """\
lake_id,date,taxon,stage,level,minutes,observer,note
alder,2024-05-20,coenagrion,moving,few,40,M,"near the reeds, windy"
birch,2024-05-21,chironomus,pupa,none,20,,
"""
RESIDENTS = """\
lake_id,taxon,residence
alder,coenagrion,yes
cedar,coenagrion,no
birch,chironomus,unsure
"""
SETTINGS = """\
name = "High lakes"
time_zone = "America/Vancouver"

[weather]
source = "files"

[taxa]
run = ["coenagrion", "chironomus"]

[ensemble]
slots = 20
replicates = 6
seed = 7

[units]
temperature = "F"
length = "ft"

[guests]
lakes = "share"
"""
OWN_TAXON = 'format = 1\nid = "coenagrion"\n'


def days() -> list[dt.date]:
    """Return the days of the weather files."""
    return [FIRST + dt.timedelta(n) for n in range((LAST - FIRST).days + 1)]


def mean_air(date: dt.date, lapse: float = 0.0) -> float:
    """Return an invented daily mean [°C]: a seasonal cycle with a wave of eleven days on it."""
    n = day_number(date)
    return round(7.0 - lapse - 13.0 * math.cos(2 * math.pi * (n - 20) / 365.25) + 3.0 * math.sin(n / 1.75), 1)


def weather_low() -> str:
    """Return a file with minima and maxima."""
    rows = [f"{d},{mean_air(d) - 5:.1f},{mean_air(d) + 6:.1f}" for d in days()]
    return "\n".join(["date,tmin_c,tmax_c", *rows]) + "\n"


def weather_high() -> str:
    """Return a file with daily means only."""
    return "\n".join(["date,tmean_c", *(f"{d},{mean_air(d, 6.0):.1f}" for d in days())]) + "\n"


def season_files() -> dict[str, str]:
    """Return the text of every file by its name."""
    return {
        "season.toml": SETTINGS,
        "lakes.csv": LAKES,
        "stations.csv": STATIONS,
        "weather/low.csv": weather_low(),
        "weather/high.csv": weather_high(),
        "weather/low.ahead.csv": "date,tmin_c,tmax_c\n2024-06-01,6.0,17.5\n2024-06-02,7.0,19.0\n",
        "readings.csv": READINGS,
        "ice.csv": ICE,
        "sightings.csv": SIGHTINGS,
        "residents.csv": RESIDENTS,
        "taxa/coenagrion.toml": OWN_TAXON,
    }


def write_season(folder: Path, changes: Mapping[str, str | bytes | None] | None = None) -> Path:
    """Write the folder; ``changes`` replaces files by name, ``None`` leaves one out. Returns the folder."""
    for name, content in {**season_files(), **(changes or {})}.items():
        if content is None:
            continue
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_bytes(content.encode() if isinstance(content, str) else content)
    return folder

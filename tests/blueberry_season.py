"""A season folder of dates that a registry carries: highbush blueberry at Harvard Forest, an own taxon on air."""

from __future__ import annotations

import csv
import datetime as dt
import gzip
from collections import defaultdict
from pathlib import Path

DATA = Path(__file__).parent / "data"
TAXON = """\
format = 1
id = "blueberry"
name = "highbush blueberry"
like = "caenis"

[start]
rule = "date"
month_day = "02-01"

[depth]
feels = "air"

[growth.lower]
value = 4
low = 2
high = 6
unit = "°C"
source = "round number, set before any fit"
standing = "our prior"

[growth.requirement.median]
value = 300
low = 100
high = 900
unit = "°C·day"
source = "round number, set before any fit"
standing = "our prior"

[growth.requirement.spread]
value = 40
low = 20
high = 80
unit = "°C·day"
source = "round number, set before any fit"
standing = "our prior"

[growth.requirement.ln_sd_early]
value = 0.5
low = 0.2
high = 0.8
unit = "1"
source = "wide, so that the dates decide"
standing = "our prior"

[growth.requirement.ln_sd_late]
value = 0.5
low = 0.2
high = 0.8
unit = "1"
source = "wide, so that the dates decide"
standing = "our prior"
"""
"""What a user would write: base and need are round numbers, the need is learned from the other years' dates."""
FILES = {
    "taxa/blueberry.toml": TAXON,
    "lakes.csv": "lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m\n"
    "plot,Plot,,42.5429,-72.2011,340,1,2,4\n",
    "stations.csv": "station_id,name,latitude,longitude,elevation_m\ntower,Tower,42.5429,-72.2011,340\n",
    "season.toml": 'name = "Blueberry"\n[taxa]\nrun = ["blueberry"]\n[ensemble]\nslots = 11\nreplicates = 8\n',
}
"""The height is from memory of the site's description; a lake there has no say in what feels the air."""
LOOKS = ((-14, "none"), (-7, "none"), (-1, "none"), (0, "few"), (7, "many"))


def median_dates(phase: str) -> dict[int, dt.date]:
    """Return the middle date of the four shrubs by year, the later one of two days' half."""
    found: dict[int, list[int]] = defaultdict(list)
    with (DATA / "blueberry_dates.csv").open(encoding="utf-8") as file:
        for row in csv.DictReader(file):
            if row["phase"] == phase:
                date = dt.date.fromisoformat(row["shrub_date"])
                found[date.year].append(date.toordinal())
    middle = {year: sorted(days)[1:3] for year, days in found.items()}
    return {year: dt.date.fromordinal((a + b + 1) // 2) for year, (a, b) in middle.items()}


def write_blueberry_season(folder: Path, phase: str) -> Path:
    """Write the folder and return it; the middle date becomes the first sight, looked for in vain the day before."""
    notes = ["lake_id,date,taxon,stage,level"]
    for date in median_dates(phase).values():
        notes += [f"plot,{date + dt.timedelta(days=k)},blueberry,adult,{level}" for k, level in LOOKS]
    air = gzip.decompress((DATA / "blueberry_air.csv.gz").read_bytes()).decode()
    for name, text in {**FILES, "weather/tower.csv": air, "sightings.csv": "\n".join(notes) + "\n"}.items():
        path = folder / name
        path.parent.mkdir(parents=True, exist_ok=True)
        path.write_text(text, encoding="utf-8")
    return folder

"""The small season folder with parties and guides; as of 31 May 2024."""

from __future__ import annotations

from pathlib import Path

from season_folder import write_season

TRIPS = """\
party,size,earliest,latest,days,wants,lakes,booking,booked_lake,booked_start,decide_by
Moss,2,2024-06-05,2024-07-10,3,coenagrion:moving,,,,,
Reed & co,4,2024-06-01,2024-07-20,2,chironomus:hatch; coenagrion:moving:2,,,,,2024-06-20
Sedge,1,2024-06-10,2024-08-31,2,coenagrion:young,,,,,
"""
GUIDES = """\
guide,off,boats,guests_per_boat,base,base_latitude,base_longitude
Ada,sun,2,2,home,51.25,-119.45
Bo,,1,2,hut,51.60,-119.85
"""
CLOSURES = "lake_id,from,to,reason\nbirch,2024-06-01,2024-06-12,spawning\n"
ACCESS = "lake_id,parties_per_day\nalder,1\n"
FREE = "[trips]\nheat_stop_c = 30.0\nturnover_chance = 1.0\nice_chance = 0.5\n"
SETTINGS = (
    'name = "High lakes"\n\n[taxa]\nrun = ["coenagrion", "chironomus"]\n\n[ensemble]\nslots = 20\nreplicates = 2\n\n'
)


def trip_season(folder: Path, **changes: str | None) -> Path:
    """Write the folder; keyword arguments replace tables by name."""
    tables = {"trips": TRIPS, "guides": GUIDES, "closures": CLOSURES, "access": ACCESS} | changes
    files: dict[str, str | bytes | None] = {f"{name}.csv": text for name, text in tables.items()}
    return write_season(folder, {"taxa/coenagrion.toml": None, "season.toml": SETTINGS + FREE, **files})

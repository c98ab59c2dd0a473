"""``emergence forecast --write calendar,map,netcdf,regions``: files of a season whose names are anything."""

from __future__ import annotations

import json
from pathlib import Path

import icalendar
from click.testing import CliRunner, Result
from season_folder import write_season

from emergence.cli.main import main

NASTY_LAKES = (
    "lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m,share\n"
    "a,<script>alert(1)</script>,<b>,51.2,-119.4,420,12.5,2.1,5,yes\n"
    'b,"\u202eבריכת, ""השחר""",valley,51.3,-119.5,610,85,4,14,no\n'
    + f"c,{'x' * 300},valley,51.4,-119.6,700,8,3,7,yes\n"
)


def run(*words: str | Path) -> Result:
    return CliRunner().invoke(main, [str(w) for w in words], catch_exceptions=False)


def test_forecast_writes_calendar_and_map_of_nasty_names(tmp_path: Path) -> None:
    season = write_season(
        tmp_path / "season",
        {"lakes.csv": NASTY_LAKES, "readings.csv": None, "ice.csv": None, "sightings.csv": None, "residents.csv": None},
    )
    out = tmp_path / "out" / "run"
    done = run(
        "forecast", season, "--out", out, "--write", "windows,calendar,map,netcdf", "--guest", "--taxon", "coenagrion"
    )
    assert done.exit_code == 0
    assert {"windows.ics", "windows.geojson", "windows_guest.ics", "windows_guest.geojson", "water.nc", "days.nc"} <= {
        p.name for p in out.iterdir()
    }
    assert [p.name for p in (tmp_path / "out").iterdir()] == ["run"]
    calendar = icalendar.Calendar.from_ical((out / "windows.ics").read_bytes())
    assert {str(e["location"]) for e in calendar.walk("VEVENT")} == {
        "<script>alert(1)</script>", 'בריכת, "השחר"', "x" * 300,
    }  # fmt: skip
    guest = json.loads((out / "windows_guest.geojson").read_text(encoding="utf-8"))
    assert [f["id"] for f in guest["features"]] == ["a", "c"]
    assert b"\r\r\n" not in (out / "windows.ics").read_bytes()


def test_forecast_lays_regions_and_their_pictures_into_the_run(tmp_path: Path) -> None:
    season, out = write_season(tmp_path / "season"), tmp_path / "run"
    what = "windows,regions,pictures"
    assert run("forecast", season, "--out", out, "--write", what, "--taxon", "coenagrion").exit_code == 0
    table = tmp_path / "regions.csv"
    alone = run("regions", season, "--taxon", "coenagrion", "--json", "--out", table).stdout
    assert (out / "regions.json").read_text(encoding="utf-8") == alone
    assert (out / "regions.csv").read_bytes() == table.read_bytes()
    drawn = {p.name for p in (out / "pictures").iterdir()}
    assert {"regions-emergence-coenagrion.png", "climb-emergence-coenagrion.svg"} <= drawn
    assert "pictures/regions-emergence-coenagrion.png" in json.loads((out / "run.json").read_text())["files"]

"""overrules.csv: the user's last word on flagged and unflagged values."""

from __future__ import annotations

import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from season_folder import TODAY, weather_low, write_season

from emergence.dates import day_number, to_date
from emergence.errors import SeasonError
from emergence.records import Season
from emergence.runs.checked import checked_season
from emergence.season import read_season

HEAD = "file,id,date,column,keep,note\n"


def season(tmp_path: Path, rows: str, **more: str | None) -> Season:
    write_season(tmp_path, {"overrules.csv": HEAD + rows, **more})
    return read_season(tmp_path, today=TODAY)


def test_no_keeps_a_sound_value_out(tmp_path: Path) -> None:
    checked = checked_season(season(tmp_path, "weather/low.csv,low,2023-07-10/2023-07-12,,no,station moved\n"))
    series = checked.weather["low"]
    at = day_number(dt.date(2023, 7, 10)) - series.first_day
    assert np.isnan(series.tmean_c[at : at + 3]).all() or np.isnan(series.tmin_c[at : at + 3]).all()
    assert np.isfinite([series.tmin_c[at - 1], series.tmin_c[at + 3]]).all()
    gone = checked_season(season(tmp_path, "readings.csv,alder,2024-05-04,water_c,no,\n"))
    assert day_number(dt.date(2024, 5, 4)) not in gone.readings.day.tolist()
    ice = season(tmp_path, "").ice
    lake, day = str(ice.lake_id[0]), int(ice.day[0])
    gone = checked_season(season(tmp_path, f"ice.csv,{lake},{to_date(day)},event,no,\n"))
    assert len(gone.ice) == len(ice) - 1 and not ((gone.ice.lake_id == lake) & (gone.ice.day == day)).any()


def test_yes_brings_a_flagged_value_back(tmp_path: Path) -> None:
    text = weather_low().splitlines()
    row = next(k for k, line in enumerate(text) if line.startswith("2023-07-10"))
    text[row] = "2023-07-10,44.0,56.5"
    spoilt = {"weather/low.csv": "\n".join(text) + "\n"}
    at = day_number(dt.date(2023, 7, 10))
    flagged = checked_season(season(tmp_path / "a", "", **spoilt))
    assert np.isnan(flagged.weather["low"].tmax_c[at - flagged.weather["low"].first_day])
    told = [p for p in flagged.problems if p.file == "weather/low.csv"]
    assert told and "overrules.csv" in told[0].remedy
    back = checked_season(season(tmp_path / "b", "weather/low.csv,low,2023-07-10,,yes,hottest day ever\n", **spoilt))
    assert back.weather["low"].tmax_c[at - back.weather["low"].first_day] == 56.5
    assert not [p for p in back.problems if p.file == "weather/low.csv"]


def test_a_row_that_changes_nothing_is_listed(tmp_path: Path) -> None:
    checked = checked_season(season(tmp_path, "weather/low.csv,low,1999-01-01,,yes,\n"))
    (told,) = [p for p in checked.problems if p.file == "overrules.csv"]
    assert told.row == 2 and told.severity == "note"


@pytest.mark.parametrize(
    ("row", "column"),
    [
        ("sightings.csv,alder,2023-01-01,,yes,", "file"),
        ("ice.csv,aldr,2023-01-01,,yes,", "id"),
        ("weather,lwo,2023-01-01,,yes,", "id"),
        ("weather/low.csv,low,yesterday,,yes,", "date"),
        ("weather/low.csv,low,2023-02-01/2023-01-01,,yes,", "date"),
        ("weather/low.csv,low,2023-01-01,water_c,yes,", "column"),
        ("weather/low.csv,low,2023-01-01,,maybe,", "keep"),
    ],
)
def test_wrong_rows_are_named_by_row_and_column(tmp_path: Path, row: str, column: str) -> None:
    try:
        problems = season(tmp_path, row + "\n").problems
    except SeasonError as error:
        problems = error.problems
    (told,) = [p for p in problems if p.file == "overrules.csv"]
    assert told.row == 2 and told.column == column and told.remedy

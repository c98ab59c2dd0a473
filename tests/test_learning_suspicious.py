"""Readings that no lake can have given are named; odd but possible ones are not."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

import numpy as np
from season_folder import TODAY, write_season

from emergence.learning.suspicious import REASONS, Doubted, frozen_sensor, suspicious_readings
from emergence.records import Season
from emergence.runs.checked import doubt_problem
from emergence.runs.learn import by_hemisphere, learn_season
from emergence.runs.noted import believable
from emergence.runs.record import simulate_record
from emergence.season import read_season
from emergence.water.conditioning import LakeNotes

MODEL = np.array([6.0, 9.0, 12.0, 15.0, 18.0])
DAY = np.array([100, 115, 130, 145, 160])


def reasons(water: list[float]) -> list[str]:
    return suspicious_readings(DAY, np.array(water), MODEL, limit_c=10.0).tolist()


def test_ten_degrees_off_is_too_far_and_less_is_not() -> None:
    assert reasons([6.0, 9.0, 22.0, 15.0, 7.9]) == ["", "", "far", "", "far"]
    assert reasons([6.0, 9.0, 21.9, 15.0, 8.1]) == [""] * 5


def test_fahrenheit_is_named() -> None:
    """43 °F = 6.1 °C and 59 °F = 15 °C (NIST SP 811: C = (F - 32) / 1.8)."""
    assert reasons([43.0, 9.0, 12.0, 59.0, 18.0]) == ["fahrenheit", "", "", "fahrenheit", ""]


def test_a_sensor_that_says_one_value_while_the_lake_warms_is_frozen() -> None:
    day = np.arange(120, 140)
    model = np.linspace(8.0, 14.0, 20)
    water = model + np.round(np.sin(day), 1)
    water[5:15] = 9.7
    frozen = frozen_sensor(day, water, model)
    assert frozen[5:15].all() and not frozen[:5].any() and not frozen[15:].any()
    calm = np.full(20, 10.0)
    assert not frozen_sensor(day, np.full(20, 10.2), calm).any()  # the lake stood still too


def test_each_reason_is_a_sentence() -> None:
    may_1 = 19_478  # day number of 1 May 2023
    told = {reason: Doubted("upper", may_1, 20.0, 6.0, reason, usual=may_1).rule() for reason in REASONS}
    assert {reason for reason, rule in told.items() if "6.0 °C" in rule} == {"far", "fahrenheit"}
    assert {reason for reason, rule in told.items() if "1 May" in rule} == {"early", "ice_far", "ice_warm"}
    assert not any("{" in rule for rule in told.values())


def folder(tmp_path: Path, rows: str, overrules: str = "") -> Season:
    """The small synthetic season with readings of last summer."""
    changes = {
        "readings.csv": "lake_id,date,water_c\n" + rows,
        "overrules.csv": f"file,id,date,column,keep,note\n{overrules}",
    }
    return read_season(write_season(tmp_path, changes), today=TODAY)


def water_of(tmp_path: Path, dates: list[str]) -> list[float]:
    """What model and season say of alder on some days: readings that nobody can doubt."""
    season = folder(tmp_path, "")
    record = simulate_record(season, by_hemisphere(season.lakes)[0])
    rows = np.array(dates, dtype="datetime64[D]").astype(np.int64) - record.first_day
    return np.round(record.path.water_c[rows, 0, 0].astype(float), 1).tolist()


def test_doubted_readings_teach_nothing_and_the_user_has_the_last_word(tmp_path: Path) -> None:
    dates = [f"2023-{month:02d}-15" for month in range(6, 11)]
    water = water_of(tmp_path / "a", dates)
    sound = "".join(f"alder,{d},{w}\n" for d, w in zip(dates, water, strict=True))
    wrong = f"alder,2023-07-20,{water[1] + 12:.1f}\nalder,2023-10-20,44.6\n"  # 12 °C off; 44.6 °F = 7 °C
    plain = learn_season(folder(tmp_path / "b", sound))
    learned = learn_season(folder(tmp_path / "c", sound + wrong))
    assert plain.doubted == () and plain.lakes["alder"].readings == 5
    assert [(d.lake_id, d.water_c, d.reason) for d in learned.doubted] == [
        ("alder", round(water[1] + 12, 1), "far"),
        ("alder", 44.6, "fahrenheit"),
    ]
    np.testing.assert_array_equal(learned.lakes["alder"].mean, plain.lakes["alder"].mean)
    told = doubt_problem(learned.doubted[0])
    line = told.remedy.rpartition("overrules.csv: ")[2]
    assert (
        told.file == "readings.csv" and "2023-07-20" in told.value and line.startswith("readings.csv,alder,2023-07-20")
    )
    kept = learn_season(folder(tmp_path / "d", sound + wrong, line + "\n"))
    assert [d.water_c for d in kept.doubted] == [44.6] and kept.lakes["alder"].readings == 6
    out = learn_season(folder(tmp_path / "e", sound + wrong, "readings,alder,2023-06-15/2023-12-31,,no,\n"))
    assert out.doubted == () and "alder" not in out.lakes


def test_a_vouched_reading_of_this_season_is_used() -> None:
    water = np.full((10, 2, 3), 8.0)
    notes = LakeNotes(np.array([2, 5]), np.array([25.0, 9.0]))
    used, left = believable(notes, water, "alder")
    assert used.day.tolist() == [5] and [s.water_c for s in left] == [25.0]
    sure = replace(notes, sure=np.array([True, False]))
    used, left = believable(sure, water, "alder")
    assert used.day.tolist() == [2, 5] and left == [] and used.sure is not None and used.sure.tolist() == [True, False]

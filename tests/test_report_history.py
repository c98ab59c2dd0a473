"""Since last time: which run it is compared with, and what counts as moved."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace
from pathlib import Path

import pandas as pd
import pytest
from run_result import NAMES, make_result, without_dates

from emergence.report.history import causes, changes, previous_run, read_windows, since_words, with_causes
from emergence.report.write import installed_versions, write_dated_run
from emergence.runs.results import NoteEffect

NAME = "Northern waters"


def write(root: Path, *dates: str, what: frozenset[str] = frozenset({"windows"})) -> list[Path]:
    runs = (make_result(NAMES[:1], as_of=dt.date.fromisoformat(date)) for date in dates)
    return [write_dated_run(run, root, what=set(what)) for run in runs]


def test_previous_run_is_the_newest_of_an_earlier_date(tmp_path: Path) -> None:
    first, second, _ = write(tmp_path, "2023-05-14", "2023-05-21", "2023-05-28")
    assert previous_run(tmp_path, NAME, dt.date(2023, 5, 28)) == second
    assert previous_run(tmp_path, NAME, dt.date(2023, 5, 21)) == first
    assert previous_run(tmp_path, NAME, dt.date(2023, 5, 14)) is None
    assert previous_run(tmp_path, "another name", dt.date(2023, 5, 28)) is None


def test_previous_run_passes_over_what_cannot_be_read(tmp_path: Path) -> None:
    (good,) = write(tmp_path, "2023-05-14")
    home = good.parent
    (home / "2023-05-15").mkdir()
    (home / "2023-05-15" / "run.json").write_text("{broken")
    (home / "2023-05-16").mkdir()
    (home / "2023-05-16" / "run.json").write_text('{"format": 99}')
    (home / "2023-05-16" / "windows.csv").write_text("")
    (home / ".partial-0a").mkdir()
    (home / "2023-05-17").write_text("a file")
    write(tmp_path, "2023-05-18", what=frozenset({"water"}))
    assert previous_run(tmp_path, NAME, dt.date(2023, 5, 28)) == good


def test_nothing_moved_between_equal_runs(tmp_path: Path) -> None:
    (folder,) = write(tmp_path, "2023-05-28")
    assert changes(make_result(NAMES[:1]), read_windows(folder)).empty


@pytest.mark.parametrize(("days", "told"), [(1.0, False), (2.0, True), (-2.0, True), (-6.0, True)])
def test_two_days_count_as_moved(days: float, told: bool) -> None:
    before = make_result(NAMES[:1])
    moved = changes(make_result(NAMES[:1], later=days), before.windows)
    emergences = before.windows[before.windows["event"] != "turnover"]
    assert len(moved) == (len(emergences) if told else 0)
    assert set(moved["peak_shift"]) == ({days} if told else set())


def test_dates_that_come_and_go_are_told_and_new_rows_are_not() -> None:
    now, blank = make_result(NAMES[:2]), without_dates(make_result(NAMES[:1]))
    came = changes(now, blank.windows)
    assert set(came["lake_id"]) == {"L0"}
    assert len(came) == len(blank.windows)
    assert came["best_week_shift"].isna().all() and came["best_week_now"].notna().all()
    went = changes(blank, now.windows)
    assert went["best_week_now"].isna().all() and len(went) == len(blank.windows)


def test_largest_shift_comes_first() -> None:
    before = make_result(NAMES[:1])
    windows = before.windows.copy()
    windows.loc[3, "peak_p50"] += pd.Timedelta(days=9)
    windows.loc[1, "onset_p50"] += pd.Timedelta(days=3)
    moved = changes(replace(before, windows=windows), before.windows)
    assert list(moved["peak_shift"]) == [9.0, 0.0]
    assert list(moved["onset_shift"]) == [0.0, 3.0]
    assert list(moved.columns[:5]) == ["lake_id", "taxon", "brood", "event", "season"]


def test_a_thin_brood_has_no_best_week_to_move() -> None:
    """Under 10 % (our prior) in both runs its best week is not told; in one of them, that it came or went."""
    before = make_result(NAMES[:1])
    chance = before.windows["best_week_chance"].where(before.windows["brood"] != 2, 0.05)
    thin = replace(before, windows=before.windows.assign(best_week_chance=chance))
    start = thin.windows["best_week_start"] + pd.Timedelta("9D")
    later = replace(thin, windows=thin.windows.assign(best_week_start=start))
    moved = changes(later, thin.windows)
    assert set(moved["brood"]) == {0, 1}
    gone = changes(thin, before.windows)
    assert set(gone["brood"]) == {2} and gone["best_week_now"].isna().all() and gone["best_week_before"].notna().all()


def test_a_note_is_the_cause_where_it_acts() -> None:
    """A reading that moved an insect moved all its broods and the lake's turnover; a sighting its broods alone."""
    day, moved_to = dt.date(2023, 5, 27), dt.date(2023, 6, 4)
    before, now = make_result(NAMES[:2]), make_result(NAMES[:2], later=-4)
    record = {"as_of": "2023-05-21", "last_weather_day": "2023-05-21", "inputs": {}, "packages": {}}
    for kind, lake in (("water", True), ("sightings", False)):
        effect = NoteEffect("L0", "speckled_dun", "emergence", 2023, kind, 1, "9 °C", day, day, moved_to, 9, 9)
        info = replace(now.info, note_effects=(effect,))
        windows = now.windows.assign(onset_p50=now.windows["onset_p50"] - pd.Timedelta("4D"))
        told = with_causes(changes(replace(now, windows=windows), before.windows), info, record)
        noted = told[told["cause"].str.contains("note")]
        assert set(noted["lake_id"]) == {"L0"}
        assert set(zip(noted["taxon"], noted["brood"], strict=True)) == {
            ("speckled_dun", 1), ("speckled_dun", 2), *([("-", 0)] if lake else []),
        }  # fmt: skip


def test_the_sentence_has_its_date_in_the_order_of_the_settings() -> None:
    info = make_result(NAMES[:1]).info
    record = {"as_of": "2023-05-21", "last_weather_day": "2023-05-21", "inputs": {}, "packages": {}}
    assert "21 May 2023" in since_words(info, record)
    assert "May 21, 2023" in since_words(replace(info, date_order="month-day"), record)


@pytest.mark.parametrize("file", ["trips.csv", "guides.csv", "closures.csv", "access.csv", "travel.csv"])
def test_files_of_the_trips_move_no_window(file: str) -> None:
    run = make_result(NAMES[:1])
    record = {
        "as_of": run.info.as_of.isoformat(),
        "last_weather_day": run.info.last_weather_day.isoformat(),
        "inputs": {name: {"sha256": digest} for name, digest in run.info.checksums.items()},
        "packages": installed_versions(),
    }
    assert causes(replace(run.info, checksums={**run.info.checksums, file: "0" * 64}), record) == ()
    assert causes(replace(run.info, checksums={**run.info.checksums, "lakes.csv": "0" * 64}), record) == ("setting",)

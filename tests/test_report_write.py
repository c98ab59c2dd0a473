"""Run folders: whole or not at all, inside the output folder for any name, the same bytes for the same result."""

from __future__ import annotations

import datetime as dt
import errno
import json
import os
import shutil
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from run_result import make_result, without_dates

from emergence.errors import WrongUseError
from emergence.report import folders
from emergence.report.folders import RESERVED, WriteError, safe_name
from emergence.report.write import RunNotes, run_record, write_dated_run, write_run
from emergence.runs.results import RunResult

TABLES = {"windows", "days", "water"}
HOSTILE = [
    "../../outside", "..", ".", "", "   ", "/etc/passwd", "C:\\temp", "a/b\\c", "CON", "nul.txt", "com1", "LPT9.log",
    "<script>alert(1)</script>", "🎣🦋", "שלום עולם", "\u202egnp.exe", "x" * 300, "é" * 300, "日本" * 200, "trailing. ",
    "COM¹", "~", "-rf", "a\x00b", "two\nlines", "latest", ".hidden", "na:me?*|\"<>", "lone \ud800",
]  # fmt: skip


@pytest.fixture(scope="module")
def result() -> RunResult:
    return make_result()


def contents(folder: Path) -> dict[str, bytes]:
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in sorted(folder.rglob("*")) if p.is_file()}


def named(result: RunResult, name: str) -> RunResult:
    return replace(result, info=replace(result.info, name=name))


def test_what_is_asked_for_is_written_and_nothing_else(result: RunResult, tmp_path: Path) -> None:
    out = write_run(result, tmp_path / "run", what=TABLES)
    assert set(contents(out)) == {"run.json", "windows.csv", "days.csv", "water.csv"}
    assert os.listdir(tmp_path) == ["run"]
    out = write_run(result, tmp_path / "run", what={"windows"})
    assert set(contents(out)) == {"run.json", "windows.csv"}


def test_pictures(result: RunResult, tmp_path: Path) -> None:
    files = contents(write_run(result, tmp_path / "run", what={"pictures"}))
    names = ["migration-bluets", "migration-spreadwings", "next-weeks"]
    pictures = sorted(f"pictures/{n}.{ending}" for n in names for ending in ("png", "svg"))
    assert sorted(f for f in files if f.startswith("pictures/")) == pictures
    assert sorted(json.loads(files["run.json"])["pictures"]) == pictures
    assert all(files[p].startswith(b"\x89PNG" if p.endswith("png") else b"<svg") for p in pictures)


def test_the_same_result_gives_the_same_bytes_whatever_the_clock_says(result: RunResult, tmp_path: Path) -> None:
    later = replace(result, info=replace(result.info, today=dt.date(2030, 1, 1)))
    first = contents(write_run(result, tmp_path / "a", what=TABLES | {"pictures"}))
    second = contents(write_run(later, tmp_path / "b", what=TABLES | {"pictures"}))
    assert first == second


def test_run_file_is_enough_to_repeat_the_run(result: RunResult, tmp_path: Path) -> None:
    text = (write_run(result, tmp_path / "run", what=TABLES) / "run.json").read_text(encoding="utf-8")
    record = json.loads(text)
    assert text == json.dumps(record, indent=2, sort_keys=True, ensure_ascii=False) + "\n"
    assert record["format"] == 1
    assert (record["seed"], record["members"], record["as_of"]) == (1, 240, "2023-05-28")
    assert len(record["slot_years"]) == record["slots"] == 30
    assert record["inputs"]["lakes.csv"] == {"sha256": "ab" * 32}
    assert record["settings"]["said"] == ["name", "taxa"]
    assert record["left_out"][0]["row"] == 412 and record["notes"][0]["severity"] == "note"
    assert record["dropped_lakes"] == {"L9": "its station has no weather this year"}
    assert record["gap_counts"]["north"] == {"interpolated": 4, "neighbours": 11}
    assert record["tables"]["windows.csv"] == {"rows": len(result.windows), "schema": "windows.json"}
    assert record["assumptions"] == list(result.info.assumptions)
    assert {"python", "numpy", "pandas"} <= set(record["packages"])


def test_run_file_takes_versions_warnings_and_odd_settings(result: RunResult) -> None:
    odd = {"n": np.int64(3), "x": float("nan"), "d": dt.date(2024, 1, 2), "p": Path("a") / "b", "t": (1, {"k": {2, 1}})}
    info = replace(result.info, settings=odd)
    record = run_record(info, RunNotes(versions={"numpy": "2.0"}, warnings=("late weather",)))
    assert record["packages"] == {"numpy": "2.0"} and record["warnings"] == ["late weather"]
    assert record["settings"] == {"n": 3, "x": None, "d": "2024-01-02", "p": "a/b", "t": [1, {"k": [1, 2]}]}


def test_blank_run_can_be_written_with_pictures(result: RunResult, tmp_path: Path) -> None:
    files = contents(write_run(without_dates(result), tmp_path / "run", what=TABLES | {"pictures"}))
    assert json.loads(files["run.json"])["tables"]["days.csv"]["rows"] == 0


def test_unknown_part_is_refused_before_anything_is_touched(result: RunResult, tmp_path: Path) -> None:
    with pytest.raises(WrongUseError, match="cannot write board"):
        write_run(result, tmp_path / "run", what={"windows", "board"})
    assert not list(tmp_path.iterdir())


# ---------------------------------------------------------------- replaced whole


def fail_on(call: int) -> Callable[[Any, Any], None]:
    """Return a rename that fails at its n-th call and works otherwise."""
    real, calls = os.rename, iter(range(1, 100))

    def rename(src: Any, dst: Any) -> None:
        if next(calls) == call:
            raise OSError(errno.EIO, "disk gone")
        real(src, dst)

    return rename


@pytest.mark.parametrize("call", [1, 2])
def test_old_run_stands_when_the_rename_fails(
    result: RunResult, call: int, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(write_run(result, tmp_path / "run", what=TABLES))
    monkeypatch.setattr(folders.os, "rename", fail_on(call))
    with pytest.raises(WriteError, match="disk gone"):
        write_run(make_result(later=5.0), tmp_path / "run", what=TABLES)
    assert contents(tmp_path / "run") == before
    assert os.listdir(tmp_path) == ["run"]


@pytest.mark.parametrize("error", [OSError(errno.ENOSPC, "no space"), KeyboardInterrupt()])
def test_old_run_stands_when_writing_stops_midway(
    result: RunResult, error: BaseException, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    before = contents(write_run(result, tmp_path / "run", what=TABLES))

    def stop(path: Path) -> None:
        raise error

    monkeypatch.setattr(folders, "_force_to_disk", stop)
    with pytest.raises((WriteError, KeyboardInterrupt)):
        write_run(make_result(later=5.0), tmp_path / "run", what=TABLES)
    assert contents(tmp_path / "run") == before
    assert os.listdir(tmp_path) == ["run"]


def test_files_are_forced_to_disk_before_the_folder_gets_its_name(
    result: RunResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    order: list[str] = []
    real_sync, real_rename = folders._sync, os.rename
    monkeypatch.setattr(folders, "_sync", lambda path: (order.append(path.name), real_sync(path)))
    monkeypatch.setattr(folders.os, "rename", lambda a, b: (order.append("rename"), real_rename(a, b)))
    write_run(result, tmp_path / "run", what={"windows"})
    assert set(order[: order.index("rename")]) >= {"run.json", "windows.csv"}


def test_a_run_replaces_the_old_one_whole(result: RunResult, tmp_path: Path) -> None:
    out = write_run(result, tmp_path / "run", what=TABLES)
    (out / "stray.txt").write_text("left by an older version")
    later = contents(write_run(make_result(later=5.0), tmp_path / "run", what=TABLES))
    assert "stray.txt" not in later
    assert later == contents(write_run(make_result(later=5.0), tmp_path / "other", what=TABLES))


def test_folders_that_are_not_ours_are_left_alone(
    result: RunResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    season = tmp_path / "season"
    season.mkdir()
    (season / "lakes.csv").write_text("lake_id\n")
    with pytest.raises(WrongUseError, match="holds other things"):
        write_run(result, season, what=TABLES)
    with pytest.raises(WrongUseError, match="is a file"):
        write_run(result, season / "lakes.csv", what=TABLES)
    assert contents(season) == {"lakes.csv": b"lake_id\n"}
    (tmp_path / "empty").mkdir()
    monkeypatch.chdir(tmp_path / "empty")
    with pytest.raises(WrongUseError, match="current folder"):
        write_run(result, Path("."), what=TABLES)


def test_an_empty_folder_and_missing_parents_are_fine(result: RunResult, tmp_path: Path) -> None:
    (tmp_path / "empty").mkdir()
    assert contents(write_run(result, tmp_path / "empty", what=TABLES))
    assert contents(write_run(result, tmp_path / "a" / "b" / "c", what=TABLES))


def test_a_place_that_cannot_be_written_is_said(result: RunResult, tmp_path: Path) -> None:
    (tmp_path / "file").write_text("")
    with pytest.raises(WriteError, match="cannot write"):
        write_run(result, tmp_path / "file" / "run", what=TABLES)


# ---------------------------------------------------------------- names and latest


def test_dated_run_and_latest(result: RunResult, tmp_path: Path) -> None:
    out = write_dated_run(result, tmp_path, what={"windows"})
    assert out == (tmp_path / "Northern waters" / "2023-05-28").resolve()
    latest = tmp_path / "Northern waters" / "latest"
    assert latest.is_symlink() and os.readlink(latest) == "2023-05-28"
    write_dated_run(make_result(as_of=dt.date(2023, 6, 4)), tmp_path, what={"windows"})
    assert os.readlink(latest) == "2023-06-04"
    assert sorted(os.listdir(latest.parent)) == ["2023-05-28", "2023-06-04", "latest"]


def test_latest_without_links_is_a_text_file(
    result: RunResult, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    def refuse(*args: object, **more: object) -> None:
        raise OSError(errno.EPERM, "links are not allowed")

    with monkeypatch.context() as patch:
        patch.setattr(folders.os, "symlink", refuse)
        home = write_dated_run(result, tmp_path, what={"windows"}).parent
    assert (home / "latest.txt").read_bytes() == b"2023-05-28\n"
    assert sorted(os.listdir(home)) == ["2023-05-28", "latest.txt"]
    write_dated_run(result, tmp_path, what={"windows"})
    assert sorted(os.listdir(home)) == ["2023-05-28", "latest"]


def test_a_real_folder_called_latest_is_not_destroyed(result: RunResult, tmp_path: Path) -> None:
    home = tmp_path / "Northern waters"
    (home / "latest").mkdir(parents=True)
    (home / "latest" / "mine.txt").write_text("keep")
    write_dated_run(result, tmp_path, what={"windows"})
    assert (home / "latest" / "mine.txt").exists()
    assert (home / "latest.txt").read_text() == "2023-05-28\n"


@pytest.mark.parametrize("name", HOSTILE)
def test_any_name_stays_inside_the_output_folder(result: RunResult, name: str, tmp_path: Path) -> None:
    root = tmp_path / "reports"
    out = (
        write_dated_run(named(result, name), root, what=set()) if "\ud800" not in name else root / safe_name(name) / "x"
    )
    assert out.parent.parent == root.resolve()
    assert os.listdir(tmp_path) == (["reports"] if root.exists() else [])
    shutil.rmtree(root, ignore_errors=True)


@given(st.text(alphabet=st.characters(codec=None), max_size=400))
def test_safe_names(text: str) -> None:
    name = safe_name(text)
    assert name and not set(name) & set('/\\:*?"<>|\0\n') and name.isprintable()
    assert not name.startswith((".", " ", "-")) and not name.endswith((".", " "))
    assert len(name.encode()) <= 140
    assert not RESERVED.match(name)
    assert safe_name(name) == name


def test_safe_names_keep_good_names_and_tell_bad_ones_apart() -> None:
    assert [safe_name(n) for n in ("data_demo", "Northern waters", "Søndre vann 2024", "v1.2")] == [
        "data_demo", "Northern waters", "Søndre vann 2024", "v1.2",
    ]  # fmt: skip
    assert len({safe_name(n) for n in HOSTILE}) == len(HOSTILE)
    assert safe_name("contact") == "contact"

"""Tables written from pieces, and what killed runs leave behind."""

from __future__ import annotations

import os
import subprocess
import sys
import time
from pathlib import Path

import pandas as pd
import pytest
from filelock import FileLock
from run_result import make_result

from emergence.report import folders
from emergence.report.folders import clear_leftovers, replaced_folder
from emergence.report.pieces import write_pieces
from emergence.report.tables import encoded, read_table, write_table

TABLES = ("windows", "days", "water")


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_pieces_make_the_table(tmp_path: Path, ending: str) -> None:
    result = make_result()
    whole, parts = tmp_path / "whole", tmp_path / "parts"
    whole.mkdir()
    parts.mkdir()
    blocks = []
    for lake in dict.fromkeys(result.windows["lake_id"]):
        mine = {name: getattr(result, name) for name in TABLES}
        blocks.append({name: encoded(t[t["lake_id"] == lake], name, ending) for name, t in mine.items()})
    told = write_pieces(blocks, TABLES, parts, table_format=ending)
    for name in TABLES:
        table = pd.concat([t[t["lake_id"] == lake] for t in [getattr(result, name)] for lake in _lakes(result)])
        file, rows = write_table(table, name, whole, table_format=ending)
        assert told[file] == {"rows": rows, "schema": f"{name}.json"}
        pd.testing.assert_frame_equal(read_table(parts, name), read_table(whole, name), check_exact=True)
        if ending == "csv":
            assert (parts / file).read_bytes() == (whole / file).read_bytes()


def _lakes(result: object) -> list[str]:
    return list(dict.fromkeys(result.windows["lake_id"]))  # type: ignore[attr-defined]


def test_parquet_keeps_dates_as_dates_and_blanks_as_blanks(tmp_path: Path) -> None:
    windows = make_result().windows
    write_table(windows, "windows", tmp_path, table_format="parquet")
    raw = pd.read_parquet(tmp_path / "windows.parquet")
    assert raw["onset_p50"].dtype.kind == "M" and raw["season"].dtype.kind == "i"
    assert raw["peak_p95"].isna().tolist() == windows["peak_p95"].isna().tolist()


KILLED = """
import os, signal, sys
from pathlib import Path
from emergence.report.folders import replaced_folder
with replaced_folder(Path(sys.argv[1])) as part:
    (part / "run.json").write_text("half")
    os.kill(os.getpid(), signal.SIGKILL)
"""


def test_what_a_killed_run_leaves_is_cleared_by_the_next(tmp_path: Path) -> None:
    subprocess.run([sys.executable, "-c", KILLED, str(tmp_path / "run")], check=False, timeout=60)
    assert any(p.name.startswith(".partial-") and p.is_dir() for p in tmp_path.iterdir())
    with replaced_folder(tmp_path / "run") as part:
        (part / "run.json").write_text("{}")
    assert os.listdir(tmp_path) == ["run"]


def test_a_folder_that_is_being_written_stays(tmp_path: Path) -> None:
    part = tmp_path / ".partial-00"
    part.mkdir()
    with FileLock(f"{part}.lock"):
        clear_leftovers(tmp_path)
        assert part.is_dir()
    clear_leftovers(tmp_path)
    assert os.listdir(tmp_path) == []


def test_leftovers_without_a_lock_go_when_old_and_a_run_moved_aside_comes_back(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    for name in (".partial-1", ".replaced-2-lost", ".replaced-3-there", "there"):
        (tmp_path / name).mkdir()
    (tmp_path / ".partial-text").write_text("half")
    (tmp_path / ".replaced-2-lost" / "run.json").write_text("{}")
    clear_leftovers(tmp_path)
    assert len(os.listdir(tmp_path)) == 5
    now = time.time()
    monkeypatch.setattr(folders.time, "time", lambda: now + 2 * folders.STALE_S)
    clear_leftovers(tmp_path)
    assert sorted(os.listdir(tmp_path)) == ["lost", "there"]
    assert (tmp_path / "lost" / "run.json").read_text() == "{}"


def test_a_folder_with_nothing_but_blocks_may_be_replaced(tmp_path: Path) -> None:
    (tmp_path / "run" / folders.BLOCKS).mkdir(parents=True)
    with replaced_folder(tmp_path / "run") as part:
        (part / "run.json").write_text("{}")
    assert os.listdir(tmp_path / "run") == ["run.json"]

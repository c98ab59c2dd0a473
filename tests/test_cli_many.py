"""The run of many lakes at the command line."""

from __future__ import annotations

import json
from pathlib import Path

import pytest
from click.testing import CliRunner

from emergence.cli import forecast, many
from emergence.cli.main import main

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
ASK = ["forecast", str(DEMO), "--as-of", "2025-05-01", "--taxon", "boatman"]
THREE = [word for lake in ("pellor", "quennaby", "crannow") for word in ("--lake", lake)]


@pytest.fixture
def everything_is_many(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(forecast, "MANY_LAKES", 1)


def test_remaining_time_is_that_of_this_runs_pace() -> None:
    assert many.remaining_words(60.0, 0, 500) == ""
    assert many.remaining_words(2.0, 64, 500) == ""
    assert many.remaining_words(60.0, 100, 50) == ", about 30 s left"
    assert many.remaining_words(60.0, 100, 1000) == ", about 10 min left"
    assert many.remaining_words(60.0, 100, 20_000) == ", about 3.3 h left"
    assert many.remaining_words(60.0, 100, 0) == ""


def test_no_progress_where_nobody_sees_it() -> None:
    assert many.progress_line(10_000) is None  # stderr of tests is no terminal


def test_progress_counts_only_what_this_run_did(monkeypatch: pytest.MonkeyPatch, capsys) -> None:
    times = iter([0.0, 0.0, 10.0])
    monkeypatch.setattr(many.time, "monotonic", lambda: next(times))
    monkeypatch.setattr(many.sys.stderr, "isatty", lambda: True, raising=False)
    show = many.progress_line(1000)
    assert show is not None
    show(900, 1000)
    show(950, 1000)
    assert "950 of 1000 lakes, about 10 s left" in capsys.readouterr().err


def test_formats_of_few_and_many() -> None:
    assert many.default_format(12) == "csv"
    assert many.default_format(10_000) == "parquet"


@pytest.mark.usefixtures("everything_is_many")
def test_many_lakes_give_the_files_of_few(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.chdir(tmp_path)
    told = CliRunner().invoke(main, [*ASK, *THREE])
    assert told.exit_code == 0, told.output
    assert "3 lakes" in told.stdout and "CAUTION" in told.stdout
    home = next((tmp_path / "reports").iterdir())
    assert (home / "latest").resolve() == (home / "2025-05-01").resolve()
    monkeypatch.setattr(forecast, "MANY_LAKES", 300)
    few = CliRunner().invoke(main, [*ASK, *THREE, "--out", "few", "--write", "windows,days,water"])
    assert few.exit_code == 0, few.output
    files = sorted(p.name for p in (tmp_path / "few").iterdir())
    assert files == sorted(p.name for p in (home / "2025-05-01").iterdir())
    for name in files:
        assert (tmp_path / "few" / name).read_bytes() == (home / "2025-05-01" / name).read_bytes(), name


@pytest.mark.usefixtures("everything_is_many")
def test_stopped_and_gone_on(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    def stopped(*_args: object, **_kwargs: object) -> None:
        raise KeyboardInterrupt

    with monkeypatch.context() as broken:
        broken.setattr("emergence.runs.stored.BlockStore.get", stopped)
        told = CliRunner().invoke(main, [*ASK, *THREE, "--out", str(tmp_path / "run")])
    assert told.exit_code == 1 and "finished blocks are kept" in told.stderr
    assert [p.name for p in (tmp_path / "run").iterdir()] == [".blocks"]
    monkeypatch.setattr("emergence.runs.stored.block_tables", stopped)  # nothing is left to do
    told = CliRunner().invoke(main, [*ASK, *THREE, "--out", str(tmp_path / "run")])
    assert told.exit_code == 0, told.output
    assert json.loads((tmp_path / "run" / "run.json").read_text())["tables"]["windows.csv"]["rows"] > 0
    assert not (tmp_path / "run" / ".blocks").exists()


@pytest.mark.usefixtures("everything_is_many")
def test_what_many_lakes_cannot_have_is_refused() -> None:
    for words in (["--json"], ["--write", "pictures"], ["--dask", "somewhere"]):
        told = CliRunner().invoke(main, [*ASK, *THREE, *words])
        assert told.exit_code == 2, told.output

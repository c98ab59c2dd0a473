"""The journal counts beside readings.csv, ice.csv and sightings.csv, once, and the season folder is only read."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import json
import shutil
from pathlib import Path

import numpy as np
import pytest
from click.testing import CliRunner, Result

from emergence.cli.main import main
from emergence.dates import day_number
from emergence.journal.entries import Body, Entry, IceDate, Reading, Sighting, Stamp
from emergence.journal.errors import FILE, DamagedJournalError
from emergence.journal.notes import open_journal
from emergence.records import Season, Table
from emergence.runs.notes_join import with_journal
from emergence.season import read_season
from tests.season_folder import ICE, READINGS, SIGHTINGS, TODAY, write_season

ROOT = Path(__file__).resolve().parents[1]
NOW = dt.datetime(2024, 6, 1, 12, tzinfo=dt.UTC)
STAMP = Stamp("2024-06-01T12:00:00Z", "command", "mara")


def day(text: str) -> int:
    return day_number(dt.date.fromisoformat(text))


def note(folder: Path, *bodies: Body, doubt: str = "", undo: tuple[int, ...] = ()) -> None:
    with open_journal(folder, now=NOW) as journal:
        journal.add([Entry(body, doubt) for body in bodies], STAMP)
        for number in undo:
            journal.undo(number, "2024-06-01T13:00:00Z")


def read(folder: Path) -> Season:
    return with_journal(read_season(folder, today=TODAY), today=TODAY)


def same(a: Table, b: Table) -> bool:
    pairs = [(getattr(a, f.name), getattr(b, f.name)) for f in dataclasses.fields(a)]
    return all(len(x) == len(y) and (x.astype(str) == y.astype(str)).all() for x, y in pairs)


def test_without_a_journal_the_season_is_what_it_was(tmp_path: Path) -> None:
    season = read_season(write_season(tmp_path), today=TODAY)
    assert with_journal(season, today=TODAY) is season


def test_notes_and_rows_give_the_same_season_wherever_they_stand(tmp_path: Path) -> None:
    """The same observations in the files, in the journal, or in both: the records are equal, cell by cell."""
    bodies: tuple[Body, ...] = (
        Reading("birch", day("2024-05-12"), 8.0, 1.0, 9.5),
        Reading("alder", day("2024-05-12"), 12.25),
        Reading("alder", day("2024-05-04"), 9.5, 0.5, 14.0),
        IceDate("alder", day("2023-11-20"), "on"),
        IceDate("cedar", day("2024-05-20"), "off"),
        IceDate("alder", day("2024-04-02"), "off"),
        Sighting("birch", day("2024-05-21"), "chironomus", "pupa", "none", 20.0),
        Sighting("alder", day("2024-05-20"), "coenagrion", "moving", "few", 40.0, "M", "near the reeds, windy"),
    )
    files = read_season(write_season(tmp_path / "files"), today=TODAY)
    none = {"readings.csv": None, "ice.csv": None, "sightings.csv": None}
    note(write_season(tmp_path / "journal", none), *bodies)
    note(write_season(tmp_path / "both"), *bodies)
    half = {name: "\n".join(text.splitlines()[:2]) for name, text in
            (("readings.csv", READINGS), ("ice.csv", ICE), ("sightings.csv", SIGHTINGS))}  # fmt: skip
    note(write_season(tmp_path / "half", half), *bodies)
    for name in ("journal", "both", "half"):
        season = read(tmp_path / name)
        assert same(season.readings, files.readings), name
        assert same(season.ice, files.ice), name
        assert same(season.sightings, files.sightings), name
        assert season.readings.water_c.dtype == np.float64 and season.readings.day.dtype == np.int64


def test_fahrenheit_and_trade_names_are_the_same_observation(tmp_path: Path) -> None:
    changes = {
        "readings.csv": "lake_id,date,water_f,depth_ft\nalder,2024-05-12,56,2\n",
        "sightings.csv": "lake_id,date,taxon,stage,level\nalder,2024-05-12,Damsel,moving,few\n",
    }
    folder = write_season(tmp_path, changes)
    note(
        folder,
        Reading("alder", day("2024-05-12"), (56 - 32) / 1.8, 2 * 0.3048),
        Sighting("alder", day("2024-05-12"), "coenagrion", "moving", "few"),
    )
    season = read(folder)
    assert len(season.readings) == len(season.sightings) == 1


def test_undone_notes_do_not_count(tmp_path: Path) -> None:
    folder = write_season(tmp_path)
    note(folder, Reading("cedar", day("2024-05-30"), 6.0), Reading("cedar", day("2024-05-31"), 7.0), undo=(1,))
    cedar = read(folder).readings
    assert cedar.water_c[cedar.lake_id == "cedar"].tolist() == [7.0]


def test_notes_that_cannot_count_are_listed(tmp_path: Path) -> None:
    folder = write_season(tmp_path)
    note(folder, Reading("drowned", day("2024-05-30"), 6.0), Reading("cedar", day("2024-06-09"), 6.0))
    note(folder, IceDate("alder", day("2024-04-02"), "on"))
    note(folder, Reading("cedar", day("2024-04-30"), 26.0), doubt="26 °C in April is far from usual here")
    season = read(folder)
    told = {p.column: (p.severity, p.rule) for p in season.problems if p.file == FILE}
    assert told == {
        "note 1": ("row", "this lake_id is not in lakes.csv"),
        "note 2": ("row", "nothing can have been observed after today"),
        "note 3": ("row", "ice.csv gives the opposite ice event for the same lake and day"),
        "note 4": ("note", "kept, but doubtful: 26 °C in April is far from usual here"),
    }
    assert "cedar" in season.readings.lake_id and "drowned" not in season.readings.lake_id
    assert season.ice.event[(season.ice.lake_id == "alder") & (season.ice.day == day("2024-04-02"))] == ["off"]


def test_a_damaged_journal_stops_the_run(tmp_path: Path) -> None:
    folder = write_season(tmp_path)
    (folder / FILE).write_bytes(b"not a journal")
    with pytest.raises(DamagedJournalError):
        read(folder)


# ---------------------------------------------------------------- the command


def call(*words: str) -> Result:
    return CliRunner().invoke(main, list(words))


@pytest.fixture
def demo(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    shutil.copytree(ROOT / "data_demo", folder)
    return folder


def water(folder: Path) -> list[str]:
    result = call("water", str(folder), "--lake", "quennaby", "--from", "2026-04-20", "--to", "2026-05-24")
    assert result.exit_code == 0, result.output
    return result.stdout.splitlines()


def test_a_note_moves_the_water_and_the_command_leaves_the_folder_alone(demo: Path) -> None:
    before = water(demo)
    with open_journal(demo, now=NOW) as journal:
        journal.add([Entry(Reading("quennaby", day("2026-05-10"), 16.5, 0.5, 14.0))], STAMP)
        files = {path.name: path.read_bytes() for path in demo.iterdir() if path.is_file()}
        assert f"{FILE}-wal" in files, "the note is still in the log, as beside a writer at work"
        with_note = water(demo)
        assert {path.name: path.read_bytes() for path in demo.iterdir() if path.is_file()} == files
        assert with_note != before
        journal.undo(1, "2026-05-11T00:00:00Z")
    assert water(demo) == before


def test_the_run_file_knows_the_notes_by_their_export(demo: Path, tmp_path: Path) -> None:
    with open_journal(demo, now=NOW) as journal:
        journal.add([Entry(Reading("quennaby", day("2026-05-10"), 14.5))], STAMP)
    words = ("--lake", "quennaby", "--taxon", "callibaetis", "--write", "windows", "--out", str(tmp_path / "out"))
    toml = demo / "season.toml"
    toml.write_text(toml.read_text(encoding="utf-8") + "\n[ensemble]\nslots = 5\nreplicates = 2\n", encoding="utf-8")
    result = call("forecast", str(demo), *words)
    assert result.exit_code == 0, result.output
    held = json.loads((tmp_path / "out" / "run.json").read_text(encoding="utf-8"))["inputs"][FILE]["sha256"]
    exported = call("note", "export", str(demo)).stdout
    assert held == hashlib.sha256(exported.encode()).hexdigest()
    (demo / FILE).write_bytes(b"x" * 9000)
    broken = call("forecast", str(demo), *words)
    assert broken.exit_code == 1 and "note restore" in broken.output and "Traceback" not in broken.output

"""The journal: notes are kept, undone, counted once; they outlive kills, damage, full disks and older formats."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import random
import sqlite3
import subprocess
import sys
import tempfile
import time
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path

import pytest

from emergence.journal import schema
from emergence.journal.entries import Body, Entry, IceDate, Note, Reading, Sighting, Stamp
from emergence.journal.errors import BACKUP_FILE, FILE, BusyJournalError, DamagedJournalError, JournalError
from emergence.journal.notes import open_journal, read_notes
from emergence.journal.rescue import joined, restore, salvage
from emergence.journal.store import connect
from tests import journal_writer
from tests.journal_writer import NOW, entry, numbers

ROOT = Path(__file__).resolve().parents[1]
MARA = Stamp("2026-05-24T12:00:00Z", "command", "mara")
BODIES: tuple[Body, ...] = (
    Reading("alder", 20_000, 13.5),
    Reading("alder", 20_000, 56.0 / 1.8, 0.6096, 14.5),
    IceDate("cedar", 19_950, "off"),
    Sighting("birch", 20_010, "coenagrion", "moving", "none", 40.0, "M", 'wind, "cold", å'),
    Sighting("birch", 20_010, "chironomus", "pupa", "many"),
)
PAGE = 4096
"""SQLite's page size [bytes]."""


def write(folder: Path, bodies: tuple[Body, ...] = BODIES, stamp: Stamp = MARA) -> list[int]:
    with open_journal(folder, now=NOW) as journal:
        return [added.id for added in journal.add([Entry(body) for body in bodies], stamp)]


def standing(folder: Path) -> list[Body]:
    return [note.body for note in read_notes(folder) if note.stands]


def names(folder: Path) -> set[str]:
    return {path.name for path in folder.iterdir()}


def raw(folder: Path) -> contextlib.closing[sqlite3.Connection]:
    return contextlib.closing(sqlite3.connect(folder / FILE, isolation_level=None))


# ---------------------------------------------------------------- notes


def test_notes_come_back_as_they_were_written(tmp_path: Path) -> None:
    assert write(tmp_path) == [1, 2, 3, 4, 5]
    notes = read_notes(tmp_path)
    assert tuple(note.body for note in notes) == BODIES
    assert {note.stamp for note in notes} == {MARA} and all(note.stands for note in notes)
    assert names(tmp_path) == {FILE}, "at rest the journal is one file"


def test_a_doubt_and_its_confirmation_are_kept(tmp_path: Path) -> None:
    with open_journal(tmp_path, now=NOW) as journal:
        journal.add([Entry(BODIES[0], "far from usual"), Entry(BODIES[2], "in July", confirmed=True)], MARA)
        assert [(note.doubt, note.confirmed) for note in journal.notes()] == [
            ("far from usual", False),
            ("in July", True),
        ]


def test_the_same_note_twice_counts_once(tmp_path: Path) -> None:
    write(tmp_path)
    with open_journal(tmp_path, now=NOW) as journal:
        again = journal.add([Entry(body) for body in BODIES], Stamp("2026-06-01T00:00:00Z", "import x.csv", "tove"))
        assert [(done.id, done.new) for done in again] == [(k, False) for k in range(1, 6)]
        journal.undo(1, "2026-06-02T00:00:00Z")
        (done,) = journal.add([Entry(BODIES[0])], MARA)
        assert done.new and done.id == 6, "after its undoing it can be noted anew"


def test_ice_on_and_off_on_one_day_contradict_each_other(tmp_path: Path) -> None:
    write(tmp_path)
    with open_journal(tmp_path, now=NOW) as journal:
        (done,) = journal.add([Entry(IceDate("cedar", 19_950, "on"))], MARA)
        assert done.against and done.id == 3 and len(journal.notes()) == 5


def test_undo_goes_back_through_ones_own_notes_only(tmp_path: Path) -> None:
    write(tmp_path, BODIES[:2])
    write(tmp_path, BODIES[2:3], Stamp("2026-05-24T13:00:00Z", "command", "tove"))
    with open_journal(tmp_path, now=NOW) as journal:
        assert [note.id for note in journal.undo_last("mara", "t1")] == [2]
        assert [note.id for note in journal.undo_last("mara", "t2")] == [1]
        with pytest.raises(JournalError, match="nothing to undo"):
            journal.undo_last("mara", "t3")
        assert [note.undone for note in journal.notes()] == ["t2", "t1", ""]
        with pytest.raises(JournalError, match="undone already"):
            journal.undo(1, "t4")
        with pytest.raises(JournalError, match="no note 99"):
            journal.undo(99, "t4")


def test_undo_takes_back_an_import_as_a_whole(tmp_path: Path) -> None:
    write(tmp_path, BODIES[:1])
    write(tmp_path, BODIES[1:], Stamp("2026-05-24T13:00:00Z", "import old.csv", "mara"))
    with open_journal(tmp_path, now=NOW) as journal:
        assert [note.id for note in journal.undo_last("mara", "t1")] == [2, 3, 4, 5]
    assert standing(tmp_path) == [BODIES[0]]


@pytest.mark.parametrize("table", ["notes", "readings", "ice", "sightings"])
def test_the_file_itself_refuses_to_delete_notes(tmp_path: Path, table: str) -> None:
    write(tmp_path)
    with raw(tmp_path) as connection, pytest.raises(sqlite3.IntegrityError, match="never deleted"):
        connection.execute(f"DELETE FROM {table}")


def test_an_entry_that_fails_takes_the_others_of_its_list_back(tmp_path: Path) -> None:
    wrong = Sighting("birch", 20_010, "coenagrion", "moving", "heaps")
    with open_journal(tmp_path, now=NOW) as journal:
        with pytest.raises(JournalError):
            journal.add([Entry(BODIES[0]), Entry(wrong)], MARA)
        assert journal.notes() == ()


def test_every_commit_is_forced_to_the_disk(tmp_path: Path) -> None:
    """synchronous 2 is FULL, the level at which a commit in write-ahead mode is durable (sqlite.org/pragma.html)."""
    write(tmp_path)
    with contextlib.closing(connect(tmp_path / FILE)) as connection:
        assert connection.execute("PRAGMA synchronous").fetchone() == (2,)
        assert connection.execute("PRAGMA foreign_keys").fetchone() == (1,)
        assert connection.execute("PRAGMA journal_mode").fetchone() == ("wal",)


# ---------------------------------------------------------------- several writers, kills


def start(folder: Path, name: str, count: int, first: int = 0) -> subprocess.Popen[str]:
    words = [sys.executable, "-m", "tests.journal_writer", str(folder), name, str(count), str(first)]
    return subprocess.Popen(words, stdout=subprocess.PIPE, text=True, cwd=ROOT)


def acknowledged(process: subprocess.Popen[str]) -> list[int]:
    assert process.stdout is not None
    with process.stdout as pipe:
        out = pipe.read()  # not communicate(): what readline() read ahead would be lost
    process.wait(timeout=60)
    return [int(line) for line in out.splitlines() if line.isdecimal()]


def test_two_writers_at_once_both_succeed(tmp_path: Path) -> None:
    writers = {name: start(tmp_path, name, 40) for name in ("mara", "tove")}
    for name, process in writers.items():
        assert acknowledged(process) == list(range(40)) and process.returncode == 0, name
    notes = read_notes(tmp_path)
    assert all(numbers(notes, name) == list(range(40)) for name in writers)
    assert [note.id for note in notes] == list(range(1, 81))


def test_a_writer_waits_no_longer_than_it_must(tmp_path: Path) -> None:
    write(tmp_path)
    with raw(tmp_path) as other, pytest.raises(BusyJournalError, match="close it and try again"):
        other.execute("BEGIN IMMEDIATE")
        with open_journal(tmp_path, now=NOW, patience=0.05) as journal:
            journal.add([Entry(IceDate("alder", 1, "off"))], MARA)
    assert len(read_notes(tmp_path)) == 5


def test_no_acknowledged_note_is_lost_when_the_writer_is_killed(tmp_path: Path) -> None:
    draw = random.Random(6)
    said: list[int] = []
    for kill in range(10):
        process = start(tmp_path, "mara", 1000, first=1000 * kill)
        assert process.stdout is not None and process.stdout.readline() == "ready\n"
        time.sleep(draw.uniform(0.0, 0.15))
        process.kill()
        said += acknowledged(process)
        there = numbers(read_notes(tmp_path), "mara") if (tmp_path / FILE).exists() else []
        assert set(said) <= set(there), "an acknowledged note is missing"
        assert len(there) <= len(said) + kill + 1, "at most one note a kill was written and not yet acknowledged"
    assert len(said) > 20
    with open_journal(tmp_path, now=NOW) as journal:
        assert set(said) <= set(numbers(journal.notes(), "mara"))


# ---------------------------------------------------------------- reading without touching the folder


@contextlib.contextmanager
def hot_journal(folder: Path) -> Iterator[None]:
    """Leave the latest commits in the log beside the journal, as while a writer has it open."""
    with open_journal(folder, now=NOW) as journal:
        journal.add([Entry(body) for body in BODIES], MARA)
        yield


def test_reading_sees_the_latest_commits_and_leaves_no_trace(tmp_path: Path) -> None:
    with hot_journal(tmp_path):
        before = {path.name: path.read_bytes() for path in tmp_path.iterdir()}
        assert len(before[f"{FILE}-wal"]) > 0
        assert tuple(note.body for note in read_notes(tmp_path)) == BODIES
        assert {path.name: path.read_bytes() for path in tmp_path.iterdir()} == before


def test_without_a_journal_there_are_no_notes_and_none_is_made(tmp_path: Path) -> None:
    assert read_notes(tmp_path) == () and names(tmp_path) == set()


IN_READ_ONLY = """
import os, sys
from pathlib import Path
from emergence.journal.entries import Entry, IceDate, Stamp
from emergence.journal.errors import JournalError
from emergence.journal.notes import open_journal, read_notes
from tests.journal_writer import NOW
folder = Path(sys.argv[1])
if os.geteuid() == 0:
    os.setgroups([])
    os.setgid(65534)
    os.setuid(65534)
print(len(read_notes(folder)))
try:
    with open_journal(folder, now=NOW) as journal:
        journal.add([Entry(IceDate("alder", 1, "off"))], Stamp("t"))
except JournalError as error:
    print("refused:", error)
"""


@pytest.mark.parametrize("state", ["at rest", "hot", "none"])
def test_a_read_only_folder_can_be_read_and_says_that_it_cannot_be_written(state: str) -> None:
    """Permissions bind no administrator, so an administrator's test becomes nobody (user 65534) once all is loaded."""
    with tempfile.TemporaryDirectory() as name:
        Path(name).chmod(0o755)
        folder = Path(name, "season")
        folder.mkdir()
        with hot_journal(folder):
            copies = {path.name: path.read_bytes() for path in folder.iterdir()}
        if state == "hot":
            for file in (FILE, f"{FILE}-wal"):
                (folder / file).write_bytes(copies[file])
        if state == "none":
            (folder / FILE).unlink()
        for path in folder.iterdir():
            path.chmod(0o444)
        folder.chmod(0o555)
        words = [sys.executable, "-c", IN_READ_ONLY, str(folder)]
        done = subprocess.run(words, capture_output=True, text=True, cwd=ROOT)
        folder.chmod(0o755)
        assert done.returncode == 0, done.stderr
        first, second = done.stdout.splitlines()
        assert first == ("0" if state == "none" else "5")
        assert second.startswith("refused: journal.sqlite: ") and "Nothing was noted" in second
        assert "read-only" in second or "may be written" in second


# ---------------------------------------------------------------- damage and the way out


def many(folder: Path, count: int = 300) -> None:
    write(folder, tuple(entry("mara", k).body for k in range(count)))


def test_damage_is_said_wherever_it_lies_and_most_notes_are_read_all_the_same(tmp_path: Path) -> None:
    many(tmp_path, 150)
    whole = (tmp_path / FILE).read_bytes()
    draw = random.Random(3)
    found = []
    for page in range(len(whole) // PAGE):
        hurt = whole[: page * PAGE] + draw.randbytes(PAGE) + whole[(page + 1) * PAGE :]
        (tmp_path / FILE).write_bytes(hurt)
        with pytest.raises(DamagedJournalError, match="note restore"):
            read_notes(tmp_path)
        with pytest.raises(DamagedJournalError, match="note restore"):
            write(tmp_path)
        notes = salvage(tmp_path)
        assert all(note.body == entry("mara", note.body.day).body for note in notes), "no note is made up"
        found.append(len(notes))
    assert found[0] == 150, "the page that tells where the tables are can be made anew"
    # half of the pages are indexes, and no page of notes holds a third of them all
    assert sorted(found)[len(found) // 2] >= 100


@pytest.mark.parametrize("content", [b"", b"lake_id,date\n", b"SQLite format 3\0" + b"\xff" * 5000])
def test_a_file_that_is_no_journal(tmp_path: Path, content: bytes) -> None:
    (tmp_path / FILE).write_bytes(content)
    if not content:
        assert read_notes(tmp_path) == (), "an empty file is a journal not begun (the first writer was killed)"
        return
    with pytest.raises(DamagedJournalError, match="damaged or no journal"):
        read_notes(tmp_path)
    with pytest.raises(DamagedJournalError, match="damaged or no journal"):
        write(tmp_path)
    assert (tmp_path / FILE).read_bytes() == content


def test_another_programs_database_is_left_alone(tmp_path: Path) -> None:
    with raw(tmp_path) as connection:
        connection.execute("CREATE TABLE mine (x)")
    before = (tmp_path / FILE).read_bytes()
    with pytest.raises(DamagedJournalError, match="no journal of this program"):
        write(tmp_path)
    assert (tmp_path / FILE).read_bytes() == before


def test_restore_joins_what_can_be_read_with_the_backup_copy(tmp_path: Path) -> None:
    many(tmp_path)
    with open_journal(tmp_path, now=NOW) as journal:
        assert journal.keep_copy(NOW) == ""
        journal.undo(7, "2026-05-25T08:00:00Z")
        journal.add([Entry(BODIES[2])], MARA)  # after the copy
    whole = bytearray((tmp_path / FILE).read_bytes())
    with raw(tmp_path) as connection:
        (root,) = connection.execute("SELECT rootpage FROM sqlite_master WHERE name = 'readings'").fetchone()
    whole[(root - 1) * PAGE : root * PAGE] = bytes(PAGE)
    (tmp_path / FILE).write_bytes(whole)
    done = restore(tmp_path, now=NOW)
    assert done.changed and done.notes == 301 and 0 < done.from_copies < 300
    assert done.aside is not None and done.aside.read_bytes() == bytes(whole), "the damaged file is kept"
    notes = read_notes(tmp_path)
    assert [note.id for note in notes] == list(range(1, 302)) and notes[-1].body == BODIES[2]
    assert [note.id for note in notes if not note.stands] == [7], "what was undone stays undone"
    assert numbers(notes[:-1], "mara") == list(range(300))
    assert write(tmp_path, BODIES[:1]) == [302]
    assert not restore(tmp_path, now=NOW).changed


def test_restore_makes_a_missing_journal_from_the_backup_copy(tmp_path: Path) -> None:
    write(tmp_path)
    with open_journal(tmp_path, now=NOW) as journal:
        journal.keep_copy(NOW)
    (tmp_path / FILE).unlink()
    for work in (lambda: read_notes(tmp_path), lambda: write(tmp_path)):
        with pytest.raises(JournalError, match=r"missing.*note restore"):
            work()
    done = restore(tmp_path, now=NOW)
    assert done.notes == done.from_copies == 5 and standing(tmp_path) == list(BODIES)


def test_restore_with_nothing_to_restore_from_says_so(tmp_path: Path) -> None:
    with pytest.raises(JournalError, match="neither a journal nor a backup"):
        restore(tmp_path, now=NOW)


def test_copies_that_gave_one_number_to_different_notes_keep_both() -> None:
    a, b = Note(1, BODIES[0], MARA), Note(1, BODIES[2], replace(MARA, created="2026-05-25T09:00:00Z"))
    lost = Note(2, BODIES[3], Stamp("", "restored"))
    told = Note(2, BODIES[3], MARA, undone="t")
    whole = joined([(a, lost), (b, told), (b,)])
    assert [(note.id, note.body, note.stamp, note.undone) for note in whole] == [
        (1, BODIES[0], MARA, ""),
        (2, BODIES[3], MARA, "t"),
        (3, BODIES[2], b.stamp, ""),
    ]


def test_of_two_states_of_one_note_the_sound_copys_counts() -> None:
    sound, spoilt = Note(1, BODIES[0], MARA), Note(1, Reading("alder", 20_000, 0.0), MARA)
    assert joined([(sound,), (spoilt,)]) == (sound,)
    assert joined([(sound,), (replace(spoilt, stamp=Stamp("", "restored")),)]) == (sound,)


def test_what_a_damaged_file_tells_otherwise_than_its_copy_is_as_the_copy_has_it(tmp_path: Path) -> None:
    write(tmp_path)
    with open_journal(tmp_path, now=NOW) as journal:
        journal.keep_copy(NOW)
    with raw(tmp_path) as other:
        other.execute("UPDATE readings SET water_c = 3.5 WHERE note_id = 1")
        other.execute("UPDATE sightings SET stage = 'movinf' WHERE note_id = 4")
    assert restore(tmp_path, now=NOW).notes == 5 and standing(tmp_path) == list(BODIES)


def test_an_emptied_journal_is_told_and_comes_back(tmp_path: Path) -> None:
    write(tmp_path)
    with open_journal(tmp_path, now=NOW) as journal:
        journal.keep_copy(NOW)
    (tmp_path / FILE).write_bytes(b"")
    for use in (lambda: read_notes(tmp_path), lambda: write(tmp_path, BODIES[:1])):
        with pytest.raises(DamagedJournalError, match=r"this file is empty, but journal\.backup\.sqlite holds 5 notes"):
            use()
    assert restore(tmp_path, now=NOW).notes == 5 and standing(tmp_path) == list(BODIES)


@pytest.mark.parametrize(
    ("sql", "cell"),
    [
        ("UPDATE readings SET water_c = 2.5e200 WHERE note_id = 1", "note 1: water_c cannot be so"),
        ("UPDATE readings SET date = '0024-10-04' WHERE note_id = 1", "note 1: date cannot be so"),
        ("UPDATE sightings SET stage = 'movinf' WHERE note_id = 4", "stage cannot be so"),
        ("UPDATE sightings SET taxon = CAST(x'ff41' AS TEXT) WHERE note_id = 4", "damaged"),
        ("UPDATE notes SET source = CAST(x'c328' AS TEXT) WHERE id = 2", "damaged"),
    ],
)
def test_cells_that_no_note_can_hold_are_damage_with_a_way_out(tmp_path: Path, sql: str, cell: str) -> None:
    """SQLite's own check takes them: a flipped bit in a number or a letter leaves the file's order as it is."""
    write(tmp_path)
    with raw(tmp_path) as other:
        other.execute(sql)
    with pytest.raises(DamagedJournalError, match=cell):
        read_notes(tmp_path)
    done = restore(tmp_path, now=NOW)
    assert done.changed and set(standing(tmp_path)) <= set(BODIES) and done.notes >= 4


# ---------------------------------------------------------------- backup copy


def test_the_backup_copy_is_made_once_a_day_and_holds_everything(tmp_path: Path) -> None:
    write(tmp_path, BODIES[:1])
    held = []
    for hours, body in ((0, BODIES[1]), (1, BODIES[2]), (24, BODIES[3])):
        with open_journal(tmp_path, now=NOW) as journal:
            journal.add([Entry(body)], MARA)
            assert journal.keep_copy(NOW + dt.timedelta(hours=hours)) == ""
        with contextlib.closing(sqlite3.connect(tmp_path / BACKUP_FILE)) as copy:
            held.append(copy.execute("SELECT count(*) FROM notes").fetchone()[0])
    assert held == [2, 2, 4]
    assert names(tmp_path) == {FILE, BACKUP_FILE}


def test_a_journal_with_fewer_notes_does_not_take_the_copys_place(tmp_path: Path) -> None:
    write(tmp_path)
    with open_journal(tmp_path, now=NOW) as journal:
        journal.keep_copy(NOW)
    (tmp_path / "new").mkdir()
    write(tmp_path / "new", BODIES[:1])
    os.replace(tmp_path / "new" / FILE, tmp_path / FILE)
    with open_journal(tmp_path, now=NOW) as journal:
        assert "fewer notes" in journal.keep_copy(NOW + dt.timedelta(days=1))
    assert restore(tmp_path, now=NOW).notes == 5


# ---------------------------------------------------------------- older and newer formats


def older(folder: Path) -> None:
    script = (ROOT / "tests" / "data" / "journal_v1.sql").read_text(encoding="utf-8")
    with raw(folder) as connection:
        connection.executescript(script)


def test_a_journal_of_format_1_opens(tmp_path: Path) -> None:
    older(tmp_path)
    before = (tmp_path / FILE).read_bytes()
    notes = read_notes(tmp_path)
    assert [note.body for note in notes] == [
        Reading("alder", 20_198, 6.5, 0.5, 14.5),
        Reading("alder", 20_205, 31.0),
        IceDate("cedar", 20_196, "off"),
        Sighting("birch", 20_228, "coenagrion", "moving", "none", 40.0, "M", 'wind, "cold"'),
    ]
    assert [note.stands for note in notes] == [True, False, True, True]
    assert (tmp_path / FILE).read_bytes() == before and names(tmp_path) == {FILE}, "reading does not migrate the file"
    assert write(tmp_path, BODIES[:1]) == [5]
    assert read_notes(tmp_path)[:4] == notes
    with contextlib.closing(sqlite3.connect(tmp_path / BACKUP_FILE)) as copy:
        assert copy.execute("PRAGMA user_version").fetchone() == (1,), "the copy was made before the migration"
    with raw(tmp_path) as connection:
        assert connection.execute("PRAGMA user_version").fetchone() == (schema.VERSION,)


def test_a_migration_that_fails_leaves_the_journal_as_it_was(tmp_path: Path) -> None:
    older(tmp_path)
    failing = (*schema.MIGRATIONS[:1], ("ALTER TABLE notes ADD COLUMN mood TEXT", "CREATE TABLE notes (x)"))
    with raw(tmp_path) as connection:
        with pytest.raises(sqlite3.OperationalError, match="already exists"):
            schema.migrate(connection, failing)
        assert connection.execute("PRAGMA user_version").fetchone() == (1,)
        schema.migrate(connection, (*failing[:1], failing[1][:1]))
        assert connection.execute("PRAGMA user_version").fetchone() == (2,)
        assert connection.execute("SELECT count(mood), count(*) FROM notes").fetchone() == (0, 4)


def test_a_newer_journal_is_not_touched(tmp_path: Path) -> None:
    write(tmp_path)
    with raw(tmp_path) as connection:
        connection.execute("PRAGMA user_version = 99")
    before = (tmp_path / FILE).read_bytes()
    for work in (lambda: read_notes(tmp_path), lambda: write(tmp_path), lambda: restore(tmp_path, now=NOW)):
        with pytest.raises(JournalError, match="newer version of this program"):
            work()
    assert (tmp_path / FILE).read_bytes() == before


# ---------------------------------------------------------------- full disk


def test_a_full_disk_is_said_and_nothing_acknowledged_is_lost(tmp_path: Path) -> None:
    """The system's bound on file size stands for the full disk: writing beyond it fails, as there."""

    import resource  # not there on every system, and only wanted here

    def bound() -> None:
        resource.setrlimit(resource.RLIMIT_FSIZE, (120_000, 120_000))

    many(tmp_path, 400)
    words = [sys.executable, "-m", "tests.journal_writer", str(tmp_path), "tove", "3000"]
    done = subprocess.run(words, capture_output=True, text=True, cwd=ROOT, preexec_fn=bound, timeout=60)
    lines = done.stdout.splitlines()
    said = [int(line) for line in lines if line.isdecimal()]
    assert done.returncode == 1 and len(said) > 10, done.stderr
    assert "Nothing was noted, and earlier notes still stand" in lines[-1] and "Traceback" not in done.stderr
    notes = read_notes(tmp_path)
    assert numbers(notes, "tove") == said and numbers(notes, "mara") == list(range(400))
    assert write(tmp_path, BODIES[:1]), "with room again notes can be written"


def test_sqlites_own_full_is_said_too(tmp_path: Path) -> None:
    with open_journal(tmp_path, now=NOW) as journal:
        (pages,) = journal._connection.execute("PRAGMA page_count").fetchone()
        journal._connection.execute(f"PRAGMA max_page_count = {pages}")
        with pytest.raises(JournalError, match=r"the disk is full\. Nothing was noted"):
            journal.add([Entry(entry("mara", k).body) for k in range(500)], MARA)
        assert journal.notes() == ()


def test_the_writer_of_these_tests_tells_its_notes_apart() -> None:
    assert len({journal_writer.entry("a", k) for k in range(50)}) == 50

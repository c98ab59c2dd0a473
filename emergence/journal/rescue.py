"""The way out of a damaged or missing journal: what can be read of it, joined with its copies."""

from __future__ import annotations

import contextlib
import datetime as dt
import re
import sqlite3
import tempfile
from collections.abc import Iterator
from dataclasses import dataclass, replace
from pathlib import Path

from emergence.journal.checks import wrong_in
from emergence.journal.entries import COLUMNS, KINDS, Body, Cell, Note, Stamp, body_of
from emergence.journal.errors import BACKUP_FILE, FILE, DamagedJournalError, JournalError
from emergence.journal.notes import NOTE_COLUMNS, TABLES, insert_body, read_notes
from emergence.journal.schema import MIGRATIONS, migrate
from emergence.journal.store import PART, connect, fresh, move_in, plainly, snapshot

ASIDE = "journal.damaged-{stamp}.sqlite"
_ASIDE = re.compile(r"journal\.damaged-[\w-]+\.sqlite")
_WRITE_VERSION, _READ_VERSION, _VALID_FOR = 18, 19, slice(92, 96)
_LOGGED = 2
"""Places in the header of a SQLite file, and the mark of write-ahead logging (sqlite.org/fileformat2.html, 1.3)."""
_LOST_STAMP = Stamp("", "restored")
_DAMAGE = (sqlite3.DatabaseError, UnicodeDecodeError)


@dataclass(frozen=True)
class Restored:
    """What a restoration did: notes in the new journal, those that only a copy held, where the old file is kept."""

    notes: int
    from_copies: int
    aside: Path | None
    changed: bool


def salvage(folder: Path, name: str = FILE) -> tuple[Note, ...]:
    """Return every note that can be read of a journal, by number; none where nothing can.

    Where a page of the file is damaged, notes are looked up one by one. A note whose own row is lost but whose content
    is not stands with the source "restored".
    """
    if not (folder / name).exists():
        return ()
    for mend in (None, _with_new_first_page):
        with contextlib.suppress(DamagedJournalError), snapshot(folder, name, mend) as connection:
            connection.execute("SELECT count(*) FROM sqlite_master").fetchone()
            if notes := tuple(_readable(connection)):
                return notes
    return ()


def _with_new_first_page(raw: bytes) -> bytes:
    """Return the bytes of a journal with the first page, which says where the tables are, of an empty one.

    The tables of format 1 begin on the same pages in every journal. The size noted in the page is marked as unknown,
    so that the file's own counts.
    """
    with tempfile.TemporaryDirectory(prefix="journal-") as elsewhere:
        path = Path(elsewhere, FILE)
        with contextlib.closing(connect(path)) as connection:
            migrate(connection, MIGRATIONS[:1])
            (size,) = connection.execute("PRAGMA page_size").fetchone()
        page = bytearray(path.read_bytes()[:size])
    page[_WRITE_VERSION], page[_READ_VERSION] = _LOGGED, _LOGGED
    page[_VALID_FOR] = bytes(4)
    return bytes(page) + raw[size:]


def _readable(connection: sqlite3.Connection) -> Iterator[Note]:
    most = _highest(connection)
    known = set(NOTE_COLUMNS)
    with contextlib.suppress(*_DAMAGE):
        known = {row[1] for row in connection.execute("PRAGMA table_info(notes)")}
    for number in range(1, most + 1):
        stamps = _row(connection, _stamp_sql(known), number)
        for kind in KINDS:
            sql = f"SELECT {', '.join(COLUMNS[kind])} FROM {TABLES[kind]} WHERE note_id = ?"
            row = _row(connection, sql, number)
            with contextlib.suppress(ValueError, TypeError):
                if row is not None and not wrong_in(body := body_of(kind, row)):
                    yield _note(number, body, stamps)
                    break


def _highest(connection: sqlite3.Connection) -> int:
    """Return the highest number that a note may have; where the tables do not tell, the file's size bounds it."""
    found = []
    for table, column in (("sqlite_sequence", "seq"), ("notes", "id"), *((t, "note_id") for t in TABLES.values())):
        with contextlib.suppress(*_DAMAGE):
            found.append(connection.execute(f"SELECT max({column}) FROM {table}").fetchone()[0] or 0)
    if len(found) == len(TABLES) + 2:
        return int(max(found))
    pages = connection.execute("PRAGMA page_count").fetchone()[0]
    return int(pages) * 200


def _stamp_sql(known: set[str]) -> str:
    columns = [name if name in known else f"'' AS {name}" for name in NOTE_COLUMNS]
    return f"SELECT {', '.join(columns)} FROM notes WHERE id = ?"


def _row(connection: sqlite3.Connection, sql: str, number: int) -> tuple[Cell, ...] | None:
    try:
        found: tuple[Cell, ...] | None = connection.execute(sql, (number,)).fetchone()
    except _DAMAGE:
        return None
    return found


def _note(number: int, body: Body, row: tuple[Cell, ...] | None) -> Note:
    if row is None:
        return Note(number, body, _LOST_STAMP)
    _, created, source, writer, doubt, confirmed, undone = row
    stamp = Stamp(str(created), str(source), str(writer))
    return Note(number, body, stamp, str(doubt), bool(confirmed), str(undone))


def joined(sources: list[tuple[Note, ...]]) -> tuple[Note, ...]:
    """Return the notes of several copies of one journal as one, by number.

    The same note in two copies counts once, as the first copy has it (sound copies come first: in a damaged one its
    cells may be wrong), undone if it is undone in either. Where two copies give one number to different notes, the
    later copy's note gets a new number.
    """
    found: dict[int, Note] = {}
    spare: list[Note] = []
    for note in (note for notes in sources for note in notes):
        held = found.setdefault(note.id, note)
        if held is note:
            continue
        if _same(held, note):
            whole = note if held.stamp == _LOST_STAMP else held
            found[note.id] = replace(whole, undone=held.undone or note.undone)
        elif not any(_same(other, note) for other in spare):
            spare.append(note)
    number = max(found, default=0)
    for note in spare:
        number += 1
        found[number] = replace(note, id=number)
    return tuple(found[number] for number in sorted(found))


def _same(a: Note, b: Note) -> bool:
    lost = (a.stamp == _LOST_STAMP) + (b.stamp == _LOST_STAMP)
    if lost == 1 or (lost == 0 and a.stamp == b.stamp):
        return a.id == b.id or a.body == b.body
    return a.stamp == b.stamp and a.body == b.body


def restore(folder: Path, *, now: dt.datetime) -> Restored:
    """Make a sound journal of what can be read of a damaged or missing one and of its copies.

    The damaged file is kept as journal.damaged-<moment>.sqlite. A sound journal that lacks nothing is left as it is.

    Raises
    ------
    JournalError
        There is nothing to restore from, or the new file cannot be written; the old one still stands then.
    """
    copies = [BACKUP_FILE, *sorted(p.name for p in folder.iterdir() if _ASIDE.fullmatch(p.name))]
    mine, sound = _own(folder)
    others = [salvage(folder, name) for name in copies if (folder / name).exists()]
    notes = joined([mine, *others] if sound else [*others, mine])
    if sound and notes == mine:
        return Restored(len(notes), 0, None, False)
    if not notes and not (folder / FILE).exists():
        raise JournalError(f"{folder} holds neither a journal nor a backup copy of one.")
    part = folder / PART
    try:
        with plainly():
            _write(part, notes)
        aside = move_in(part, folder, ASIDE.format(stamp=f"{now:%Y%m%dT%H%M%S%f}"))
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return Restored(len(notes), len(notes) - len(mine), aside, True)


def _own(folder: Path) -> tuple[tuple[Note, ...], bool]:
    """Return the readable notes of the journal itself, and whether it is sound."""
    if not (folder / FILE).exists():
        return (), False
    try:
        return read_notes(folder), True
    except DamagedJournalError:
        return salvage(folder), False


def _write(part: Path, notes: tuple[Note, ...]) -> None:
    with contextlib.closing(fresh(part)) as connection:
        connection.execute("BEGIN IMMEDIATE")
        for n in notes:
            row = (n.id, n.stamp.created, n.stamp.source, n.stamp.writer, n.doubt, int(n.confirmed), n.undone, n.kind)
            sql = f"INSERT INTO notes ({', '.join(NOTE_COLUMNS)}, kind) VALUES (?, ?, ?, ?, ?, ?, ?, ?)"
            connection.execute(sql, row)
            insert_body(connection, n.id, n.body)
        connection.execute("COMMIT")

"""Write notes, undo them, list them."""

from __future__ import annotations

import contextlib
import datetime as dt
import sqlite3
from collections.abc import Iterator, Sequence
from dataclasses import replace
from pathlib import Path

from emergence.journal.checks import wrong_in
from emergence.journal.entries import (
    COLUMNS,
    KINDS,
    Added,
    Body,
    Cell,
    Entry,
    IceDate,
    Kind,
    Note,
    Stamp,
    body_of,
    cells_of,
)
from emergence.journal.errors import FILE, WAY_OUT, DamagedJournalError, JournalError
from emergence.journal.store import PATIENCE, back_up, plainly, reading, there, writing

TABLES: dict[Kind, str] = {"reading": "readings", "ice": "ice", "sighting": "sightings"}
NOTE_COLUMNS = ("id", "created", "source", "writer", "doubt", "confirmed", "undone")


class Journal:
    """A journal open for writing; see `open_journal`."""

    def __init__(self, connection: sqlite3.Connection, folder: Path) -> None:
        self._connection = connection
        self._folder = folder

    def add(self, entries: Sequence[Entry], stamp: Stamp) -> list[Added]:
        """Write notes, all or none; when this returns they are on the disk.

        A note that stands there already is not written again, nor is an ice date that contradicts a standing one.

        Raises
        ------
        JournalError
            They could not be written.
        """
        with self._transaction():
            return [self._add(entry, stamp) for entry in entries]

    def _add(self, entry: Entry, stamp: Stamp) -> Added:
        body = entry.body
        if (same := self._same(body)) is not None:
            return Added(same, False)
        if (other := self._opposite(body)) is not None:
            return Added(other, False, against=True)
        note = (body.kind, stamp.created, stamp.source, stamp.writer, entry.doubt, int(entry.confirmed))
        sql = "INSERT INTO notes (kind, created, source, writer, doubt, confirmed) VALUES (?, ?, ?, ?, ?, ?)"
        number = self._connection.execute(sql, note).lastrowid
        assert number is not None
        insert_body(self._connection, number, body)
        return Added(number, True)

    def _same(self, body: Body) -> int | None:
        table = TABLES[body.kind]
        alike = " AND ".join(f"t.{column} IS ?" for column in COLUMNS[body.kind])
        sql = f"SELECT n.id FROM {table} t JOIN notes n ON n.id = t.note_id WHERE n.undone = '' AND {alike} LIMIT 1"
        found = self._connection.execute(sql, cells_of(body)).fetchone()
        return None if found is None else int(found[0])

    def _opposite(self, body: Body) -> int | None:
        """Return the number of the note that gives the other ice event for the same lake and day."""
        if not isinstance(body, IceDate):
            return None
        return self._same(replace(body, event="off" if body.event == "on" else "on"))

    def undo(self, number: int, created: str) -> Note:
        """Mark a note as undone, by its number, and return it.

        Raises
        ------
        JournalError
            There is no such note, or it is undone already.
        """
        with self._transaction():
            note = next((n for n in _select(self._connection, "n.id = ?", (number,))), None)
            if note is None:
                raise JournalError(f"there is no note {number}; `emergence note list SEASON` shows them.")
            if note.undone:
                raise JournalError(f"note {number} was undone already, {note.undone}.")
            self._mark([note], created)
            return replace(note, undone=created)

    def undo_last(self, writer: str, created: str) -> list[Note]:
        """Mark a writer's last note as undone, or all notes of his last import, and return them.

        Raises
        ------
        JournalError
            No note of his stands.
        """
        with self._transaction():
            mine = list(_select(self._connection, "n.undone = '' AND n.writer = ?", (writer,), "n.id DESC LIMIT 1"))
            if not mine:
                raise JournalError(f"no note of {writer or 'yours'} stands, so there is nothing to undo.")
            last = mine[0]
            if last.stamp.source != "command":
                same = "n.undone = '' AND n.writer = ? AND n.source = ? AND n.created = ?"
                mine = list(_select(self._connection, same, (writer, last.stamp.source, last.stamp.created)))
            self._mark(mine, created)
            return [replace(note, undone=created) for note in mine]

    def _mark(self, notes: list[Note], created: str) -> None:
        marks = [(created, note.id) for note in notes]
        self._connection.executemany("UPDATE notes SET undone = ? WHERE id = ?", marks)

    def notes(self) -> tuple[Note, ...]:
        """Return all notes, undone ones too, by number."""
        with plainly():
            return tuple(_select(self._connection))

    def keep_copy(self, now: dt.datetime) -> str:
        """Write the day's backup copy if it is due; return what went wrong, "" if nothing."""
        try:
            back_up(self._connection, self._folder, now)
        except JournalError as error:
            return str(error)
        return ""

    @contextlib.contextmanager
    def _transaction(self) -> Iterator[None]:
        with plainly():
            self._connection.execute("BEGIN IMMEDIATE")
            try:
                yield
                self._connection.execute("COMMIT")
            except BaseException:
                if self._connection.in_transaction:
                    self._connection.execute("ROLLBACK")
                raise


@contextlib.contextmanager
def open_journal(folder: Path, *, now: dt.datetime, patience: float = PATIENCE) -> Iterator[Journal]:
    """Open the season folder's journal for writing; it is made where there is none.

    Raises
    ------
    JournalError
        It cannot be opened; the message says what to do.
    """
    with writing(folder, now=now, patience=patience) as connection:
        yield Journal(connection, folder)


def read_notes(folder: Path) -> tuple[Note, ...]:
    """Return all notes of a season folder by number, none where there is no journal; nothing is written there.

    Raises
    ------
    JournalError
        The journal cannot be read or is damaged.
    """
    if not there(folder):
        return ()
    with reading(folder) as connection:
        return tuple(_select(connection))


def insert_body(connection: sqlite3.Connection, number: int, body: Body) -> None:
    """Write what a note says into the table of its kind."""
    columns = COLUMNS[body.kind]
    marks = ", ".join("?" * (len(columns) + 1))
    sql = f"INSERT INTO {TABLES[body.kind]} (note_id, {', '.join(columns)}) VALUES ({marks})"
    connection.execute(sql, (number, *cells_of(body)))


def _select(
    connection: sqlite3.Connection, where: str = "1", values: Sequence[Cell] = (), order: str = "n.id"
) -> Iterator[Note]:
    kinds = dict(connection.execute(f"SELECT n.id, n.kind FROM notes n WHERE {where} ORDER BY {order}", values))
    held = {}
    for kind in KINDS:
        if kind in kinds.values():
            for row in connection.execute(_sql(kind, where), values):
                if row[0] in kinds:
                    held[row[0]] = note_of(kind, row)
    if lost := [number for number in kinds if number not in held]:
        raise DamagedJournalError(f"{FILE}: this file is damaged (note {lost[0]} has no content). {WAY_OUT}.")
    return (held[number] for number in kinds)


def _sql(kind: Kind, where: str) -> str:
    """Return the query for the notes of a kind."""
    columns = [f"n.{name}" for name in NOTE_COLUMNS] + [f"t.{name}" for name in COLUMNS[kind]]
    return f"SELECT {', '.join(columns)} FROM notes n JOIN {TABLES[kind]} t ON t.note_id = n.id WHERE {where}"


def note_of(kind: Kind, row: tuple[Cell, ...]) -> Note:
    """Return the note of a row: ``NOTE_COLUMNS``, then the kind's own.

    Raises
    ------
    DamagedJournalError
        A cell is not what it must be.
    """
    number, created, source, writer, doubt, confirmed, undone = row[: len(NOTE_COLUMNS)]
    try:
        body = body_of(kind, row[len(NOTE_COLUMNS) :])
        if column := wrong_in(body):
            raise ValueError(f"{column} cannot be so")
        stamp = Stamp(str(created), str(source), str(writer))
        return Note(int(number or 0), body, stamp, str(doubt), bool(confirmed), str(undone))
    except (ValueError, TypeError) as error:
        raise DamagedJournalError(f"{FILE}: this file is damaged (note {number}: {error}). {WAY_OUT}.") from error

"""The tables of the journal, as numbered migrations: version n is what the first n migrations make.

A migration that users may have is never edited; a change is a new one at the end.
"""

from __future__ import annotations

import sqlite3

from emergence.journal.errors import FILE, DamagedJournalError, JournalError

APPLICATION_ID = 0x656D6A31
"""Marks the SQLite file as a journal of this program ("emj1")."""

_STAY = """CREATE TRIGGER {table}_stay BEFORE DELETE ON {table}
BEGIN SELECT RAISE(ABORT, 'notes are undone, never deleted'); END"""

MIGRATIONS: tuple[tuple[str, ...], ...] = (
    (
        """CREATE TABLE notes (
            id INTEGER PRIMARY KEY AUTOINCREMENT,
            kind TEXT NOT NULL CHECK (kind IN ('reading', 'ice', 'sighting')),
            created TEXT NOT NULL,
            source TEXT NOT NULL,
            writer TEXT NOT NULL DEFAULT '',
            undone TEXT NOT NULL DEFAULT ''
        )""",
        """CREATE TABLE readings (
            note_id INTEGER PRIMARY KEY REFERENCES notes (id),
            lake_id TEXT NOT NULL,
            date TEXT NOT NULL,
            water_c REAL NOT NULL,
            depth_m REAL,
            hour REAL
        )""",
        """CREATE TABLE ice (
            note_id INTEGER PRIMARY KEY REFERENCES notes (id),
            lake_id TEXT NOT NULL,
            date TEXT NOT NULL,
            event TEXT NOT NULL CHECK (event IN ('on', 'off'))
        )""",
        """CREATE TABLE sightings (
            note_id INTEGER PRIMARY KEY REFERENCES notes (id),
            lake_id TEXT NOT NULL,
            date TEXT NOT NULL,
            taxon TEXT NOT NULL,
            stage TEXT NOT NULL,
            level TEXT NOT NULL CHECK (level IN ('none', 'few', 'many')),
            minutes REAL,
            observer TEXT NOT NULL DEFAULT '',
            note TEXT NOT NULL DEFAULT ''
        )""",
        *(_STAY.format(table=table) for table in ("notes", "readings", "ice", "sightings")),
        f"PRAGMA application_id = {APPLICATION_ID}",
    ),
    (
        "ALTER TABLE notes ADD COLUMN doubt TEXT NOT NULL DEFAULT ''",
        "ALTER TABLE notes ADD COLUMN confirmed INTEGER NOT NULL DEFAULT 0",
        *(f"CREATE INDEX {table}_by_day ON {table} (lake_id, date)" for table in ("readings", "ice", "sightings")),
    ),
)
VERSION = len(MIGRATIONS)
"""Format version of the journals that this program writes (SQLite's user_version)."""


def version_of(connection: sqlite3.Connection) -> int:
    """Return the format version of a journal, 0 for an empty file.

    Raises
    ------
    JournalError
        Written by a newer program.
    DamagedJournalError
        A SQLite file, but no journal.
    """
    sql = (
        "SELECT user_version, application_id, (SELECT count(*) FROM sqlite_master) "
        "FROM pragma_user_version, pragma_application_id"
    )
    version, mark, tables = connection.execute(sql).fetchone()
    if version == 0 and mark == 0 and tables == 0:
        return 0
    if mark != APPLICATION_ID or version < 1:
        raise DamagedJournalError(
            f"{FILE}: this SQLite file is no journal of this program. Rename it if it is yours, then note again."
        )
    if version > VERSION:
        raise JournalError(
            f"{FILE}: written by a newer version of this program (format {version}, this one knows {VERSION}). "
            "Update the program."
        )
    return int(version)


def migrate(connection: sqlite3.Connection, migrations: tuple[tuple[str, ...], ...] = MIGRATIONS) -> None:
    """Bring a journal to the newest version in one transaction; a connection in autocommit mode is needed."""
    connection.execute("BEGIN IMMEDIATE")
    try:
        (version,) = connection.execute("PRAGMA user_version").fetchone()
        for statements in migrations[version:]:
            for statement in statements:
                connection.execute(statement)
        connection.execute(f"PRAGMA user_version = {max(int(version), len(migrations))}")
        connection.execute("COMMIT")
    except BaseException:
        if connection.in_transaction:
            connection.execute("ROLLBACK")
        raise

"""What can go wrong with the journal, in plain words."""

from __future__ import annotations

import sqlite3

from emergence.errors import EmergenceError

FILE = "journal.sqlite"
BACKUP_FILE = "journal.backup.sqlite"
WAY_OUT = (
    "`emergence note restore SEASON` makes a new journal of all that can be read and of the backup copy, and keeps the "
    "damaged file; `emergence note export SEASON` writes what can be read as CSV"
)


class JournalError(EmergenceError):
    """The journal cannot be read or written; what was noted before still stands."""


class DamagedJournalError(JournalError):
    """The file is no sound journal."""


class BusyJournalError(JournalError):
    """Another program keeps the journal locked."""


_DAMAGED = {sqlite3.SQLITE_CORRUPT, sqlite3.SQLITE_NOTADB, sqlite3.SQLITE_FORMAT, sqlite3.SQLITE_CONSTRAINT}
_WORDS = {
    sqlite3.SQLITE_READONLY: "it may not be written: the file or the folder is read-only. Nothing was noted. Allow "
    "writing, or note in a copy of the folder",
    sqlite3.SQLITE_FULL: "the disk is full. Nothing was noted, and earlier notes still stand. Make room and note again",
    sqlite3.SQLITE_IOERR: "the disk refused to write or read (full, or failing?). Nothing was noted, and earlier notes "
    "still stand. Make room, check the disk and note again",
    sqlite3.SQLITE_CANTOPEN: "it cannot be opened or made. Nothing was noted. Check that the folder may be written and "
    "that nothing else has this name",
    sqlite3.SQLITE_PERM: "it may not be opened. Nothing was noted. Check the permissions",
}


def is_busy(error: sqlite3.Error) -> bool:
    """Return whether the error says that somebody else has the journal locked."""
    return _code(error) in (sqlite3.SQLITE_BUSY, sqlite3.SQLITE_LOCKED)


def _code(error: sqlite3.Error) -> int:
    return (getattr(error, "sqlite_errorcode", None) or 0) & 0xFF


def in_plain_words(error: sqlite3.Error, file: str = FILE) -> JournalError:
    """Return the error that tells a person what SQLite met in ``file``."""
    code = _code(error)
    if is_busy(error):
        return BusyJournalError(
            f"{file}: another program has it locked for longer than we wait. Nothing was noted; close it and try again."
        )
    if code in _DAMAGED:
        return DamagedJournalError(f"{file}: this file is damaged or no journal ({error}). {WAY_OUT}.")
    if code in _WORDS:
        return JournalError(f"{file}: {_WORDS[code]}.")
    return DamagedJournalError(f"{file}: this file is damaged or no journal of this program ({error}). {WAY_OUT}.")

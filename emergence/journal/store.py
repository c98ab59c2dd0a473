"""The journal file: opened for writing with every note durable, or read without touching the season folder."""

from __future__ import annotations

import contextlib
import datetime as dt
import os
import shutil
import sqlite3
import tempfile
import time
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TypeVar

from emergence.journal.errors import (
    BACKUP_FILE,
    FILE,
    WAY_OUT,
    BusyJournalError,
    DamagedJournalError,
    JournalError,
    in_plain_words,
    is_busy,
)
from emergence.journal.schema import VERSION, migrate, version_of

T = TypeVar("T")
PATIENCE = 20.0
"""How long [s] a writer waits for another one."""
_PAUSE = 0.02
PART = ".journal-part.sqlite"


def there(folder: Path) -> bool:
    """Return whether the season folder holds a journal.

    Raises
    ------
    JournalError
        There is none, but there are traces of one.
    """
    if os.path.lexists(folder / FILE):
        return True
    left = [name for name in (BACKUP_FILE, f"{FILE}-wal") if (folder / name).exists()]
    if left:
        raise JournalError(
            f"{FILE}: the file is missing, but {' and '.join(left)} is there. Put it back, or let "
            "`emergence note restore SEASON` make it from the backup copy; if the notes are not wanted, rename "
            f"{' and '.join(left)}."
        )
    return False


def connect(path: Path, *, patience: float = PATIENCE) -> sqlite3.Connection:
    """Return a connection in autocommit mode that keeps foreign keys and forces every commit to disk."""
    connection = sqlite3.connect(path, timeout=patience, isolation_level=None)
    connection.execute("PRAGMA foreign_keys = ON")
    connection.execute("PRAGMA synchronous = FULL")
    return connection


@contextlib.contextmanager
def plainly(file: str = FILE) -> Iterator[None]:
    """Turn SQLite's errors into plain words; text that is no UTF-8 is damage and comes as either of two errors."""
    try:
        yield
    except UnicodeDecodeError as error:
        raise DamagedJournalError(f"{file}: this file is damaged (its text cannot be read). {WAY_OUT}.") from error
    except sqlite3.Error as error:
        if not getattr(error, "sqlite_errorcode", 0) and not isinstance(error, sqlite3.OperationalError):
            raise
        raise in_plain_words(error, file) from error


def patiently(work: Callable[[], T], patience: float = PATIENCE) -> T:
    """Return what ``work`` gives, tried again while another program has the journal locked.

    SQLite's own waiting does not cover the change to write-ahead logging of a new file.
    """
    until = time.monotonic() + patience
    while True:
        try:
            return work()
        except sqlite3.OperationalError as error:
            if not is_busy(error) or time.monotonic() > until:
                raise
            time.sleep(_PAUSE)


@contextlib.contextmanager
def writing(folder: Path, *, now: dt.datetime, patience: float = PATIENCE) -> Iterator[sqlite3.Connection]:
    """Give a connection to the season folder's journal, made or brought to the newest version where needed.

    Parameters
    ----------
    folder
        The season folder.
    now
        The moment, for the backup copy that is made before an older journal is changed.
    patience
        How long to wait for other writers [s].

    Raises
    ------
    JournalError
        It cannot be opened or written; the message says what to do.
    """
    there(folder)
    with plainly():
        connection = connect(folder / FILE, patience=patience)
        try:
            patiently(lambda: _prepare(connection, folder, now), patience)
            yield connection
        finally:
            connection.close()


def _prepare(connection: sqlite3.Connection, folder: Path, now: dt.datetime) -> None:
    version = version_of(connection)
    _demand_kept(folder, version)
    connection.execute("PRAGMA journal_mode = WAL").fetchone()
    _demand_sound(connection)
    if version == VERSION:
        return
    if version:
        back_up(connection, folder, now, even_today=True)
    migrate(connection)


def _demand_kept(folder: Path, version: int) -> None:
    """Refuse a journal that is an empty file (version 0) where the backup copy holds notes."""
    if version == 0 and (held := _held(folder / BACKUP_FILE)) > 0:
        raise DamagedJournalError(f"{FILE}: this file is empty, but {BACKUP_FILE} holds {held} notes. {WAY_OUT}.")


def _demand_sound(connection: sqlite3.Connection) -> None:
    (told,) = connection.execute("PRAGMA quick_check(1)").fetchone()
    if told != "ok":
        raise DamagedJournalError(f"{FILE}: this file is damaged ({' '.join(str(told).split())}). {WAY_OUT}.")


def back_up(connection: sqlite3.Connection, folder: Path, now: dt.datetime, *, even_today: bool = False) -> bool:
    """Write the backup copy beside the journal unless today's is there; return whether one was written.

    The copy is checked and forced to disk before it takes the older one's place. A copy that holds more notes than the
    journal is left alone.

    Raises
    ------
    JournalError
        The copy could not be written, or the journal holds fewer notes than the older copy.
    """
    target, part = folder / BACKUP_FILE, folder / PART
    if target.exists() and not even_today and _day_of(target) == now.astimezone(dt.UTC).date():
        return False
    try:
        if _held(target) > _count(connection):
            raise JournalError(
                f"{FILE} holds fewer notes than {BACKUP_FILE}, which was therefore left as it is. "
                "`emergence note restore SEASON` brings both together."
            )
        part.unlink(missing_ok=True)
        with contextlib.closing(sqlite3.connect(part, isolation_level=None)) as copy:
            connection.backup(copy)
            copy.execute("PRAGMA journal_mode = DELETE")
            _demand_sound(copy)
        _sync(part)
        os.utime(part, (now.timestamp(), now.timestamp()))
        os.replace(part, target)
    except (OSError, sqlite3.Error) as error:
        raise JournalError(f"{BACKUP_FILE}: the backup copy could not be written ({error})") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)
    return True


def _day_of(path: Path) -> dt.date:
    return dt.datetime.fromtimestamp(path.stat().st_mtime, dt.UTC).date()


def _count(connection: sqlite3.Connection) -> int:
    return int(connection.execute("SELECT count(*) FROM notes").fetchone()[0])


def _held(path: Path) -> int:
    """Return the number of notes in a backup copy, -1 where there is none or it cannot be read."""
    if not path.exists():
        return -1
    try:
        with contextlib.closing(sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True)) as held:
            return _count(held)
    except (sqlite3.Error, UnicodeDecodeError):
        return -1


def _sync(path: Path) -> None:
    handle = os.open(path, os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


@contextlib.contextmanager
def snapshot(
    folder: Path, name: str = FILE, mend: Callable[[bytes], bytes] | None = None
) -> Iterator[sqlite3.Connection]:
    """Give a connection to a copy of a journal, its latest commits included, elsewhere on the disk.

    The season folder may be read-only, and nothing appears in it. The copy is not checked and not migrated;
    ``mend`` may change its bytes.
    """
    with tempfile.TemporaryDirectory(prefix="journal-", ignore_cleanup_errors=True) as elsewhere, plainly(name):
        copy = Path(elsewhere, FILE)
        _copy(folder / name, copy)
        if mend is not None:
            copy.write_bytes(mend(copy.read_bytes()))
        with contextlib.closing(connect(copy)) as connection:
            yield connection


def _copy(path: Path, copy: Path) -> None:
    """Copy a journal and its log of latest commits; again while a writer folds the log into the file."""
    path = path.resolve()
    log = path.with_name(f"{path.name}-wal")
    until = time.monotonic() + PATIENCE
    while True:
        try:
            whole = path.read_bytes()
            latest = log.read_bytes() if log.exists() else b""
            settled = whole == path.read_bytes()
        except FileNotFoundError:
            settled = not path.exists()
            if settled:
                raise
        except OSError as error:
            raise JournalError(
                f"{path.name}: this file cannot be read ({error.strerror or error}). Check what it is and who may "
                "read it."
            ) from error
        if settled:
            break
        if time.monotonic() > until:
            raise BusyJournalError(f"{path.name}: another program keeps writing in it. Try again.")
        time.sleep(_PAUSE)
    copy.write_bytes(whole)
    if latest:
        copy.with_name(f"{copy.name}-wal").write_bytes(latest)


@contextlib.contextmanager
def reading(folder: Path) -> Iterator[sqlite3.Connection]:
    """Give a connection to a sound copy of the season folder's journal, at the newest version.

    Raises
    ------
    JournalError
        It cannot be read; the message says what to do.
    """
    with snapshot(folder) as connection:
        version = version_of(connection)
        _demand_kept(folder, version)
        _demand_sound(connection)
        if version < VERSION:
            migrate(connection)
        yield connection


def fresh(path: Path) -> sqlite3.Connection:
    """Return a connection to a new, empty journal at ``path``, without write-ahead log."""
    path.unlink(missing_ok=True)
    connection = connect(path)
    migrate(connection)
    return connection


def move_in(part: Path, folder: Path, aside: str) -> Path | None:
    """Let ``part`` take the journal's place; what stood there is kept under the name ``aside`` (returned).

    At every moment the folder holds the old journal or the new one, and a whole copy of the old one.
    """
    path, kept = folder / FILE, folder / aside
    had_one = path.exists()
    if had_one:
        shutil.copy2(path, kept)
        _sync(kept)
    for ending in ("-wal", "-shm"):
        log = folder / f"{FILE}{ending}"
        if log.exists():
            shutil.copy2(log, folder / f"{aside}{ending}")
            _sync(folder / f"{aside}{ending}")
            log.unlink()
    _sync(part)
    os.replace(part, path)
    return kept if had_one else None

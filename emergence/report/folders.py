"""Folders that are replaced whole or not at all, and names that stay inside them."""

from __future__ import annotations

import contextlib
import hashlib
import os
import re
import secrets
import shutil
import time
import unicodedata
from collections.abc import Iterator
from pathlib import Path

from filelock import FileLock, Timeout

from emergence.errors import EmergenceError, WrongUseError

RUN_FILE = "run.json"
LATEST = "latest"
BLOCKS = ".blocks"
"""Hidden folder inside a run folder: the finished blocks of a run that is not written yet."""
PARTIAL, REPLACED = ".partial-", ".replaced-"
STALE_S = 3600.0
"""Age [s] from which a leftover without a lock is taken for dead; our choice."""
LONGEST_NAME = 60
RESERVED = re.compile(r"(?i)(?:con|prn|aux|nul|conin\$|conout\$|(?:com|lpt)[0-9])\s*(?:\..*)?$")
"""Names that Windows keeps for devices, with any ending."""


class WriteError(EmergenceError):
    """A result could not be written; what stood there before still stands."""


def safe_name(text: str, *, fallback: str = "season") -> str:
    """Return a folder or file name made from any text.

    Letters, digits, space, ``-``, ``_`` and inner dots stay (in any script); everything else becomes ``-``. Where
    that changes or shortens the text, a short hash of it is added, so that different texts keep different names.
    """
    whole = unicodedata.normalize("NFKC", text).strip()
    kept = "".join(c if unicodedata.category(c)[0] in "LNM" or c in " -_." else "-" for c in whole)
    name = re.sub(r"-{2,}", "-", re.sub(r"\s+", " ", kept))
    name = re.sub(r"\.{2,}", ".", name).strip(" .-_")
    name = name[:LONGEST_NAME].encode()[: 2 * LONGEST_NAME].decode(errors="ignore").strip(" .-_")
    if name and name == whole and not RESERVED.match(name):
        return name
    digest = hashlib.blake2b(text.encode("utf-8", "surrogatepass"), digest_size=4).hexdigest()
    return f"{fallback}-{digest}" if not name or RESERVED.match(name) else f"{name}-{digest}"


@contextlib.contextmanager
def replaced_folder(target: Path) -> Iterator[Path]:
    """Give a new empty folder to fill; it takes the place of ``target`` when all went well.

    The files are forced to disk before the folder gets its name, so that under that name there is always the whole
    old run or the whole new one.

    Raises
    ------
    WrongUseError
        ``target`` holds something that is not an earlier run, or is the current folder.
    WriteError
        The file system refused.
    """
    target = target.resolve()
    may_replace(target)
    clear_leftovers(target.parent)
    part = target.parent / f"{PARTIAL}{secrets.token_hex(6)}"
    lock = FileLock(f"{part}.lock")
    try:
        target.parent.mkdir(parents=True, exist_ok=True)
        with lock:
            part.mkdir()
            yield part
            _force_to_disk(part)
            _swap(part, target)
    except OSError as error:
        reason = error.strerror or str(error)
        raise WriteError(
            f"cannot write {target}: {reason}. Is the disk full, the folder read-only, or a file of it open elsewhere?"
        ) from error
    finally:
        shutil.rmtree(part, ignore_errors=True)
        _forget(lock)


def clear_leftovers(parent: Path) -> None:
    """Remove what killed runs left beside run folders, and give back a run that was moved aside and not replaced.

    A folder that is still being written is locked and stays; what has no lock stays for ``STALE_S``.
    """
    for path in sorted(parent.glob(f"{PARTIAL}*")) if parent.is_dir() else ():
        with contextlib.suppress(OSError):
            if path.suffix == ".lock":
                _clear_locked(path)
            elif not Path(f"{path}.lock").exists() and _is_stale(path):
                shutil.rmtree(path) if path.is_dir() else path.unlink()
    for path in sorted(parent.glob(f"{REPLACED}*")) if parent.is_dir() else ():
        with contextlib.suppress(OSError):
            if not _is_stale(path):
                continue
            home = parent / path.name.removeprefix(REPLACED).partition("-")[2]
            if home == parent or home.exists():
                shutil.rmtree(path)
            else:
                os.rename(path, home)


def _clear_locked(path: Path) -> None:
    lock = FileLock(path)
    try:
        with lock.acquire(timeout=0):
            shutil.rmtree(path.with_suffix(""), ignore_errors=True)
    except Timeout:
        return
    _forget(lock)


def _forget(lock: FileLock) -> None:
    with contextlib.suppress(OSError):
        Path(lock.lock_file).unlink(missing_ok=True)


def _is_stale(path: Path) -> bool:
    status = path.lstat()
    return time.time() - max(status.st_ctime, status.st_mtime) > STALE_S


def may_replace(target: Path) -> None:
    """Refuse a folder that is not new, empty, an earlier run or an unfinished one.

    Raises
    ------
    WrongUseError
        It holds something else, or is the current folder.
    """
    if target.is_dir():
        if Path.cwd().is_relative_to(target):
            raise WrongUseError(f"{target} is the current folder; name a new folder for the results")
        if any(p.name != BLOCKS for p in target.iterdir()) and not (target / RUN_FILE).is_file():
            raise WrongUseError(f"{target} holds other things than an earlier run; name a new folder for the results")
    elif target.exists():
        raise WrongUseError(f"{target} is a file; name a new folder for the results")


def _swap(part: Path, target: Path) -> None:
    """Move ``part`` to ``target``; what stood there is moved aside first, and back if that fails."""
    aside = target.parent / f"{REPLACED}{secrets.token_hex(6)}-{target.name}"
    had_one = target.exists()
    if had_one:
        os.rename(target, aside)
    try:
        os.rename(part, target)
    except BaseException:
        if had_one and not target.exists():
            os.rename(aside, target)
        raise
    _sync(target.parent)
    if had_one:
        shutil.rmtree(aside, ignore_errors=True)


def _force_to_disk(folder: Path) -> None:
    for path in [*sorted(folder.rglob("*")), folder]:
        _sync(path)


def _sync(path: Path) -> None:
    if path.is_dir() and os.name == "nt":
        return
    handle = os.open(path, os.O_RDONLY if os.name != "nt" else os.O_RDWR)
    try:
        os.fsync(handle)
    finally:
        os.close(handle)


def atomic_text(path: Path, text: str) -> None:
    """Write one text file (UTF-8), whole or not at all; missing folders above it are made.

    Raises
    ------
    WriteError
        The file system refused; what stood there still stands.
    """
    path = path.resolve()
    part = path.parent / f"{PARTIAL}{secrets.token_hex(6)}"
    try:
        path.parent.mkdir(parents=True, exist_ok=True)
        part.write_text(text, encoding="utf-8", newline="\n")
        _sync(part)
        os.replace(part, path)
    except OSError as error:
        raise WriteError(f"cannot write {path}: {error.strerror or error}") from error
    finally:
        with contextlib.suppress(OSError):
            part.unlink(missing_ok=True)


def point_latest(folder: Path) -> None:
    """Let ``latest`` beside a run folder lead to it: a relative link, or a text file where links cannot be made."""
    link, note = folder.parent / LATEST, folder.parent / f"{LATEST}.txt"
    spare = folder.parent / f".latest-{secrets.token_hex(6)}"
    try:
        try:
            os.symlink(folder.name, spare, target_is_directory=True)
            os.replace(spare, link)
            note.unlink(missing_ok=True)
        except (OSError, NotImplementedError):
            spare.unlink(missing_ok=True)
            spare.write_text(folder.name + "\n", encoding="utf-8", newline="\n")
            os.replace(spare, note)
    except OSError as error:
        raise WriteError(f"cannot write {note}: {error.strerror}; the run itself is in {folder}") from error

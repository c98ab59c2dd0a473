"""The door of the season folder: which files there are, their text and checksums, the problems met so far."""

from __future__ import annotations

import gzip
import hashlib
import os
import stat
import unicodedata
import zlib
from dataclasses import dataclass, field
from difflib import get_close_matches
from pathlib import Path

from emergence.errors import Problem, Severity

MAX_BYTES = 1 << 30
"""A file that unpacks to more than this [bytes] is refused."""
SAVE_AS = "In the spreadsheet choose 'Save as' and the file type 'CSV UTF-8 (comma delimited)'."
SAVE_TOML_AS = "In the text editor save it with the encoding UTF-8."
_TABLES = (
    *("lakes", "stations", "readings", "ice", "sightings", "residents", "overrules"),
    *("trips", "guides", "closures", "access", "travel"),
)
_NEEDED = ("lakes.csv", "stations.csv")
_OR_REMOVE = ", or remove it if it is not needed"
KNOWN_FILES = ("season.toml", *(f"{table}.csv" for table in _TABLES))

_FOREIGN = (
    (b"PK\x03\x04", "an Excel or OpenDocument workbook"),
    (b"\xd0\xcf\x11\xe0", "an old Excel workbook"),
    (b"\xff\xfe", "UTF-16 text"),
    (b"\xfe\xff", "UTF-16 text"),
    (b"%PDF", "a PDF"),
)


class Unreadable(Exception):
    """A file cannot be turned into text; carries what a `Problem` needs."""

    def __init__(self, rule: str, remedy: str, row: int = 0, value: str = "") -> None:
        super().__init__(rule)
        self.rule, self.remedy, self.row, self.value = rule, remedy, row, value


def shorten(value: str, width: int = 60) -> str:
    """Return the text cut to ``width`` characters, with a mark where it was cut."""
    return value if len(value) <= width else value[: width - 1] + "…"


def shown_name(name: str) -> str:
    """Return a file name that can be printed anywhere.

    Bytes that are no UTF-8 and control characters are escaped; letters are in Unicode's composed form.
    """
    text = unicodedata.normalize("NFC", name.encode("utf-8", "backslashreplace").decode())
    return "".join(c if c.isprintable() else ascii(c)[1:-1] for c in text)


@dataclass
class Intake:
    """The files of one season folder. Nothing here raises for bad input: it ends up in ``problems``."""

    folder: Path
    problems: list[Problem] = field(default_factory=list)
    checksums: dict[str, str] = field(default_factory=dict)
    paths: dict[str, Path] = field(default_factory=dict)

    def list_files(self, sub: str, severity: Severity) -> list[str]:
        """Return the names in the folder (or its sub-folder ``sub``), sorted, hidden files left out.

        Names are relative to the season folder. A missing sub-folder has no files.
        """
        where = self.folder / sub
        try:
            names = [e.name for e in os.scandir(where) if not e.name.startswith((".", "~"))]
        except FileNotFoundError:
            if sub:
                return []
            return self._no_folder("there is no such folder", "Check its spelling.", sub, severity)
        except NotADirectoryError:
            remedy = "Give the folder that holds lakes.csv."
            return self._no_folder("this must be a folder but is a file", remedy, sub, severity)
        except (OSError, ValueError) as error:
            rule = f"the folder cannot be opened ({_reason(error)})"
            return self._no_folder(rule, "Check who may read it.", sub, severity)
        found = {(f"{sub}/" if sub else "") + shown_name(name): where / name for name in names}
        self.paths.update(found)
        return sorted(found)

    def _no_folder(self, rule: str, remedy: str, sub: str, severity: Severity) -> list[str]:
        value = "" if sub else shorten(shown_name(self.folder.name))
        if sub:
            remedy = f"Make {sub} a folder that can be read, or remove it."
        self.problems.append(Problem(sub or ".", 0, "", value, rule, remedy, severity))
        return []

    def find(self, stem: str, severity: Severity) -> str | None:
        """Return ``stem``.csv or ``stem``.csv.gz, whichever is there; both together are a problem."""
        found = [name for name in (f"{stem}.csv", f"{stem}.csv.gz") if name in self.paths]
        if len(found) == 2:
            rule = f"{stem}.csv and {stem}.csv.gz are both there, and only one may be"
            remedy = "Remove or rename the older one."
            self.problems.append(Problem(found[0], 0, "", "", rule, remedy, severity))
            return None
        return found[0] if found else None

    def near_misses(self) -> dict[str, str]:
        """Return for each absent known file the name of a file that may have been meant by it."""
        top = [name for name in self.paths if "/" not in name]
        others = [name for name in top if name.removesuffix(".gz") not in KNOWN_FILES]
        near = {}
        for known in KNOWN_FILES:
            if known in self.paths or f"{known}.gz" in self.paths:
                continue
            for name in others:
                if get_close_matches(name.lower().removesuffix(".gz"), [known], cutoff=0.85):
                    near[known] = name
        return near

    def text(self, file: str, severity: Severity, *, may_be_empty: bool = False) -> str | None:
        """Return the file's text, or ``None`` (and a problem of that severity) if it cannot be read."""
        try:
            raw = _read_bytes(self.paths[file])
            self.checksums[file] = hashlib.sha256(raw).hexdigest()
            text = _decode(_unpack(raw) if file.endswith(".gz") else raw)
            if not text.strip() and not may_be_empty:
                needed = file.removesuffix(".gz") in _NEEDED
                raise Unreadable("the file is empty", f"Fill it in{'' if needed else _OR_REMOVE}.")
            return text
        except Unreadable as error:
            remedy = error.remedy.replace(SAVE_AS, SAVE_TOML_AS) if file.endswith(".toml") else error.remedy
            problem = Problem(file, error.row, "", shorten(error.value), error.rule, remedy, severity)
            self.problems.append(problem)
            return None


def _reason(error: Exception) -> str:
    return (error.strerror if isinstance(error, OSError) else None) or str(error) or type(error).__name__


def _read_bytes(path: Path) -> bytes:
    try:
        status = path.stat()
        if stat.S_ISDIR(status.st_mode):
            raise Unreadable("this must be a file but is a folder", "Remove or rename the folder.")
        if not stat.S_ISREG(status.st_mode):
            raise Unreadable("this is no ordinary file", "Replace it by an ordinary file.")
        if status.st_size > MAX_BYTES:
            raise Unreadable("the file is larger than 1 GiB", "Check what it is.")
        return path.read_bytes()
    except (OSError, ValueError) as error:
        remedy = "Check that the file exists, that you may read it and that no other program has locked it."
        raise Unreadable(f"the file cannot be opened ({_reason(error)})", remedy) from error


def _unpack(raw: bytes) -> bytes:
    if raw and not raw.startswith(b"\x1f\x8b"):
        raise Unreadable("the name ends in .gz but the file is not gzip-compressed", "Take .gz off its name.")
    unpacker = zlib.decompressobj(wbits=31)
    parts, size = [], 0
    try:
        while raw:
            part = unpacker.decompress(raw, MAX_BYTES + 1 - size)
            parts.append(part)
            size += len(part)
            if size > MAX_BYTES:
                raise Unreadable("the file unpacks to more than 1 GiB", "Check what it is.")
            if not unpacker.eof:
                raise EOFError("the end is missing")
            raw = unpacker.unused_data
            unpacker = zlib.decompressobj(wbits=31)
    except (zlib.error, EOFError, gzip.BadGzipFile) as error:
        remedy = "Copy or download it again, or give it as plain .csv."
        raise Unreadable(f"the gzip file is damaged ({error})", remedy) from error
    return b"".join(parts)


def _decode(raw: bytes) -> str:
    for start, what in _FOREIGN:
        if raw.startswith(start):
            raise Unreadable(f"this is {what}, not UTF-8 text", SAVE_AS)
    if raw.startswith(b"\x1f\x8b"):
        raise Unreadable("the file is gzip-compressed but its name does not say so", "Add .gz to its name.")
    nul = raw.find(b"\0")
    if nul >= 0:
        row = raw.count(b"\n", 0, nul) + 1
        remedy = f"Restore it or save it again. {SAVE_AS}"
        raise Unreadable("the file holds NUL bytes, so it is damaged or no text", remedy, row)
    try:
        return raw.decode("utf-8-sig")
    except UnicodeDecodeError as error:
        raise _wrong_encoding(raw, error) from error


def _wrong_encoding(raw: bytes, error: UnicodeDecodeError) -> Unreadable:
    at = error.start
    line = raw[max(raw.rfind(b"\n", 0, at) + 1, at - 20) : at + 20].split(b"\n")[0]
    rule = f"the text is not UTF-8: byte 0x{raw[at]:02X} is a letter in another encoding"
    return Unreadable(rule, SAVE_AS, raw.count(b"\n", 0, at) + 1, line.decode("latin-1").strip())

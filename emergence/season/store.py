"""Fetched weather in the season folder: plain files, whole or not at all, and never over what the user wrote.

``weather/update.json`` knows the files that are ours by their checksums. Before a file is written, its new checksum is
noted there; so after a kill at any moment a file is either ours (the old or the noted one) or was changed by the user,
and then it is left alone.
"""

from __future__ import annotations

import contextlib
import csv
import gzip
import hashlib
import io
import json
import os
import secrets
import shutil
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from filelock import FileLock, Timeout
from numpy.typing import NDArray

from emergence.dates import to_date
from emergence.errors import EmergenceError
from emergence.records import Days, Floats
from emergence.season.columns import parse_dates, parse_numbers

FORMAT = 1
STATE_FILE = "weather/update.json"
LOCK_FILE = "weather/.update.lock"
_PART = ".weather-part-"
_STATION_COLUMNS = ("station_id", "name", "latitude", "longitude", "elevation_m")
COLUMNS = ("tmin_c", "tmax_c", "tmean_c")


class StoreError(EmergenceError):
    """The weather of the season folder cannot be brought up to date; nothing was changed."""


@dataclass(frozen=True)
class DayTable:
    """Daily temperatures: day numbers, ascending (n,), ``values`` (n, 3) tmin, tmax, tmean [°C], NaN where missing."""

    days: Days = field(default_factory=lambda: np.zeros(0, dtype=np.int64))
    values: Floats = field(default_factory=lambda: np.zeros((0, 3)))

    def take(self, mask: NDArray[np.bool_]) -> DayTable:
        """Return some of the days."""
        return DayTable(self.days[mask], self.values[mask])

    def under(self, newer: DayTable) -> DayTable:
        """Return both tables as one; where both have a day, the newer row counts."""
        kept = self.take(~np.isin(self.days, newer.days))
        days = np.concatenate([kept.days, newer.days])
        order = np.argsort(days, kind="stable")
        return DayTable(days[order], np.concatenate([kept.values, newer.values])[order])


@dataclass
class StationState:
    """What update.json knows of a fetched station.

    ``years_done`` need not be asked for again; ``files`` maps file names to the SHA-256 of what was written,
    ``pending`` to that of what was about to be; ``empty`` tells a station that had nothing.
    """

    source: str = "meteostat"
    name: str = ""
    latitude: float = 0.0
    longitude: float = 0.0
    elevation_m: float = 0.0
    first_year: int = 0
    last_fetch: str = ""
    last_day: str = ""
    empty: bool = False
    years_done: list[int] = field(default_factory=list)
    files: dict[str, str] = field(default_factory=dict)
    pending: dict[str, str] = field(default_factory=dict)
    attribution: list[str] = field(default_factory=list)
    licences: list[str] = field(default_factory=list)


@dataclass
class Choice:
    """The stations chosen for a lake, best first, and the place they were chosen for."""

    place: list[float]
    stations: list[str]
    searched: str
    source: str


class WeatherStore:
    """The fetched weather of one season folder; use it within `locked_store`."""

    def __init__(self, folder: Path) -> None:
        self.folder = folder
        self.stations: dict[str, StationState] = {}
        self.lakes: dict[str, Choice] = {}
        self._load()

    def _load(self) -> None:
        path = self.folder / STATE_FILE
        if not path.exists():
            return
        remedy = "Move it away together with the weather files that were fetched, and run the update again."
        try:
            held = json.loads(path.read_text(encoding="utf-8"))
            if held["format"] > FORMAT:
                raise StoreError(f"{STATE_FILE}: written by a newer version of this program. Update the program.")
            self.stations = {name: StationState(**entry) for name, entry in held["stations"].items()}
            self.lakes = {name: Choice(**entry) for name, entry in held["lakes"].items()}
        except (ValueError, KeyError, TypeError, AttributeError) as error:
            raise StoreError(f"{STATE_FILE}: this file is damaged ({type(error).__name__}). {remedy}") from error

    def save(self) -> None:
        """Write update.json."""
        held: dict[str, Any] = {
            "format": FORMAT,
            "about": "Which files of this folder were fetched. Written by 'emergence weather update'; do not edit.",
            "stations": {name: vars(entry) for name, entry in sorted(self.stations.items())},
            "lakes": {name: vars(entry) for name, entry in sorted(self.lakes.items())},
        }
        text = json.dumps(held, ensure_ascii=False, indent=1) + "\n"
        atomic_write(self.folder / STATE_FILE, text.encode())

    def is_ours(self, station_id: str) -> bool:
        """Tell whether the station's files may be written: there are none, or all of them are as we left them."""
        entry = self.stations.get(station_id)
        for stem in (station_id, f"{station_id}.ahead"):
            if (self.folder / f"weather/{stem}.csv.gz").exists():
                return False
            name = f"weather/{stem}.csv"
            path = self.folder / name
            if path.exists() and (entry is None or not _matches(path, entry, name)):
                return False
        return True

    def has_record(self, station_id: str) -> bool:
        """Tell whether the station has a weather file, whoever put it there."""
        return any((self.folder / f"weather/{station_id}.csv{end}").exists() for end in ("", ".gz"))

    def read(self, station_id: str) -> DayTable:
        """Return the days of a file of ours, none where there is no file."""
        path = self.folder / f"weather/{station_id}.csv"
        if not path.exists():
            return DayTable()
        rows = list(csv.reader(io.StringIO(path.read_text(encoding="utf-8"))))
        columns = dict(zip(rows[0], zip(*rows[1:], strict=True), strict=True))
        days, _, _ = parse_dates(list(columns["date"]))
        blank = np.full(len(days), np.nan)
        values = [parse_numbers(list(columns[name]))[0] if name in columns else blank for name in COLUMNS]
        return DayTable(days, np.stack(values, axis=1))

    def write(self, station_id: str, record: DayTable, ahead: DayTable | None, done: StationState) -> None:
        """Write a station's record and forecast days; ``done`` becomes its entry in update.json.

        Call it for stations of ours only (`is_ours`). Without forecast days an older file of them is
        removed; ``None`` leaves it as it is.
        """
        texts = {f"weather/{station_id}.csv": _text(record)}
        if ahead is not None:
            texts[f"weather/{station_id}.ahead.csv"] = _text(ahead)
        old = self.stations.get(station_id, done)
        done.files = {name: digest for name, digest in old.files.items() if (self.folder / name).exists()}
        done.pending = {name: _digest(text) for name, text in texts.items() if text}
        noted = StationState(**{**vars(old), "pending": done.pending})
        self.stations[station_id] = noted
        self.save()
        for name, text in texts.items():
            path = self.folder / name
            if text:
                if done.files.get(name) != done.pending[name] or not path.exists():
                    atomic_write(path, text)
            else:
                path.unlink(missing_ok=True)
                done.files.pop(name, None)
        done.files, done.pending = done.files | done.pending, {}
        self.stations[station_id] = done
        self.save()

    def add_stations(self, ids: Sequence[str]) -> None:
        """Append stations of update.json to stations.csv, where they are not there yet."""
        plain, packed = self.folder / "stations.csv", self.folder / "stations.csv.gz"
        path = packed if packed.exists() and not plain.exists() else plain
        raw = path.read_bytes() if path.exists() else b""
        content = gzip.decompress(raw) if path == packed else raw
        text = content.decode("utf-8-sig")
        rows = [row for row in csv.reader(io.StringIO(text)) if any(row)] or [list(_STATION_COLUMNS)]
        header = [name.strip().lower() for name in rows[0]]
        column = header.index("station_id")
        known = {row[column].strip() for row in rows[1:] if len(row) > column}
        new = [name for name in ids if name not in known]
        if not new:
            return
        end = "\r\n" if "\r\n" in text else "\n"
        out = io.StringIO()
        writer = csv.writer(out, lineterminator=end)
        if not text:
            writer.writerow(header)
        elif not text.endswith("\n"):
            out.write(end)
        for name in new:
            writer.writerow([_cell(word, name, self.stations[name]) for word in header])
        whole = content + out.getvalue().encode()
        atomic_write(path, gzip.compress(whole, mtime=0) if path == packed else whole)


def _cell(column: str, station_id: str, entry: StationState) -> str:
    """Return a cell of stations.csv for whatever columns its header has."""
    values = {
        "station_id": station_id,
        "name": " ".join(entry.name.split()),
        "latitude": f"{entry.latitude:.10g}",
        "longitude": f"{entry.longitude:.10g}",
        "elevation_m": f"{entry.elevation_m:.10g}",
        "elevation_ft": f"{entry.elevation_m / 0.3048:.1f}",
    }
    return values.get(column, "")


@contextlib.contextmanager
def locked_store(folder: Path) -> Iterator[WeatherStore]:
    """Give the store of a season folder, with nobody else at it.

    Raises
    ------
    StoreError
        Another update is at work in the folder, or update.json cannot be read.
    """
    (folder / "weather").mkdir(exist_ok=True)
    lock = FileLock(folder / LOCK_FILE)
    try:
        lock.acquire(timeout=0)
    except Timeout as error:
        raise StoreError("another weather update is at work in this folder; wait until it is done.") from error
    try:
        for place in (folder, folder / "weather"):
            for left in place.glob(f"{_PART}*"):
                left.unlink(missing_ok=True)
        yield WeatherStore(folder)
    finally:
        lock.release()


def read_store(folder: Path) -> WeatherStore:
    """Return the store of a season folder to look at; do not write with it."""
    return WeatherStore(folder)


def _matches(path: Path, entry: StationState, name: str) -> bool:
    digest = _digest(path.read_bytes())
    return digest in (entry.files.get(name), entry.pending.get(name))


def _digest(content: bytes) -> str:
    return hashlib.sha256(content).hexdigest()


def _text(table: DayTable) -> bytes:
    """Return the documented form of a weather file, nothing where there is no day."""
    if not len(table.days):
        return b""
    held = [i for i, name in enumerate(COLUMNS) if name == "tmean_c" or np.isfinite(table.values[:, :2]).any()]
    lines = [",".join(["date", *(COLUMNS[i] for i in held)])]
    for day, row in zip(table.days.tolist(), table.values[:, held].tolist(), strict=True):
        lines.append(",".join([str(to_date(day)), *("" if v != v else f"{v:.1f}" for v in row)]))
    return ("\n".join(lines) + "\n").encode()


def atomic_write(path: Path, content: bytes) -> None:
    """Write a file whole or not at all, and force it to the disk."""
    path = path.resolve()
    part = path.parent / f"{_PART}{secrets.token_hex(6)}"
    try:
        with part.open("wb") as file:
            file.write(content)
            file.flush()
            os.fsync(file.fileno())
        if path.exists():
            shutil.copymode(path, part)
        os.replace(part, path)
    finally:
        part.unlink(missing_ok=True)
    if os.name != "nt":
        handle = os.open(path.parent, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)

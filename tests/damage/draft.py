"""A season folder before it is written, the list of damages, and how they reach into tables."""

from __future__ import annotations

import contextlib
import csv
import io
import os
from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np

Rng = np.random.Generator
Rows = list[list[str]]

TABLES = ("lakes.csv", "stations.csv", "readings.csv", "ice.csv", "sightings.csv", "residents.csv")
NUMBERS = (
    *("latitude", "longitude", "elevation_m", "area_ha", "mean_depth_m", "max_depth_m", "water_c", "depth_m"),
    *("hour", "minutes", "tmin_c", "tmax_c", "tmean_c"),
)
CLASHES = (FileExistsError, NotADirectoryError, IsADirectoryError, FileNotFoundError)
"""Two damages may want different things at one place; the first one written stands."""


@dataclass
class Draft:
    """A season folder before it is written: bytes by name, and what stands in place of files."""

    files: dict[str, bytes]
    instead: dict[str, str] = field(default_factory=dict)
    done: list[str] = field(default_factory=list)

    def named(self, start: str = "", end: str = "") -> list[str]:
        return sorted(name for name in self.files if name.startswith(start) and name.endswith(end))

    def put(self, name: str, kind: str) -> None:
        """Let something else stand where the file was; ``weather`` and ``taxa`` lose what they hold."""
        for gone in [n for n in self.files if n == name or n.startswith(f"{name}/")]:
            del self.files[gone]
        self.instead[name] = kind

    def write(self, folder: Path) -> Path:
        folder.mkdir(parents=True)
        for name, raw in self.files.items():
            with contextlib.suppress(*CLASHES):
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                (folder / name).write_bytes(raw)
        for name, kind in self.instead.items():
            with contextlib.suppress(*CLASHES):
                (folder / name).parent.mkdir(parents=True, exist_ok=True)
                _stand_in(folder / name, kind)
        return folder


def _stand_in(path: Path, kind: str) -> None:
    targets = {"loop": path.name, "dangling": "nowhere", "up": "..", "self": ".", "device": os.devnull}
    if kind == "folder":
        path.mkdir()
    elif kind == "file":
        path.write_bytes(b"x")
    elif kind == "pipe":
        os.mkfifo(path)
    elif kind == "locked":
        path.write_bytes(b"date,tmean_c\n2024-05-01,8\n")
        path.chmod(0)
    elif kind in targets:
        path.symlink_to(targets[kind])


Damage = Callable[[Draft, Rng], str]
DAMAGES: dict[str, Damage] = {}


def damage(make: Damage) -> Damage:
    """Count a function among the kinds of damage."""
    DAMAGES[make.__name__] = make
    return make


def one_of(rng: Rng, options: Sequence[Any]) -> Any:
    return options[int(rng.integers(len(options)))]


# Tables as rows of cells. Bytes that are no UTF-8 survive the way there and back.


def cells_of(raw: bytes) -> Rows:
    text = raw.decode("utf-8", "surrogateescape")
    try:
        return [row for row in csv.reader(io.StringIO(text, newline="")) if row]
    except csv.Error:
        return [line.split(",") for line in text.split("\n") if line]


def bytes_of(rows: Rows) -> bytes:
    out = io.StringIO(newline="")
    csv.writer(out, lineterminator="\n").writerows(rows)
    return out.getvalue().encode("utf-8", "surrogateescape")


@contextlib.contextmanager
def rows_of(draft: Draft, name: str) -> Iterator[Rows]:
    rows = cells_of(draft.files[name]) or [[""]]
    yield rows
    draft.files[name] = bytes_of(rows)


def table(draft: Draft, rng: Rng, start: str = "") -> str:
    """Return the name of some table; weather counts twice. A lost one is put back with a header only."""
    names = draft.named(start, ".csv") + draft.named("weather/", ".csv")
    if not names:
        draft.files["lakes.csv"] = b"lake_id,latitude,longitude,elevation_m\n"
        return "lakes.csv"
    return str(one_of(rng, names))


def column(rows: Rows, rng: Rng, wanted: Sequence[str] = ()) -> int:
    """Return the place of some column, one of ``wanted`` if there is any."""
    found = [i for i, head in enumerate(rows[0]) if head in wanted]
    return int(one_of(rng, found or range(max(len(rows[0]), 1))))


def some_rows(rows: Rows, rng: Rng) -> list[int]:
    """Return one row below the header, a few or all of them."""
    count = len(rows) - 1
    share = one_of(rng, (1, 1, 5, max(count // 3, 1), count))
    return sorted(rng.choice(count, size=min(share, count), replace=False) + 1) if count > 0 else []


def set_cells(rows: Rows, places: Sequence[int], at: int, values: Sequence[str], rng: Rng) -> str:
    """Put values from a list into a column; return the last one."""
    value = ""
    for i in places:
        if at < len(rows[i]):
            value = rows[i][at] = str(one_of(rng, values))
    return value[:40]


def fill(draft: Draft, rng: Rng, values: Sequence[str], wanted: Sequence[str], start: str = "") -> str:
    """Put values into some cells of one of the wanted columns of some table."""
    name = table(draft, rng, start)
    with rows_of(draft, name) as rows:
        at = column(rows, rng, wanted)
        places = some_rows(rows, rng)
        value = set_cells(rows, places, at, values, rng)
        return f"{name} {rows[0][at] if rows[0] else ''} x{len(places)} {value!r}"


def table_with(draft: Draft, rng: Rng, head: str) -> str:
    names = [n for n in draft.named(end=".csv") if head.encode() in draft.files[n][:400].split(b"\n")[0]]
    return str(one_of(rng, names)) if names else table(draft, rng)

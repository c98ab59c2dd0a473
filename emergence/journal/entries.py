"""Typed notes: what was measured or seen, and what the journal knows about the note itself."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import dataclass, fields
from typing import ClassVar, Literal

from emergence.dates import day_number, to_date

Kind = Literal["reading", "ice", "sighting"]
Cell = str | float | None
KINDS: tuple[Kind, ...] = ("reading", "ice", "sighting")
DECIMALS = 4
"""Numbers are kept to so many decimals: finer than any thermometer, coarse enough that °F and °C rows agree."""


def kept(value: float | None) -> float | None:
    """Return a number as the journal keeps it; minus nought becomes nought."""
    return None if value is None else round(float(value), DECIMALS) + 0.0


@dataclass(frozen=True)
class Reading:
    """Water temperature: water_c [°C] on a day [d], depth_m [m] and hour [0-24] where said."""

    kind: ClassVar[Kind] = "reading"
    lake_id: str
    day: int
    water_c: float
    depth_m: float | None = None
    hour: float | None = None

    def __post_init__(self) -> None:
        for name in ("water_c", "depth_m", "hour"):
            object.__setattr__(self, name, kept(getattr(self, name)))


@dataclass(frozen=True)
class IceDate:
    """The day [d] on which ice came or went: event (on|off)."""

    kind: ClassVar[Kind] = "ice"
    lake_id: str
    day: int
    event: str


@dataclass(frozen=True)
class Sighting:
    """What was seen or looked for: stage of STAGES, level of LEVELS, minutes looked [min] where said."""

    kind: ClassVar[Kind] = "sighting"
    lake_id: str
    day: int
    taxon: str
    stage: str
    level: str
    minutes: float | None = None
    observer: str = ""
    note: str = ""

    def __post_init__(self) -> None:
        object.__setattr__(self, "minutes", kept(self.minutes))


Body = Reading | IceDate | Sighting
BODIES: dict[Kind, type[Body]] = {"reading": Reading, "ice": IceDate, "sighting": Sighting}
COLUMNS: dict[Kind, tuple[str, ...]] = {
    kind: tuple("date" if f.name == "day" else f.name for f in fields(body)) for kind, body in BODIES.items()
}
"""The columns of readings.csv, ice.csv and sightings.csv, in their order."""


def cells_of(body: Body) -> tuple[Cell, ...]:
    """Return a note's cells in the order of ``COLUMNS``, the date as YYYY-MM-DD."""
    values = (getattr(body, f.name) for f in fields(body))
    lake_id, day, *rest = values
    return (lake_id, to_date(day).isoformat(), *rest)


def body_of(kind: Kind, cells: tuple[Cell, ...]) -> Body:
    """Return the note that cells in the order of ``COLUMNS`` tell.

    Raises
    ------
    ValueError, TypeError
        The cells are not those of a note.
    """
    lake_id, date, *rest = cells
    if not isinstance(lake_id, str) or not isinstance(date, str):
        raise TypeError("a lake and a date must be text")
    body: Body = BODIES[kind](lake_id, day_number(dt.date.fromisoformat(date)), *rest)  # type: ignore[arg-type]  # by kind
    return body


@dataclass(frozen=True)
class Entry:
    """A note to write. ``doubt`` says why it is doubtful, ``confirmed`` that the writer was asked and stays by it."""

    body: Body
    doubt: str = ""
    confirmed: bool = False


@dataclass(frozen=True)
class Stamp:
    """Who writes, when and how: ``created`` as ISO 8601 in UTC, ``source`` (command, or import and the file's name)."""

    created: str
    source: str = "command"
    writer: str = ""


@dataclass(frozen=True)
class Note:
    """A note of the journal; ``undone`` is the moment of its undoing, "" while it stands."""

    id: int
    body: Body
    stamp: Stamp
    doubt: str = ""
    confirmed: bool = False
    undone: str = ""

    @property
    def kind(self) -> Kind:
        """The kind of note."""
        return self.body.kind

    @property
    def stands(self) -> bool:
        """Whether it counts."""
        return not self.undone


@dataclass(frozen=True)
class Added:
    """What became of an entry.

    ``id`` is the note's number; ``new`` is False where it stood there already; ``against`` is True where it was not
    written because the note ``id`` says the opposite.
    """

    id: int
    new: bool
    against: bool = False


def standing(notes: tuple[Note, ...]) -> Iterator[Note]:
    """Yield the notes that count."""
    return (note for note in notes if note.stands)

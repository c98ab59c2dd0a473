"""From cells as somebody typed them to a note, or to everything that is wrong with them."""

from __future__ import annotations

import datetime as dt
import math
import re
import unicodedata
from collections.abc import Callable, Mapping
from dataclasses import dataclass, field

from emergence.dates import day_number, to_date
from emergence.journal.checks import (
    DEPTH_M,
    FIRST_DAY,
    MINUTES,
    WATER_C,
    ImpossibleError,
    Place,
    Unit,
    clock,
    doubt,
    number,
    shown,
    within,
)
from emergence.journal.entries import COLUMNS, Body, Entry, IceDate, Kind, Reading, Sighting
from emergence.journal.words import find_level, find_stage, nearest, nearest_level, nearest_stage, plain

_CONTROL = re.compile(r"[\x00-\x1f\x7f-\x9f]")
_LONGEST = 2000
_STAGES_HELP = "Say young, mature, moving, pupa, empty_skin or adult, or a word for one of them."
_LEVELS_HELP = "Say none, few or many, or a number."


@dataclass(frozen=True)
class Fault:
    """One thing wrong with a draft: the column, what was found, which rule it breaks, what to do."""

    column: str
    value: str
    rule: str
    remedy: str

    def sentence(self) -> str:
        """Return the fault as one line for a person."""
        found = f" (found {self.value[:60]!r})" if self.value else ""
        return f"{self.column}: {self.rule}{found}. {self.remedy}".strip()


@dataclass(frozen=True)
class TaxonWords:
    """What the journal must know of a taxon: its stage words, and whether it has a pupa."""

    stages: Mapping[str, str]
    has_pupa: bool


@dataclass(frozen=True)
class Known:
    """The names and units of a season folder.

    ``lakes`` maps words (made `plain`) to lake ids, ``places`` lake ids to where they lie, ``find_taxon`` a word to a
    taxon id (None: unknown), ``near_taxon`` to the nearest id, ``taxa`` ids to their words. ``today`` is the latest
    day [d], ``weather_after`` tells the first date of the weather where it lies after a day, else "".
    """

    lakes: Mapping[str, str]
    places: Mapping[str, Place]
    find_taxon: Callable[[str], str | None]
    near_taxon: Callable[[str], str | None]
    taxa: Mapping[str, TaxonWords]
    today: int
    temperature: Unit = "C"
    length: Unit = "m"
    weather_after: Callable[[int], str] = lambda day: ""


@dataclass
class _Reader:
    """Reads the cells of one draft and gathers what is wrong."""

    cells: Mapping[str, str]
    known: Known
    faults: list[Fault] = field(default_factory=list)

    def cell(self, name: str) -> str:
        return self.cells.get(name, "").strip()

    def fault(self, name: str, rule: str, remedy: str) -> None:
        self.faults.append(Fault(name, self.cell(name), rule, remedy))

    def lake(self) -> str:
        word = unicodedata.normalize("NFC", self.cell("lake_id"))
        found = self.known.lakes.get(plain(word))
        if found is None:
            rule = "no lake of lakes.csv is called that" if word else "the lake is missing"
            meant = nearest(word, self.known.lakes) if word else ""
            self.fault("lake_id", rule, f"{meant}Say a lake_id or name of lakes.csv (--lake on the command line).")
        return found or ""

    def day(self) -> int:
        word = self.cell("date")
        day = _day(word, self.known.today)
        if day is None:
            self.fault("date", "this is no date", "Write it as 2026-05-24 (or today, yesterday).")
        elif day > self.known.today:
            rule = f"nothing can have been observed after today ({to_date(self.known.today)})"
            self.fault("date", rule, "Correct the date.")
        elif day < FIRST_DAY:
            self.fault("date", "dates before 1800 are not taken", "Correct the year.")
        return day if day is not None else 0

    def value(self, name: str, read: Callable[[str], float]) -> float | None:
        word = self.cell(name)
        if not word:
            return None
        try:
            return read(word)
        except ImpossibleError as error:
            self.fault(name, error.rule, error.remedy)
            return None

    def text(self, name: str) -> str:
        word = self.cell(name)
        if _CONTROL.search(word):
            self.fault(name, "it holds line breaks or invisible characters", "Type it again in one line.")
        if len(word) > _LONGEST:
            self.fault(name, f"it is longer than {_LONGEST} characters", "Shorten it.")
        return word


def _day(word: str, today: int) -> int | None:
    if word.casefold() in ("today", "yesterday"):
        return today - (word.casefold() == "yesterday")
    try:
        return day_number(dt.date.fromisoformat(word)) if re.fullmatch(r"\d{4}-\d\d-\d\d", word, re.ASCII) else None
    except ValueError:
        return None


def read_draft(kind: Kind, cells: Mapping[str, str], known: Known) -> Entry | tuple[Fault, ...]:
    """Return the note that cells tell, with its doubt, or everything that is wrong with them.

    Parameters
    ----------
    kind
        The kind of note.
    cells
        Column to text, columns as in ``COLUMNS``; numbers may carry a unit (56F, 2ft), absent ones are blank.
    known
        Names and units of the season folder.
    """
    reader = _Reader(cells, known)
    lake_id, day = reader.lake(), reader.day()
    body = {"reading": _reading, "ice": _ice, "sighting": _sighting}[kind](reader, lake_id, day)
    faults = reader.faults + _of_other_kinds(kind, reader)
    if faults or body is None:
        return tuple(faults)
    reasons = [doubt(body, known.places.get(lake_id, Place()), known.temperature, known.length)]
    if begins := known.weather_after(day):
        reasons.append(f"{to_date(day)} lies before the weather begins ({begins})")
    return Entry(body, "; ".join(reason for reason in reasons if reason))


def _of_other_kinds(kind: Kind, reader: _Reader) -> list[Fault]:
    """Return the cells that are filled in and mean nothing for this kind of note."""
    strange = [name for name in reader.cells if name not in COLUMNS[kind] and reader.cell(name)]
    return [
        Fault(name, reader.cell(name), f"a note of kind {kind} has no {name}", "Leave it blank.") for name in strange
    ]


def _reading(reader: _Reader, lake_id: str, day: int) -> Body | None:
    known = reader.known

    def water(word: str) -> float:
        found = number(word, known.temperature)
        if not WATER_C[0] <= round(found, 9) <= WATER_C[1]:
            low, high = (shown(c, known.temperature) for c in WATER_C)
            other = "For °C write for example 13.5C." if known.temperature == "F" else "For °F write for example 56F."
            rule = f"water must lie between {low} and {high}"
            raise ImpossibleError(rule, other if word.strip()[-1:].isdigit() else "Correct the value or its unit.")
        return found

    def depth(word: str) -> float:
        return within(number(word, known.length), DEPTH_M, "the depth in metres", "Say how far below the surface.")

    water_c = reader.value("water_c", water)
    if not reader.cell("water_c"):
        reader.fault("water_c", "the temperature is missing", "Write for example 13.5 or 56F.")
    depth_m, hour = reader.value("depth_m", depth), reader.value("hour", clock)
    return Reading(lake_id, day, math.nan if water_c is None else water_c, depth_m, hour) if not reader.faults else None


def _ice(reader: _Reader, lake_id: str, day: int) -> Body | None:
    event = reader.cell("event").casefold()
    if event not in ("on", "off"):
        remedy = "Say on for the first day of full ice, off for the first open one."
        reader.fault("event", "it must be on or off", remedy)
    return IceDate(lake_id, day, event) if not reader.faults else None


def _sighting(reader: _Reader, lake_id: str, day: int) -> Body | None:
    known, word = reader.known, reader.cell("taxon")
    taxon = known.find_taxon(word) if word else None
    if taxon is None:
        near = known.near_taxon(word) if word else None
        rule = "no insect is called that" if word else "the insect is missing"
        meant = f"Did you mean {near}? " if near else ""
        reader.fault("taxon", rule, f"{meant}'emergence taxa' lists them all.")
    words = known.taxa.get(taxon or "", TaxonWords({}, True))
    stage = find_stage(reader.cell("stage"), words.stages) or ""
    if not stage:
        said = reader.cell("stage")
        rule = "no stage is called that" if said else "the stage is missing (which one did you see, or look for?)"
        reader.fault("stage", rule, f"{nearest_stage(said) if said else ''}{_STAGES_HELP}")
    if stage == "pupa" and not words.has_pupa:
        remedy = "Only midges and caddis have one; nymphs are young, mature or moving."
        reader.fault("stage", f"{taxon} has no pupa", remedy)
    level = find_level(reader.cell("level")) or ""
    if not level:
        said = reader.cell("level")
        reader.fault("level", "how many is not clear", f"{nearest_level(said) if said else ''}{_LEVELS_HELP}")
    minutes = reader.value("minutes", _minutes)
    observer, note = reader.text("observer"), reader.text("note")
    if reader.faults:
        return None
    return Sighting(lake_id, day, taxon or "", stage, level, minutes, observer, note)


def _minutes(word: str) -> float:
    try:
        value = float(re.sub(r"\s*(?:min|minutes|')$", "", word.strip().casefold()).replace(",", "."))
    except ValueError:
        raise ImpossibleError("this is no number", "Say how many minutes somebody looked, such as 20.") from None
    if math.isnan(value):
        raise ImpossibleError("this is no number", "Say how many minutes somebody looked, such as 20.")
    return within(value, MINUTES, "minutes", "Say how many minutes somebody looked.")

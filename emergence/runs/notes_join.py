"""The journal's notes joined with readings.csv, ice.csv and sightings.csv: the same observation twice counts once."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Iterable, Sequence
from typing import TypeVar

import numpy as np

from emergence.dates import to_date
from emergence.errors import CatalogueError, Problem
from emergence.journal.entries import Body, IceDate, Note, Reading, Sighting, cells_of, kept, standing
from emergence.journal.errors import FILE
from emergence.journal.notes import read_notes
from emergence.journal.plain_files import checksum
from emergence.records import Season, Table
from emergence.season.intake import shorten
from emergence.season.observations import once
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.names import plain as plain_taxon
from emergence.taxa.names import taxon_words

T = TypeVar("T", bound=Table)
Key = tuple[str | float | None, ...]
_AFTER_TODAY = 1  # the lake's date may be ahead of the clock's by one


def with_journal(season: Season, *, today: int) -> Season:
    """Return the season with the standing notes of its journal among the observations.

    Without a journal, or with one that says nothing new, the observations are those of the files. A note on a lake
    that lakes.csv no longer has, on a day after ``today`` [d] or against an ice date of ice.csv is left out and listed;
    a doubtful one is used and listed.

    Raises
    ------
    JournalError
        The journal cannot be read or is damaged.
    """
    notes = read_notes(season.folder)
    if not notes:
        return season
    usable, problems = _usable(season, list(standing(notes)), today)
    words = _taxon_words(season)
    parts = _by_kind(usable)
    return dataclasses.replace(
        season,
        readings=_joined(season.readings, parts[Reading], _reading_key, ("day", "depth_m", "hour", "water_c")),
        ice=_joined(season.ice, parts[IceDate], lambda row: row, ("day", "event")),
        sightings=_joined(
            season.sightings,
            parts[Sighting],
            lambda row: _sighting_key(row, words),
            ("day", "taxon", "stage", "level", "minutes", "observer", "note"),
        ),
        problems=tuple(sorted({*season.problems, *problems})),
        checksums=dict(sorted({**season.checksums, FILE: checksum(notes)}.items())),
    )


def _taxon_words(season: Season) -> dict[str, str]:
    """Return every word for an insect with its id, where sightings are to be compared."""
    if not len(season.sightings):
        return {}
    try:
        return taxon_words(load_catalogue(season.own_taxa))
    except CatalogueError:  # the run itself lists the faults of the user's own files
        return taxon_words(load_catalogue())


def _usable(season: Season, notes: list[Note], today: int) -> tuple[list[Body], list[Problem]]:
    lakes = set(season.lakes.lake_id.tolist())
    ice = {(lake_id, day): event for lake_id, day, event in _plain_rows(season.ice)}
    used, problems = [], []
    for note in notes:
        body = note.body
        mend = f"If it is wrong: emergence note undo SEASON {note.id}, then note it anew."
        undo = f"Correct it: emergence note undo SEASON {note.id}, then note it anew."
        if body.lake_id not in lakes:
            rule = "this lake_id is not in lakes.csv"
            problems.append(_problem(note, body.lake_id, rule, "Add the lake to lakes.csv, or undo the note."))
        elif body.day > today + _AFTER_TODAY:
            date = str(to_date(body.day))
            problems.append(_problem(note, date, "nothing can have been observed after today", undo))
        elif isinstance(body, IceDate) and ice.get((body.lake_id, body.day), body.event) != body.event:
            rule = "ice.csv gives the opposite ice event for the same lake and day"
            problems.append(_problem(note, body.event, rule, f"The row of ice.csv was used. {undo}"))
        else:
            used.append(body)
            if note.doubt and not note.confirmed:
                problems.append(_problem(note, "", f"kept, but doubtful: {note.doubt}", mend, note_only=True))
    return used, problems


def _problem(note: Note, value: str, rule: str, remedy: str, *, note_only: bool = False) -> Problem:
    return Problem(FILE, 0, f"note {note.id}", shorten(value), rule, remedy, "note" if note_only else "row")


def _by_kind(bodies: list[Body]) -> dict[type[Body], list[Key]]:
    parts: dict[type[Body], list[Key]] = {Reading: [], IceDate: [], Sighting: []}
    for body in bodies:
        lake_id, _, *rest = cells_of(body)
        parts[type(body)].append((lake_id, body.day, *rest))
    return parts


def _plain_rows(table: Table) -> Iterable[Key]:
    columns = [getattr(table, f.name).tolist() for f in dataclasses.fields(table)]
    return zip(*columns, strict=True)


def _number(value: str | float | None) -> float | None:
    number = float("nan" if value is None else value)
    return None if math.isnan(number) else kept(number)


def _reading_key(row: Key) -> Key:
    return (*row[:2], *map(_number, row[2:]))


def _sighting_key(row: Key, words: dict[str, str]) -> Key:
    asked = plain_taxon(str(row[2]))
    taxon = words.get(asked) or words.get(asked.removesuffix("s")) or asked
    return (*row[:2], taxon, *row[3:5], _number(row[5]), *row[6:])


def _joined(table: T, notes: list[Key], key: Callable[[Key], Key], order: Sequence[str]) -> T:
    """Return the table with the notes it lacks, in the order of the files' own reading."""
    if not notes:
        return table
    held = {key(row) for row in _plain_rows(table)}
    new = [row for row in notes if key(row) not in held]
    if not new:
        return table
    columns = {}
    for place, field in enumerate(dataclasses.fields(table)):
        mine = getattr(table, field.name)
        added = np.empty(len(new), dtype=mine.dtype)
        cells = [row[place] for row in new]
        added[:] = [np.nan if cell is None else cell for cell in cells]
        columns[field.name] = np.concatenate([mine, added])
    whole = type(table)(**columns)
    return whole.take(once([getattr(whole, name) for name in ("lake_id", *order)]))

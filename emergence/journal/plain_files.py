"""Notes as plain CSV: the forms of readings.csv, ice.csv and sightings.csv, and all kinds in one table."""

from __future__ import annotations

import csv
import hashlib
import io
from collections.abc import Iterable

from emergence.journal.entries import COLUMNS, KINDS, Body, Cell, Kind, Note, cells_of, standing

FILES: dict[Kind, str] = {"reading": "readings.csv", "ice": "ice.csv", "sighting": "sightings.csv"}
UNION: tuple[str, ...] = ("kind", *dict.fromkeys(column for kind in KINDS for column in COLUMNS[kind]))
"""Columns of the one table that holds all kinds."""


def _text(cell: Cell) -> str:
    if cell is None:
        return ""
    return f"{cell:.10g}" if isinstance(cell, float) else str(cell)


def _csv(columns: tuple[str, ...], rows: Iterable[list[str]]) -> str:
    out = io.StringIO()
    writer = csv.writer(out, lineterminator="\n")
    writer.writerow(columns)
    writer.writerows(rows)
    return out.getvalue()


def _in_order(bodies: Iterable[Body]) -> list[Body]:
    """Return notes by lake and day, whatever the order in which they were written."""
    return sorted(bodies, key=lambda body: (body.lake_id, body.day, [_text(cell) for cell in cells_of(body)]))


def kind_csv(notes: Iterable[Note], kind: Kind) -> str:
    """Return the standing notes of a kind as the text of its file."""
    bodies = _in_order(note.body for note in notes if note.kind == kind and note.stands)
    return _csv(COLUMNS[kind], ([_text(cell) for cell in cells_of(body)] for body in bodies))


def union_csv(notes: tuple[Note, ...]) -> str:
    """Return all standing notes as one table with the column ``kind``; ``note import`` takes it back."""
    rows = []
    for kind in KINDS:
        for body in _in_order(note.body for note in standing(notes) if note.kind == kind):
            cells = dict(zip(COLUMNS[kind], map(_text, cells_of(body)), strict=True))
            rows.append([kind, *(cells.get(column, "") for column in UNION[1:])])
    return _csv(UNION, rows)


def checksum(notes: tuple[Note, ...]) -> str:
    """Return the SHA-256 of the standing notes: of the text of ``union_csv``, whatever the file's own bytes."""
    return hashlib.sha256(union_csv(notes).encode()).hexdigest()

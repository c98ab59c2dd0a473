"""What each of this season's notes did to one insect on one lake: every note taken out in turn."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator

import numpy as np

from emergence.runs.effects import Kind, compared, used_notes, words_of_sighting
from emergence.runs.results import NoteEffect
from emergence.runs.simulate import Block, ChunkResult, simulate_block
from emergence.taxa.model import Taxon
from emergence.water.conditioning import LakeNotes

MOST_NOTES = 12
"""So many notes are looked at, the latest ones."""
_Out = tuple[int, Kind, str, Block]


def each_note(block: Block, taxon: Taxon, unit: str) -> tuple[NoteEffect, ...]:
    """Return what each note of a block of one lake did to a taxon's first dates, the latest note first.

    The others stay: ``before`` and ``width_before`` are what the forecast would be without that note alone. Notes that
    were not used are not among them. ``unit`` is C or F, for the words of readings.
    """
    whole = _run(block, taxon)
    parts = sorted([*_water(block, whole, unit), *_sightings(block, taxon)], key=lambda part: -part[0])
    return tuple(
        compared(block, kind, (1, words, day), (_run(without, taxon), whole))
        for day, kind, words, without in parts[:MOST_NOTES]
    )


def _run(block: Block, taxon: Taxon) -> ChunkResult:
    (found,) = simulate_block(block, [taxon], with_water=False, keep_members=False)
    return found


def _water(block: Block, whole: ChunkResult, unit: str) -> Iterator[_Out]:
    notes = block.notes.get(0)
    if notes is None:
        return
    left_out = {(s.lake_id, s.day, s.water_c) for s in whole.suspicious}
    for day, words in dict.fromkeys(used_notes(notes, str(block.lake_id[0]), left_out, unit)):
        if day >= notes.begins:
            yield day, "water", words, dataclasses.replace(block, notes={0: _without(notes, day, words)})


def _without(notes: LakeNotes, day: int, words: str) -> LakeNotes:
    """Return the notes without the ice-off, or without the readings, of a day."""
    if words == "ice off":
        left = tuple(d for d in notes.offs if d != day)
        return dataclasses.replace(notes, offs=left, ice_off=max(left, default=-1))
    keep = notes.day != day
    opened = notes.day[keep & (notes.day >= notes.begins)]
    return dataclasses.replace(
        notes,
        day=notes.day[keep],
        water_c=notes.water_c[keep],
        sure=None if notes.sure is None else notes.sure[keep],
        open_by=int(opened[0]) if len(opened) else -1,
    )


def _sightings(block: Block, taxon: Taxon) -> Iterator[_Out]:
    told = block.told.get(taxon.id)
    if told is None or 0 not in told.sighted:
        return
    notes = told.sighted[0]
    for i, day in enumerate(notes.day.tolist()):
        keep = np.arange(len(notes)) != i
        left = dataclasses.replace(notes, **{f.name: getattr(notes, f.name)[keep] for f in dataclasses.fields(notes)})
        sighted = {0: left} if len(left) else {}
        without = {**block.told, taxon.id: dataclasses.replace(told, sighted=sighted)}
        yield day, "sightings", words_of_sighting(notes, i), dataclasses.replace(block, told=without)

"""What this season's notes did: the noted lakes once more without them, and the dates compared."""

from __future__ import annotations

import datetime as dt
from collections.abc import Container, Iterable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Literal

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER, SeasonSpan, to_date
from emergence.forecast.events import EventResult
from emergence.forecast.evidence import Sighted
from emergence.forecast.resampling import LEAST_EFFECTIVE
from emergence.forecast.weighing import Told, Weighed
from emergence.forecast.windows import QUANTILES
from emergence.records import LEVELS, STAGES
from emergence.runs.results import NoteEffect
from emergence.runs.simulate import Block, ChunkResult, simulate_block
from emergence.taxa.model import Taxon
from emergence.water.conditioning import LakeNotes

Ints = NDArray[np.int64]
MOST_LAKES = 200  # noted lakes of a block's run for which this is worked out
LOW, MIDDLE, HIGH = (QUANTILES.index(p) for p in (0.1, 0.5, 0.9))
STAGE_WORDS = {
    "young": "young nymphs",
    "mature": "mature nymphs",
    "moving": "nymphs on the move",
    "pupa": "pupae",
    "empty_skin": "empty skins",
    "adult": "adults",
}
Kind = Literal["water", "sightings"]
Headline = tuple[EventResult, int]
Pair = tuple[Headline, Headline]
_Said = tuple[int, str]


@dataclass(frozen=True)
class _Noted:
    """One lake with notes: its id, the season, its number of members, and the results in which it stands."""

    lake_id: str
    span: SeasonSpan
    members: int


def noted_lakes(block: Block) -> Ints:
    """Return the lakes of a block with notes of this season, by index."""
    lakes = {k for k, v in block.notes.items() if len(v.day) or v.ice_off >= 0}
    lakes |= {k for told in block.told.values() for k in told.sighted}
    return np.array(sorted(lakes), dtype=np.int64)


def without_sightings(told: Mapping[str, Told]) -> dict[str, Told]:
    """Return what past seasons told alone."""
    return {key: Told(one.known) for key, one in told.items()}


def note_effects(
    block: Block, whole: Sequence[ChunkResult], part: Block, noted: Ints, taxa: Sequence[Taxon], *, unit: str = "C"
) -> list[NoteEffect]:
    """Return what the notes of a block's noted lakes did to each insect's first brood.

    Parameters
    ----------
    block
        The block as run.
    whole
        Its results.
    part
        A block of the noted lakes alone, notes and all.
    noted
        Their indices in ``block``.
    taxa
        Taxa of the run in its order.
    unit
        C or F, for the words of readings.
    """
    if not len(noted) or len(noted) > MOST_LAKES:
        return []
    after, members = _by_lake(whole), block.slots * block.replicates
    bare = _by_lake(simulate_block(_stripped(part, keep_water=False), taxa, with_water=False, keep_members=False))
    seen = [t for t in taxa if t.id in part.told and part.told[t.id].sighted]
    read = any(len(v.day) or v.ice_off >= 0 for v in part.notes.values())
    middle = bare
    if seen and read:
        chunks = simulate_block(_stripped(part, keep_water=True), seen, with_water=False, keep_members=False)
        middle = _by_lake(chunks)
    left_out = {(s.lake_id, s.day, s.water_c) for c in whole for s in c.suspicious}
    weighed = {(int(c.lakes[w.lake]), w.taxon): w for c in whole for w in c.weighed}
    out: list[NoteEffect] = []
    for place, lake in enumerate(noted.tolist()):
        here = _Noted(str(block.lake_id[lake]), block.span, members)
        used = used_notes(part.notes.get(place), here.lake_id, left_out, unit)
        for taxon in taxa:
            told = part.told.get(taxon.id)
            sighted = None if told is None else told.sighted.get(place)
            now, plain = after[lake][taxon.id], bare[place][taxon.id]
            read_only = now if sighted is None else middle[place][taxon.id]
            out += _of_water(used, here, (plain, read_only))
            if sighted is not None:
                out.append(_of_sightings(here, sighted, weighed.get((lake, taxon.id)), (read_only, now)))
    return out


def _stripped(part: Block, *, keep_water: bool) -> Block:
    return replace(part, told=without_sightings(part.told), notes=part.notes if keep_water else {})


def _by_lake(chunks: Iterable[ChunkResult]) -> dict[int, dict[str, Headline]]:
    """Return each lake's headline of each taxon: the first event of its first brood, with the lake's place in it."""
    found: dict[int, dict[str, Headline]] = {}
    for chunk in chunks:
        for event in chunk.events:
            for place, lake in enumerate(chunk.lakes.tolist()):
                if event.brood == 1:
                    found.setdefault(lake, {}).setdefault(event.taxon, (event, place))
    return found


def used_notes(
    notes: LakeNotes | None, lake_id: str, left_out: Container[tuple[str, int, float | None]], unit: str
) -> list[_Said]:
    """Return day index and words of the lake's readings and its ice-off as they were used, by day."""
    if notes is None:
        return []
    read = zip(notes.day.tolist(), notes.water_c.tolist(), strict=True)
    said = [
        (d, f"{w * 1.8 + 32:.0f} °F" if unit == "F" else f"{w:.1f} °C")
        for d, w in read
        if (lake_id, d, w) not in left_out
    ]
    gone = [d for d in notes.offs if (lake_id, d, None) not in left_out]
    return sorted([*said, *((d, "ice off") for d in gone[-1:])], key=lambda one: one[0])


def _of_water(used: Sequence[_Said], here: _Noted, pair: Pair) -> list[NoteEffect]:
    if not used:
        return []
    day, latest = used[-1]
    return [_effect(here, "water", (len(used), latest, day), pair, None)]


def _of_sightings(here: _Noted, sighted: Sighted, weighed: Weighed | None, pair: Pair) -> NoteEffect:
    said = (len(sighted), words_of_sighting(sighted, -1), int(sighted.day[-1]))
    return _effect(here, "sightings", said, pair, None if weighed is None else round(weighed.effective, 1))


def words_of_sighting(sighted: Sighted, i: int) -> str:
    """Return what a note of `Sighted` says: how many, and which stage."""
    level, stage = LEVELS[int(sighted.level[i])], STAGE_WORDS[STAGES[int(sighted.stage[i])]]
    return f"{'no' if level == 'none' else level} {stage}"


def compared(block: Block, kind: Kind, said: tuple[int, str, int], runs: tuple[ChunkResult, ChunkResult]) -> NoteEffect:
    """Return the effect between two results of a block of one lake and one taxon, without and with what ``said`` tells.

    ``said`` is the number of notes, the last one's words and its day index.
    """
    here = _Noted(str(block.lake_id[0]), block.span, block.slots * block.replicates)
    (before,), (after,) = (_by_lake([run])[0].values() for run in runs)
    return _effect(here, kind, said, (before, after), None)


def _effect(here: _Noted, kind: Kind, said: tuple[int, str, int], pair: Pair, effective: float | None) -> NoteEffect:
    first = here.span.sim_start
    (before, b), (after, a) = pair
    notes, latest, day = said

    def date(index: np.int64) -> dt.date | None:
        return None if index == NEVER else to_date(first + int(index))

    def width(event: EventResult, place: int) -> int | None:
        low, high = event.peak[place, LOW], event.peak[place, HIGH]
        return None if high == NEVER else int(high - low)

    return NoteEffect(
        lake_id=here.lake_id,
        taxon=after.taxon,
        event=after.event,
        season=here.span.year,
        kind=kind,
        notes=notes,
        latest=latest,
        latest_date=to_date(first + day),
        before=date(before.peak[b, MIDDLE]),
        after=date(after.peak[a, MIDDLE]),
        width_before=width(before, b),
        width_after=width(after, a),
        effective=effective,
        members=here.members,
        fresh=effective is not None and effective < LEAST_EFFECTIVE * here.members,
    )

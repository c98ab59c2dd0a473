"""A chunk of lakes with this season's notes: ice clamped, readings laid on the members, the rest as drawn."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.randomness import keyed_generator
from emergence.water.breakup import lay_breakup
from emergence.water.coefficients import load_coefficients
from emergence.water.conditioning import LakeNotes, clamp_ice, conditioned_beta, day_pull, reading_weights
from emergence.water.features import Features
from emergence.water.ice_notes import believed_ice
from emergence.water.members import MemberWater, member_water
from emergence.water.spread import MemberErrors, Spread
from emergence.water.surface import WaterPath

Floats = NDArray[np.floating]
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Chunk:
    """Some lakes of a block: simulated surface, features, break-up and its correction, relaxation, spread, ids."""

    path: WaterPath
    known: Features
    opening: Ints
    later: Ints
    keep: Floats
    spread: Spread
    lake_id: NDArray[np.object_]

    def take(self, lakes: Ints) -> Chunk:
        """Return some of the lakes."""
        path = WaterPath(*(v[:, lakes] for v in vars(self.path).values()))
        return Chunk(
            path,
            self.known.take(lakes),
            self.opening[lakes],
            self.later[lakes],
            self.keep[lakes],
            self.spread.take(lakes),
            self.lake_id[lakes],
        )


@dataclass(frozen=True)
class Suspicious:
    """A note that was not used: day index, value and what was expected [°C], a key of ``suspicious.REASONS``.

    ``water_c`` is None for an ice-off; ``usual`` is the day index of the lake's usual ice-off where that tells against
    the note.
    """

    lake_id: str
    day: int
    water_c: float | None
    expected_c: float = math.nan
    reason: str = "far"
    usual: int = -1


def noted_water(
    chunk: Chunk, errors: MemberErrors, notes: Mapping[int, LakeNotes], *, bank: Floats, seed: int, season: int
) -> tuple[MemberWater, list[Suspicious]]:
    """Return every member's water and ice given this season's notes, and the notes that were not used.

    Parameters
    ----------
    chunk
        The lakes.
    errors
        Unconditional draws.
    notes
        Notes by index of the lake in the chunk; lakes without notes are absent.
    bank
        Unit error paths, shape (days, paths).
    seed, season
        Keys of the draws of the readings' own errors.
    """
    slots = chunk.opening.shape[1]
    shift = errors.ice_shift_d.copy()
    rngs = {k: keyed_generator(seed, "notes", str(chunk.lake_id[k]), str(season)) for k in notes}
    suspicious: list[Suspicious] = []
    believed = {}
    for k, noted in notes.items():
        own = shift[k].reshape(slots, -1)
        opens = np.where(chunk.opening[k] >= 0, chunk.opening[k] + chunk.later[k], -1)
        believed[k], doubted = usable_notes(noted, opens, own, chunk.spread, k)
        suspicious += [dataclasses.replace(s, lake_id=str(chunk.lake_id[k])) for s in doubted]
        shift[k] = clamp_ice(own, opens, believed[k], rngs[k].standard_normal(own.shape)).ravel()
    errors = dataclasses.replace(errors, ice_shift_d=shift)
    water = member_water(chunk.path, errors, known=chunk.known, bank=bank, opening=chunk.opening, keep=chunk.keep)
    _lay(water, chunk, shift)
    read = np.array([k for k, noted in believed.items() if len(noted.day)], dtype=np.int64)
    if not len(read):
        return water, suspicious
    beta, pull = (
        errors.beta[:, read].copy(),
        np.zeros((len(bank[: len(water.ice)]), len(read), shift.shape[1]), np.float32),
    )
    for place, k in enumerate(read.tolist()):
        noted, dropped = believable(believed[k], water.water_c[:, k], str(chunk.lake_id[k]))
        suspicious += dropped
        if not len(noted.day):
            continue
        said = water.water_c[noted.day, k].reshape(len(noted.day), -1).astype(np.float64)
        known = chunk.known.at(noted.day, k)
        deviates = rngs[k].standard_normal((len(noted.day) + 1, said.shape[1]))
        weight = reading_weights(noted, said, known, spread=chunk.spread, lake=k, deviates=deviates)
        beta[:, place] = conditioned_beta(beta[:, place], weight, known, chunk.spread, k)
        pull[:, place] = day_pull(weight, noted, chunk.spread, k, len(pull))
    some = chunk.take(read)
    drawn = MemberErrors(beta, errors.day_sd_c[read], errors.path[read], shift[read])
    again = member_water(some.path, drawn, known=some.known, bank=bank, pull=pull, opening=some.opening, keep=some.keep)
    _lay(again, some, shift[read])
    water.water_c[:, read], water.ice[:, read] = again.water_c, again.ice
    return water, suspicious


def usable_notes(
    notes: LakeNotes, opens: Ints, shift_d: Ints, spread: Spread, lake: int
) -> tuple[LakeNotes, list[Suspicious]]:
    """Return one lake's notes without what its ice cannot have allowed, and the notes left out (no ``lake_id`` yet).

    ``opens`` (slots,) is each sky's ice-off, -1 for none, ``shift_d`` (slots, replicates) the members' own shifts [d].
    """
    drawn = np.where(opens[:, None] >= 0, np.maximum(opens[:, None] + shift_d, 0), -1)
    kept, out = believed_ice(notes, drawn, float(spread.ice_sd_d[lake]))
    return kept, [Suspicious("", d.day, d.water_c, reason=d.reason, usual=d.usual) for d in out]


def _lay(water: MemberWater, chunk: Chunk, shift: Ints) -> None:
    own = shift.reshape(water.ice.shape[1:])
    opening = np.where(chunk.opening[..., None] >= 0, chunk.opening[..., None] + own, -1)
    lay_breakup(water.ice, opening, chunk.later[..., None])


def believable(notes: LakeNotes, water_c: Floats, lake_id: str) -> tuple[LakeNotes, list[Suspicious]]:
    """Return the notes without readings that lie absurdly far from what the members say, and those left out."""
    limit = load_coefficients()["learning"]["suspicious_c"]
    expected = water_c[notes.day].reshape(len(notes.day), -1).mean(axis=1)
    keep = np.abs(notes.water_c - expected) < limit
    if notes.sure is not None:
        keep |= notes.sure
    out = [
        Suspicious(lake_id, int(day), float(read), float(said))
        for day, read, said in zip(notes.day[~keep], notes.water_c[~keep], expected[~keep], strict=True)
    ]
    sure = None if notes.sure is None else notes.sure[keep]
    return dataclasses.replace(notes, day=notes.day[keep], water_c=notes.water_c[keep], sure=sure), out

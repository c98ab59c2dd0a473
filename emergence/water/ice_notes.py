"""Which of a season's ice dates, and which readings in time of ice, are believed before they clamp every member.

A clamp knows no tails: one slip of the month would open, or shut, every possible season alike. So each note that bears
on the ice is first held against what the lake's possible seasons say without it, and against the other notes.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from emergence.water.coefficients import load_coefficients
from emergence.water.conditioning import OPEN_C, LakeNotes

WARM_C = 4.0
"""Water at the surface that is warmer than this lies under no ice [°C]: fresh water is densest near 4 °C."""


@dataclass(frozen=True)
class DoubtedIce:
    """A note that was not used: day index, reading [°C] (None: an ice date), usual day index of ice-off, and why."""

    day: int
    water_c: float | None
    usual: int
    reason: str


def believed_ice(notes: LakeNotes, opening: NDArray[np.int64], sd_d: float) -> tuple[LakeNotes, tuple[DoubtedIce, ...]]:
    """Return one lake's notes without those that its ice cannot have allowed, and these.

    Parameters
    ----------
    notes
        The lake's notes.
    opening
        Day index on which each possible season opens before any note is known, any shape, -1 for one without ice.
    sd_d
        How far the lake's ice-off may lie from the simulated one, as a standard deviation [d].

    Returns
    -------
    LakeNotes
        ``ice_off`` and ``open_by`` are those believed, -1 for none.
    tuple
        Notes left out. An ice date is, where it lies further from the middle possible season than ``ice_far_sd``
        standard deviations (``ice_far_d`` days at least), and where warm water was read before it: on a day on which
        most possible seasons are open, or after an earlier ice-off that stands (two notes against one). A reading of
        warm water is, where it comes that far before the ice can have gone. Notes vouched for are always used.
    """
    known = opening[opening >= 0]
    if not known.size:
        return notes, ()
    middle = int(np.median(known))
    s = load_coefficients()["learning"]
    far = max(s["ice_far_d"], s["ice_far_sd"] * sd_d)
    sure = np.zeros(len(notes.day), bool) if notes.sure is None else notes.sure
    in_season, believed = notes.day >= notes.begins, sure | (notes.day >= middle - far)
    early = in_season & ~believed & (notes.water_c > WARM_C)
    out = [
        DoubtedIce(int(day), float(read), middle, "early")
        for day, read in zip(notes.day[early], notes.water_c[early], strict=True)
    ]
    warm = notes.day[in_season & believed & (notes.water_c > WARM_C)]
    ice_off, doubted = _ice_off(notes, warm, middle, far)
    opened = notes.day[in_season & believed & (notes.water_c >= OPEN_C)]
    kept = replace(
        notes,
        day=notes.day[~early],
        water_c=notes.water_c[~early],
        sure=None if notes.sure is None else notes.sure[~early],
        ice_off=ice_off,
        open_by=int(opened[0]) if len(opened) else -1,
    )
    return kept, (*out, *doubted)


def _ice_off(notes: LakeNotes, warm: NDArray[np.int64], middle: int, far: float) -> tuple[int, list[DoubtedIce]]:
    """Return the latest ice-off that is believed, -1 for none, and those left out; ``warm`` are days of warm water."""
    stands, out = -1, []
    for day in sorted(notes.offs):
        since = warm[(warm < day) & (warm > max((on for on in notes.ons if on < day), default=-1))]
        against = (since >= middle).any() or (stands >= 0 and (since > stands).any())
        if day not in notes.sure_offs and (abs(day - middle) > far or against):
            out.append(DoubtedIce(day, None, middle, "ice_warm" if against else "ice_far"))
        else:
            stands = day
    return stands, out

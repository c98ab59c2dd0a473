"""Notes that no lake can have given: readings far from model and season, a frozen sensor, °F; ice dates far off."""

from __future__ import annotations

import itertools
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import to_date

Floats = NDArray[np.floating]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

REASONS = {
    "far": "a reading must lie within 10 °C of what lake and season allow (about {expected:.1f} °C)",
    "fahrenheit": "it fits what lake and season allow (about {expected:.1f} °C) only when read as °F",
    "early": "no water can be so warm so long before the ice goes (here about {usual})",
    "ice_far": "an ice-off must lie nearer to what lake and season allow (about {usual})",
    "ice_warm": "warm water was read there before that day, and lake and season fit it better (ice-off about {usual})",
    "frozen": "the same value comes day after day while the lake must have changed: a frozen sensor",
}
"""Why a note is doubted; ``expected`` is what model and season say [°C], ``usual`` the date of ice-off they say."""

FITS_C, UNFIT_C = 3.5, 7.0
"""A reading is °F when it lies beyond 7 °C as it stands and within 3.5 °C when converted (our prior)."""
FROZEN_DAYS, MOVED_C, HOLE_DAYS = 7, 2.5, 1
"""A sensor is frozen when it says one value for seven days and more in a daily series while the model moves by
2.5 °C and more, the step of the readings counted on top (our prior)."""


@dataclass(frozen=True)
class Doubted:
    """A note that is not used: lake, day number, value and what was expected [°C], a key of `REASONS`.

    ``water_c`` is None for an ice-off; ``usual`` is the day number of the lake's ice-off that tells against the note.
    """

    lake_id: str
    day: int
    water_c: float | None
    expected_c: float
    reason: str
    usual: int = 0

    def rule(self) -> str:
        """Return the reason as a sentence."""
        date = to_date(self.usual)
        return REASONS[self.reason].format(expected=self.expected_c, usual=f"{date.day} {date:%B}")


def suspicious_readings(day: Ints, water_c: Floats, model_c: Floats, *, limit_c: float) -> NDArray[np.object_]:
    """Return why each reading of one lake is doubted, "" where it is not, shape (n,).

    Parameters
    ----------
    day
        Day numbers of the readings, shape (n,), ascending.
    water_c
        Readings [°C], shape (n,).
    model_c
        What model and season say on those days [°C], shape (n,).
    limit_c
        From this distance on a reading is not believed [°C].
    """
    reason = np.full(len(day), "", dtype=object)
    reason[frozen_sensor(day, water_c, model_c)] = "frozen"
    off = np.abs(water_c - model_c)
    reason[off >= limit_c] = "far"
    reason[(off >= UNFIT_C) & (np.abs((water_c - 32.0) / 1.8 - model_c) <= FITS_C)] = "fahrenheit"
    return reason


def frozen_sensor(day: Ints, water_c: Floats, model_c: Floats) -> Mask:
    """Return the truth of readings in a run of one value, day after day, in which the model moved, shape (n,)."""
    out = np.zeros(len(day), dtype=bool)
    if len(day) < FROZEN_DAYS:
        return out
    step = np.abs(np.diff(water_c))
    coarse = float(np.min(step[step > 1e-6])) if (step > 1e-6).any() else 0.0
    apart = (step > 1e-6) | (np.diff(day) > 1 + HOLE_DAYS)
    edges = np.concatenate([[0], np.flatnonzero(apart) + 1, [len(day)]])
    for a, b in itertools.pairwise(edges):
        long = day[b - 1] - day[a] + 1 >= FROZEN_DAYS and b - a >= FROZEN_DAYS - 1
        if long and float(np.ptp(model_c[a:b])) >= MOVED_C + coarse:
            out[a:b] = True
    return out

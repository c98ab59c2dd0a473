"""Thermal milestones: the day on which water has passed given degree-days, as simulated or from readings."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER

Floats = NDArray[np.floating]
Ints = NDArray[np.int64]
LONGEST_GAP_D = 16  # between readings up to the crossing; our prior, so that lakes read every two weeks count
WARMING_C_D = 0.25  # usual spring warming [°C a day] by which a sum before the first reading is worked out; our prior
FROM_D = 31  # days from the season's start to the day from which sums count, 1 February; our choice
SMALL_SHARE = 0.1  # of the sum, at most passed before a longer gap; our prior


@dataclass(frozen=True)
class Milestone:
    """A sum ``heat_dd`` [°C·day] above ``base_c`` [°C] since 1 February (1 August in the south).

    A first reading well into the season must not lie above ``first_most_c`` [°C]: else too much went by unseen.
    """

    base_c: float
    heat_dd: float
    first_most_c: float

    @property
    def name(self) -> str:
        """Base and sum, such as 8/100."""
        return f"{self.base_c:g}/{self.heat_dd:g}"


_SUMS = ((4.0, 7.0, (150.0, 300.0)), (8.0, 10.5, (100.0, 200.0)), (10.0, 12.5, (60.0, 120.0, 200.0)))
MILESTONES = tuple(Milestone(base, heat, most) for base, most, heats in _SUMS for heat in heats)
"""From early to late spring; bases and sums span those of the catalogue (our choice)."""


def passing_days(water_c: Floats, milestone: Milestone) -> NDArray[np.int64]:
    """Return the day on which each cell has passed a milestone, from the season's first, ``dates.NEVER`` where none.

    Parameters
    ----------
    water_c
        Daily mean surface water [°C], shape (days, ...), from the season's first day.
    milestone
        The milestone.
    """
    above = np.maximum(np.asarray(water_c[FROM_D:], dtype=np.float64) - milestone.base_c, 0.0)
    passed = np.cumsum(above, axis=0) >= milestone.heat_dd
    return np.where(passed.any(axis=0), passed.argmax(axis=0) + FROM_D, NEVER).astype(np.int64)


def observed_passing_day(days: Ints, water_c: Floats, milestone: Milestone, *, start: int) -> int | None:
    """Return the day on which observed water passed a milestone, None where the readings do not tell.

    Parameters
    ----------
    days
        Day numbers of one season's readings, ascending, one a day, shape (n,).
    water_c
        Readings [°C], shape (n,).
    milestone
        The milestone.
    start
        First day of the season (day number).

    Notes
    -----
    Straight lines between readings no more than 16 days apart. A first reading in the first 16 days of the sum stands
    for the days before it too. Before a later one the water is taken to have warmed by 0.25 °C a day, so that
    (T - base)² / 0.5 had gathered; it must lie near the base (``first_most_c``). After a longer gap the sum begins
    anew, if no more than a tenth of it had gathered before.
    """
    counts = days >= start + FROM_D
    days, water_c = days[counts], water_c[counts]
    for run in np.split(np.arange(len(days)), np.flatnonzero(np.diff(days) > LONGEST_GAP_D) + 1):
        if not len(run):
            return None
        span = np.arange(days[run[0]], days[run[-1]] + 1)
        daily = np.interp(span, days[run], water_c[run])
        first = max(float(daily[0]) - milestone.base_c, 0.0)
        unseen = int(span[0]) - start - FROM_D
        if unseen <= LONGEST_GAP_D:
            begun = first * unseen
        elif daily[0] <= milestone.first_most_c:
            begun = first**2 / (2.0 * WARMING_C_D)
        else:
            return None
        heat = begun + np.cumsum(np.maximum(daily - milestone.base_c, 0.0))
        if heat[-1] >= milestone.heat_dd:
            return int(span[np.argmax(heat >= milestone.heat_dd)])
        if heat[-1] > SMALL_SHARE * milestone.heat_dd:
            return None
    return None

"""How much members are widened so that the dates of past years, each forecast without it, lie within honest spans."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
PRIOR_YEARS = 8.0
"""Lake-years of misses as large as members say with which the factor is drawn to 1; our prior."""
LEAST_FACTOR, MOST_FACTOR = 0.7, 2.0
"""Bounds of the factor; our prior."""
EIGHT_IN_TEN = 1.2815515655446004
"""Standard deviations on either side of the middle that hold 80 % of a normal distribution."""


@dataclass(frozen=True)
class Misses:
    """How the lakes' model, fitted without each year, missed that year's dates with its weather known.

    ``lake``, ``year`` (n,): of which lake and season; ``miss_d`` (n,) model less observed date, ``spread_d`` (n,) the
    standard deviation of its members' dates [d].
    """

    lake: NDArray[np.object_]
    year: Ints
    miss_d: Floats
    spread_d: Floats


def together(parts: Sequence[Misses]) -> Misses:
    """Return the misses of several groups of lakes, one at least, as one."""
    return Misses(
        np.concatenate([p.lake for p in parts]),
        np.concatenate([p.year for p in parts]),
        np.concatenate([p.miss_d for p in parts]),
        np.concatenate([p.spread_d for p in parts]),
    )


@dataclass(frozen=True)
class Widening:
    """The ``factor`` [1] by which members' water errors are multiplied, and on what it stands.

    ``dates`` of ``lakes`` in ``lake_years`` seasons; ``held_before`` and ``held_after``: the share of them within the
    8-in-10 span without and with the factor that the other years give.
    """

    factor: float = 1.0
    dates: int = 0
    lakes: int = 0
    lake_years: int = 0
    held_before: float = np.nan
    held_after: float = np.nan


NO_WIDENING = Widening()


def fit_widening(misses: Misses) -> Widening:
    """Return the factor that makes members as wide as the misses are large, one for all lakes together.

    Notes
    -----
    factor² = (8 + sum n q) / (8 + sum n) over lakes, q the sum of a lake's squared misses over that of its members'
    variances and n its years (dates of one year miss together, so n counts years). What it holds is told with the
    factor fitted anew without the date's own year, at any lake.
    """
    if not len(misses.miss_d):
        return NO_WIDENING
    factor = np.full(len(misses.year), np.nan)
    for year in np.unique(misses.year):
        factor[misses.year == year] = _factor(misses, misses.year != year)
    away = np.abs(misses.miss_d) / np.maximum(misses.spread_d, 1e-9)
    return Widening(
        _factor(misses, np.ones(len(misses.year), dtype=bool)),
        len(misses.miss_d),
        len(set(misses.lake.tolist())),
        len(set(zip(misses.lake.tolist(), misses.year.tolist(), strict=True))),
        float(np.mean(away <= EIGHT_IN_TEN)),
        float(np.mean(away <= EIGHT_IN_TEN * factor)),
    )


def _factor(misses: Misses, use: NDArray[np.bool_]) -> float:
    above = below = PRIOR_YEARS
    for lake in sorted(set(misses.lake[use].tolist())):
        mine = use & (misses.lake == lake)
        variance = float(np.sum(misses.spread_d[mine] ** 2))
        if variance > 0.0:
            years = len(np.unique(misses.year[mine]))
            above += years * float(np.sum(misses.miss_d[mine] ** 2)) / variance
            below += years
    return float(np.clip(np.sqrt(above / below), LEAST_FACTOR, MOST_FACTOR))

"""Members moved, widened and joined with what other years' dates say, by rules in which the target season has no part.

All rests on *hindsight*: what the lake's model, fitted without the target season, says of the other years with their
observed weather. Its misses are the water model's own error, without the weather's.
"""

from __future__ import annotations

from collections.abc import Sequence
from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]
SHIFT_YEARS = 4.0
"""Years of no miss with which a mean miss is drawn to nought; our prior."""
SCALE_YEARS = 8.0
"""Years of misses as large as members say with which the scale is drawn to 1; our prior."""
TOGETHER = 0.4
"""Correlation of the errors of model and regression: neither knows the weather to come; our prior, chosen on the
seven lakes of tests/benchmarks/HINDCAST.md, whose skill is to that extent told in sample."""
ROBUST = 1.4826
"""Median absolute deviation to standard deviation, of a normal distribution."""


class Miss(NamedTuple):
    """How the model missed other years.

    ``shift_d`` (milestones,) [d] late if above 0, drawn to nought; ``scale`` [1] the size of its misses against its
    members' spread; ``spread_d`` (milestones,) [d] that spread; ``square_d2`` [d²] what is left of the misses, squared,
    on average. NaN where nothing can be said.
    """

    shift_d: Floats
    scale: float
    spread_d: Floats
    square_d2: float


def hindsight_miss(miss_d: Sequence[ArrayLike], spread_d: Sequence[ArrayLike]) -> Miss:
    """Return how far the model missed, one lake's milestones together.

    Parameters
    ----------
    miss_d
        For each milestone model less observed date [d] of each other year, shape (n,), no NaN.
    spread_d
        Standard deviation of the members' dates of those years [d], same shapes.

    Notes
    -----
    Shift: sum of misses / (n + 4). Scale²: (8 + n q) / (8 + n), q the variance of misses over the members' mean
    variance, mean over milestones; milestones of one year miss together, so n counts years.
    """
    shift, spread, ratio, left, count = [], [], [], [], []
    for miss, sd in zip(miss_d, spread_d, strict=True):
        m, s = np.asarray(miss, dtype=np.float64), np.asarray(sd, dtype=np.float64)
        n = len(m)
        moved = float(m.sum() / (n + SHIFT_YEARS))
        shift.append(moved)
        spread.append(float(np.sqrt(np.mean(s**2))) if n else np.nan)
        left += [float(np.mean((m - moved) ** 2))] if n else []
        if n > 2 and spread[-1] > 0.0:
            ratio.append(float(np.var(m, ddof=1)) / spread[-1] ** 2)
            count.append(n)
    n_years = float(np.mean(count)) if count else 0.0
    scale = np.sqrt((SCALE_YEARS + n_years * float(np.mean(ratio) if ratio else 1.0)) / (SCALE_YEARS + n_years))
    return Miss(np.array(shift), float(scale), np.array(spread), float(np.mean(left)) if left else np.nan)


def water_share(dates: ArrayLike, spread_d: float) -> float:
    """Return how much of the water's error is still open [1], 1 for all of it: less where readings were used.

    Parameters
    ----------
    dates
        Members' dates [d], shape (slots, replicates): members of a slot share its weather.
    spread_d
        Spread of the members' dates in hindsight [d], without any reading.
    """
    x = np.asarray(dates, dtype=np.float64)
    apart = np.abs(x - np.median(x, axis=1, keepdims=True))
    return float(min(1.0, ROBUST * np.median(apart) / spread_d)) if spread_d > 0.0 else 0.0


def weather_square(dates: ArrayLike) -> float:
    """Return how far the slots' middle dates lie apart, squared [d²] (from the median absolute deviation)."""
    middle = np.median(np.asarray(dates, dtype=np.float64), axis=1)
    return float((ROBUST * np.median(np.abs(middle - np.median(middle)))) ** 2)


def recalibrated(dates: ArrayLike, *, shift_d: float, scale: float, share: float) -> Floats:
    """Return members moved against the model's usual miss and widened about their slot's mean.

    Parameters
    ----------
    dates
        Members' dates [d], shape (slots, replicates).
    shift_d
        The usual miss [d].
    scale
        Size of misses against the members' spread [1].
    share
        How much of the water's error is still open [1]; the miss counts with its square, as the variance does.
    """
    x = np.asarray(dates, dtype=np.float64)
    middle = x.mean(axis=1, keepdims=True)
    return np.asarray(middle + scale * (x - middle) - shift_d * share**2)


def model_weight(model_d2: float, other_d2: float) -> float:
    """Return the weight of the model beside another forecast, 0 to 1, that makes the joint error least.

    Parameters
    ----------
    model_d2, other_d2
        Expected squared errors of the two [d²]; a model's NaN gives 0.

    Notes
    -----
    (o² - r m o) / (m² + o² - 2 r m o) with errors m and o and their correlation r: Bates & Granger 1969 Oper Res Q
    20:451, eq. 1. r is `TOGETHER`.
    """
    if not np.isfinite(model_d2):
        return 0.0
    both = TOGETHER * np.sqrt(model_d2 * other_d2)
    least = model_d2 + other_d2 - 2.0 * both
    return float(np.clip((other_d2 - both) / least, 0.0, 1.0)) if least > 0.0 else 0.5


def joined(dates: ArrayLike, beside: ArrayLike, weight: float) -> Floats:
    """Return members joined with another forecast rank by rank (quantiles averaged).

    Parameters
    ----------
    dates
        Members' dates [d], any shape, M values.
    beside
        The other forecast's M dates [d], ascending.
    weight
        Weight of the members, 0 to 1.

    Notes
    -----
    Lichtendahl et al. 2013 Manag Sci 59:1594: averaged quantiles stay sharp where averaged chances would not.
    """
    return np.asarray(weight * np.sort(np.ravel(dates)) + (1.0 - weight) * np.asarray(beside, dtype=np.float64))

"""Scores of forecasts against what came: arrays in, arrays out, members on the last axis."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtr

Floats = NDArray[np.float64]


def crps_ensemble(ensemble: ArrayLike, truth: ArrayLike) -> Floats:
    """Return the continuous ranked probability score of ensembles, each taken as the whole distribution.

    Parameters
    ----------
    ensemble
        Members, shape (..., M), finite; what was never reached is cut at the horizon before, in ``truth`` too.
    truth
        What came, shape (...), finite, in the unit of the members.

    Returns
    -------
    numpy.ndarray
        Score in the same unit, shape (...), 0 is perfect.

    Raises
    ------
    ValueError
        When shapes do not fit or a value is not finite.

    Notes
    -----
    mean |x - y| - sum |xi - xj| / (2 M²): Gneiting & Raftery 2007 J Am Stat Assoc 102:359, eq. 21,
    doi:10.1198/016214506000001437; the double sum from the sorted members.
    """
    x, y = _checked(ensemble, truth)
    return np.asarray(_distance(x, y) - _spread(x) / x.shape[-1] ** 2)


def crps_fair(ensemble: ArrayLike, truth: ArrayLike) -> Floats:
    """Return the fair score: what an ensemble of endlessly many such members would get, in expectation.

    Parameters
    ----------
    ensemble
        Members, shape (..., M), finite, at least two.
    truth
        What came, shape (...), finite.

    Returns
    -------
    numpy.ndarray
        Score, shape (...); it may be below 0 in a single case. Use it where ensembles differ in size.

    Raises
    ------
    ValueError
        When shapes do not fit, a value is not finite or there is one member only.

    Notes
    -----
    As `crps_ensemble` with 2 M (M - 1) for 2 M²: Ferro 2014 Q J R Meteorol Soc 140:1917, doi:10.1002/qj.2270.
    """
    x, y = _checked(ensemble, truth)
    count = x.shape[-1]
    if count < 2:
        raise ValueError("the fair score needs at least two members")
    return np.asarray(_distance(x, y) - _spread(x) / (count * (count - 1)))


def crps_between(ensemble: ArrayLike, low: ArrayLike, high: ArrayLike, *, fair: bool = False) -> Floats:
    """Return the score where it is only known that something came between two dates.

    Parameters
    ----------
    ensemble
        Members, shape (..., M), finite.
    low, high
        Ends of the interval, shape (...), finite; equal ends give `crps_ensemble`.
    fair
        As `crps_fair`.

    Raises
    ------
    ValueError
        When shapes do not fit, a value is not finite or an interval is turned over.

    Notes
    -----
    The chances "come by then" are scored before and after the interval, where the truth is known, not inside: the
    threshold-weighted score with weight 0 there (Gneiting & Ranjan 2011 J Bus Econ Stat 29:411,
    doi:10.1198/jbes.2010.08110), as members cut at the ends (Allen et al. 2023 SIAM/ASA J Uncertain Quantif 11:906).
    """
    x, a, b = (np.asarray(v, dtype=np.float64) for v in (ensemble, low, high))
    if np.any(a > b):
        raise ValueError("low must not exceed high")
    score = crps_fair if fair else crps_ensemble
    return score(np.minimum(x, a[..., None]), a) + score(np.maximum(x, b[..., None]), b)


def crps_weighted(ensemble: ArrayLike, truth: ArrayLike, weights: ArrayLike) -> Floats:
    """Return the fair score of members of unequal weight.

    Parameters
    ----------
    ensemble
        Members, shape (..., M), finite.
    truth
        What came, shape (...), finite.
    weights
        Weight of each member, shape (M,), not negative, at least two above 0; only their ratios matter.

    Returns
    -------
    numpy.ndarray
        Score, shape (...); with equal weights that of `crps_fair`.

    Raises
    ------
    ValueError
        When shapes do not fit, a value is not finite or the weights are unfit.
    """
    x, y = _checked(ensemble, truth)
    w = np.asarray(weights, dtype=np.float64)
    if w.shape != x.shape[-1:] or np.any(w < 0.0) or np.count_nonzero(w) < 2:
        raise ValueError(f"weights must have shape ({x.shape[-1]},), none below 0, two above 0")
    w = w / w.sum()
    order = np.argsort(x, axis=-1, kind="stable")
    x, w = np.take_along_axis(x, order, -1), w[order]
    below = np.cumsum(w, axis=-1) - w
    spread = (w * (2.0 * below + w - 1.0) * x).sum(axis=-1)
    return np.asarray((w * np.abs(x - y[..., None])).sum(axis=-1) - spread / (1.0 - (w**2).sum(axis=-1)))


def crps_normal(mean: ArrayLike, sd: ArrayLike, truth: ArrayLike) -> Floats:
    """Return the continuous ranked probability score of normal distributions.

    Parameters
    ----------
    mean, sd
        Mean and standard deviation (above 0), shapes that broadcast.
    truth
        What came, shape that broadcasts with them.

    Notes
    -----
    Gneiting et al. 2005 Mon Weather Rev 133:1098, eq. 5, doi:10.1175/MWR2904.1.
    """
    s = np.asarray(sd, dtype=np.float64)
    z = (np.asarray(truth, dtype=np.float64) - np.asarray(mean, dtype=np.float64)) / s
    density = np.exp(-0.5 * z**2) / np.sqrt(2.0 * np.pi)
    return np.asarray(s * (z * (2.0 * ndtr(z) - 1.0) + 2.0 * density - 1.0 / np.sqrt(np.pi)))


def brier_score(chance: ArrayLike, happened: ArrayLike) -> float:
    """Return the Brier score, mean (chance - outcome)².

    Parameters
    ----------
    chance
        Forecast chances [1], shape (n,), 0 to 1.
    happened
        Truth of the event, shape (n,).

    Raises
    ------
    ValueError
        When shapes differ, nothing is given or a chance is not from 0 to 1.

    Notes
    -----
    Brier 1950 Mon Weather Rev 78:1, half of the printed sum over both outcomes, as is usual today.
    """
    p, o = _chances(chance, happened)
    return float(np.mean((p - o) ** 2))


class Reliability(NamedTuple):
    """Chances by bin: their mean, the ``share`` that happened (both NaN in empty bins), how many ``cases``."""

    chance: Floats
    share: Floats
    cases: NDArray[np.int64]


def reliability_bins(chance: ArrayLike, happened: ArrayLike, bins: int = 10) -> Reliability:
    """Return how often things happened that were given about the same chance.

    Parameters
    ----------
    chance
        Forecast chances [1], shape (n,), 0 to 1.
    happened
        Truth of the event, shape (n,).
    bins
        Number of bins of equal width; a chance on an inner edge belongs to the bin above, 1 to the last.

    Raises
    ------
    ValueError
        When shapes differ, nothing is given, a chance is not from 0 to 1 or ``bins`` is not positive.
    """
    p, o = _chances(chance, happened)
    if bins < 1:
        raise ValueError(f"bins {bins} must be positive")
    place = np.minimum((p * bins).astype(np.int64), bins - 1)
    count = np.bincount(place, minlength=bins)
    sums = [np.bincount(place, weights=v, minlength=bins) for v in (p, o)]
    mean, share = (np.where(count > 0, v / np.maximum(count, 1), np.nan) for v in sums)
    return Reliability(mean, share, count)


def brier_parts(reliability: Reliability) -> tuple[float, float, float]:
    """Return reliability, resolution and uncertainty; the score of the bins' mean chances is 1st - 2nd + 3rd.

    Parameters
    ----------
    reliability
        Chances by bin.

    Notes
    -----
    Murphy 1973 J Appl Meteorol 12:595, doi:10.1175/1520-0450(1973)012<0595:ANVPOT>2.0.CO;2.
    """
    used = reliability.cases > 0
    n, p, o = reliability.cases[used], reliability.chance[used], reliability.share[used]
    base = float((n * o).sum() / n.sum())
    parts = ((n * (p - o) ** 2).sum() / n.sum(), (n * (o - base) ** 2).sum() / n.sum())
    return float(parts[0]), float(parts[1]), base * (1.0 - base)


def interval_coverage(low: ArrayLike, high: ArrayLike, truth: ArrayLike) -> float:
    """Return the share of what came that lies within the intervals, both ends included.

    Parameters
    ----------
    low, high
        Ends of the intervals, shape (n,); +infinity stands for "never".
    truth
        What came, shape (n,).

    Raises
    ------
    ValueError
        When shapes differ, nothing is given, a value is NaN or an interval is turned over.
    """
    a, b, y = (np.asarray(v, dtype=np.float64) for v in (low, high, truth))
    if not (a.shape == b.shape == y.shape) or y.size == 0:
        raise ValueError(f"low {a.shape}, high {b.shape} and truth {y.shape} must have one shape, not empty")
    if np.isnan(a).any() or np.isnan(b).any() or np.isnan(y).any() or np.any(a > b):
        raise ValueError("intervals and truth must hold no NaN, and low must not exceed high")
    return float(np.mean((a <= y) & (y <= b)))


def pit_values(ensemble: ArrayLike, truth: ArrayLike, uniform: ArrayLike) -> Floats:
    """Return where what came stands among the members, 0 to 1: uniform where forecasts are calibrated.

    Parameters
    ----------
    ensemble
        Members, shape (..., M); +infinity stands for "never".
    truth
        What came, shape (...); likewise.
    uniform
        Random numbers from 0 to 1, shape (...): they spread each case over its rank, ties included.

    Raises
    ------
    ValueError
        When shapes do not fit or a value is NaN.

    Notes
    -----
    (below + u (equal + 1)) / (M + 1): the randomised probability integral transform of the ranks (Hamill 2001
    Mon Weather Rev 129:550, ties at random; Czado et al. 2009 Biometrics 65:1254).
    """
    x, y, u = (np.asarray(v, dtype=np.float64) for v in (ensemble, truth, uniform))
    _fitting(x, y)
    if u.shape != y.shape or np.isnan(x).any() or np.isnan(y).any():
        raise ValueError("uniform must have the shape of truth, and no value may be NaN")
    below = (x < y[..., None]).sum(axis=-1)
    equal = (x == y[..., None]).sum(axis=-1)
    return np.asarray((below + u * (equal + 1)) / (x.shape[-1] + 1))


def _fitting(x: Floats, y: Floats) -> None:
    if x.ndim == 0 or x.shape[-1] == 0 or x.shape[:-1] != y.shape:
        raise ValueError(f"ensemble {x.shape} must have the shape of truth {y.shape} and one more axis of members")


def _checked(ensemble: ArrayLike, truth: ArrayLike) -> tuple[Floats, Floats]:
    x, y = np.asarray(ensemble, dtype=np.float64), np.asarray(truth, dtype=np.float64)
    _fitting(x, y)
    bad = int(np.count_nonzero(~np.isfinite(x)) + np.count_nonzero(~np.isfinite(y)))
    if bad:
        raise ValueError(f"{bad} values are not finite: cut what was never reached at the horizon, in truth too")
    return x, y


def _distance(x: Floats, y: Floats) -> Floats:
    return np.asarray(np.abs(x - y[..., None]).mean(axis=-1))


def _spread(x: Floats) -> Floats:
    """Return half of the sum of all distances between two members."""
    count = x.shape[-1]
    rank = 2.0 * np.arange(1, count + 1) - count - 1.0
    return np.asarray((rank * np.sort(x, axis=-1)).sum(axis=-1))


def _chances(chance: ArrayLike, happened: ArrayLike) -> tuple[Floats, Floats]:
    p, o = np.asarray(chance, dtype=np.float64), np.asarray(happened, dtype=bool).astype(np.float64)
    if p.shape != o.shape or p.ndim != 1 or p.size == 0:
        raise ValueError(f"chance {p.shape} and happened {o.shape} must have one shape (n,), not empty")
    if not np.all((p >= 0.0) & (p <= 1.0)):
        raise ValueError("chances must lie from 0 to 1")
    return p, o

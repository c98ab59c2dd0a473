"""What past sightings teach of a population's requirement: by lake and taxon, and through neighbours and relatives.

Everything is in standard deviates of the requirement among lakes (0: the catalogue's median; the prior is 1 wide), so
that taxa with different spreads can be pooled. A visit without and a later one with a stage put the requirement between
two heats: an interval-censored observation, here with the chance to overlook, as a likelihood on a grid.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray
from scipy.special import expit, log_ndtr, logsumexp, ndtr

Floats = NDArray[np.floating]
Doubles = NDArray[np.float64]
Ints = NDArray[np.int64]
Truths = NDArray[np.bool_]

DEVIATES = np.round(np.linspace(-4.0, 4.0, 81), 6)  # the grid on which one season's likelihood is laid
YEAR_LN_SD = 0.10  # how a population's ln requirement varies between years; our prior
WATER_LN_SD = 0.07  # and seems to vary because a past season's water is not known: 0.4 °C, a fifth a degree; our prior
SEASON_LN_SD = float(np.hypot(YEAR_LN_SD, WATER_LN_SD))
REGION, LAKE, RELATIVES = (
    0.4,
    0.15,
    0.1,
)  # shares of the variance: of a taxon's region, a lake's taxa, a group; our prior


@dataclass(frozen=True)
class NeedFit:
    """One population's requirement: deviate ``mean`` and ``sd`` from its own notes and the prior alone.

    ``log_ratio`` is the log-likelihood of all notes if the taxon lives there less that if it does not; ``seen`` of the
    notes saw any.
    """

    mean: float
    sd: float
    notes: int
    seasons: int
    log_ratio: float
    seen: int = 0

    @property
    def precision(self) -> float:
        """What the notes say without the prior, 1 / variance."""
        return max(self.sd**-2 - 1.0, 0.0)

    @property
    def information(self) -> float:
        """Precision times estimate of the notes without the prior."""
        return self.mean * self.sd**-2 if self.precision > 0 else 0.0


def ln_shift(deviate: Floats, early: float, late: float) -> Doubles:
    """Return ln requirement less the catalogue's for a deviate; ``early`` and ``late`` [1] its two sides."""
    return np.asarray(np.where(deviate < 0, np.multiply(deviate, early), np.multiply(deviate, late)), dtype=np.float64)


def year_sd(early: float, late: float) -> float:
    """Return YEAR_LN_SD in deviates: what a season to come adds (the error of its water is the members' own)."""
    return float(YEAR_LN_SD / np.sqrt(max(early, 1e-3) * max(late, 1e-3)))


def fit_need(
    log_like: Floats, log_absent: Floats, *, early: float, late: float, notes: int, seen: int, presence: float = 1.0
) -> NeedFit:
    """Fit one population's requirement to the likelihoods of its seasons.

    Parameters
    ----------
    log_like
        Log-likelihood of each season's notes at DEVIATES, shape (seasons, grid).
    log_absent
        The same were the taxon not there, shape (seasons,).
    early, late
        Standard deviations of ln requirement among lakes on the two sides [1].
    notes, seen
        How many notes there are, and how many of them saw any.
    presence
        Chance that the taxon lives there, before any note; below 1, the likelier absence is, the less "saw none" says
        of the requirement (absence is not taken for lateness).

    Returns
    -------
    NeedFit
        Mean and standard deviation over the grid: prior N(0, 1), each season's own requirement off by SEASON_LN_SD.
    """
    ln = ln_shift(DEVIATES, early, late)
    width = np.gradient(ln)
    blur = np.exp(-0.5 * ((ln[:, None] - ln[None, :]) / SEASON_LN_SD) ** 2) * width
    blur /= blur.sum(axis=1, keepdims=True)
    most = log_like.max(axis=1, keepdims=True)
    season = np.log(np.exp(log_like - most) @ blur.T) + most
    prior = np.exp(-0.5 * DEVIATES**2)
    prior /= prior.sum()
    there, absent = season.sum(axis=0), float(log_absent.sum())
    evidence = float(logsumexp(there + np.log(prior)))
    if presence < 1:
        there = np.logaddexp(np.log(presence) + there, np.log1p(-presence) + absent)
    total = there + np.log(prior)
    weight = np.exp(total - logsumexp(total))
    mean = float((weight * DEVIATES).sum())
    sd = float(np.sqrt((weight * (DEVIATES - mean) ** 2).sum()))
    return NeedFit(mean, max(sd, 1e-3), notes, len(log_like), evidence - absent, seen)


def shared(close: Floats, *, same_lake: Truths, same_taxon: Truths, same_group: Truths) -> Doubles:
    """Return the prior covariance of populations' deviates [1]; ``close`` is 0..1, all arguments broadcast.

    A taxon differs among regions (REGION, fading with ``close``), a lake's water is wrong for all its taxa (LAKE),
    relatives in a region go together (RELATIVES), the rest is the population's own.
    """
    own = 1.0 - REGION - LAKE - RELATIVES
    both = same_lake & same_taxon
    return np.asarray(
        REGION * close * same_taxon + LAKE * same_lake + RELATIVES * close * same_group + own * both, dtype=np.float64
    )


def pooled_needs(precision: Floats, information: Floats, among: Floats, to_targets: Floats) -> tuple[Doubles, Doubles]:
    """Return mean and standard deviation of populations' deviates given what others' notes say.

    Parameters
    ----------
    precision, information
        Of n populations with notes, shape (n,).
    among
        Their prior covariance, shape (n, n).
    to_targets
        Prior covariance of the wanted populations with them, shape (targets, n).

    Notes
    -----
    Gaussian conditioning (simple Kriging, as in ``pooling``); the prior variance is 1.
    """
    right = np.column_stack([information, precision[:, None] * to_targets.T])
    solved = np.linalg.solve(np.eye(len(precision)) + precision[:, None] * among, right)
    variance = 1.0 - (to_targets * solved[:, 1:].T).sum(axis=1)
    return np.asarray(to_targets @ solved[:, 0]), np.sqrt(np.clip(variance, 1e-6, 1.0))


@dataclass(frozen=True)
class IntervalFit:
    """A distribution of thresholds by maximum likelihood: ``median`` of each group, common ``scale``, their errors."""

    median: Doubles
    scale: float
    median_se: Doubles
    log_likelihood: float


def fit_intervals(low: Floats, high: Floats, *, weight: Floats, group: Ints, logistic: bool = False) -> IntervalFit:
    """Fit the distribution of a threshold known only to lie between two values: interval-censored regression.

    Parameters
    ----------
    low, high
        Bounds, shape (n,), -inf and +inf where open: heat (or its logarithm) at the last visit without and the first
        with. A dose with dead and surviving animals gives two rows, (-inf, dose) and (dose, inf): probit or logit.
    weight
        How often each row was seen, shape (n,).
    group
        Index of the group whose median counts for the row, shape (n,); the scale is common.
    logistic
        Logistic instead of normal thresholds.

    Raises
    ------
    ValueError
        When nothing limits the thresholds of a group from both sides.

    References
    ----------
    Finney 1971 Probit Analysis, 3rd ed.; Turnbull 1976 Journal of the Royal Statistical Society B 38:290 (intervals).
    """
    groups = int(group.max()) + 1
    edges = [np.concatenate([high[group == g], low[group == g]]) for g in range(groups)]
    if any(not (np.isfinite(low[group == g]).any() and np.isfinite(high[group == g]).any()) for g in range(groups)):
        raise ValueError("every group needs a bound on either side")
    start = [float(np.median(e[np.isfinite(e)])) for e in edges]
    apart = float(np.std(np.concatenate([e[np.isfinite(e)] for e in edges]))) or 1.0

    def loss(free: Doubles) -> float:
        scale = float(np.exp(free[-1]))
        a, b = ((edge - free[group]) / scale for edge in (low, high))
        return -float((weight * _log_between(a, b, logistic=logistic)).sum())

    from scipy.optimize import minimize

    found = minimize(loss, np.array([*start, np.log(apart)]), method="BFGS", options={"gtol": 1e-6})
    covariance = np.linalg.inv(_hessian(loss, found.x))
    return IntervalFit(found.x[:-1], float(np.exp(found.x[-1])), np.sqrt(np.diag(covariance))[:-1], -float(found.fun))


def _log_between(a: Doubles, b: Doubles, *, logistic: bool) -> Doubles:
    """Return the log chance of a standard variable between two bounds, tails kept."""
    turn = a > 0
    a, b = np.where(turn, -b, a), np.where(turn, -a, b)
    if logistic:
        return np.asarray(np.log(np.maximum(expit(b) - expit(a), 1e-300)))
    return np.asarray(np.where(np.isinf(a), log_ndtr(b), np.log(np.maximum(ndtr(b) - ndtr(a), 1e-300))))


def _hessian(loss: object, at: Doubles) -> Doubles:
    """Return the matrix of second derivatives by central differences."""
    assert callable(loss)
    step, k = 1e-3, len(at)
    out = np.empty((k, k))
    unit = np.eye(k) * step
    for i in range(k):
        for j in range(k):
            corners = [(1, 1), (1, -1), (-1, 1), (-1, -1)]
            values = [loss(at + s * unit[i] + t * unit[j]) for s, t in corners]
            out[i, j] = (values[0] - values[1] - values[2] + values[3]) / (4 * step**2)
    return out

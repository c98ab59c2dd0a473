"""A lake's own deviation from the water model, learned from past readings and ice dates with shrinkage to the prior."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from emergence.water.coefficients import load_coefficients
from emergence.water.conditioning import less_of_outliers, reading_noise
from emergence.water.features import FEATURES

Floats = NDArray[np.floating]
Ints = NDArray[np.int64]
ROUNDS = 3  # of reweighting outliers
MOST_A_SEASON = 60  # readings of one season used; a logger's days are thinned evenly
FAR_D = 30.0  # an ice date further than this from the model is held there


@dataclass(frozen=True)
class LakeFit:
    """Posterior of one lake's coefficients of FEATURES: ``mean`` (K,) and ``covariance`` (K, K).

    ``readings`` and ``seasons`` say on how much it stands, ``outliers`` how many readings counted less; ``scale`` is
    the size of the lake's season-long and day-to-day errors against the usual ones [1]; ``prior`` (K,) the prior's
    standard deviations. ``told`` keeps what each season told by itself (not stored): its precision (K, K) and
    information (K,), for `lake_without`.
    """

    mean: NDArray[np.float64]
    covariance: NDArray[np.float64]
    readings: int
    seasons: int
    outliers: int
    prior: NDArray[np.float64]
    scale: float = 1.0
    told: Mapping[int, tuple[Floats, Floats]] = field(default_factory=dict, compare=False)


@dataclass(frozen=True)
class IceFit:
    """One lake's shift of ice-off: ``mean_d`` and ``sd_d`` [d] for a season to come, from ``dates`` dates.

    ``prior_d`` [d] is the standard deviation of the prior. ``told`` keeps each date's season and shift (not stored).
    """

    mean_d: float
    sd_d: float
    dates: int
    prior_d: float
    told: tuple[tuple[int, float], ...] = field(default=(), compare=False)


def prior_sd(lake_c: float) -> NDArray[np.float64]:
    """Return the prior standard deviations of FEATURES, shape (K,); ``lake_c`` [°C] is the lake's own for the level."""
    s = load_coefficients()["learning"]
    return np.array([max(lake_c, s["level"]), *(s[name] for name in FEATURES[1:])])


def fit_lake(
    known: Floats, season: Ints, day: Ints, residual: Floats, *, prior: Floats, day_c: float, phi: float
) -> LakeFit:
    """Fit one lake's coefficients by Gaussian least squares with a prior and a correlated error.

    Parameters
    ----------
    known
        Features on the days of the readings, shape (n, K).
    season, day
        Season and day number of each reading, shape (n,).
    residual
        Reading less model [°C], shape (n,).
    prior
        Prior standard deviations, shape (K,).
    day_c, phi
        Size [°C] and day-to-day correlation [1] of the daily error.

    Returns
    -------
    LakeFit
        The posterior: generalised least squares by whitening (statsmodels OLS; the prior enters as observations of
        nought, the errors are known, so the scale stays 1). A season-long error shared by all its readings, and the
        memory of the daily error, hold the weight of one season down however many readings it has; outliers are given
        more noise, round by round.
    """
    s = load_coefficients()["learning"]
    from statsmodels.regression.linear_model import OLS

    years = np.unique(season)
    groups = [_thinned(np.flatnonzero(season == y), day) for y in years]
    extra = {k: np.zeros(len(g)) for k, g in enumerate(groups)}
    mean, covariance = np.zeros(len(prior)), np.diag(np.asarray(prior, dtype=np.float64) ** 2)
    belief = np.column_stack([np.diag(1 / np.asarray(prior)), np.zeros(len(prior))])  # prior as observations of nought
    for _ in range(ROUNDS):
        white = [belief]
        for k, rows in enumerate(groups):
            gap = np.abs(day[rows][:, None] - day[rows][None, :])
            error = s["year_c"] ** 2 + day_c**2 * phi**gap + reading_noise(len(rows)) + np.diag(extra[k])
            both = np.column_stack([known[rows], residual[rows]])
            white.append(np.linalg.solve(np.linalg.cholesky(error), both))
        stacked = np.concatenate(white)
        regression = OLS(stacked[:, -1], stacked[:, :-1]).fit()
        mean, covariance = regression.params, np.asarray(regression.normalized_cov_params)
        for k, rows in enumerate(groups):
            noise = reading_noise(len(rows))
            error = np.full((len(rows), len(rows)), s["year_c"] ** 2) + np.diag(np.full(len(rows), day_c**2))
            left = residual[rows] - known[rows] @ mean
            extra[k] = np.diag(less_of_outliers(error, noise, left) - noise)
    outliers = sum(int((e > 0).sum()) for e in extra.values())
    used = len(mean) - float(np.trace(covariance * np.asarray(prior, dtype=np.float64) ** -2))
    scale = _scale([(residual[g] - known[g] @ mean, day[g]) for g in groups], used, day_c=day_c, phi=phi)
    told = {int(y): (w[:, :-1].T @ w[:, :-1], w[:, :-1].T @ w[:, -1]) for y, w in zip(years, white[1:], strict=True)}
    return LakeFit(mean, covariance, sum(len(g) for g in groups), len(groups), outliers, np.asarray(prior), scale, told)


def lake_without(fit: LakeFit, season: int) -> LakeFit | None:
    """Return a lake's fit without what one season told, None where no other did.

    Noise of outliers and the size of errors stay those of the whole fit.
    """
    if season not in fit.told:
        return fit
    rest = [part for year, part in fit.told.items() if year != season]
    if not rest:
        return None
    covariance = np.linalg.inv(np.diag(fit.prior**-2.0) + sum(precision for precision, _ in rest))
    mean = covariance @ sum(information for _, information in rest)
    return replace(fit, mean=np.asarray(mean), covariance=(covariance + covariance.T) / 2, seasons=len(rest))


def _scale(seasons: list[tuple[Floats, Ints]], used: float, *, day_c: float, phi: float) -> float:
    """Return how large a lake's errors are against the usual, from what each season's fit left over (shrunk to 1).

    The variance has a scaled inverse-chi-squared prior with ``scale_prior`` degrees of freedom; ``used`` are those
    that the fit took. Whitened residuals beyond 3 count as 3.
    """
    s = load_coefficients()["learning"]
    total, n = 0.0, 0
    for left, day in seasons:
        gap = np.abs(day[:, None] - day[None, :])
        error = s["year_c"] ** 2 + day_c**2 * phi**gap + reading_noise(len(day))
        white = np.clip(np.linalg.solve(np.linalg.cholesky(error), left), -3, 3)
        total, n = total + float(white @ white), n + len(day)
    variance = (s["scale_prior"] + total) / (s["scale_prior"] + max(n - used, 1.0))
    return float(np.clip(np.sqrt(variance), s["scale_low"], s["scale_high"]))


def _thinned(rows: Ints, day: Ints) -> Ints:
    rows = rows[np.argsort(day[rows], kind="stable")]
    if len(rows) <= MOST_A_SEASON:
        return rows
    return rows[np.linspace(0, len(rows) - 1, MOST_A_SEASON).round().astype(np.int64)]


def far_dates(shift_d: Ints, *, sd_d: float) -> NDArray[np.bool_]:
    """Return which ice-off dates lie too far from the model to be believed, shape (n,).

    Parameters
    ----------
    shift_d
        Observed less simulated date of each spring [d], shape (n,). Three and more say themselves where their middle
        lies; fewer are held against the model.
    sd_d
        How far the lake's ice-off may lie from the simulated one, as a standard deviation [d].
    """
    s = load_coefficients()["learning"]
    middle = np.median(shift_d) if len(shift_d) >= 3 else 0.0
    return np.asarray(np.abs(shift_d - middle) > max(s["ice_far_d"], s["ice_far_sd"] * sd_d))


def fit_ice(shift_d: Floats, *, prior_d: float, season: Ints | None = None) -> IceFit:
    """Return a lake's own shift of ice-off: the mean of observed less simulated dates, shrunk to none.

    A date counts less the further it lies from what prior and other dates let expect (heavy tails, as for readings).

    Parameters
    ----------
    shift_d
        Observed less simulated date of each spring [d], shape (n,).
    prior_d
        Standard deviation of the lake's own shift [d].
    season
        The season of each, shape (n,), for `ice_without`.
    """
    s = load_coefficients()["learning"]
    held = np.clip(np.asarray(shift_d, dtype=np.float64), -FAR_D, FAR_D)
    year = float(s["ice_year_d"]) ** 2
    noise = np.full(len(held), year)
    for _ in range(ROUNDS):
        others = prior_d**-2.0 + (1 / noise).sum() - 1 / noise
        expected = ((held / noise).sum() - held / noise) / others
        total = 1 / others + year
        noise = year + np.maximum((held - expected) ** 2 / total / s["outlier"] ** 2 - 1, 0) * total
    precision = prior_d**-2.0 + (1 / noise).sum()
    mean = (held / noise).sum() / precision
    told = () if season is None else tuple(zip(season.tolist(), held.tolist(), strict=True))
    return IceFit(float(mean), float(np.hypot(precision**-0.5, s["ice_year_d"])), len(held), prior_d, told)


def ice_without(fit: IceFit, season: int) -> IceFit | None:
    """Return a lake's shift of ice-off without one season's date, None where there is no other."""
    rest = [(year, shift) for year, shift in fit.told if year != season]
    if len(rest) == len(fit.told):
        return fit
    if not rest:
        return None
    years, shifts = zip(*rest, strict=True)
    return fit_ice(np.array(shifts), prior_d=fit.prior_d, season=np.array(years, dtype=np.int64))

"""Fits recover what was planted, with errors that are true; readings condition members as Gaussian theory says."""

from __future__ import annotations

import numpy as np
import pytest

from emergence.learning.water import fit_ice, fit_lake, ice_without, lake_without, prior_sd
from emergence.water.conditioning import (
    LakeNotes,
    clamp_ice,
    conditioned_beta,
    day_pull,
    error_covariance,
    reading_weights,
)
from emergence.water.features import FEATURES, features
from emergence.water.spread import Spread


def known_on(days: np.ndarray, seed: int = 1) -> np.ndarray:
    """Features of one lake on some days of a record with autocorrelated air anomalies."""
    rng = np.random.default_rng(seed)
    n = int(days.max()) + 1
    anomaly = np.zeros(n)
    for k in range(1, n):
        anomaly[k] = 0.8 * anomaly[k - 1] + rng.normal(0, 2.4)
    doy = np.arange(n) % 365 + 1
    ice = ((doy < 100) | (doy > 350))[:, None, None]
    return features(doy, anomaly.astype(np.float32)[:, None, None], ice).at(days, 0)


def visits(seasons: int, a_season: int, seed: int) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.concatenate(
        [365 * y + np.sort(rng.choice(np.arange(120, 300), a_season, replace=False)) for y in range(seasons)]
    )


def planted(days: np.ndarray, known: np.ndarray, truth: np.ndarray, rng: np.random.Generator) -> np.ndarray:
    """Residuals of a lake with known coefficients, season error 0.7, day error 1.0 (0.88 a day), reading error."""
    season = days // 365
    year = rng.normal(0, 0.7, season.max() + 1)[season]
    gap = np.abs(days[:, None] - days[None, :])
    daily = np.linalg.cholesky(0.88**gap + 1e-9 * np.eye(len(days))) @ rng.standard_normal(len(days))
    common = rng.normal(0, 0.3, season.max() + 1)[season]
    return known @ truth + year + daily + common + rng.normal(0, 0.5, len(days))


@pytest.mark.parametrize(("seasons", "a_season"), [(1, 10), (8, 10), (15, 25)])
def test_planted_coefficients_come_back_within_their_errors(seasons: int, a_season: int) -> None:
    """60 lakes drawn from the prior: standardised errors have unit spread, and 80 % intervals hold 70-90 %.

    60 lakes x 8 coefficients, correlated within a lake: the coverage's own error is about 3 %, three of which are
    allowed.
    """
    prior = prior_sd(1.0)
    rng = np.random.default_rng(seasons)
    score = []
    for lake in range(60):
        days = visits(seasons, a_season, lake)
        known = known_on(days, lake)
        truth = rng.normal(0, prior)
        residual = planted(days, known, truth, rng)
        fit = fit_lake(known, days // 365, days, residual, prior=prior, day_c=1.0, phi=0.88)
        score.append((fit.mean - truth) / np.sqrt(np.diag(fit.covariance)))
    z = np.array(score)
    assert 0.85 < z.std() < 1.2
    assert 0.70 < (np.abs(z) < 1.2816).mean() < 0.90


def test_more_readings_teach_more_but_one_season_only_so_much() -> None:
    prior = prior_sd(1.0)

    def error(seasons: int, a_season: int) -> float:
        days = visits(seasons, a_season, 3)
        nothing = np.zeros(len(days))
        fit = fit_lake(known_on(days), days // 365, days, nothing, prior=prior, day_c=1.0, phi=0.88)
        return float(np.sqrt(fit.covariance[0, 0]))

    assert error(1, 10) > error(5, 10) > error(20, 10)
    assert error(1, 60) > 0.6 * error(1, 10)  # six times the readings of one season: not much better
    assert error(1, 60) > 0.6  # never below the season's own error


def test_one_wild_reading_does_not_capsize_a_fit() -> None:
    prior = prior_sd(1.0)
    days = visits(6, 10, 7)
    known = known_on(days)
    residual = planted(days, known, np.zeros(len(FEATURES)), np.random.default_rng(2))
    wild = residual.copy()
    wild[30] += 9.0
    calm, hit = (fit_lake(known, days // 365, days, r, prior=prior, day_c=1.0, phi=0.88) for r in (residual, wild))
    assert hit.outliers > calm.outliers
    # 9 °C off in one of sixty readings moves the level by less than half of its own standard error
    assert np.abs(hit.mean - calm.mean)[0] < 0.5 * np.sqrt(calm.covariance[0, 0])


def test_ice_shift_is_the_shrunk_mean() -> None:
    """Normal mean with known variances: weight n / (n + 25/49) for spread 5 d a year and prior 7 d (textbook)."""
    shift = np.array([4.0, 6.0, 5.0, 9.0])
    fit = fit_ice(shift, prior_d=7.0)
    weight = 4 / (4 + 25 / 49)
    assert fit.mean_d == pytest.approx(weight * 6.0)
    assert fit.sd_d == pytest.approx(np.sqrt(1 / (1 / 49 + 4 / 25) + 25))


def spread_of(lake_c: float = 1.0) -> Spread:
    root = np.zeros((1, len(FEATURES), len(FEATURES)))
    root[0, 0, 0], root[0, 1, 1], root[0, 2, 2] = lake_c, 0.5, 0.5
    one = np.ones(1)
    return Spread(np.zeros((1, len(FEATURES))), root, 0.45 * one, one, np.zeros(1, bool), 0 * one, 8 * one)


def test_members_given_a_reading_have_the_mean_and_spread_of_theory() -> None:
    """Kriging by hand for one reading: mean C/(C+R) of the innovation, variance C - C^2/(C+R); 20,000 members."""
    spread, members, day = spread_of(), 20_000, np.array([150])
    known = known_on(day)
    rng = np.random.default_rng(5)
    beta = np.zeros((len(FEATURES), members))
    beta[:3] = np.array([1.0, 0.5, 0.5])[:, None] * rng.standard_normal((3, members))
    beta[0] += 0.45 * rng.standard_normal(members)
    daily = rng.standard_normal(members)
    said = 12.0 + known @ beta + daily
    notes = LakeNotes(day, np.array([14.0]))
    weight = reading_weights(notes, said, known, spread=spread, lake=0, deviates=rng.standard_normal((2, members)))
    after = 12.0 + known @ conditioned_beta(beta, weight, known, spread, 0) + daily
    after = after + day_pull(weight, notes, spread, 0, 200)[150]
    covariance = float(error_covariance(known, day, spread, 0)[0, 0])
    reading = 0.5**2 + 0.3**2
    gain = covariance / (covariance + reading)
    assert after.mean() == pytest.approx(12 + 2 * gain, abs=0.03)
    assert after.std() == pytest.approx(np.sqrt(covariance - covariance * gain), rel=0.03)


def test_what_a_reading_says_about_the_day_fades() -> None:
    spread, day = spread_of(), np.array([150])
    pull = day_pull(np.ones((1, 1)), LakeNotes(day, np.array([10.0])), spread, 0, 220)[:, 0]
    assert pull[150] == pytest.approx(1.0)
    assert pull[157] == pytest.approx(0.88**7, rel=1e-5)
    assert pull[210] < 0.001


def test_ice_clamp_keeps_to_the_observed_date() -> None:
    opening = np.array([200, 210, -1])
    drawn = np.array([[5, -3], [0, 9], [4, 4]])
    seen = clamp_ice(drawn, opening, LakeNotes(np.array([]), np.array([]), ice_off=205), np.zeros((3, 2)))
    np.testing.assert_array_equal(seen, [[5, 5], [-5, -5], [4, 4]])
    by = clamp_ice(drawn, opening, LakeNotes(np.array([]), np.array([]), open_by=204), np.zeros((3, 2)))
    np.testing.assert_array_equal(by, [[4, -3], [-6, -6], [4, 4]])


@pytest.mark.parametrize(("factor", "low", "high"), [(0.5, 0.6, 0.85), (1.0, 0.88, 1.12), (1.8, 1.4, 1.9)])
def test_a_lake_that_errs_more_or_less_than_usual_is_known_by_it(factor: float, low: float, high: float) -> None:
    """Season, day and reading errors all times ``factor``; 40 lakes, 15 seasons of 12 visits, mean of their scales.

    The prior's 20 degrees of freedom against some 180 draw the scale a tenth of the way to 1; 0.6 is its floor.
    """
    prior = prior_sd(1.0)
    scales = []
    for lake in range(40):
        rng = np.random.default_rng(1000 + lake)
        days = visits(15, 12, lake)
        known = known_on(days, lake)
        residual = factor * planted(days, known, np.zeros(len(FEATURES)), rng)
        scales.append(fit_lake(known, days // 365, days, residual, prior=prior, day_c=1.0, phi=0.88).scale)
    assert low <= np.mean(scales) <= high


def test_a_season_left_out_of_a_fit_is_the_fit_of_the_others() -> None:
    """Without outliers the same least squares: equal to rounding; the only season leaves nothing."""
    days = visits(6, 12, 4)
    known = known_on(days)
    residual = 0.2 * planted(days, known, np.zeros(len(FEATURES)), np.random.default_rng(4))
    season, noise = days // 365, {"prior": prior_sd(0.85), "day_c": 0.8, "phi": 0.88}
    whole = fit_lake(known, season, days, residual, **noise)
    assert whole.outliers == 0
    rest = season != 3
    alone = fit_lake(known[rest], season[rest], days[rest], residual[rest], **noise)
    found = lake_without(whole, 3)
    assert found is not None
    np.testing.assert_allclose(found.mean, alone.mean, atol=1e-10)
    np.testing.assert_allclose(found.covariance, alone.covariance, atol=1e-10)
    assert np.abs(found.mean - whole.mean).max() > 1e-3
    assert lake_without(fit_lake(known[~rest], season[~rest], days[~rest], residual[~rest], **noise), 3) is None
    shifts = np.array([3.0, -1.0, 8.0])
    ice = fit_ice(shifts, prior_d=7.0, season=np.array([2001, 2002, 2003]))
    assert ice_without(ice, 2003) == fit_ice(shifts[:2], prior_d=7.0)
    assert ice_without(fit_ice(shifts[:1], prior_d=7.0, season=np.array([2001])), 2001) is None

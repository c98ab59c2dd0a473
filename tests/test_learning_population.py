"""What past sightings teach: published answers, conjugate theory, planted truths."""

from __future__ import annotations

import numpy as np
import pytest
from scipy.stats import norm

from emergence.learning.population import (
    DEVIATES,
    SEASON_LN_SD,
    NeedFit,
    fit_intervals,
    fit_need,
    ln_shift,
    pooled_needs,
    shared,
    year_sd,
)


def test_budworms_as_published() -> None:
    """Tobacco budworms, trans-cypermethrin: 20 moths of each sex at six doses (log2 of µg).

    Venables & Ripley 2002 Modern Applied Statistics with S, 4th ed., section 7.2: logit with parallel lines, dose for
    half of the females 3.264 (standard error 0.230), slope 1.0642, males 2.4 / 1.0642 = 2.229. From memory of the book;
    the last printed digit is asked for (the errors are from second differences: 1 %).
    """
    dose = np.arange(6.0)
    killed = {0: [0, 2, 6, 10, 12, 16], 1: [1, 4, 9, 13, 18, 20]}
    low, high, weight, group = [], [], [], []
    for sex, dead in killed.items():
        for at, number in zip(dose, dead, strict=True):
            low += [-np.inf, at]
            high += [at, np.inf]
            weight += [number, 20 - number]
            group += [sex, sex]
    fit = fit_intervals(np.array(low), np.array(high), weight=np.array(weight), group=np.array(group), logistic=True)
    assert fit.median == pytest.approx([3.264, 2.229], abs=6e-4)
    assert 1 / fit.scale == pytest.approx(1.0642, abs=2e-4)
    assert fit.median_se[0] == pytest.approx(0.230, abs=2.5e-3)


def test_intervals_agree_with_a_probit_of_statsmodels() -> None:
    """One group, current status: the interval fit is the probit regression of an independent library."""
    import statsmodels.api as sm

    rng = np.random.default_rng(4)
    heat = rng.uniform(80, 300, 300)
    ready = rng.normal(180, 35, 300) <= heat
    low, high = np.where(ready, -np.inf, heat), np.where(ready, heat, np.inf)
    fit = fit_intervals(low, high, weight=np.ones(300), group=np.zeros(300, dtype=np.int64))
    probit = sm.Probit(ready.astype(float), sm.add_constant(heat)).fit(disp=0)
    constant, slope = probit.params
    assert fit.median[0] == pytest.approx(-constant / slope, rel=1e-4)  # both stop their search near the top
    assert fit.scale == pytest.approx(1 / slope, rel=1e-3)
    assert fit.log_likelihood == pytest.approx(probit.llf, abs=1e-4)


def test_one_sided_intervals_are_refused() -> None:
    one = np.array([1.0])
    with pytest.raises(ValueError, match="either side"):
        fit_intervals(-np.inf * one, one, weight=one, group=np.array([0]))


def season(at: float, sd: float) -> np.ndarray:
    return norm.logpdf(DEVIATES, at, sd)


def test_a_season_is_the_conjugate_posterior() -> None:
    """Equal sides of 0.4, so a deviate is 0.4 in ln: prior 1, season error 0.122 / 0.4 and the notes' own.

    Grid step 0.1: a tenth of the spread or less.
    """
    side, sd = 0.4, 0.35
    fit = fit_need(season(1.2, sd)[None], np.zeros(1), early=side, late=side, notes=6, seen=3)
    total = sd**2 + (SEASON_LN_SD / side) ** 2
    assert fit.mean == pytest.approx(1.2 / (1 + total), abs=0.01)
    assert fit.sd == pytest.approx(np.sqrt(total / (1 + total)), rel=0.02)
    assert fit.precision == pytest.approx(1 / total, rel=0.05)
    assert fit.information / fit.precision == pytest.approx(1.2, rel=0.03)
    assert fit.log_ratio == pytest.approx(norm.logpdf(1.2, 0, np.sqrt(1 + total)), abs=0.02)


def test_more_seasons_are_surer_but_no_season_is_believed_wholly() -> None:
    sharp = np.stack([season(0.8, 0.02)] * 9)
    fits = [fit_need(sharp[:n], np.zeros(n), early=0.4, late=0.4, notes=n, seen=n) for n in (1, 3, 9)]
    assert fits[0].sd > fits[1].sd > fits[2].sd > 0.9 * 0.3 / 3
    assert year_sd(0.4, 0.4) == pytest.approx(0.25)


def test_notes_that_say_nothing_leave_the_prior() -> None:
    """The grid ends at four standard deviations."""
    fit = fit_need(np.zeros((2, len(DEVIATES))), np.zeros(2), early=0.3, late=0.5, notes=2, seen=0)
    assert fit.mean == pytest.approx(0, abs=1e-6) and fit.sd == pytest.approx(1, abs=2e-3)
    assert fit.precision < 5e-3 and fit.log_ratio == pytest.approx(0, abs=1e-9)


def test_absence_is_not_taken_for_lateness() -> None:
    """Three seasons of looks that saw none until late, which absence explains as well as a late need does."""
    late = np.tile(norm.logcdf(DEVIATES, 1.5, 0.4), (3, 1))
    told = {p: fit_need(late, np.zeros(3), early=0.4, late=0.4, notes=9, seen=0, presence=p) for p in (1.0, 0.5)}
    assert told[1.0].mean > 1.3 and told[1.0].precision > 1
    assert abs(told[0.5].mean) < 0.2 and told[0.5].precision < 0.1
    assert told[0.5].log_ratio == told[1.0].log_ratio < np.log(0.1)
    seen = fit_need(late, np.full(3, -9.0), early=0.4, late=0.4, notes=9, seen=3, presence=0.5)
    assert seen.mean == pytest.approx(told[1.0].mean, abs=1e-3)


def test_sides_are_skewed_and_the_middle_stays() -> None:
    assert ln_shift(np.array([-1.0, 0.0, 1.0]), 0.3, 0.5) == pytest.approx([-0.3, 0.0, 0.5])


def test_covariance_is_one_for_itself_and_valid() -> None:
    rng = np.random.default_rng(5)
    lake, taxon, group = rng.integers(0, 8, 40), rng.integers(0, 5, 40), np.array([0, 0, 1, 1, 2])
    place = rng.uniform(0, 300, 8)
    close = np.exp(-np.abs(place[:, None] - place) / 300)
    _, unique = np.unique(lake * 10 + taxon, return_index=True)
    lake, taxon = lake[unique], taxon[unique]
    found = shared(
        close[np.ix_(lake, lake)],
        same_lake=lake[:, None] == lake,
        same_taxon=taxon[:, None] == taxon,
        same_group=group[taxon][:, None] == group[taxon],
    )
    assert np.diag(found) == pytest.approx(1.0)
    assert np.linalg.eigvalsh(found).min() > 0


def test_pooling_is_gaussian_conditioning_by_hand() -> None:
    """One neighbour, covariance 0.4, its notes 1.5 with error 0.5: the textbook's two-point answer."""
    precision = np.array([4.0])
    mean, sd = pooled_needs(precision, np.array([6.0]), np.ones((1, 1)), np.array([[0.4], [1.0]]))
    assert mean == pytest.approx([0.4 * 1.5 / 1.25, 1.5 / 1.25])
    assert sd == pytest.approx([np.sqrt(1 - 0.16 / 1.25), np.sqrt(1 - 1 / 1.25)])


def test_planted_populations_come_back_with_true_errors() -> None:
    """Synthetic: 300 regions of five noted lakes; the sixth, unseen, is told by them with the error that is stated.

    300 standardised errors: their spread's own error is 4 %, three of which are allowed.
    """
    rng, score, gain = np.random.default_rng(6), [], []
    same = np.eye(6, dtype=bool)
    every = np.ones((6, 6), dtype=bool)
    covariance = shared(np.ones((6, 6)), same_lake=same, same_taxon=every, same_group=every)
    root = np.linalg.cholesky(covariance)
    for _ in range(300):
        truth = root @ rng.standard_normal(6)
        precision = np.full(5, 1 / 0.3**2)
        seen = truth[:5] + 0.3 * rng.standard_normal(5)
        mean, sd = pooled_needs(precision, precision * seen, covariance[:5, :5], covariance[5:, :5])
        score.append((truth[5] - mean[0]) / sd[0])
        gain.append((truth[5] - mean[0]) ** 2)
    assert np.std(score) == pytest.approx(1.0, abs=0.12)
    assert np.sqrt(np.mean(gain)) < 0.9


def test_evidence_without_prior_adds_up_again() -> None:
    fit = NeedFit(0.6, 0.5, 4, 2, 3.0, 2)
    mean, sd = pooled_needs(np.array([fit.precision]), np.array([fit.information]), np.ones((1, 1)), np.ones((1, 1)))
    assert mean[0] == pytest.approx(0.6) and sd[0] == pytest.approx(0.5)

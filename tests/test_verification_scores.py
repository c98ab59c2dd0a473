"""Scores against an independent library (scores 2.7), closed forms and cases worked by hand."""

import numpy as np
import pytest
import xarray as xr
from scores.probability import brier_score as library_brier
from scores.probability import crps_for_ensemble, tail_tw_crps_for_ensemble

from emergence.verification.scores import (
    brier_parts,
    brier_score,
    crps_between,
    crps_ensemble,
    crps_fair,
    crps_normal,
    crps_weighted,
    interval_coverage,
    pit_values,
    reliability_bins,
)

RNG = np.random.default_rng(11)
MEMBERS = np.round(RNG.normal(140.0, 9.0, (60, 24)), 0)  # whole days: with ties
TRUTH = np.round(RNG.normal(142.0, 11.0, 60), 0)


@pytest.mark.parametrize(("ours", "method"), [(crps_ensemble, "ecdf"), (crps_fair, "fair")])
def test_crps_is_that_of_an_independent_library(ours: object, method: str) -> None:
    fcst = xr.DataArray(MEMBERS, dims=("case", "member"))
    there = crps_for_ensemble(fcst, xr.DataArray(TRUTH, dims="case"), "member", method=method, preserve_dims="all")
    # both sum some 24² differences of about 10 in float64
    assert ours(MEMBERS, TRUTH) == pytest.approx(there.to_numpy(), abs=1e-11)


@pytest.mark.parametrize(
    ("members", "truth", "plain", "fair"),
    # worked by hand: {1, 2, 3}, 2: 2/3 - 8/18 and 2/3 - 8/12; {140, 145, 150, 160}, 147: 6.25 - 65/16 and 6.25 - 65/12
    [([1, 2, 3], 2, 2 / 9, 0.0), ([140, 145, 150, 160], 147, 2.1875, 5 / 6)],
)
def test_crps_by_hand(members: list[int], truth: int, plain: float, fair: float) -> None:
    assert crps_ensemble(members, truth) == pytest.approx(plain, abs=1e-12)
    assert crps_fair(members, truth) == pytest.approx(fair, abs=1e-12)
    assert crps_weighted(members, truth, np.full(len(members), 3.0)) == pytest.approx(fair, abs=1e-12)


def test_weights_are_repeated_members() -> None:
    # a member of weight 2 has the distance terms of two equal members, and 1 - sum w² for the fair part
    x, y, w = np.array([3.0, 5.0, 9.0]), 4.0, np.array([2.0, 1.0, 1.0])
    share = w / w.sum()
    pairs = (share[:, None] * share * np.abs(x[:, None] - x)).sum() / 2
    assert crps_weighted(x, y, w) == pytest.approx((share * np.abs(x - y)).sum() - pairs / (1 - (share**2).sum()))
    assert crps_weighted(x, y, [2, 1, 1]) == pytest.approx(float(crps_weighted(x, y, [4, 2, 2])), abs=1e-12)


@pytest.mark.parametrize(
    ("mean", "sd", "truth", "score"),
    # the integral of (F - step)² by adaptive quadrature, printed to six digits
    [(0, 1, 0, 0.233695), (0, 1, 1, 0.602441), (0, 1, 2, 1.452792), (10, 3, 14, 2.561802), (150, 7, 143, 4.217090)],
)
def test_crps_of_a_normal_distribution(mean: float, sd: float, truth: float, score: float) -> None:
    assert crps_normal(mean, sd, truth) == pytest.approx(score, abs=1e-6)  # printed digits


def test_fair_score_of_a_few_normal_members_is_that_of_the_distribution() -> None:
    members = np.random.default_rng(2).normal(0.0, 1.0, (20_000, 4))
    # standard error of the mean 0.004, so that three of them fit; the plain score is higher by 1 / (sqrt(pi) 4) = 0.14
    assert crps_fair(members, np.full(20_000, 0.5)).mean() == pytest.approx(crps_normal(0, 1, 0.5), abs=0.012)
    assert crps_ensemble(members, np.full(20_000, 0.5)).mean() > crps_normal(0, 1, 0.5) + 0.12


def test_score_of_a_span_of_dates_is_that_of_an_independent_library() -> None:
    """The library's tails below and above a threshold, laid together, leave the span between out."""
    members, low = RNG.normal(140, 8, (6, 25)), np.array([120.0, 131, 138, 140, 150, 170])
    high = low + np.array([0.0, 4, 9, 1, 20, 3])
    found = crps_between(members, low, high)
    for k in range(6):
        there = [
            tail_tw_crps_for_ensemble(
                xr.DataArray(members[k], dims="m"), xr.DataArray(edge), "m", threshold=edge, tail=tail
            )
            for edge, tail in ((float(low[k]), "lower"), (float(high[k]), "upper"))
        ]
        assert found[k] == pytest.approx(float(sum(there)), rel=1e-12)
    np.testing.assert_allclose(crps_between(members, low, low), crps_ensemble(members, low), rtol=1e-12)
    np.testing.assert_allclose(crps_between(members, low, low, fair=True), crps_fair(members, low), rtol=1e-12)
    with pytest.raises(ValueError, match="must not exceed"):
        crps_between(members, high, low)


def test_brier_score_is_that_of_an_independent_library() -> None:
    chance, happened = RNG.random(200), RNG.random(200) < 0.4
    there = library_brier(xr.DataArray(chance, dims="case"), xr.DataArray(happened.astype(float), dims="case"))
    assert brier_score(chance, happened) == pytest.approx(float(there), abs=1e-14)
    assert brier_score([0.9, 0.2], [True, False]) == pytest.approx((0.01 + 0.04) / 2)


def test_reliability_bins_by_hand() -> None:
    bins = reliability_bins([0.0, 0.1, 0.2, 0.5, 0.9, 1.0], [False, True, False, True, True, True], bins=5)
    assert bins.cases.tolist() == [2, 1, 1, 0, 2]
    assert bins.chance[[0, 1, 2, 4]] == pytest.approx([0.05, 0.2, 0.5, 0.95])
    assert bins.share[[0, 1, 2, 4]] == pytest.approx([0.5, 0.0, 1.0, 1.0])
    assert np.isnan(bins.chance[3])
    assert np.isnan(bins.share[3])


def test_parts_of_the_brier_score_add_up() -> None:
    chance = RNG.integers(0, 11, 500) / 10
    happened = RNG.random(500) < chance**1.5
    unreliable, resolved, uncertain = brier_parts(reliability_bins(chance, happened, bins=11))
    # exact where all chances in a bin are the same (Murphy 1973)
    assert unreliable - resolved + uncertain == pytest.approx(brier_score(chance, happened), abs=1e-12)
    assert 0.0 < unreliable < resolved < uncertain


def test_coverage_counts_ends_and_never() -> None:
    assert interval_coverage([1, 1, 1, 5], [3, 3, np.inf, np.inf], [3, 4, np.inf, 4]) == 0.5


def test_pit_is_uniform_for_members_like_the_truth_and_not_for_others() -> None:
    rng = np.random.default_rng(5)
    truth, uniform = np.round(rng.normal(0, 3, 20_000)), rng.random(20_000)
    same = pit_values(np.round(rng.normal(0, 3, (20_000, 9))), truth, uniform)
    share = np.bincount((same * 10).astype(int), minlength=10) / 20_000
    assert share == pytest.approx(np.full(10, 0.1), abs=0.0085)  # four binomial standard errors
    narrow = pit_values(np.round(rng.normal(0, 1, (20_000, 9))), truth, uniform)
    assert np.mean((narrow < 0.1) | (narrow > 0.9)) > 0.5


def test_pit_by_hand() -> None:
    assert pit_values([[1, 2, 2, np.inf]], [2.0], [0.5]) == pytest.approx([(1 + 1.5) / 5])
    assert pit_values([[1, 2, np.inf, np.inf]], [np.inf], [1.0]) == pytest.approx([1.0])


@pytest.mark.parametrize(
    ("call", "match"),
    [
        (lambda: crps_ensemble([1.0, np.inf], 2.0), "1 values are not finite"),
        (lambda: crps_ensemble([[1.0, 2.0]], [1.0, 2.0]), "one more axis"),
        (lambda: crps_fair([1.0], 2.0), "two members"),
        (lambda: crps_weighted([1.0, 2.0], 1.0, [1.0, 0.0]), "two above 0"),
        (lambda: brier_score([1.2], [True]), "from 0 to 1"),
        (lambda: brier_score([], []), "not empty"),
        (lambda: reliability_bins([0.5], [True], bins=0), "must be positive"),
        (lambda: interval_coverage([2], [1], [1]), "must not exceed"),
        (lambda: interval_coverage([1], [2], [np.nan]), "NaN"),
        (lambda: pit_values([[1.0]], [np.nan], [0.5]), "NaN"),
    ],
)
def test_unfit_input_is_refused(call: object, match: str) -> None:
    with pytest.raises(ValueError, match=match):
        call()

"""Neighbouring lakes teach each other what Gaussian theory says, and no more."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from emergence.learning.pooling import Evidence, closeness, evidence_of, pooled
from emergence.learning.water import IceFit, LakeFit, prior_sd
from emergence.learning.widening import Widening
from emergence.records import Lakes
from emergence.runs.taught import Learned, with_learned
from emergence.water.features import CALENDAR, FEATURES
from emergence.water.shape import lake_shape
from emergence.water.spread import unseen_spread


def one_number(estimates: np.ndarray, noise: np.ndarray, prior: float) -> Evidence:
    """Evidence of lakes with one coefficient, each measured with its own error."""
    precision = noise**-2.0
    return Evidence(precision[:, None, None], (estimates * precision)[:, None], np.full((len(noise), 1), prior))


def test_one_neighbour_is_simple_kriging_by_hand() -> None:
    """Two lakes, prior sd 1, shared sd 0.8, closeness 0.5: covariance 0.32; the textbook's two-point answer."""
    notes = one_number(np.array([1.5]), np.array([0.3]), 1.0)
    near, between = np.array([[0.5]]), np.ones((1, 1))
    mean, covariance, some = pooled(np.ones((1, 1)), np.array([0.8]), near, between, np.array([-1]), notes)
    cross, total = 0.5 * 0.64, 1.0 + 0.09
    assert some.all()
    assert mean[0, 0] == pytest.approx(cross / total * 1.5)
    assert covariance[0, 0, 0] == pytest.approx(1 - cross**2 / total)


def test_own_notes_are_the_posterior_of_the_lake_alone_where_nothing_is_shared() -> None:
    rng = np.random.default_rng(3)
    prior = np.array([0.9, 0.5, 0.3])
    root = rng.normal(size=(3, 3))
    precision = root @ root.T
    mean = np.linalg.solve(precision + np.diag(prior**-2), precision @ np.array([0.5, -0.2, 0.1]))
    covariance = np.linalg.inv(precision + np.diag(prior**-2))
    found, information = evidence_of(mean, covariance, prior)
    np.testing.assert_allclose(found, precision, atol=1e-9)
    notes = Evidence(found[None], information[None], prior[None])
    again, spread, _ = pooled(prior[None], np.zeros(3), np.ones((1, 1)), np.ones((1, 1)), np.array([0]), notes)
    np.testing.assert_allclose(again[0], mean, atol=1e-9)
    np.testing.assert_allclose(spread[0], covariance, atol=1e-9)


def test_planted_regions_come_back_with_true_errors() -> None:
    """Synthetic: 300 regions of six lakes, five measured; the sixth is told by the five, its error as stated.

    300 standardised errors: their spread's own error is 4 %, three of which are allowed; with nothing learned the error
    would be the prior's sd 1.
    """
    rng = np.random.default_rng(8)
    share, noise = 0.8, np.full(5, 0.4)
    score, error = [], []
    for _ in range(300):
        lakes = share * rng.standard_normal() + 0.6 * rng.standard_normal(6)
        notes = one_number(lakes[:5] + noise * rng.standard_normal(5), noise, 1.0)
        mean, covariance, _ = pooled(
            np.ones((1, 1)), np.array([share]), np.ones((1, 5)), np.ones((5, 5)), np.array([-1]), notes
        )
        error.append(lakes[5] - mean[0, 0])
        score.append(error[-1] / np.sqrt(covariance[0, 0, 0]))
    assert 0.88 < np.std(score) < 1.12
    assert np.std(error) < 0.8


def lakes_at(latitude: list[float], elevation: list[float]) -> Lakes:
    n = len(latitude)
    word, number = np.full(n, "", dtype=object), np.full(n, np.nan)
    ids = np.array([f"lake{k}" for k in range(n)], dtype=object)
    return Lakes(
        ids, ids, word, np.array(latitude), np.full(n, -100.0), np.array(elevation), np.full(n, 30.0),
        np.full(n, 5.0), number, number, word, word, word, word,
    )  # fmt: skip


def taught(lakes: Lakes, measured: dict[str, float]) -> Learned:
    few = len(FEATURES)
    prior = prior_sd(0.0)
    place = {
        str(i): (float(lakes.latitude[k]), -100.0, float(lakes.elevation_m[k])) for k, i in enumerate(lakes.lake_id)
    }
    fits, ice = {}, {}
    for name, level in measured.items():
        covariance = np.diag(prior**2)
        covariance[0, 0] = 0.1**2
        fits[name] = LakeFit(np.array([level, *[0.0] * (few - 1)]), covariance, 30, 3, 0, prior, 1.3)
        ice[name] = IceFit(4.0, 6.0, 10, 7.0)
    return Learned(0, fits, ice, {k: v for k, v in place.items() if k in measured})


def test_neighbours_shift_and_narrow_an_unmeasured_lake_and_far_ones_do_not() -> None:
    lakes = lakes_at([50.0, 50.3, 50.2, 62.0, 50.2], [800.0, 800.0, 820.0, 800.0, 2600.0])
    spread = unseen_spread(lake_shape(lakes, np.full(5, 14.0)), np.zeros(5))
    after = with_learned(spread, lakes, taught(lakes, {"lake0": 1.2, "lake1": 1.0}))
    assert 0.4 < after.mean[2, 0] < 1.2  # between nothing and its neighbours
    sd = np.sqrt((after.root @ after.root.transpose(0, 2, 1))[:, 0, 0])
    assert sd[2] < 0.95 * prior_sd(0.85)[0]
    assert abs(after.mean[0, 0] - 1.2) < 0.1  # the measured lake keeps its own
    assert after.mean[3, 0] == 0 and after.ice_mean_d[3] == 0  # 1,300 km away
    assert abs(after.mean[4, 0]) < 0.05  # 1,800 m higher
    assert after.ice_mean_d[2] > 1 and after.ice_sd_d[2] < spread.ice_sd_d[2]
    np.testing.assert_array_equal(after.root[2, CALENDAR:], 0)
    assert after.day_c[0] == pytest.approx(1.3 * spread.day_c[0]) and after.day_c[2] == spread.day_c[2]


def test_widening_widens_what_is_not_known_of_measured_lakes_alone() -> None:
    lakes = lakes_at([50.0, 50.3], [800.0, 800.0])
    spread = unseen_spread(lake_shape(lakes, np.full(2, 14.0)), np.zeros(2))
    plain = taught(lakes, {"lake0": 1.2})
    before = with_learned(spread, lakes, plain)
    after = with_learned(spread, lakes, dataclasses.replace(plain, widening=Widening(1.5)))
    for name in ("root", "year_c", "day_c"):
        np.testing.assert_allclose(getattr(after, name)[0], 1.5 * getattr(before, name)[0])
        np.testing.assert_array_equal(getattr(after, name)[1], getattr(before, name)[1])
    for name in ("mean", "ice_mean_d", "ice_sd_d"):
        np.testing.assert_array_equal(getattr(after, name), getattr(before, name))


def test_a_lake_far_away_changes_nothing() -> None:
    lakes = lakes_at([50.0, 50.3, 50.2, 65.0], [800.0, 800.0, 820.0, 800.0])
    spread = unseen_spread(lake_shape(lakes, np.full(4, 14.0)), np.zeros(4))
    few = with_learned(spread, lakes, taught(lakes, {"lake0": 1.2}))
    more = with_learned(spread, lakes, taught(lakes, {"lake0": 1.2, "lake3": -2.0}))
    np.testing.assert_array_equal(few.mean[:3], more.mean[:3])
    np.testing.assert_array_equal(few.root[:3], more.root[:3])


def test_closeness_falls_with_distance_and_height() -> None:
    near = closeness(np.array([0.0, 300.0, 0.0]), np.array([0.0, 0.0, -500.0]), range_km=300.0, range_m=500.0)
    np.testing.assert_allclose(near, [1, np.exp(-1), np.exp(-1)])

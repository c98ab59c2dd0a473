"""The afternoon's excess over the day's mean against what 100 lakes showed."""

from __future__ import annotations

import doctest

import numpy as np
import pytest

from emergence.water import diel
from emergence.water.diel import afternoon_excess, diel_range


def test_most_small_lakes_range_over_4_to_7_degrees_in_summer() -> None:
    """Woolway et al. 2016, PLoS ONE 11(3):e0152466, abstract; "small" here 1 to 30 ha."""
    found = diel_range(np.array([0.01, 0.03, 0.1, 0.3]), 1.0)
    assert (found >= 3.9).all() and (found <= 7.0 + 1e-9).all()


def test_range_falls_with_size_up_to_3_km2() -> None:
    """Same abstract: rises sharply with falling area below 3 km2."""
    found = diel_range(np.array([0.001, 0.01, 0.1, 1.0, 3.0, 50.0]), 1.0)
    assert found[0] == found[1] > found[2] > found[3] > found[4] == found[5]


def test_no_sun_no_range() -> None:
    assert diel_range(0.1, 0.0) == 0.0
    assert diel_range(0.1, 0.5) == pytest.approx(diel_range(0.1, 1.0) / 2)


def test_half_the_range_lies_above_the_mean() -> None:
    usual, calm = afternoon_excess(0.1, 1.0)
    assert usual == pytest.approx(diel_range(0.1, 1.0) / 2)
    assert calm > usual


def test_examples() -> None:
    assert doctest.testmod(diel).failed == 0

"""Degree-days of lake water: the flat day, the sine day, types, memory."""

import tracemalloc
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emergence.degreedays import accumulate, mean_water_degree_days, single_sine, water_sums
from emergence.degreedays import water as water_module
from emergence.degreedays.compiled import ABREAST
from emergence.degreedays.water import BLOCK

LOWER, UPPER = 9.0, 26.0


def temperatures(*shape: int, kind: str = "f8") -> np.ndarray[Any, np.dtype[np.floating[Any]]]:
    return np.random.default_rng(3).uniform(0, 32, shape).astype(kind)


def test_flat_day_by_hand() -> None:
    assert mean_water_degree_days([0.0, 9.0, 12.5, 26.0, 31.0], lower=9.0, upper=26.0).tolist() == [0, 0, 3.5, 17, 17]
    assert mean_water_degree_days([0.0, 31.0], lower=9.0).tolist() == [0, 22]
    assert mean_water_degree_days(12, lower=9.0) == 3.0


@given(st.floats(-5, 40), st.floats(0, 8), st.floats(0, 15), st.floats(0.5, 20))
def test_sine_day_is_the_single_sine(water: float, span: float, lower: float, width: float) -> None:
    found = mean_water_degree_days(water, lower=lower, upper=lower + width, diel_range=span)
    expected = single_sine(water - span / 2, water + span / 2, lower=lower, upper=lower + width)
    # 1e-9: rounding; both are the closed form of Baskerville & Emin 1969, written in two ways.
    assert float(found) == pytest.approx(float(expected), abs=1e-9)


def test_range_matters_only_near_thresholds() -> None:
    water = np.array([7.9, 8.1, 9.0, 9.9, 10.1, 24.9, 25.1, 26.9, 27.1])
    change = mean_water_degree_days(water, lower=LOWER, upper=UPPER, diel_range=2.0) - mean_water_degree_days(
        water, lower=LOWER, upper=UPPER
    )
    assert np.sign(change).tolist() == [0, 1, 1, 1, 0, 0, -1, -1, 0]
    # Mean of the upper half of a sine of amplitude 1: 1 / pi.
    assert change[2] == pytest.approx(1 / np.pi, abs=1e-12)


@pytest.mark.parametrize("span", [0.0, 1.5])
@pytest.mark.parametrize("shape", [(5,), (3, BLOCK + 7), (2 * BLOCK + 3,), (40, 3, 5, 4), (0, 3), (3, 0)])
def test_blocks_shapes_and_float32(shape: tuple[int, ...], span: float) -> None:
    water = temperatures(*shape, kind="f4")
    found = mean_water_degree_days(water, lower=LOWER, upper=UPPER, diel_range=span)
    expected = single_sine(water.astype("f8") - span / 2, water.astype("f8") + span / 2, lower=LOWER, upper=UPPER)
    assert found.shape == shape
    assert found.dtype == np.float32
    # 1e-5: a few float32 roundings at 30 °C.
    assert found == pytest.approx(expected, abs=1e-5)


@pytest.mark.parametrize("span", [0.0, 2.0])
def test_thresholds_of_each_cell(span: float) -> None:
    water = temperatures(50, 3)
    lower, upper = np.array([4.0, 9.0, 12.0]), np.array([20.0, 26.0, 30.0])
    spans = np.array([0.0, span, 2 * span])
    found = mean_water_degree_days(water, lower=lower, upper=upper, diel_range=spans)
    for cell in range(3):
        alone = mean_water_degree_days(water[:, cell], lower=lower[cell], upper=upper[cell], diel_range=spans[cell])
        assert found[:, cell] == pytest.approx(alone, abs=1e-12)


@pytest.mark.parametrize("span", [0.0, 1.5])
def test_out_is_used_and_may_be_the_input(span: float) -> None:
    water = temperatures(30, 11, kind="f4")
    expected = mean_water_degree_days(water, lower=LOWER, upper=UPPER, diel_range=span)
    before = water.copy()
    out = np.empty_like(water)
    assert mean_water_degree_days(water, lower=LOWER, upper=UPPER, diel_range=span, out=out) is out
    assert (out == expected).all() and (water == before).all()
    strided = np.empty((30, 22), dtype="f4")[:, ::2]
    assert mean_water_degree_days(water, lower=LOWER, upper=UPPER, diel_range=span, out=strided) is strided
    assert (strided == expected).all()
    assert mean_water_degree_days(water, lower=LOWER, upper=UPPER, diel_range=span, out=water) is water
    assert (water == expected).all()


@pytest.mark.parametrize(("span", "share"), [(0.0, 0.01), (1.5, 0.15)])
def test_memory_stays_flat(span: float, share: float) -> None:
    water = temperatures(400, 8000, kind="f4")
    out = np.empty_like(water)
    tracemalloc.start()
    mean_water_degree_days(water, lower=LOWER, upper=UPPER, diel_range=span, out=out)
    peak = tracemalloc.get_traced_memory()[1]
    tracemalloc.stop()
    # No temporaries on the fast path, those of one block (1 % of the array each) with a range.
    assert peak < share * water.nbytes


@pytest.mark.parametrize("span", [0.0, 2.0])
def test_missing_stays_missing(span: float) -> None:
    found = mean_water_degree_days([np.nan, 9.5, 15.0], lower=LOWER, upper=UPPER, diel_range=span)
    assert np.isnan(found).tolist() == [True, False, False]


@pytest.mark.parametrize(
    ("arguments", "message"),
    [
        ({"lower": 9.0, "upper": 8.0}, "upper must lie above lower: found 8 with 9"),
        ({"lower": np.nan}, "lower must be finite"),
        ({"lower": 9.0, "diel_range": -1.0}, "diel_range must be finite and not negative, found -1"),
        ({"lower": 9.0, "diel_range": np.nan}, "diel_range must be finite"),
        ({"lower": 9.0, "out": np.empty(3)}, r"out must have shape \(2,\) and type float64, found \(3,\)"),
        ({"lower": 9.0, "out": np.empty(2, dtype="f4")}, r"found \(2,\) and float32"),
    ],
)
def test_bad_arguments_are_refused(arguments: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        mean_water_degree_days([10.0, 11.0], **arguments)


@pytest.mark.parametrize("upper", [UPPER, None])
@pytest.mark.parametrize("kind", ["f4", "f8"])
def test_sums_in_one_pass_are_those_in_two(kind: str, upper: float | None) -> None:
    """Running sums to the bit, the whole to its precision, missing values too; more cells than go side by side."""
    values = temperatures(40, ABREAST + 3, kind=kind)
    values[7, 5] = np.nan
    expected = accumulate(mean_water_degree_days(values, lower=LOWER, upper=upper))
    np.testing.assert_array_equal(water_sums(values, lower=LOWER, upper=upper), expected)
    np.testing.assert_allclose(water_sums(values, lower=LOWER, upper=upper, last=True), expected[-1], rtol=1e-6)
    assert water_sums(values, lower=LOWER).dtype == values.dtype


def test_sums_without_the_compiler_and_bad_thresholds(monkeypatch: pytest.MonkeyPatch) -> None:
    values = temperatures(30, 4, 5, kind="f4")
    quick = water_sums(values, lower=LOWER)
    with pytest.raises(ValueError, match="above lower"):
        water_sums(values, lower=LOWER, upper=LOWER)
    monkeypatch.setattr(water_module, "sums_kernel", None)
    np.testing.assert_array_equal(water_sums(values, lower=LOWER), quick)

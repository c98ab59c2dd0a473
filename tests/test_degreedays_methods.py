"""Degree-day methods against published tables, numerical integration and what must always hold."""

import csv
import doctest
import importlib
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from numpy.typing import NDArray

from emergence.degreedays import CUTOFFS, METHODS, fahrenheit_sum_to_celsius, simple_average, single_sine

Row = dict[str, str]
Floats = NDArray[np.float64]

NAMES = {"average_1": "simple_average", "average_2": "floored_average"}
ROUNDING = 1e-9
"""Float64 rounding of sums and differences of temperatures below 100."""

with (Path(__file__).parent / "data/dd_checks.csv").open(encoding="utf-8", newline="") as _file:
    ROWS = list(csv.DictReader(_file))


def call(name: str, tmin: Any, tmax: Any, tmin_next: Any, **thresholds: Any) -> NDArray[np.floating[Any]]:
    """Call a method with as many minima as it takes."""
    days = (tmin, tmax, tmin_next) if name.startswith("double") else (tmin, tmax)
    return METHODS[name](*days, **thresholds)


def evaluate(row: Row) -> float:
    """Return our value of a row."""
    cutoff = row["cutoff"].removesuffix("_nofloor")
    upper = float(row["upper"]) if row["upper"] else None
    days = (float(row[key] or "nan") for key in ("tmin", "tmax", "tmin_next"))
    kind = cutoff if cutoff in CUTOFFS else "horizontal"
    name = NAMES.get(row["method"], row["method"])
    return float(call(name, *days, lower=float(row["lower"]), upper=upper, cutoff=kind))


def row_id(row: Row) -> str:
    return f"{row['id']} {row['method']} {row['cutoff']}"


@pytest.mark.parametrize("row", [r for r in ROWS if r["agrees"] == "yes"], ids=row_id)
def test_published_tables(row: Row) -> None:
    # 0.006: half a unit of the second decimal that is printed, and a little for a tie.
    assert evaluate(row) == pytest.approx(float(row["dd_published"]), abs=0.006), row["source"]


@pytest.mark.parametrize("row", [r for r in ROWS if not r["dd_published"]], ids=row_id)
def test_computed_rows(row: Row) -> None:
    # 1e-5: six-case formulas evaluated elsewhere, five decimals. "intermediate_nofloor" lets the rate go below zero;
    # its rows stay below 2U - L, where that makes no difference.
    assert float(row["tmax"]) <= 2 * float(row["upper"] or "inf") - float(row["lower"])
    assert evaluate(row) == pytest.approx(float(row["dd_exact"]), abs=1e-5)


def test_erratum_of_zalom_table_7() -> None:
    # Zalom et al. 1983, Table 7, double triangle, 60, 100, next 75 with 55 and 90: printed 24.88. Half of the printed
    # single triangles (60, 100) 23.75 and of (75, 100), 32.5 less (100 - 90)^2 / (2 x 25) = 30.5, is 27.125.
    (row,) = [r for r in ROWS if r["agrees"] == "NO"]
    assert float(row["dd_published"]) == 24.88
    assert evaluate(row) == pytest.approx((23.75 + 30.5) / 2, abs=1e-9)


# ---------------------------------------------------------------- numerical integration

STEPS = 20000


def rate(temperature: Floats, lower: float, upper: float, cutoff: str) -> Floats:
    """Return the development rate [degrees] at an instant, as the cut-offs are defined in words."""
    held = np.clip(temperature, lower, upper) - lower
    if cutoff == "vertical":
        return np.where(temperature > upper, 0.0, held)
    if cutoff == "intermediate":
        return np.maximum(held - np.maximum(temperature - upper, 0.0), 0.0)
    return held


def course(name: str, start: float, end: float) -> Floats:
    """Return temperatures at equal steps through half a day that runs from one extreme to the other."""
    phase = (np.arange(STEPS) + 0.5) / STEPS
    share = phase if name.endswith("triangle") else (1 - np.cos(np.pi * phase)) / 2
    return start + (end - start) * share


DAYS = [
    (-8.0, -1.0, -6.0), (2.0, 9.0, 12.0), (4.0, 18.0, 8.0), (12.0, 25.0, 6.0), (14.0, 34.0, 17.0), (5.0, 38.0, 3.0),
    (31.0, 41.0, 29.0), (6.0, 62.0, 35.0), (15.0, 15.0, 15.0), (9.99, 10.01, 30.5),
    (20.0, 40.4, 18.0),
]  # fmt: skip


@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize("name", ["single_triangle", "double_triangle", "single_sine", "double_sine"])
@pytest.mark.parametrize("day", DAYS, ids=str)
def test_curves_by_numerical_integration(day: tuple[float, float, float], name: str, cutoff: str) -> None:
    tmin, tmax, following = day
    after = following if name.startswith("double") else tmin
    halves = (course(name, tmin, tmax), course(name, tmax, after))
    expected = np.mean([rate(half, 10.0, 30.0, cutoff).mean() for half in halves])
    # A vertical cut-off jumps by U - L = 20 somewhere within one step of each half.
    tolerance = 20.0 / STEPS if cutoff == "vertical" else 1e-5
    found = call(name, tmin, tmax, following, lower=10.0, upper=30.0, cutoff=cutoff)
    assert float(found) == pytest.approx(expected, abs=tolerance)


@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize("day", DAYS, ids=str)
def test_averages_are_days_at_constant_temperatures(day: tuple[float, float, float], cutoff: str) -> None:
    low, high = np.array(day[0]), np.array(day[1])
    thresholds = {"lower": 10.0, "upper": 30.0, "cutoff": cutoff}
    at_mean = rate((low + high) / 2, 10.0, 30.0, cutoff)
    at_ends = (rate(low, 10.0, 30.0, cutoff) + rate(high, 10.0, 30.0, cutoff)) / 2
    assert METHODS["simple_average"](low, high, **thresholds) == pytest.approx(at_mean, abs=ROUNDING)
    assert METHODS["floored_average"](low, high, **thresholds) == pytest.approx(at_ends, abs=ROUNDING)


# ---------------------------------------------------------------- what must always hold

temperature = st.floats(-40, 60)
day_of_three = st.tuples(temperature, temperature, temperature).map(lambda t: (min(t[:2]), max(t[:2]), t[2]))
limits = st.tuples(st.floats(-5, 20), st.floats(0.5, 40)).map(lambda t: (t[0], t[0] + t[1]))
method = st.sampled_from(sorted(METHODS))
Day = tuple[float, float, float]
Limits = tuple[float, float]


@given(day_of_three, limits, method, st.sampled_from(sorted(CUTOFFS)))
def test_bounds(day: Day, limit: Limits, name: str, cutoff: str) -> None:
    found = float(call(name, *day, lower=limit[0], upper=limit[1], cutoff=cutoff))
    assert -ROUNDING <= found <= limit[1] - limit[0] + ROUNDING


@given(day_of_three, limits, method, st.floats(0, 10), st.floats(0, 10), st.floats(0, 10))
def test_warmer_days_never_count_less(day: Day, limit: Limits, name: str, a: float, b: float, c: float) -> None:
    tmin, tmax, following = day
    warmer = (tmin + a, max(tmax, tmin + a) + b, following + c)
    thresholds = {"lower": limit[0], "upper": limit[1]}
    assert float(call(name, *warmer, **thresholds)) >= float(call(name, *day, **thresholds)) - ROUNDING


@given(day_of_three, limits, st.sampled_from(["triangle", "sine"]), st.sampled_from(sorted(CUTOFFS)))
def test_double_is_single_when_minima_are_equal(day: Day, limit: Limits, curve: str, cutoff: str) -> None:
    tmin, tmax, _ = day
    thresholds = {"lower": limit[0], "upper": limit[1], "cutoff": cutoff}
    single = float(METHODS[f"single_{curve}"](tmin, tmax, **thresholds))
    assert float(METHODS[f"double_{curve}"](tmin, tmax, tmin, **thresholds)) == pytest.approx(single, abs=ROUNDING)


@given(day_of_three, st.floats(-5, 20))
def test_curves_count_at_least_the_mean(day: Day, lower: float) -> None:
    tmin, tmax, _ = day
    mean = max(0.0, (tmin + tmax) / 2 - lower)
    for name in ("single_sine", "single_triangle", "floored_average"):
        assert float(METHODS[name](tmin, tmax, lower=lower)) >= mean - ROUNDING


@given(day_of_three, limits, method)
def test_horizontal_counts_most(day: Day, limit: Limits, name: str) -> None:
    thresholds = {"lower": limit[0], "upper": limit[1]}
    horizontal, intermediate, vertical = (
        float(call(name, *day, **thresholds, cutoff=cutoff)) for cutoff in ("horizontal", "intermediate", "vertical")
    )
    assert horizontal >= intermediate - ROUNDING
    assert intermediate >= vertical - ROUNDING


@given(day_of_three, limits, method, st.sampled_from(sorted(CUTOFFS)))
def test_fahrenheit_days_scale_to_celsius_days(day: Day, limit: Limits, name: str, cutoff: str) -> None:
    celsius = call(name, *day, lower=limit[0], upper=limit[1], cutoff=cutoff)
    warm = [1.8 * t + 32 for t in (*day, *limit)]
    fahrenheit = call(name, *warm[:3], lower=warm[3], upper=warm[4], cutoff=cutoff)
    # A vertical cut-off of an average or a flat day jumps: the last bit of the conversion decides on which side.
    ends = {(day[0] + day[1]) / 2, *day}
    if cutoff == "vertical" and min(abs(t - limit[1]) for t in ends) < 1e-6:
        return
    # 1e-5: the share of time above a threshold has a root at the curve's turning points.
    assert float(fahrenheit_sum_to_celsius(fahrenheit)) == pytest.approx(float(celsius), abs=1e-5)


# ---------------------------------------------------------------- edges


@pytest.mark.parametrize("name", METHODS)
def test_flat_days(name: str) -> None:
    flat = np.array([4.0, 10.0, 17.0, 30.0, 33.0])
    thresholds: dict[str, Any] = {"lower": 10.0, "upper": 30.0}
    assert call(name, flat, flat, flat, **thresholds).tolist() == [0, 0, 7, 20, 20]
    assert call(name, flat, flat, flat, lower=10.0).tolist() == [0, 0, 7, 20, 23]
    # A day wholly at the upper threshold is case 1 (Tmin >= U).
    assert call(name, flat, flat, flat, **thresholds, cutoff="vertical").tolist() == [0, 0, 7, 0, 0]
    assert call(name, flat, flat, flat, **thresholds, cutoff="intermediate").tolist() == [0, 0, 7, 20, 17]


def test_mean_at_the_upper_threshold_stops_like_a_flat_day() -> None:
    found = simple_average([20.0, 19.9], [40.0, 40.0], lower=10.0, upper=30.0, cutoff="vertical")
    assert found == pytest.approx([0.0, 19.95], abs=ROUNDING)


@pytest.mark.parametrize("name", METHODS)
def test_missing_days_stay_missing(name: str) -> None:
    tmin, tmax = np.array([np.nan, 5.0, 5.0]), np.array([20.0, np.nan, 20.0])
    for cutoff in CUTOFFS:
        found = call(name, tmin, tmax, tmin, lower=10.0, upper=15.0, cutoff=cutoff)
        assert np.isnan(found).tolist() == [True, True, False]


@pytest.mark.parametrize("curve", ["triangle", "sine"])
def test_missing_next_minimum_takes_today(curve: str) -> None:
    single, double = METHODS[f"single_{curve}"], METHODS[f"double_{curve}"]
    found = double([6.0, 6.0], [20.0, 20.0], [np.nan, 12.0], lower=10.0)
    assert found[0] == single(6.0, 20.0, lower=10.0)
    assert found[1] > found[0]


@pytest.mark.parametrize("name", METHODS)
def test_maximum_below_minimum_is_refused(name: str) -> None:
    tmin, tmax = np.full((3, 2), 5.0), np.full((3, 2), 9.0)
    tmax[1, 1] = tmax[2, 0] = 4.5
    with pytest.raises(ValueError, match=r"on 2 of 6 days, first at index \(1, 1\) \(tmin 5, tmax 4\.5\)"):
        call(name, tmin, tmax, tmin, lower=10.0)
    with pytest.raises(ValueError, match="on 1 of 1 days"):
        call(name, 5.0, 4.0, 5.0, lower=10.0)


@pytest.mark.parametrize("name", METHODS)
@pytest.mark.parametrize(
    ("thresholds", "message"),
    [
        ({"lower": 10.0, "upper": 10.0}, "upper must lie above lower: found 10 with 10"),
        ({"lower": np.nan}, "lower must be finite: 1 of 1"),
        ({"lower": 10.0, "upper": np.inf}, "upper must be finite: 1 of 1"),
        ({"lower": 10.0, "upper": 30.0, "cutoff": "sloping"}, "cutoff must be one of horizontal, .*'sloping'"),
    ],
)
def test_bad_thresholds_are_refused(name: str, thresholds: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        call(name, 5.0, 20.0, 5.0, **thresholds)


@pytest.mark.parametrize("name", METHODS)
def test_shapes_and_types(name: str) -> None:
    cold, warm = np.full((4, 1), 8, dtype=np.float32), np.full((1, 3), 24, dtype=np.float32)
    for cutoff in CUTOFFS:
        found = call(name, cold, warm, cold, lower=np.array([9.0, 10.0, 11.0]), upper=20.0, cutoff=cutoff)
        assert found.shape == (4, 3)
        assert found.dtype == np.float32
    assert (np.diff(call(name, cold, warm, cold, lower=np.array([9.0, 10.0, 11.0])), axis=1) < 0).all()
    assert call(name, 8, 24, 8, lower=10).dtype == np.float64


def test_float32_is_close() -> None:
    rng = np.random.default_rng(5)
    tmin = rng.uniform(-10, 30, 5000)
    tmax = tmin + rng.uniform(0, 20, 5000)
    small = single_sine(tmin.astype(np.float32), tmax.astype(np.float32), lower=10.0, upper=28.0)
    # 1e-5: a few float32 roundings (2e-6 at 30 °C).
    assert small == pytest.approx(single_sine(tmin, tmax, lower=10.0, upper=28.0), abs=1e-5)


@pytest.mark.parametrize("module", ["methods", "water", "accumulate"])
def test_examples_in_docstrings(module: str) -> None:
    result = doctest.testmod(importlib.import_module(f"emergence.degreedays.{module}"))
    assert result.attempted > 0 and result.failed == 0


def test_methods_are_named_as_their_functions() -> None:
    functions: dict[str, Callable[..., Any]] = dict(METHODS)
    assert all(function.__name__ == name for name, function in functions.items())


@pytest.mark.parametrize(
    ("tmin", "tmax", "lower", "upper"), [(3.0, 19.0, 9.0, 22.4), (11.0, 27.0, 9.0, 22.4), (5.0, 31.0, 8.7, 25.0)]
)
def test_single_sine_is_the_integral_by_scipy(tmin: float, tmax: float, lower: float, upper: float) -> None:
    """An independent library: scipy.integrate.quad over the day's sine, horizontal cut-off; its own error is 1e-8."""
    from scipy.integrate import quad

    def rate(t: float) -> float:
        air = (tmin + tmax) / 2 + (tmax - tmin) / 2 * np.sin(2 * np.pi * t)
        return float(min(max(air, lower), upper) - lower)

    expected = quad(rate, 0, 1, limit=400, epsabs=1e-10)[0]
    got = single_sine(np.array([tmin]), np.array([tmax]), lower=lower, upper=upper)[0]
    assert got == pytest.approx(expected, abs=1e-6)

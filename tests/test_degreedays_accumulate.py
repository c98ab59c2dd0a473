"""Sums from a biofix, the day they are reached, and that missing and never stay apart."""

import math
from typing import Any

import numpy as np
import pytest

from emergence.dates import NEVER
from emergence.degreedays import (
    CUTOFFS,
    METHODS,
    accumulate,
    fahrenheit_sum_to_celsius,
    first_reach,
    mean_water_degree_days,
)


def test_sum_by_hand() -> None:
    assert accumulate([1.0, 2.0, 0.0, 4.0]).tolist() == [1, 3, 3, 7]
    assert accumulate([[1, 10], [2, 20]]).tolist() == [[1, 10], [3, 30]]


def test_starts_of_each_cell() -> None:
    daily = np.tile(np.arange(1.0, 6.0)[:, None], (1, 5))
    start = np.array([0, 2, 4, 5, NEVER], dtype=np.int16)
    found = accumulate(daily, start=start)
    assert found[:, 0].tolist() == [1, 3, 6, 10, 15]
    assert found[:, 1].tolist() == [0, 0, 3, 7, 12]
    assert found[:, 2].tolist() == [0, 0, 0, 0, 5]
    assert found[:, 3].tolist() == [0, 0, 0, 0, 0]
    assert found[:, 4].tolist() == [0, 0, 0, 0, 0]
    assert accumulate(daily, start=1)[:, 0].tolist() == [0, 2, 5, 9, 14]


def test_missing_counts_only_from_the_start() -> None:
    daily = np.array([[np.nan, 1.0, np.nan], [2.0, np.nan, 2.0], [3.0, 3.0, 3.0]])
    found = accumulate(daily, start=[1, 0, NEVER])
    assert found[:, 0].tolist() == [0, 2, 5]
    assert np.isnan(found[:, 1]).tolist() == [False, True, True]
    assert found[:, 2].tolist() == [0, 0, 0]


def test_float32_error_is_small() -> None:
    days = np.arange(400)[:, None]
    noise = np.random.default_rng(11).normal(0, 2, (400, 50))
    water = (12 - 10 * np.cos(2 * np.pi * (days - 30) / 365) + noise).astype(np.float32)
    daily = mean_water_degree_days(water, lower=4.0)
    found = accumulate(daily)
    exact = np.array([math.fsum(column) for column in daily.T.astype(np.float64)])
    assert found.dtype == np.float32
    assert exact.min() > 2000
    # 0.05 degree-days is what we promise; half a float32 step at 4096 is 2.4e-4, and the sum runs in float64.
    assert np.abs(found[-1] - exact).max() < 0.05
    assert np.abs(found[-1] - exact).max() < 2.5e-4
    assert np.abs(found - accumulate(daily.astype(np.float64))).max() < 2.5e-4


def test_out_may_be_the_input_or_another_type() -> None:
    daily = np.ones((4, 2, 3), dtype=np.float32)
    expected = accumulate(daily, start=[[0, 1, 2], [3, 4, NEVER]])
    wide = np.empty((4, 2, 3))
    assert accumulate(daily, start=[[0, 1, 2], [3, 4, NEVER]], out=wide) is wide
    assert (wide == expected).all()
    assert accumulate(daily, start=[[0, 1, 2], [3, 4, NEVER]], out=daily) is daily
    assert (daily == expected).all()
    assert expected[-1].tolist() == [[4, 3, 2], [1, 0, 0]]


@pytest.mark.parametrize(
    ("daily", "arguments", "message"),
    [
        (1.0, {}, "time axis"),
        ([[1.0]], {"start": [0.5]}, "start must hold integers"),
        ([[1.0, 1.0]], {"start": [-3, 0]}, "1 cells start before the first day, the earliest at -3"),
        ([[1.0]], {"out": np.empty((1, 2))}, r"out must be floating with shape \(1, 1\)"),
        ([[1.0]], {"out": np.empty((1, 1), dtype=np.int64)}, "out must be floating"),
    ],
)
def test_bad_sums_are_refused(daily: Any, arguments: dict[str, Any], message: str) -> None:
    with pytest.raises(ValueError, match=message):
        accumulate(daily, **arguments)


# ---------------------------------------------------------------- reaching


def test_first_day_at_or_above() -> None:
    cumulative = np.array([[0.0, 0.0, 0.0], [4.0, 3.9, 0.0], [4.0, 4.1, 0.0], [9.0, 4.1, 0.0]])
    found = first_reach(cumulative, 4.0)
    assert found.dtype == np.int16
    assert found.tolist() == [1, 2, NEVER]
    assert first_reach(cumulative, [9.0, 9.0, 0.0]).tolist() == [3, NEVER, 0]
    assert int(first_reach([1.0, 2.0, 3.0], 2.5)) == 2
    assert int(first_reach(np.empty(0), 1.0)) == NEVER


def test_requirements_with_an_axis_of_their_own() -> None:
    cumulative = accumulate(np.ones((10, 3)))
    found = first_reach(cumulative, np.array([[2.0], [5.0], [11.0]]))
    assert found.tolist() == [[1, 1, 1], [4, 4, 4], [NEVER] * 3]


def test_nothing_is_reached_before_its_start() -> None:
    start = np.array([0, 3, NEVER], dtype=np.int16)
    cumulative = accumulate(np.ones((5, 3)), start=start)
    assert first_reach(cumulative, 0.0, start=start).tolist() == [0, 3, NEVER]
    assert first_reach(cumulative, 2.0, start=start).tolist() == [1, 4, NEVER]
    assert first_reach(cumulative, 2.0).tolist() == [1, 4, NEVER]


def test_missing_is_not_never() -> None:
    cumulative = accumulate([[1.0, 1.0], [1.0, np.nan], [1.0, 1.0]])
    with pytest.raises(ValueError, match=r"cumulative is missing \(NaN\) in 2 of 6 values, first at index \(1, 1\)"):
        first_reach(cumulative, 100.0)
    with pytest.raises(ValueError, match=r"cumulative is missing"):
        first_reach(cumulative, 0.5)
    with pytest.raises(ValueError, match=r"requirement is missing \(NaN\) in 1 of 2 values, first at index \(0,\)"):
        first_reach(cumulative[:1], [np.nan, 1.0])


def test_days_beyond_the_index_type_are_refused() -> None:
    with pytest.raises(ValueError, match="at most 32766 days"):
        first_reach(np.zeros(NEVER), 1.0)
    assert int(first_reach(np.arange(NEVER - 1), NEVER - 2)) == NEVER - 2


# Anax junius: threshold 8.7 °C, 1332 degree-days from egg to emergence (Trottier 1971, Can. J. Zool. 49:1671-1683).
# Days at constant temperature are 1332 / (T - 8.7), printed with one decimal.
@pytest.mark.parametrize(("water", "days"), [(20.0, 117.9), (22.0, 100.2), (23.5, 90.0)])
def test_anax_junius_at_constant_temperature(water: float, days: float) -> None:
    cumulative = accumulate(mean_water_degree_days(np.full(200, water), lower=8.7))
    index = int(first_reach(cumulative, 1332.0))
    before = cumulative[index - 1]
    # Index 0 ends the first day; 0.06: half of the printed digit and a little for 100.15.
    assert index + (1332.0 - before) / (cumulative[index] - before) == pytest.approx(days, abs=0.06)


def test_index_counts_whole_days() -> None:
    # 11.3 degree-days a day: 117 days give 1322.1, 118 days 1333.4; the 118th day has index 117.
    assert int(first_reach(accumulate(mean_water_degree_days(np.full(200, 20.0), lower=8.7)), 1332.0)) == 117


def test_anax_junius_never_emerges_from_cold_water() -> None:
    cumulative = accumulate(mean_water_degree_days(np.full((365, 2), [8.7, 10.0]), lower=8.7))
    assert first_reach(cumulative, 1332.0).tolist() == [NEVER, NEVER]


# ---------------------------------------------------------------- units


def test_sums_scale_without_offset() -> None:
    # 35 °F·day is the greatest daily value between 55 and 90 °F: 12.78 and 32.22 °C.
    assert float(fahrenheit_sum_to_celsius(35.0)) == pytest.approx(32.2222 - 12.7778, abs=1e-4)
    assert fahrenheit_sum_to_celsius([0.0, 9.0]).tolist() == [0, 5]


@pytest.mark.parametrize("cutoff", CUTOFFS)
@pytest.mark.parametrize("name", METHODS)
def test_same_season_in_fahrenheit_gives_equal_dates(name: str, cutoff: str) -> None:
    rng = np.random.default_rng(23)
    days = np.arange(300)[:, None]
    mean = 11 - 14 * np.cos(2 * np.pi * (days - 20) / 365) + rng.normal(0, 3, (300, 40))
    half = rng.uniform(1, 9, (300, 40))
    celsius = {"tmin": mean - half, "tmax": mean + half}
    if name.startswith("double"):
        celsius["tmin_next"] = np.roll(mean - half, -1, axis=0)
    fahrenheit = {key: 1.8 * values + 32 for key, values in celsius.items()}
    requirement = np.array([100.0, 400.0, 900.0, 9000.0])[:, None]
    in_c = first_reach(accumulate(METHODS[name](**celsius, lower=10.0, upper=28.0, cutoff=cutoff)), requirement)
    sums_f = accumulate(METHODS[name](**fahrenheit, lower=50.0, upper=82.4, cutoff=cutoff))
    in_f = first_reach(sums_f, 1.8 * requirement)
    assert (in_c == in_f).all()
    assert (in_c[:3] < NEVER).all() and (in_c[3] == NEVER).all()
    assert (first_reach(fahrenheit_sum_to_celsius(sums_f), requirement) == in_c).all()

"""Regions: weekly shares, departures, and how dates climb, against planted slopes and a real set of ice dates."""

from __future__ import annotations

import csv
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from emergence.dates import NEVER
from emergence.forecast.regions import (
    Climb,
    climb,
    height_band,
    median_known,
    middle,
    most_like,
    split_error,
    weekly_active,
)

DATA = Path(__file__).parent / "data"
HOPKINS_PER_100M = 4 / (400 * 0.3048 / 100)
"""Four days for each 400 feet: Hopkins 1920, The bioclimatic law, J Wash Acad Sci 10:34-40."""


def test_bands_begin_at_whole_steps_below_the_sea_too() -> None:
    assert height_band([0.0, 299.9, 300.0, -1.0, 1350.0], 300.0).tolist() == [0, 0, 300, -300, 1200]


def test_weekly_share_is_that_of_members_under_way_on_any_day() -> None:
    rng = np.random.default_rng(1)
    onset = rng.integers(-20, 60, (3, 40)).astype(np.int16)
    end = (onset + rng.integers(0, 25, onset.shape)).astype(np.int16)
    onset[0, :5] = end[0, :5] = NEVER
    end[1, :4] = NEVER
    share = weekly_active(onset, end, -14, 9)
    for lake in range(3):
        for week in range(9):
            days = range(-14 + 7 * week, -14 + 7 * week + 7)
            pairs = zip(onset[lake].tolist(), end[lake].tolist(), strict=True)
            on = [any(a <= d <= b for d in days) and a != NEVER for a, b in pairs]
            assert share[lake, week] == pytest.approx(np.mean(on))


def test_middle_counts_members_that_never_come() -> None:
    offsets = np.array([[1, 2, 3, NEVER], [1, 2, NEVER, NEVER], [5, NEVER, NEVER, NEVER]], dtype=np.int16)
    assert middle(offsets)[0] == 2.5
    assert np.isnan(middle(offsets)[1:]).all()


def test_median_of_what_is_known_is_numpy_s() -> None:
    values = np.random.default_rng(2).normal(size=(9, 6))
    values[values > 0.8] = np.nan
    values[:, 5] = np.nan
    assert median_known(values)[:5] == pytest.approx(np.nanmedian(values[:, :5], axis=0))
    assert np.isnan(median_known(values)[5])


def planted(seed: int, *, lakes: int = 24, noise: float = 3.0) -> tuple[np.ndarray, np.ndarray, np.ndarray, np.ndarray]:
    """Return dates that climb 3 days for each 100 m and 4 for each degree, with lakes' own noise (synthetic)."""
    rng = np.random.default_rng(seed)
    height, latitude = rng.uniform(0, 1500, lakes), rng.uniform(48, 52, lakes)
    return 100 + 3 * height / 100 + 4 * latitude + rng.normal(0, noise, lakes), height, latitude, np.full(lakes, "r")


def test_interval_holds_the_planted_slope_as_often_as_it_says() -> None:
    inside = np.zeros(2)
    for seed in range(300):
        found = climb(*planted(seed))
        assert found.per_100m is not None and found.per_degree is not None
        inside += [found.per_100m.low <= 3 <= found.per_100m.high, found.per_degree.low <= 4 <= found.per_degree.high]
    low, high = stats.binom(300, 0.95).ppf([0.001, 0.999])  # 1 in 500 each
    assert all(low <= n <= high for n in inside)


def test_slopes_and_intervals_are_those_of_least_squares() -> None:
    days, height, latitude, region = planted(5)
    design = np.column_stack([np.ones(24), height / 100, latitude])
    beta, rest, *_ = np.linalg.lstsq(design, days, rcond=None)
    sd = np.sqrt(rest[0] / 21 * np.linalg.inv(design.T @ design).diagonal())
    found = climb(days, height, latitude, region)
    assert found.per_100m is not None and found.per_degree is not None
    for k, slope in ((1, found.per_100m), (2, found.per_degree)):
        half = stats.t(21).ppf(0.975) * sd[k]
        assert (slope.days, slope.low, slope.high) == pytest.approx((beta[k], beta[k] - half, beta[k] + half))
    assert found.scatter_days == pytest.approx(np.sqrt(rest[0] / 21))


def test_wanted_lakes_bring_the_interval_to_a_day() -> None:
    wanted = [climb(*planted(seed, noise=20.0)).lakes_wanted for seed in range(40)]
    found = [climb(*planted(40 + k, lakes=many, noise=20.0)).per_100m for k, many in enumerate(wanted)]
    half = [(slope.high - slope.low) / 2 for slope in found if slope is not None]
    assert min(wanted) > 24 and len(half) == 40
    assert np.median(half) == pytest.approx(1.0, abs=0.12)  # each varies by a fifth with the lakes drawn, so 3 sd


def test_a_late_lowland_region_does_not_flatten_the_slope() -> None:
    rng = np.random.default_rng(3)
    region = np.repeat(["coast", "valley", "fell"], 8)
    height = np.concatenate([rng.uniform(0, 300, 8), rng.uniform(200, 600, 8), rng.uniform(700, 1400, 8)])
    late = {"coast": 25.0, "valley": 0.0, "fell": 0.0}
    days = 120 + 3 * height / 100 + [late[r] for r in region] + rng.normal(0, 1.5, 24)
    within = climb(days, height, np.full(24, 50.0), region).per_100m
    across = climb(days, height, np.full(24, 50.0), np.full(24, "")).per_100m
    assert within is not None and within.low <= 3 <= within.high and within.high - within.low < 1.5
    assert across is not None and across.high < 3


def test_latitude_that_goes_with_height_is_not_told_apart() -> None:
    days, height, _, region = planted(6)
    found = climb(days, height, 48 + height / 500 + 0.05 * np.sin(height), region)
    assert found.together and found.per_degree is None and found.per_100m is not None


def between(seed: int, *, regions: int) -> Climb:
    """Fit lakes of small regions that climb as `planted`, each region with a climate of its own (synthetic)."""
    rng = np.random.default_rng(seed)
    region = np.repeat(np.arange(regions), 10)
    height, latitude = rng.uniform(0, 1500, len(region)), 48 + region * 0.8 + rng.uniform(0, 0.1, len(region))
    climate, own = rng.normal(0, 6.0, regions)[region], rng.normal(0, 3.0, len(region))
    return climb(100 + 3 * height / 100 + 4 * latitude + climate + own, height, latitude, region)


def test_regions_tell_latitude_among_them_each_counting_once() -> None:
    """Lakes taken one by one would give intervals some three times too narrow: ten lakes share one climate."""
    found = [between(seed, regions=8).per_degree for seed in range(200)]
    inside = sum(slope.low <= 4 <= slope.high for slope in found if slope is not None)
    low, high = stats.binom(200, 0.95).ppf([0.001, 0.999])
    assert low <= inside <= high
    assert between(1, regions=4).per_degree is None


def test_south_counts_polewards() -> None:
    days, height, latitude, region = planted(7)
    assert climb(days, height, -latitude, region) == climb(days, height, latitude, region)


def test_few_or_level_lakes_give_no_slope() -> None:
    days, height, latitude, region = planted(8)
    assert climb(days[:4], height[:4], latitude[:4], region[:4]).per_100m is None
    assert climb(days, np.full(24, 300.0), np.full(24, 50.0), region).per_100m is None
    assert climb(np.full(24, np.nan), height, latitude, region).lakes == 0
    assert climb([], [], [], []).per_100m is None


def test_new_england_ice_out_climbs_as_hopkins_found() -> None:
    """Ice-out of 26 lakes, 1971-1980: Hodgkins, James & Huntington 2002, Int J Climatol 22:1819 (US Geol. Survey).

    The height slope holds Hopkins's in its interval. The latitude slope is steeper than his four days: the south of
    New England lies at the sea, whose winters are mild; it is not compared.
    """
    with (DATA / "new_england_ice_out.csv").open(encoding="utf-8") as file:
        rows = list(csv.DictReader(file))
    middles = [np.median([float(row[str(year)]) for year in range(1971, 1981)]) for row in rows]
    columns = [np.array([float(row[name]) for row in rows]) for name in ("elevation_m", "latitude")]
    found = climb(middles, *columns, np.full(len(rows), "New England"))
    assert found.lakes == 26
    assert found.per_100m is not None and found.per_degree is not None
    assert found.per_100m.low <= HOPKINS_PER_100M <= found.per_100m.high
    assert found.per_100m.high - found.per_100m.low < 2.5  # ± 1.25 days: no slope and twice Hopkins's lie outside
    assert found.per_100m.low > 0 and found.per_100m.high < 2 * HOPKINS_PER_100M
    assert found.per_degree.low > 4.0


def test_most_like_is_the_nearest_and_latest_year() -> None:
    years = np.array([2001, 2002, 2003, 2004])
    assert most_like(-8.0, years, np.array([-7.0, 2.0, -9.0, np.nan])) == 2003
    assert most_like(float("nan"), years, np.zeros(4)) is None
    assert most_like(1.0, years, np.full(4, np.nan)) is None


def test_split_error_is_that_of_the_mean_of_both_halves() -> None:
    rng = np.random.default_rng(4)
    halves = rng.normal(0, 3.0, (2, 4000))
    assert split_error(*halves) == pytest.approx(halves.mean(axis=0).std(), rel=0.1)  # 4000 draws: 1 in 60 and more
    assert np.isnan(split_error(np.full(5, np.nan), np.zeros(5)))

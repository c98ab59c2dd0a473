"""Height corrections against the published table and rates."""

import numpy as np
import pytest
import statsmodels.api as sm

from emergence.records import Stations
from emergence.weather.lapse import (
    VARIABLES,
    height_correction,
    height_sd,
    lake_height_sd,
    learned_lapse,
    mixed_estimate,
    monthly_lapse,
    table_lapse,
)

KUNKEL_1989 = (4.4, 5.9, 7.1, 7.8, 8.1, 8.2, 8.1, 8.1, 7.7, 6.8, 5.5, 4.7)
"""Monthly lapse rates of the mountainous western United States [°C/km], Kunkel 1989 J Climate 2:656."""
ANNUAL = {"tmax": 6.5, "tmin": 4.0, "tmean": 5.5}
"""tmax: Blandford et al. 2008 J Appl Meteorol Climatol 47:249; tmin, tmean: our priors within their findings."""


@pytest.mark.parametrize("variable", ANNUAL)
def test_annual_mean_is_the_rate_and_the_shape_is_kunkels(variable: str) -> None:
    rates = monthly_lapse(variable)
    # exact arithmetic, so rounding of doubles only
    assert rates.mean() == pytest.approx(ANNUAL[variable], rel=1e-12)
    assert rates / rates[0] == pytest.approx(np.array(KUNKEL_1989) / KUNKEL_1989[0], rel=1e-12)


@pytest.mark.parametrize(
    ("variable", "month", "per_km"),
    # 6.5 * 8.2 / 6.86667 and so on, worked by hand to two decimals
    [("tmax", 6, -7.76), ("tmax", 1, -4.17), ("tmin", 6, -4.78), ("tmean", 12, -3.76)],
)
def test_a_lake_a_kilometre_above_is_colder(variable: str, month: int, per_km: float) -> None:
    assert height_correction(1000.0, month, variable, False) == pytest.approx(per_km, abs=0.005)
    assert height_correction(-500.0, month, variable, False) == pytest.approx(-per_km / 2, abs=0.005)


def test_south_is_half_a_year_apart() -> None:
    months = np.arange(1, 13)
    north = height_correction(800.0, months, "tmean", False)
    south = height_correction(800.0, months, "tmean", True)
    assert south == pytest.approx(np.roll(north, 6))
    assert south[0] == pytest.approx(north[6])


def test_broadcasts_over_lakes_and_months() -> None:
    dz = np.array([0.0, 300.0, -300.0])
    out = height_correction(dz[None, :], np.arange(1, 13)[:, None], "tmin", np.array([[False, True, False]]))
    assert out.shape == (12, 3)
    assert np.all(out[:, 0] == 0.0)
    assert out[6, 1] == pytest.approx(-out[0, 2])


def test_uncertainty_grows_with_height() -> None:
    # +-0.9 °C over 600 m at 1.5 °C/km
    assert height_sd(np.array([600.0, -600.0, 0.0])) == pytest.approx([0.9, 0.9, 0.0])


def test_table_by_station() -> None:
    table = table_lapse([False, True])
    for v, variable in enumerate(VARIABLES):
        for row, southern in enumerate((False, True)):
            per_km = -height_correction(1000.0, np.arange(1, 13), variable, southern)
            assert table.rate_c_km[row, v] == pytest.approx(per_km, rel=1e-12)
    assert np.all(table.sd_c_km == 1.5)
    assert table.learned_from.tolist() == [0, 0]


def test_mixed_estimate_against_statsmodels() -> None:
    """Theil and Goldberger's prior is one more observation a coefficient: WLS on the longer table says the same."""
    rng = np.random.default_rng(4)
    design = np.column_stack([np.ones(9), rng.normal(0, 1, (9, 3))])
    values, precision = rng.normal(8, 2, 9), rng.uniform(0.5, 2.0, 9)
    mean, sd = np.array([0.0, 0.0, 0.0, -5.5]), np.array([np.inf, 1.0, 1.0, 1.5])
    ours, covariance = mixed_estimate(design, values, precision, prior_mean=mean, prior_sd=sd)
    longer = np.vstack([design, np.eye(4)[1:]])
    weights = np.concatenate([precision, sd[1:] ** -2.0])
    fit = sm.WLS(np.concatenate([values, mean[1:]]), longer, weights=weights).fit(cov_type="fixed scale")
    # the same normal equations solved by another route: rounding only
    assert ours == pytest.approx(fit.params, rel=1e-9)
    assert np.sqrt(np.diag(covariance)) == pytest.approx(fit.bse, rel=1e-9)
    plain, _ = mixed_estimate(design, values, precision, prior_mean=mean, prior_sd=np.full(4, np.inf))
    assert plain == pytest.approx(sm.WLS(values, design, weights=precision).fit().params, rel=1e-9)


PLANTED = np.array([2.0, 3.0, 5.0, 7.0, 8.0, 8.5, 8.5, 8.0, 7.0, 5.0, 3.0, 2.0])
"""Synthetic: planted fall with height [°C/km], January to December."""


def _planted(n: int, *, seed: int = 3, scatter: float = 0.5, heights: float = 1800.0) -> tuple[Stations, np.ndarray]:
    """Synthetic stations in a box of 200 km: planted rates, 0.6 °C/100 km northward, scatter from siting."""
    rng = np.random.default_rng(seed)
    ids = np.array([f"s{i:02d}" for i in range(n)], dtype=object)
    lat, lon, z = rng.uniform(46.0, 47.8, n), rng.uniform(9.0, 11.5, n), rng.uniform(200.0, 200.0 + heights, n)
    stations = Stations(ids, ids, lat, lon, z)
    level = 12.0 - 12.0 * np.cos(2 * np.pi * np.arange(12) / 12.0)
    plane = level - PLANTED * z[:, None] / 1000.0 - 0.6 * (lat[:, None] - 47.0) * 1.112
    factor = np.array([0.8, 1.0, 1.2])[:, None] * PLANTED - PLANTED
    normals = plane[:, None] - factor * z[:, None, None] / 1000.0 + rng.normal(0, scatter, (n, 3, 12))
    return stations, normals


def test_planted_rates_come_back_within_their_error() -> None:
    off = []
    for seed in range(6):
        stations, normals = _planted(30, seed=seed)
        lapse = learned_lapse(stations, normals)
        truth = np.array([0.8, 1.0, 1.2])[:, None] * PLANTED
        learned = lapse.learned_from >= 20
        assert learned.sum() >= 15
        off.append(((lapse.rate_c_km - truth) / lapse.sd_c_km)[learned].ravel())
        table = table_lapse(stations.latitude < 0)
        # far nearer the truth than the table, whose rates are not the planted ones
        error = np.abs(lapse.rate_c_km - truth)[learned].mean()
        assert error < 0.5 * np.abs(table.rate_c_km - truth)[learned].mean()
        assert np.all(lapse.sd_c_km[learned] < 1.2)
    # 0.5 °C/km for a valley's own rate is in the sd and not planted, so z is narrow; 3 sd would be 0.3 % if it were not
    assert np.mean(np.abs(np.concatenate(off)) < 2.0) > 0.95


def test_few_or_level_stations_leave_the_table() -> None:
    for n, heights in ((3, 1800.0), (30, 150.0)):
        stations, normals = _planted(n, heights=heights)
        lapse = learned_lapse(stations, normals)
        table = table_lapse(stations.latitude < 0)
        assert np.array_equal(lapse.rate_c_km, table.rate_c_km)
        assert np.array_equal(lapse.sd_c_km, table.sd_c_km)
        assert not lapse.learned_from.any()


def test_height_in_line_with_place_is_not_learned() -> None:
    """Five stations that climb steadily to the north: height and latitude cannot be told apart (synthetic)."""
    ids = np.array(list("abcde"), dtype=object)
    lat = 49.0 + 0.4 * np.arange(5)
    stations = Stations(ids, ids, lat, np.full(5, 8.0), 300.0 * np.arange(5))
    normals = np.broadcast_to(15.0 - 9.0 * stations.elevation_m[:, None, None] / 1000.0, (5, 3, 12))
    assert not learned_lapse(stations, normals).learned_from.any()


def test_stations_elsewhere_and_order_change_no_rate() -> None:
    stations, normals = _planted(20)
    alone = learned_lapse(stations, normals)
    away, cold = _planted(5, seed=9)
    ids = np.array([f"a{i}" for i in range(5)], dtype=object)  # before the others in order of id
    away = Stations(ids, ids, away.latitude + 9.0, away.longitude, away.elevation_m)
    both = Stations(
        *(np.concatenate([b, a]) for a, b in zip(vars(stations).values(), vars(away).values(), strict=True))
    )
    lapse = learned_lapse(both, np.concatenate([cold - 20.0, normals]))
    assert np.array_equal(lapse.rate_c_km[5:], alone.rate_c_km)
    turned = learned_lapse(stations.take(slice(None, None, -1)), normals[::-1])
    assert np.array_equal(turned.rate_c_km[::-1], alone.rate_c_km)
    some = learned_lapse(stations, normals, around=np.array([4]))
    assert np.array_equal(some.rate_c_km[4], alone.rate_c_km[4])


def test_a_month_without_normals_keeps_the_table() -> None:
    stations, normals = _planted(30)
    normals[:, 0, 6] = np.nan
    lapse, table = learned_lapse(stations, normals), table_lapse(stations.latitude < 0)
    assert np.array_equal(lapse.rate_c_km[:, 0, 6], table.rate_c_km[:, 0, 6])
    assert np.all(lapse.rate_c_km[:, 2, 6] != table.rate_c_km[:, 2, 6])


def test_stations_above_and_below_cancel() -> None:
    sd = np.array([[1.5, 1.5]])
    half = np.array([[0.5, 0.5]])
    assert lake_height_sd(half, np.array([[400.0, -400.0]]), sd) == pytest.approx([0.0])
    assert lake_height_sd(half, np.array([[400.0, 200.0]]), sd) == pytest.approx([0.45])
    # one station, as `height_sd`; beyond 1000 m 1.5 °C/km more
    one = np.array([[1.0, 0.0]])
    assert lake_height_sd(one, np.array([[600.0, np.nan]]), sd) == pytest.approx([0.9])
    assert lake_height_sd(one, np.array([[1800.0, np.nan]]), sd) == pytest.approx([2.7 + 1.2])

"""Height corrections against the published table and rates."""

import numpy as np
import pytest

from emergence.weather.lapse import height_correction, height_sd, monthly_lapse

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

"""Day length and radiation against published examples, almanac values and an independent library (pvlib)."""

import csv
import doctest
from pathlib import Path

import numpy as np
import pandas as pd
import pvlib
import pytest

from emergence import solar

MJ_PER_DAY = 0.0864
"""W m-2 to MJ m-2 d-1."""
MM_PER_MJ = 0.408
"""Water evaporated by 1 MJ m-2 [mm] (Allen et al. 1998, Table 3)."""
YEAR = np.arange(1, 366)

with (Path(__file__).parent / "data/daylength_checks.csv").open(encoding="utf-8", newline="") as _file:
    ROWS = list(csv.DictReader(_file))


def evaluate(row: dict[str, str]) -> float:
    """Return our value of a row's quantity."""
    latitude, day = float(row["lat_deg"]), int(row["doy"])
    radiation = MJ_PER_DAY * solar.extraterrestrial_radiation(latitude, day)
    hours = 24 / np.pi * solar.sunset_hour_angle(latitude, day)
    quantities = {
        "dr": solar.inverse_relative_distance(day),
        "delta_rad": solar.declination(day),
        "omega_s_rad": solar.sunset_hour_angle(latitude, day),
        "Ra_MJ_m2_d": radiation,
        "Ra_mm_d": MM_PER_MJ * radiation,
        "N_h": hours,
        "Rs_MJ_m2_d_for_n=220/31h": (0.25 + 0.5 * 220 / 31 / hours) * radiation,
        "daylength_h": solar.day_length(latitude, day),
        "daylength_h(p=0.8333)": solar.day_length(latitude, day, sun_angle_deg=0.8333),
    }
    return float(quantities[row["quantity"]])


@pytest.mark.parametrize("row", ROWS, ids=lambda r: f"{r['kind']} {r['quantity']} {r['lat_deg']} {r['date']}")
def test_published_values(row: dict[str, str]) -> None:
    # tol: half a unit of the printed digit; almanac clock times are rounded to the minute and a table of one
    # place is known by rounded latitude only.
    assert evaluate(row) == pytest.approx(float(row["value"]), abs=float(row["tol"]))


@pytest.mark.parametrize("row", [r for r in ROWS if r["kind"] == "daylength_CBM"], ids=lambda r: r["date"])
def test_day_length_as_printed_and_by_another_sun(row: dict[str, str]) -> None:
    # 6e-5: the formula of Forsythe et al. 1995 evaluated elsewhere, printed with four decimals.
    assert evaluate(row) == pytest.approx(float(row["value"]), abs=6e-5)
    # 0.08 h: the model's worst difference from an almanac sun (Meeus' equations, zenith 90.833) up to 60 degrees.
    assert evaluate(row) == pytest.approx(float(row["calc"]), abs=0.08)


# Most minutes by which a day may be off: the model has a fixed sun for each day of the year while the true one drifts
# through the leap cycle (up to 0.2 degrees at the equinoxes); that weighs more the higher the latitude.
@pytest.mark.parametrize(
    ("latitude", "minutes"), [(0, 0.3), (30, 1.8), (40, 2.5), (50, 3.5), (60, 5.0), (-35, 2.1), (-45, 2.9)]
)
def test_day_length_follows_pvlib(latitude: float, minutes: float) -> None:
    days = pd.date_range("2023-01-01", "2023-12-31", freq="D", tz="UTC")
    sun = pvlib.solarposition.sun_rise_set_transit_spa(days, latitude, 0.0, how="numpy")
    hours = (sun["sunset"] - sun["sunrise"]).dt.total_seconds().to_numpy() / 3600 % 24
    difference = 60 * (solar.day_length(latitude, YEAR) - hours)
    assert np.abs(difference).max() < minutes
    # Over the year the drift cancels: 0.15 min would show an angle at the horizon that is 0.02 degrees off.
    assert abs(difference.mean()) < 0.15


def test_declinations_follow_pvlib() -> None:
    spencer = np.degrees(pvlib.solarposition.declination_spencer71(YEAR))
    cooper = np.degrees(pvlib.solarposition.declination_cooper69(YEAR))
    # 0.05 degrees: Spencer's own error is 0.035 (Spencer 1971).
    assert np.degrees(solar.declination_forsythe(YEAR)) == pytest.approx(spencer, abs=0.05)
    # 0.12 degrees: the same sine as Cooper's with amplitude and phase rounded to 0.409 and 1.39 rad.
    assert np.degrees(solar.declination(YEAR)) == pytest.approx(cooper, abs=0.12)


def test_distance_follows_pvlib() -> None:
    spencer = pvlib.irradiance.get_extra_radiation(YEAR, method="spencer", solar_constant=1.0)
    # 0.003: a cosine with its maximum on 1 January instead of about the 3rd.
    assert solar.inverse_relative_distance(YEAR) == pytest.approx(spencer, abs=0.003)


@pytest.mark.parametrize("latitude", [0.0, 45.0, 60.0, -35.0, 70.0])
def test_radiation_is_the_integral_over_the_day(latitude: float) -> None:
    tilt = pvlib.solarposition.declination_cooper69(YEAR)[:, None]
    hour = np.radians(np.arange(0.125, 360, 0.25) - 180)
    phi = np.radians(latitude)
    height = np.sin(phi) * np.sin(tilt) + np.cos(phi) * np.cos(tilt) * np.cos(hour)
    beam = pvlib.irradiance.get_extra_radiation(YEAR, method="spencer", solar_constant=1366.7)
    # 2 W m-2: 0.1 degrees of declination (1 W m-2) and 0.3 % of distance (1.3 W m-2 at most).
    expected = beam * np.maximum(height, 0).mean(axis=1)
    assert solar.extraterrestrial_radiation(latitude, YEAR) == pytest.approx(expected, abs=2.0)


@pytest.mark.parametrize("latitude", [30.0, 60.0, -35.0])
def test_radiation_follows_the_true_sun(latitude: float) -> None:
    times = pd.date_range("2023-01-01", "2024-01-01", freq="20min", tz="UTC", inclusive="left")
    zenith = pvlib.solarposition.get_solarposition(times, latitude, 0.0, method="nrel_numpy")["zenith"].to_numpy()
    beam = pvlib.irradiance.get_extra_radiation(YEAR, method="spencer", solar_constant=1366.7)
    expected = beam * np.maximum(np.cos(np.radians(zenith)), 0).reshape(365, -1).mean(axis=1)
    # 12 W m-2: the plain sine lags the true declination by up to 1.5 degrees in autumn.
    assert solar.extraterrestrial_radiation(latitude, YEAR) == pytest.approx(expected, abs=12.0)


def test_polar_day_and_night() -> None:
    hours = solar.day_length([[80.0], [-80.0], [90.0], [-90.0]], [172, 355])
    assert hours.tolist() == [[24, 0], [0, 24], [24, 0], [0, 24]]
    assert solar.sunset_hour_angle([80.0, -80.0], 172).tolist() == [np.pi, 0]
    assert solar.extraterrestrial_radiation(-80.0, 172) == pytest.approx(0.0, abs=1e-9)


def test_south_is_half_a_year_apart() -> None:
    # 0.2 h: half a year shifts the sun by less than 2 degrees from its mirror image.
    assert solar.day_length(-45.0, YEAR[:180] + 183) == pytest.approx(solar.day_length(45.0, YEAR[:180]), abs=0.2)
    assert solar.day_length(-45.0, 355) > 15


def test_twilight_lengthens_the_day() -> None:
    hours = solar.day_length(45.0, 80, sun_angle_deg=[0.0, 0.26667, 0.8333, 6.0])
    assert (np.diff(hours) > 0).all()
    # At an equinox the sun sets at 15 degrees an hour times the cosine of the latitude.
    assert hours[3] - hours[0] == pytest.approx(2 * 6 / 15 / np.cos(np.pi / 4), abs=0.01)


def test_shapes_broadcast_and_nan_passes() -> None:
    assert solar.day_length(np.zeros((1, 3)), np.ones((5, 1))).shape == (5, 3)
    assert solar.extraterrestrial_radiation(np.zeros((1, 3)), np.ones((5, 1))).shape == (5, 3)
    assert np.isnan(solar.day_length([np.nan, 45.0], 100)).tolist() == [True, False]
    assert np.isnan(solar.extraterrestrial_radiation([np.nan, 45.0], 100)).tolist() == [True, False]


@pytest.mark.parametrize("function", [solar.day_length, solar.extraterrestrial_radiation, solar.sunset_hour_angle])
def test_impossible_places_and_days(function: "np.ufunc") -> None:
    with pytest.raises(ValueError, match=r"latitude_deg must lie within -90\.\.90: 2 of 3 .* 91 at flat index 1"):
        function([45.0, 91.0, -95.0], 100)
    with pytest.raises(ValueError, match=r"day_of_year must lie within 1\.\.366: 1 of 2 .* 367 at flat index 1"):
        function(45.0, [366, 367])


def test_examples_in_docstrings() -> None:
    result = doctest.testmod(solar)
    assert result.attempted > 0 and result.failed == 0


def test_equation_of_time_is_spencers() -> None:
    ours = solar.equation_of_time(YEAR)
    assert ours == pytest.approx(pvlib.solarposition.equation_of_time_spencer71(YEAR), abs=1e-9)


@pytest.mark.parametrize(("latitude", "longitude"), [(50.0, -30.0), (-41.0, 174.0), (60.0, 11.0)])
def test_sun_hours_against_an_independent_library(latitude: float, longitude: float) -> None:
    """pvlib's SPA (NREL). 6 minutes: day length is good to 5 at 60 degrees (3 at 50), the equation of time to 1."""
    dates = pd.date_range("2025-01-01", periods=365, tz="UTC")
    noon = dates + pd.Timedelta(hours=12 - longitude / 15)
    theirs = pvlib.solarposition.sun_rise_set_transit_spa(noon, latitude, longitude)
    ours = solar.sun_hours(latitude, longitude, YEAR)
    for hours, name in zip(ours, ("sunrise", "transit", "sunset"), strict=True):
        apart = hours - ((theirs[name] - dates).dt.total_seconds() / 3600).to_numpy()
        assert np.abs((apart + 12) % 24 - 12).max() < 0.1, name

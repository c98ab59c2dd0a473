"""Calendar means and daily ranges: recovery of a known truth, and sense where nothing was observed."""

import numpy as np
import pytest

from emergence.weather.climate import (
    DAYS_OF_YEAR,
    annual_amplitude,
    calendar_mean,
    calendar_offset,
    half_range_by_month,
    half_range_prior,
)

YEARS = 20
DOY = np.tile(np.arange(1, 366), YEARS)


def _truth(doy: np.ndarray) -> np.ndarray:
    """A continental year: level 5, amplitude 15, coldest on day 24, a small half-year term [°C]."""
    angle = 2 * np.pi * (doy - 24) / 365.25
    return 5.0 - 15.0 * np.cos(angle) - 0.6 * np.cos(2 * angle)


def _weather(n: int, seed: int = 3) -> np.ndarray:
    """Autocorrelated daily departures, sd 4.5 °C, lag-one correlation 0.75."""
    rng = np.random.default_rng(seed)
    out = np.empty(n)
    last = 0.0
    for i, shock in enumerate(rng.normal(size=n)):
        last = 0.75 * last + 4.5 * np.sqrt(1 - 0.75**2) * shock
        out[i] = last
    return out


def test_recovers_a_known_year() -> None:
    fit = calendar_mean(DOY, _truth(DOY) + _weather(len(DOY)), latitude=46.0, elevation_m=500.0)
    # sampling error of the level 4.5*sqrt(7/7300) = 0.14, of each harmonic term sqrt(2) as much
    assert np.abs(fit - _truth(DAYS_OF_YEAR)).max() < 0.8
    assert annual_amplitude(fit) == pytest.approx(15.0, abs=0.4)


def test_a_long_record_drowns_the_prior() -> None:
    values = _truth(DOY) + _weather(len(DOY))
    places = [calendar_mean(DOY, values, latitude=lat, elevation_m=0.0) for lat in (46.0, 30.0)]
    # the priors differ by 9.7 °C in level
    assert np.abs(places[0] - places[1]).max() < 0.15


def test_three_years_without_winters_still_give_a_winter() -> None:
    summer = (DOY >= 121) & (DOY <= 304)
    values = np.where(summer, _truth(DOY) + _weather(len(DOY)), np.nan)[: 3 * 365]
    fit = calendar_mean(DOY[: 3 * 365], values, latitude=46.0, elevation_m=500.0)
    inside = (DAYS_OF_YEAR >= 121) & (DAYS_OF_YEAR <= 304)
    # three summers are known to 4.5*sqrt(7/550) = 0.5 °C
    assert np.abs(fit - _truth(DAYS_OF_YEAR))[inside].max() < 2.0
    assert -25 < fit.min() < -2
    assert np.argmin(fit) < 60 or np.argmin(fit) > 340


@pytest.mark.parametrize(
    ("latitude", "elevation_m", "level", "amplitude", "coldest"),
    # level 27 - 0.008 lat² - 5.5 z/1000; amplitude 0.25 and 0.13 °C a degree (our priors)
    [(46.0, 500.0, 7.32, 11.5, 20), (-45.0, 300.0, 9.15, 5.85, 203), (0.0, 0.0, 27.0, 0.0, None)],
)
def test_without_data_the_latitude_speaks(
    latitude: float, elevation_m: float, level: float, amplitude: float, coldest: int | None
) -> None:
    none = np.array([], dtype=np.int64)
    fit = calendar_mean(none, np.array([]), latitude=latitude, elevation_m=elevation_m)
    assert fit[:365].mean() == pytest.approx(level, abs=0.02)  # 365 days of a year of 365.25
    assert annual_amplitude(fit) == pytest.approx(amplitude, abs=0.02)
    if coldest is not None:
        assert np.argmin(fit) + 1 == coldest


def test_missing_values_count_for_nothing() -> None:
    values = _truth(DOY)
    holes = np.where(DOY % 3 == 0, np.nan, values)
    kept = np.isfinite(holes)
    first = calendar_mean(DOY, holes, latitude=46.0, elevation_m=0.0)
    second = calendar_mean(DOY[kept], holes[kept], latitude=46.0, elevation_m=0.0)
    assert np.array_equal(first, second)


def test_offset_leans_to_nothing_without_common_days() -> None:
    assert calendar_offset(DOY, np.full(len(DOY), np.nan), southern=False) == pytest.approx(np.zeros(366))
    # one value on each of 365 days: level times n/3.5² / (n/3.5² + 1/1.5²); harmonics nearly uncoupled
    one = calendar_offset(DOY[:365], np.full(365, 2.0), southern=False)
    assert one.mean() == pytest.approx(2.0 * (365 / 12.25) / (365 / 12.25 + 1 / 2.25), abs=0.001)
    # 7300 common days with variance 3.5² against a prior sd of 1.5: shrunk by less than 0.1 %
    assert calendar_offset(DOY, np.full(len(DOY), 2.0), southern=False) == pytest.approx(2.0, abs=0.01)


def test_half_range_prior_by_month_and_sea() -> None:
    inland = half_range_prior(14.0, southern=False)
    assert inland.tolist() == [4.6, 5.0, 5.4, 6.0, 6.3, 6.3, 6.3, 6.2, 6.0, 5.4, 4.4, 4.3]
    # maxima 5.5 to 6.8 °C above the mean in May and June at continental sites, less in winter
    assert np.all((inland[[4, 5]] >= 5.5) & (inland[[4, 5]] <= 6.8))
    assert inland[[11, 0]].max() < inland[4] - 1.0
    assert half_range_prior(3.0, southern=False) == pytest.approx(0.45 * inland)
    assert half_range_prior(8.0, southern=False) == pytest.approx(0.725 * inland)
    assert half_range_prior(14.0, southern=True)[11] == pytest.approx(inland[5])


def test_half_range_needs_twenty_five_days() -> None:
    month = np.repeat([1, 2], [25, 24])
    out = half_range_by_month(month, np.full(49, 4.0))
    assert out[0] == 4.0
    assert np.all(np.isnan(out[1:]))

"""Station air moved to lakes, in blocks."""

import datetime as dt

import numpy as np
import pytest

from emergence.dates import day_number, day_of_year
from emergence.records import StationSeries
from emergence.weather.block import LakeWeather, Legs, lake_record, lake_weather
from emergence.weather.gaps import FilledSeries, fill_record
from emergence.weather.traces import CALENDAR_YEAR


def _day(year: int, month: int, day: int) -> int:
    return day_number(dt.date(year, month, day))


AS_OF = _day(2012, 5, 15)
LEGS = Legs(_day(2011, 9, 1), AS_OF, _day(2012, 12, 31))
FIRST = _day(2000, 1, 1)
AHEAD = LEGS.horizon - AS_OF


def _station(seed: int, latitude: float = 46.0, half: float = 5.0) -> FilledSeries:
    days = np.arange(FIRST, AS_OF + 1)
    rng = np.random.default_rng(seed)
    sign = 1.0 if latitude < 0 else -1.0
    mean = 6.0 + sign * 12.0 * np.cos(2 * np.pi * (day_of_year(days) - 20) / 365.25) + rng.normal(0, 3, len(days))
    series = StationSeries(f"s{seed}", FIRST, mean - half, mean + half, mean)
    return fill_record(series, neighbours=[], first_day=FIRST, last_day=AS_OF, latitude=latitude, elevation_m=300.0)


STATIONS = [_station(1), _station(2), _station(3, latitude=-45.0)]
YEARS = np.array([[2009, 2010, 2011], [2009, 2010, CALENDAR_YEAR], [2009, 2010, 2011]])
INDEX = np.array([0, 0, 1, 2])
DZ = np.array([0.0, 400.0, -200.0, 300.0])
SOUTH = np.array([False, False, False, True])


@pytest.fixture(scope="module")
def weather() -> LakeWeather:
    return lake_weather(STATIONS, INDEX, DZ, SOUTH, legs=LEGS, years=YEARS)


def test_shapes_and_types(weather: LakeWeather) -> None:
    for name in ("tmin", "tmean", "tmax"):
        known, ahead = getattr(weather, f"known_{name}"), getattr(weather, f"ahead_{name}")
        assert known.shape == (258, 4)  # 1 September 2011 to 15 May 2012
        assert ahead.shape == (AHEAD, 4, 3)
        assert known.dtype == ahead.dtype == np.float32
        assert ahead.flags.c_contiguous


def test_a_lake_beside_its_station_has_its_air(weather: LakeWeather) -> None:
    at = LEGS.sim_start - FIRST
    # float32 keeps seven digits
    assert weather.known_tmean[:, 0] == pytest.approx(STATIONS[0].tmean_c[at:], abs=1e-5)
    trace = _day(2010, 5, 16) - FIRST
    assert weather.ahead_tmax[:, 0, 1] == pytest.approx(STATIONS[0].tmax_c[trace : trace + AHEAD], abs=1e-5)


@pytest.mark.parametrize(
    ("name", "june"),
    # annual rate * 8.2 / 6.86667 * 0.4 km (Kunkel 1989; Blandford et al. 2008)
    [("tmin", -1.91), ("tmean", -2.63), ("tmax", -3.10)],
)
def test_a_lake_above_is_colder_by_month(weather: LakeWeather, name: str, june: float) -> None:
    ahead = getattr(weather, f"ahead_{name}")
    difference = ahead[:, 1, :] - ahead[:, 0, :]
    first_of_june = _day(2012, 6, 1) - AS_OF - 1
    assert difference[first_of_june] == pytest.approx(june, abs=0.006)
    known = getattr(weather, f"known_{name}")
    january = _day(2012, 1, 10) - LEGS.sim_start
    assert known[january, 1] - known[january, 0] == pytest.approx(june * 4.4 / 8.2, abs=0.006)


def test_southern_months_are_half_a_year_apart() -> None:
    level = lake_weather(STATIONS, INDEX, 0 * DZ, SOUTH, legs=LEGS, years=YEARS)
    above = lake_weather(STATIONS, INDEX, np.full(4, 1000.0), SOUTH, legs=LEGS, years=YEARS)
    fall = (level.known_tmean - above.known_tmean)[_day(2012, 1, 10) - LEGS.sim_start]
    # 5.5 * 4.4 / 6.86667 in January of the north, 5.5 * 8.1 / 6.86667 in the south
    assert fall == pytest.approx([3.52, 3.52, 3.52, 6.49], abs=0.01)


def test_a_slot_without_past_holds_the_calendar_mean(weather: LakeWeather) -> None:
    plain = lake_weather(STATIONS, np.array([1]), np.zeros(1), np.zeros(1, bool), legs=LEGS, years=YEARS)
    days = np.arange(AS_OF + 1, LEGS.horizon + 1)
    assert plain.ahead_tmean[:, 0, 2] == pytest.approx(STATIONS[1].calendar_c[day_of_year(days) - 1], abs=1e-5)


def test_the_range_never_turns_over() -> None:
    narrow = _station(4, half=0.5)
    out = lake_weather(
        [narrow], np.zeros(2, int), np.array([2500.0, -2500.0]), np.zeros(2, bool), legs=LEGS, years=YEARS[:1]
    )
    for leg in ("known", "ahead"):
        low, mean, high = (getattr(out, f"{leg}_{name}") for name in ("tmin", "tmean", "tmax"))
        assert np.all(low <= mean)
        assert np.all(mean <= high)


def test_other_lakes_and_stations_change_nothing(weather: LakeWeather) -> None:
    alone = lake_weather([STATIONS[1]], np.array([0]), DZ[2:3], SOUTH[2:3], legs=LEGS, years=YEARS[1:2])
    order = np.array([3, 2, 0, 1])
    turned = lake_weather(STATIONS, INDEX[order], DZ[order], SOUTH[order], legs=LEGS, years=YEARS)
    for name in ("known_tmin", "known_tmean", "known_tmax", "ahead_tmin", "ahead_tmean", "ahead_tmax"):
        here = getattr(weather, name)
        assert np.array_equal(getattr(alone, name)[:, 0], here[:, 2]), name
        assert np.array_equal(getattr(turned, name), here[:, order]), name


def test_the_last_day_of_a_season_has_nothing_ahead() -> None:
    out = lake_weather(STATIONS, INDEX, DZ, SOUTH, legs=LEGS._replace(horizon=AS_OF), years=YEARS)
    assert out.ahead_tmean.shape == (0, 4, 3)


def test_a_record_beyond_the_issue_date_is_refused() -> None:
    with pytest.raises(ValueError, match="after the issue date 2012-05-14"):
        lake_weather(STATIONS, INDEX, DZ, SOUTH, legs=LEGS._replace(as_of=AS_OF - 1), years=YEARS)


def test_a_record_too_short_is_refused() -> None:
    with pytest.raises(ValueError, match="does not cover 1999-12-01"):
        lake_weather(STATIONS, INDEX, DZ, SOUTH, legs=LEGS._replace(sim_start=_day(1999, 12, 1)), years=YEARS)


def test_a_lake_without_station_is_refused() -> None:
    with pytest.raises(ValueError, match="1 lakes have no station"):
        lake_weather(STATIONS, np.array([0, -1]), DZ[:2], SOUTH[:2], legs=LEGS, years=YEARS)


def test_whole_record() -> None:
    out = lake_record(STATIONS, INDEX, DZ, SOUTH, first_day=FIRST, last_day=AS_OF)
    assert out.first_day == FIRST
    assert out.tmean.shape == out.how.shape == (AS_OF - FIRST + 1, 4)
    assert out.tmean.dtype == np.float32
    assert np.all(out.how == 0)
    assert out.tmean[:, 0] == pytest.approx(STATIONS[0].tmean_c, abs=1e-5)

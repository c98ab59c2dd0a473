"""Station air moved to lakes, in blocks."""

import dataclasses
import datetime as dt
import pickle

import numpy as np
import pytest

from emergence.dates import day_number, day_of_year
from emergence.records import StationSeries
from emergence.weather import block
from emergence.weather.block import LakeWeather, Legs, lake_record, lake_weather
from emergence.weather.gaps import CALENDAR, FilledSeries, fill_record
from emergence.weather.lapse import Lapse, table_lapse
from emergence.weather.mix import Links, link_stations, station_normals, usual_air
from emergence.weather.neighbours import Assignment
from emergence.weather.traces import CALENDAR_YEAR, Slots, lay_traces


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
STATION_SOUTH = np.array([False, False, True])


def _links(index: np.ndarray, weight: np.ndarray, dz: np.ndarray, lapse: Lapse) -> Links:
    """Links of lakes to stations: all (lakes,) for one station a lake, or (lakes, K)."""
    index, weight, dz = (np.asarray(a).reshape(len(index), -1) for a in (index, weight, dz))
    assignment = Assignment(index, weight, np.where(index >= 0, 1.0, np.nan), np.where(index >= 0, dz, np.nan))
    return link_stations(assignment, np.arange(len(lapse.rate_c_km)), lapse)


def _one(index: np.ndarray, dz: np.ndarray, south: np.ndarray = STATION_SOUTH) -> Links:
    return _links(index, np.ones(len(index)), dz, table_lapse(south))


def _sky(year: np.ndarray, slot_year: tuple[int, ...] = (2009, 2010, 2011)) -> Slots:
    slots = np.array(slot_year)
    return Slots(tuple(f"s{i}" for i in range(len(year))), slots, year, year == slots)


LINKS, SKY = _one(INDEX, DZ), _sky(YEARS)


@pytest.fixture(scope="module")
def weather() -> LakeWeather:
    return lake_weather(STATIONS, LINKS, legs=LEGS, sky=SKY)


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
    level = lake_weather(STATIONS, _one(INDEX, 0 * DZ), legs=LEGS, sky=SKY)
    above = lake_weather(STATIONS, _one(INDEX, np.full(4, 1000.0)), legs=LEGS, sky=SKY)
    fall = (level.known_tmean - above.known_tmean)[_day(2012, 1, 10) - LEGS.sim_start]
    # 5.5 * 4.4 / 6.86667 in January of the north, 5.5 * 8.1 / 6.86667 in the south
    assert fall == pytest.approx([3.52, 3.52, 3.52, 6.49], abs=0.01)


def test_a_slot_without_past_holds_the_calendar_mean(weather: LakeWeather) -> None:
    plain = lake_weather(STATIONS, _one(np.array([1]), np.zeros(1)), legs=LEGS, sky=SKY)
    days = np.arange(AS_OF + 1, LEGS.horizon + 1)
    assert plain.ahead_tmean[:, 0, 2] == pytest.approx(STATIONS[1].calendar_c[day_of_year(days) - 1], abs=1e-5)


def test_the_range_never_turns_over() -> None:
    narrow = _station(4, half=0.5)
    links = _one(np.zeros(2, int), np.array([2500.0, -2500.0]), np.zeros(1, bool))
    out = lake_weather([narrow], links, legs=LEGS, sky=_sky(YEARS[:1]))
    for leg in ("known", "ahead"):
        low, mean, high = (getattr(out, f"{leg}_{name}") for name in ("tmin", "tmean", "tmax"))
        assert np.all(low <= mean)
        assert np.all(mean <= high)


def test_other_lakes_and_stations_change_nothing(weather: LakeWeather) -> None:
    links = _one(np.array([0]), DZ[2:3], np.zeros(1, bool))
    alone = lake_weather([STATIONS[1]], links, legs=LEGS, sky=_sky(YEARS[1:2]))
    order = np.array([3, 2, 0, 1])
    turned = lake_weather(STATIONS, LINKS.take(order), legs=LEGS, sky=SKY)
    for name in ("known_tmin", "known_tmean", "known_tmax", "ahead_tmin", "ahead_tmean", "ahead_tmax"):
        here = getattr(weather, name)
        assert np.array_equal(getattr(alone, name)[:, 0], here[:, 2]), name
        assert np.array_equal(getattr(turned, name), here[:, order]), name


def test_the_last_day_of_a_season_has_nothing_ahead() -> None:
    out = lake_weather(STATIONS, LINKS, legs=LEGS._replace(horizon=AS_OF), sky=SKY)
    assert out.ahead_tmean.shape == (0, 4, 3)


def test_a_record_beyond_the_issue_date_is_refused() -> None:
    with pytest.raises(ValueError, match="after the issue date 2012-05-14"):
        lake_weather(STATIONS, LINKS, legs=LEGS._replace(as_of=AS_OF - 1), sky=SKY)


def test_a_record_too_short_is_refused() -> None:
    with pytest.raises(ValueError, match="does not cover 1999-12-01"):
        lake_weather(STATIONS, LINKS, legs=LEGS._replace(sim_start=_day(1999, 12, 1)), sky=SKY)


def test_a_lake_without_station_is_refused() -> None:
    with pytest.raises(ValueError, match="1 lakes have no station"):
        _one(np.array([0, -1]), DZ[:2])


def test_whole_record() -> None:
    out = lake_record(STATIONS, LINKS, first_day=FIRST, last_day=AS_OF)
    assert out.first_day == FIRST
    assert out.tmean.shape == out.how.shape == (AS_OF - FIRST + 1, 4)
    assert out.tmean.dtype == np.float32
    assert np.all(out.how == 0)
    assert out.tmean[:, 0] == pytest.approx(STATIONS[0].tmean_c, abs=1e-5)


# ---------------------------------------------------------------- several stations


HOLE = slice(_day(2011, 11, 1) - FIRST, _day(2012, 2, 1) - FIRST)


def _broken(seed: int, warmer: float, hole: slice = HOLE) -> FilledSeries:
    """A station with a hole of months that nobody fills; its level lies ``warmer`` [°C] above the others'."""
    whole = _station(seed)
    parts = [np.array(v + warmer) for v in (whole.tmin_c, whole.tmax_c, whole.tmean_c)]
    for part in parts:
        part[hole] = np.nan
    series = StationSeries(whole.station_id, FIRST, *parts)
    return fill_record(series, neighbours=[], first_day=FIRST, last_day=AS_OF, latitude=46.0, elevation_m=300.0)


def _pair(weight: tuple[float, float], stations: int = 2) -> Links:
    rate = table_lapse(np.zeros(stations, bool))
    return _links(np.array([[0, 1]]), np.array([weight]), np.array([[0.0, 0.0]]), rate)


def test_weighted_mean_of_two_stations() -> None:
    out = lake_record(STATIONS[:2], _pair((0.7, 0.3)), first_day=FIRST, last_day=AS_OF)
    for name in ("tmin", "tmean", "tmax"):
        both = 0.7 * getattr(STATIONS[0], f"{name}_c") + 0.3 * getattr(STATIONS[1], f"{name}_c")
        # float32 sums of numbers below 50
        assert getattr(out, name)[:, 0] == pytest.approx(both, abs=1e-5)


def test_each_station_is_moved_by_its_own_rate() -> None:
    rate = np.stack([np.full((3, 12), 4.0), np.full((3, 12), 9.0)])
    lapse = Lapse(rate, np.full((2, 3, 12), 0.8), np.array([8, 8]))
    links = _links(np.array([[0, 1]]), np.array([[0.75, 0.25]]), np.array([[600.0, -200.0]]), lapse)
    # 0.75 * -4 * 0.6 + 0.25 * 9 * 0.2 and 0.8 * |0.75 * 0.6 - 0.25 * 0.2|, by hand
    assert links.correction_c == pytest.approx(np.full((1, 3, 12), -1.35))
    assert links.height_sd_c == pytest.approx([0.32])


def test_no_jump_where_a_record_ends_or_begins() -> None:
    """A station 6 °C warmer falls silent: the lake keeps its level and takes the other's departures (synthetic)."""
    stations = [STATIONS[0], _broken(5, 6.0)]
    assert np.all(stations[1].how[HOLE] == CALENDAR)
    out = lake_record(stations, _pair((0.6, 0.4)), first_day=FIRST, last_day=AS_OF)
    days = np.arange(FIRST, AS_OF + 1)
    usual = [f.calendar_c[day_of_year(days) - 1] for f in stations]
    normal = 0.6 * usual[0] + 0.4 * usual[1]
    departure = stations[0].tmean_c - usual[0]
    # in the hole: the level of both, the departure of the one that was measured, in full
    assert out.tmean[HOLE, 0] == pytest.approx((normal + departure)[HOLE], abs=1e-4)
    assert np.all(out.how[HOLE, 0] == 0)
    before = slice(0, HOLE.start)
    plain = 0.6 * stations[0].tmean_c + 0.4 * stations[1].tmean_c
    assert out.tmean[before, 0] == pytest.approx(plain[before], abs=1e-5)
    # the mean level in the hole is that of the usual, not 0.4 * 6 °C lower
    level = (out.tmean[HOLE, 0] - normal[HOLE]).mean() - departure[HOLE].mean()
    assert abs(level) < 1e-3
    mirrored = lake_record(stations[::-1], _pair((0.4, 0.6)), first_day=FIRST, last_day=AS_OF)
    assert mirrored.tmean == pytest.approx(out.tmean, abs=1e-4)
    assert np.all(mirrored.how[HOLE] == 0)


def test_all_silent_is_the_usual_of_all() -> None:
    stations = [_broken(4, 0.0), _broken(5, 6.0)]
    links = _pair((0.6, 0.4))
    out = lake_record(stations, links, first_day=FIRST, last_day=AS_OF)
    days = np.arange(FIRST, AS_OF + 1)
    assert out.tmean[HOLE, 0] == pytest.approx(usual_air(stations, links, days)[HOLE, 0], abs=1e-5)
    assert np.all(out.how[HOLE, 0] == CALENDAR)


def test_one_sky_over_a_lake() -> None:
    """Where stations lay different years, only those with the slot's own year give the departures."""
    year = np.array([[2009, 2010, 2005], [2009, 2010, 2011]])
    stations = STATIONS[:2]
    out = lake_weather(stations, _pair((0.6, 0.4)), legs=LEGS, sky=_sky(year))
    days = np.arange(AS_OF + 1, LEGS.horizon + 1)
    usual = [f.calendar_c[day_of_year(days) - 1] for f in stations]

    def trace(k: int, y: int) -> np.ndarray:
        start = _day(y, 5, 16) - FIRST
        return stations[k].tmean_c[start : start + AHEAD]

    for slot, y in ((0, 2009), (1, 2010)):
        assert out.ahead_tmean[:, 0, slot] == pytest.approx(0.6 * trace(0, y) + 0.4 * trace(1, y), abs=1e-5)
    normal = 0.6 * usual[0] + 0.4 * usual[1]
    assert out.ahead_tmean[:, 0, 2] == pytest.approx(normal + trace(1, 2011) - usual[1], abs=1e-4)
    # none has the slot's year: the heaviest station's substitute alone
    year = np.array([[2009, 2010, 2005], [2009, 2010, 2003]])
    out = lake_weather(stations, _pair((0.6, 0.4)), legs=LEGS, sky=_sky(year))
    assert out.ahead_tmean[:, 0, 2] == pytest.approx(normal + trace(0, 2005) - usual[0], abs=1e-4)
    # a station without any past says nothing of the sky
    year = np.array([[CALENDAR_YEAR] * 3, [2009, 2010, 2004]])
    out = lake_weather(stations, _pair((0.6, 0.4)), legs=LEGS, sky=_sky(year))
    assert out.ahead_tmean[:, 0, 2] == pytest.approx(normal + trace(1, 2004) - usual[1], abs=1e-4)


def test_several_stations_do_not_depend_on_other_lakes() -> None:
    stations = [*STATIONS, _broken(5, 6.0)]
    index = np.array([[0, 1, 3], [3, 0, -1], [2, -1, -1], [1, 3, 0]])
    weight = np.array([[0.5, 0.3, 0.2], [0.8, 0.2, 0.0], [1.0, 0.0, 0.0], [0.6, 0.3, 0.1]])
    dz = np.array([[100.0, -50.0, 30.0], [10.0, 20.0, 0.0], [5.0, 0.0, 0.0], [-300.0, 200.0, 100.0]])
    links = _links(index, weight, dz, table_lapse(np.array([False, False, True, False])))
    sky = _sky(np.array([[2009, 2010, 2011], [2009, 2010, 2005], [2009, 2010, 2011], [2009, CALENDAR_YEAR, 2007]]))
    every = lake_weather(stations, links, legs=LEGS, sky=sky)
    for k in range(4):
        alone = lake_weather(stations, links.take(np.array([k])), legs=LEGS, sky=sky)
        for name in ("known_tmin", "known_tmean", "known_tmax", "ahead_tmin", "ahead_tmean", "ahead_tmax"):
            assert np.array_equal(getattr(alone, name)[:, 0], getattr(every, name)[:, k]), (name, k)


def test_monthly_normals() -> None:
    days = np.arange(FIRST, AS_OF + 1)
    broken = _broken(5, 6.0)
    normals = station_normals(broken)
    january = (days.astype("datetime64[D]").astype("datetime64[M]").astype(int) % 12 == 0) & (broken.how != CALENDAR)
    assert normals[1, 0] == pytest.approx(broken.tmean_c[january].mean())
    assert normals[0] == pytest.approx(normals[1] - 5.0, abs=0.05)
    mute = _broken(5, 0.0, slice(30, None))  # 30 days of one January
    assert np.isnan(station_normals(mute)).all()


def test_traces_are_laid_once_for_all_blocks_and_no_longer_than_their_record(monkeypatch: pytest.MonkeyPatch) -> None:
    asked: list[str] = []

    def counted(filled: FilledSeries, **kwargs: object) -> tuple[np.ndarray, ...]:
        asked.append(filled.station_id)
        return lay_traces(filled, **kwargs)

    monkeypatch.setattr(block, "lay_traces", counted)
    fresh = [dataclasses.replace(s) for s in STATIONS]
    first, second = (lake_weather(fresh, LINKS, legs=LEGS, sky=SKY) for _ in range(2))
    np.testing.assert_array_equal(first.ahead_tmax, second.ahead_tmax)
    assert sorted(asked) == sorted(set(asked)) and len(asked) > 1
    other_years = dataclasses.replace(SKY, year=SKY.year[:, ::-1])
    turned = lake_weather(fresh, LINKS, legs=LEGS, sky=other_years)
    assert len(asked) == 2 * len(set(asked)) and (turned.ahead_tmean != first.ahead_tmean).any()
    sent = pickle.loads(pickle.dumps(fresh[0]))
    assert len(pickle.dumps(sent)) == len(pickle.dumps(dataclasses.replace(fresh[0])))
    np.testing.assert_array_equal(
        lake_weather([sent, *fresh[1:]], LINKS, legs=LEGS, sky=SKY).ahead_tmin, first.ahead_tmin
    )

"""The gap policy, on gaps made by hand."""

import datetime as dt

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emergence.dates import day_number, day_of_year
from emergence.records import StationSeries
from emergence.weather.gaps import (
    CALENDAR,
    GAP_POLICY,
    INTERPOLATED,
    NEIGHBOUR,
    OBSERVED,
    FilledSeries,
    Neighbour,
    fill_record,
    first_fill_day,
    gap_counts,
    interpolate_short,
    too_little,
    truncate,
)

FIRST = day_number(dt.date(2001, 1, 1))
N = 4 * 365 + 1
LAST = FIRST + N - 1
NAN = float("nan")


def _year(days: np.ndarray) -> np.ndarray:
    return 6.0 - 14.0 * np.cos(2 * np.pi * (day_of_year(days) - 22) / 365.25)


def _anomaly(seed: int, n: int = N) -> np.ndarray:
    rng = np.random.default_rng(seed)
    return np.convolve(rng.normal(size=n + 6), np.ones(7) / np.sqrt(7), "valid") * 3.0


def _series(
    tmean: np.ndarray, *, first: int = FIRST, name: str = "here", half: np.ndarray | float = NAN
) -> StationSeries:
    return StationSeries(name, first, tmean - half, tmean + half, tmean)


def _fill(
    series: StationSeries, *neighbours: Neighbour, first: int = FIRST, last: int = LAST, latitude: float = 46.0
) -> FilledSeries:
    return fill_record(
        series, neighbours=neighbours, first_day=first, last_day=last, latitude=latitude, elevation_m=500.0
    )


@pytest.fixture
def full() -> np.ndarray:
    days = np.arange(FIRST, LAST + 1)
    return _year(days) + _anomaly(1)


def test_policy_has_its_name() -> None:
    assert GAP_POLICY == "interpolate-3, neighbour, calendar-mean"


def test_three_days_are_interpolated_four_are_not(full: np.ndarray) -> None:
    holes = full.copy()
    holes[100:103] = np.nan
    holes[200:204] = np.nan
    filled = _fill(_series(holes))
    step = (full[103] - full[99]) / 4
    assert filled.tmean_c[100:103] == pytest.approx(full[99] + step * np.array([1, 2, 3]))
    assert filled.how[100:103].tolist() == [INTERPOLATED] * 3
    assert filled.how[200:204].tolist() == [CALENDAR] * 4
    assert filled.tmean_c[200:204] == pytest.approx(filled.calendar_c[np.arange(200, 204)])
    assert np.array_equal(filled.tmean_c[:100], full[:100])


def test_gaps_at_the_ends_are_not_interpolated(full: np.ndarray) -> None:
    holes = full.copy()
    holes[:2], holes[-2:] = np.nan, np.nan
    filled = _fill(_series(holes))
    assert filled.how[:2].tolist() == filled.how[-2:].tolist() == [CALENDAR] * 2


def test_middle_of_minimum_and_maximum_stands_in_for_the_mean(full: np.ndarray) -> None:
    series = StationSeries("here", FIRST, full - 4.0, full + 6.0, np.full(N, np.nan))
    filled = _fill(series)
    assert filled.tmean_c == pytest.approx(full + 1.0)
    assert np.all(filled.how == OBSERVED)
    assert not filled.range_estimated.any()
    assert filled.tmin_c == pytest.approx(full - 4.0)


def test_given_mean_is_kept_beside_minimum_and_maximum(full: np.ndarray) -> None:
    filled = _fill(StationSeries("here", FIRST, full - 4.0, full + 6.0, full))
    assert np.array_equal(filled.tmean_c, full)


def test_means_alone_get_the_stated_range(full: np.ndarray) -> None:
    filled = _fill(_series(full))
    assert filled.range_estimated.all()
    assert filled.tmax_c - filled.tmean_c == pytest.approx(filled.tmean_c - filled.tmin_c)
    may = 120 + np.arange(20)
    # continental table, 6.3 °C in May; the amplitude of 14 °C counts as continental
    assert (filled.tmax_c - filled.tmean_c)[may] == pytest.approx(6.3)
    assert (filled.tmax_c - filled.tmean_c)[0] == pytest.approx(4.6)


def test_range_comes_from_the_neighbour_that_has_both(full: np.ndarray) -> None:
    without = _series(full - 1.0, name="without")
    both = _series(full + 1.0, name="both", half=3.0)
    filled = _fill(_series(full), (without, 0.0), (both, 0.0))
    assert filled.half_range_c == pytest.approx(3.0)
    assert filled.range_estimated.all()


def test_own_range_goes_before_the_neighbours(full: np.ndarray) -> None:
    half = np.where(np.arange(N) < 365, 5.0, np.nan)
    filled = _fill(_series(full, half=half), (_series(full, half=3.0, name="other"), 0.0))
    assert filled.half_range_c == pytest.approx(5.0)
    assert not filled.range_estimated[:365].any()
    assert filled.range_estimated[370:].all()


def test_short_gaps_of_the_range_are_interpolated(full: np.ndarray) -> None:
    half = np.full(N, 5.0)
    half[50:52], half[52] = np.nan, 7.0
    filled = _fill(_series(full, half=half))
    assert (filled.tmax_c - filled.tmean_c)[49:53] == pytest.approx([5.0, 5 + 2 / 3, 5 + 4 / 3, 7.0])
    assert not filled.range_estimated.any()


def test_a_lone_maximum_gives_the_mean(full: np.ndarray) -> None:
    tmin, tmax, tmean = full - 5.0, full + 5.0, np.full(N, np.nan)
    tmin[300:310] = np.nan
    filled = _fill(StationSeries("here", FIRST, tmin, tmax, tmean))
    assert filled.tmean_c[300:310] == pytest.approx(full[300:310])
    assert filled.tmax_c[300:310] == pytest.approx(full[300:310] + 5.0)
    assert filled.how[300:310].tolist() == [OBSERVED] * 10
    assert filled.range_estimated[300:310].all()


def test_neighbour_fills_with_its_weather_and_our_climate(full: np.ndarray) -> None:
    holes = full.copy()
    holes[400:440] = np.nan
    filled = _fill(_series(holes), (_series(full + 4.0, name="warmer"), 0.0))
    assert filled.how[400:440].tolist() == [NEIGHBOUR] * 40
    # a constant difference, learned from 1421 days: shrunk by less than 1 % of 4 °C
    assert filled.tmean_c[400:440] == pytest.approx(full[400:440], abs=0.04)


def test_neighbour_without_common_days_is_moved_by_the_height(full: np.ndarray) -> None:
    own = _series(np.full(40, np.nan))
    filled = _fill(own, (_series(full, name="below"), 400.0), last=FIRST + 39)
    # January, 400 m above: 5.5 * 4.4 / 6.86667 * 0.4 = 1.41 °C colder
    assert filled.tmean_c[:31] == pytest.approx(full[:31] - 1.41, abs=0.005)


def test_best_neighbour_is_the_one_that_varies_with_us(full: np.ndarray) -> None:
    holes = full.copy()
    holes[400:440] = np.nan
    noisy = _series(full + _anomaly(5), name="noisy")
    true = _series(full - 2.0, name="true")
    short = _series(np.where(np.arange(N) > 380, full + 1.0, np.nan)[:470], name="short")
    for order in ((noisy, true, short), (short, true, noisy)):
        filled = _fill(_series(holes), *((one, 0.0) for one in order))
        assert filled.tmean_c[400:440] == pytest.approx(full[400:440], abs=0.04)


def test_second_neighbour_where_the_first_is_silent(full: np.ndarray) -> None:
    holes = full.copy()
    holes[400:440] = np.nan
    best = full.copy()
    best[410:420] = np.nan
    filled = _fill(_series(holes), (_series(best, name="a"), 0.0), (_series(full + _anomaly(5), name="b"), 0.0))
    assert filled.how[400:440].tolist() == [NEIGHBOUR] * 40
    errors = np.abs(filled.tmean_c - full)
    assert errors[400:410].max() < 0.05 < errors[410:420].max()


def test_reaches_beyond_the_record_on_both_sides(full: np.ndarray) -> None:
    filled = _fill(_series(full[100:200], first=FIRST + 100), first=FIRST - 700, last=FIRST + 900)
    assert (filled.first_day, filled.last_day) == (FIRST - 700, FIRST + 900)
    assert np.array_equal(filled.tmean_c[800:900], full[100:200])
    for values in (filled.tmin_c, filled.tmean_c, filled.tmax_c):
        assert len(values) == 1601
        assert np.isfinite(values).all()
    assert gap_counts(filled, FIRST - 700, FIRST + 900) == {
        "observed": 100, "interpolated": 0, "neighbour": 0, "calendar mean": 1501, "range estimated": 1601,
    }  # fmt: skip
    assert gap_counts(filled, FIRST + 190, FIRST + 205)["observed"] == 10
    assert sum(gap_counts(filled, FIRST - 9000, FIRST - 8000).values()) == 0


def test_part_of_a_record_learns_from_all_of_it(full: np.ndarray) -> None:
    holes = full.copy()
    holes[1000:1030] = np.nan
    whole, part = _fill(_series(holes)), _fill(_series(holes), first=FIRST + 990)
    assert part.first_day == FIRST + 990
    assert np.array_equal(part.tmean_c, whole.tmean_c[990:])


def test_an_empty_record_is_filled_by_the_latitude() -> None:
    filled = _fill(_series(np.array([])))
    assert np.all(filled.how == CALENDAR)
    assert "0 observed days" in too_little(filled, as_of=LAST)


def test_nothing_after_the_last_day_counts(full: np.ndarray) -> None:
    cut = FIRST + 1000
    holes = full.copy()
    holes[600:640] = np.nan
    holes[999:1001] = np.nan
    absurd = np.where(np.arange(N) > 1000, 99.0, holes)
    other = full + _anomaly(5)
    absurd_other = np.where(np.arange(N) > 1000, -99.0, other)
    honest = _fill(_series(holes, half=4.0), (_series(other, name="o"), 50.0), last=cut)
    misled = _fill(
        _series(absurd, half=np.where(np.arange(N) > 1000, 40.0, 4.0)),
        (_series(absurd_other, name="o", half=np.where(np.arange(N) > 1000, 1.0, NAN)), 50.0),
        last=cut,
    )
    for name in ("tmin_c", "tmax_c", "tmean_c", "how", "range_estimated", "calendar_c", "half_range_c"):
        assert np.array_equal(getattr(honest, name), getattr(misled, name)), name


def test_truncate_ends_on_the_day(full: np.ndarray) -> None:
    series = _series(full, half=2.0)
    assert truncate(series, FIRST + 9).last_day == FIRST + 9
    assert len(truncate(series, FIRST + 9).tmin_c) == 10
    assert len(truncate(series, FIRST - 1).tmean_c) == len(truncate(series, FIRST - 500).tmean_c) == 0
    assert len(truncate(series, LAST + 500).tmean_c) == N


def test_record_without_winters_gives_sane_winters() -> None:
    days = np.arange(FIRST, LAST + 1)
    doy = day_of_year(days)
    truth = _year(days) + _anomaly(2)
    filled = _fill(_series(np.where((doy > 125) & (doy < 310), truth, np.nan)))
    winter = filled.tmean_c[(doy < 60) | (doy > 340)]
    assert -25 < winter.min() < winter.max() < 5


def test_southern_gaps_have_their_winter_in_july(full: np.ndarray) -> None:
    filled = _fill(_series(np.full(N, np.nan)), latitude=-45.0)
    assert filled.calendar_c[195] < filled.calendar_c[14] - 8


@pytest.mark.parametrize("extreme", [-60.0, 48.0])
def test_extremes_pass_untouched(full: np.ndarray, extreme: float) -> None:
    values = full.copy()
    values[10] = extreme
    filled = _fill(_series(values, half=3.0))
    assert filled.tmean_c[10] == extreme
    assert filled.tmin_c[10] == pytest.approx(extreme - 3.0)
    assert filled.tmax_c[10] == pytest.approx(extreme + 3.0)


def test_what_is_too_little(full: np.ndarray) -> None:
    assert too_little(_fill(_series(full)), as_of=LAST) == ""
    assert "2003-09-28" in too_little(_fill(_series(full[:1001])), as_of=FIRST + 1030)
    assert too_little(_fill(_series(full[:1001])), as_of=FIRST + 1029) == ""
    assert "59 observed days" in too_little(_fill(_series(full[-59:], first=LAST - 58)), as_of=LAST)
    assert too_little(_fill(_series(full[-60:], first=LAST - 59)), as_of=LAST) == ""
    carried = _fill(_series(full[:1001]), (_series(full, name="other"), 0.0))
    assert too_little(carried, as_of=LAST) == ""


def test_filling_starts_with_the_first_calendar_year(full: np.ndarray) -> None:
    series = _series(full[:10], first=FIRST + 200)
    earlier = _series(full, first=FIRST - 100, name="other")
    start = day_number(dt.date(2000, 1, 1))
    assert first_fill_day(series, [], FIRST + 500) == FIRST
    assert first_fill_day(series, [(earlier, 0.0)], FIRST + 500) == start


def test_days_in_the_wrong_order_are_refused(full: np.ndarray) -> None:
    with pytest.raises(ValueError, match="lies before first_day"):
        _fill(_series(full), first=LAST, last=FIRST)


values = st.lists(st.one_of(st.just(NAN), st.floats(-40, 40)), min_size=1, max_size=40)


@given(values=values)
def test_interpolation_is_bounded_by_its_neighbours(values: list[float]) -> None:
    given_ = np.array(values)
    out, short = interpolate_short(given_, 3)
    known = np.isfinite(given_)
    assert np.array_equal(out[known], given_[known])
    assert np.array_equal(np.isfinite(out), known | short)
    for i in np.flatnonzero(short):
        low, high = given_[:i][known[:i]][-1], given_[i + 1 :][known[i + 1 :]][0]
        # a straight line between two values, to the rounding of doubles
        assert min(low, high) - 1e-9 <= out[i] <= max(low, high) + 1e-9


@given(mean=values, low=values, high=values)
def test_every_day_is_filled_and_in_order(mean: list[float], low: list[float], high: list[float]) -> None:
    n = min(len(mean), len(low), len(high))
    tmean, tmin, tmax = (np.array(v[:n]) for v in (mean, low, high))
    tmin, tmax = np.fmin(tmin, tmax), np.where(np.isnan(tmin) | np.isnan(tmax), tmax, np.fmax(tmin, tmax))
    series = StationSeries("here", FIRST, tmin, tmax, tmean)
    filled = _fill(series, first=FIRST - 5, last=FIRST + 50)
    assert len(filled.tmean_c) == 56
    assert np.all(filled.tmin_c <= filled.tmean_c)
    assert np.all(filled.tmean_c <= filled.tmax_c)

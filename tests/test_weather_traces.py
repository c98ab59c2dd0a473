"""Which past years stand for the days ahead, and how they are laid."""

import dataclasses
import datetime as dt

import numpy as np
import pytest

from emergence.dates import day_number, same_day_in, to_date
from emergence.records import StationSeries
from emergence.weather.ahead import Outlook
from emergence.weather.gaps import FilledSeries, fill_record
from emergence.weather.persistence import fit_persistence, trace_shift
from emergence.weather.traces import CALENDAR_YEAR, Slots, choose_slots, lay_traces


def _day(text: str) -> int:
    return day_number(dt.date.fromisoformat(text))


def _seen(first: str, last: str, *holes: tuple[str, str]) -> tuple[int, np.ndarray]:
    start = _day(first)
    seen = np.ones(_day(last) - start + 1, dtype=bool)
    for low, high in holes:
        seen[_day(low) - start : _day(high) - start + 1] = False
    return start, seen


def _choose(as_of: str, horizon: str, n_slots: int = 30, **observed: tuple[int, np.ndarray]) -> Slots:
    return choose_slots(observed, as_of=_day(as_of), horizon_day=_day(horizon), n_slots=n_slots)


def _filled(first: str, last: str) -> FilledSeries:
    """A record whose mean counts the days, so that every day can be told."""
    days = np.arange(_day(first), _day(last) + 1)
    values = days.astype(float)
    series = StationSeries("here", int(days[0]), values - 1.0, values + 2.0, values)
    return fill_record(
        series, neighbours=[], first_day=int(days[0]), last_day=int(days[-1]), latitude=46.0, elevation_m=0.0
    )


def test_latest_thirty_years_before_this_one() -> None:
    slots = _choose("2012-05-15", "2012-12-31", a=_seen("1950-01-01", "2012-05-15"))
    assert slots.slot_year.tolist() == list(range(1982, 2012))
    assert np.array_equal(slots.year[0], slots.slot_year)
    assert slots.joint.all()
    assert slots.without_past == ()
    assert to_date(slots.first_trace_day(_day("2012-05-15"))) == dt.date(1982, 5, 16)


def test_no_trace_reaches_past_the_issue_date() -> None:
    # on 20 October the next season is forecast too: 2011's trace would run to the end of 2012
    slots = _choose("2012-10-20", "2013-12-31", a=_seen("1950-01-01", "2019-12-31"))
    assert slots.slot_year[-1] == 2010
    # a horizon of exactly one year: the trace of 2011 ends on the issue date itself
    assert _choose("2012-10-20", "2013-10-19", a=_seen("1950-01-01", "2019-12-31")).slot_year[-1] == 2011


def test_what_comes_after_the_issue_date_changes_nothing() -> None:
    cut = _choose("2012-05-15", "2012-12-31", a=_seen("1990-01-01", "2012-05-15"))
    full = _choose("2012-05-15", "2012-12-31", a=_seen("1990-01-01", "2020-05-15"))
    assert np.array_equal(cut.slot_year, full.slot_year)
    assert np.array_equal(cut.year, full.year)


def test_sixty_percent_must_be_measured() -> None:
    # a trace of 1-10 June: 10 days
    six = _seen("2000-01-01", "2010-05-31", ("2005-06-07", "2005-06-10"))
    five = _seen("2000-01-01", "2010-05-31", ("2005-06-06", "2005-06-10"))
    assert 2005 in _choose("2010-05-31", "2010-06-10", a=six).slot_year
    assert 2005 not in _choose("2010-05-31", "2010-06-10", a=five).slot_year


def test_traces_run_over_new_year() -> None:
    seen = _seen("2000-01-01", "2010-11-30", ("2005-01-01", "2005-12-31"))
    slots = _choose("2010-11-30", "2011-11-29", a=seen)
    # of 364 days from 1 December 2004 only 31 are measured, from 1 December 2005 333 are
    assert slots.slot_year.tolist() == [2000, 2001, 2002, 2003, 2005, 2006, 2007, 2008, 2009]


def test_southern_season_spans_two_calendar_years() -> None:
    slots = _choose("2012-10-15", "2013-06-30", a=_seen("1990-01-01", "2012-10-15"))
    assert slots.slot_year[-1] == 2011
    filled = _filled("1990-01-01", "2012-10-15")
    n = _day("2013-06-30") - _day("2012-10-15")
    _, mean, _ = lay_traces(filled, as_of=_day("2012-10-15"), n_days=n, years=slots.year[0])
    assert to_date(int(mean[0, -1])) == dt.date(2011, 10, 16)
    # 2012 is a leap year, so that the trace ends one calendar day before 30 June
    assert to_date(int(mean[-1, -1])) == dt.date(2012, 6, 29)


def test_years_of_most_stations_come_first_and_others_fill_up() -> None:
    stations = {
        "long": _seen("1990-01-01", "2012-05-15"),
        "holed": _seen("2000-01-01", "2012-05-15", ("2008-01-01", "2008-12-31")),
        "other": _seen("2000-01-01", "2012-05-15", ("2008-01-01", "2008-12-31")),
    }
    slots = _choose("2012-05-15", "2012-12-31", 5, **stations)
    assert slots.slot_year.tolist() == [2006, 2007, 2009, 2010, 2011]
    slots = _choose("2012-05-15", "2012-12-31", 13, **stations)
    assert slots.slot_year.tolist() == list(range(1999, 2012))
    assert not slots.joint[1, slots.slot_year == 2008].any()


def test_substitutes_are_the_least_used_and_nearest() -> None:
    slots = _choose(
        "2012-05-15", "2012-12-31", 6,
        long=_seen("2000-01-01", "2012-05-15"),
        short=_seen("2009-01-01", "2012-05-15"),
        older=_seen("2000-01-01", "2012-05-15", ("2011-01-01", "2011-12-31")),
    )  # fmt: skip
    assert slots.slot_year.tolist() == [2006, 2007, 2008, 2009, 2010, 2011]
    # 2008 takes 2009, 2007 the next unused 2010, 2006 then 2011
    assert slots.year[1].tolist() == [2011, 2010, 2009, 2009, 2010, 2011]
    assert slots.joint[1].tolist() == [False, False, False, True, True, True]
    # a year outside the list goes before using one twice
    assert slots.year[2].tolist() == [2006, 2007, 2008, 2009, 2010, 2005]


def test_no_substitute_is_used_much_more_than_another() -> None:
    slots = _choose(
        "2012-05-15", "2012-12-31", long=_seen("1980-01-01", "2012-05-15"), short=_seen("2003-01-01", "2012-05-15")
    )
    _, uses = np.unique(slots.year[1], return_counts=True)
    assert slots.distinct_years.tolist() == [30, 9]
    assert sorted(uses.tolist()) == [3] * 6 + [4] * 3


def test_a_station_without_past_gets_its_calendar_mean() -> None:
    slots = _choose(
        "2012-05-15", "2012-12-31", new=_seen("2012-01-01", "2012-05-15"), old=_seen("2000-01-01", "2012-05-15")
    )
    assert slots.year[0].tolist() == [CALENDAR_YEAR] * 12
    assert not slots.joint[0].any()
    assert slots.joint[1].all()
    assert slots.without_past == ("new",)
    assert slots.distinct_years.tolist() == [0, 12]


def test_there_is_always_one_slot() -> None:
    slots = _choose("2012-05-15", "2012-12-31", new=_seen("2012-01-01", "2012-05-15"))
    assert slots.slot_year.tolist() == [CALENDAR_YEAR]
    assert slots.first_trace_day(_day("2012-05-15")) == _day("2012-05-16")
    assert _choose("2012-05-15", "2012-12-31").slot_year.tolist() == [CALENDAR_YEAR]


def test_a_station_keeps_its_years_when_others_come_and_the_list_stays() -> None:
    old = _seen("1950-01-01", "2012-05-15", ("1999-01-01", "1999-12-31"))
    alone = _choose("2012-05-15", "2012-12-31", 10, old=old)
    both = _choose("2012-05-15", "2012-12-31", 10, other=_seen("1960-01-01", "2012-05-15"), old=old)
    assert np.array_equal(alone.slot_year, both.slot_year)
    assert np.array_equal(alone.year[0], both.year[1])


def test_slots_refuse_a_horizon_in_the_past() -> None:
    with pytest.raises(ValueError, match="must not precede"):
        _choose("2012-05-15", "2012-05-14")
    with pytest.raises(ValueError, match="positive"):
        _choose("2012-05-15", "2012-05-20", 0)


def test_traces_begin_on_the_day_after_and_run_on() -> None:
    filled = _filled("2000-01-01", "2012-05-15")
    tmin, tmean, tmax = lay_traces(filled, as_of=_day("2012-05-15"), n_days=230, years=np.array([2003, 2011]))
    assert tmean.shape == (230, 2)
    assert tmean[:, 0] == pytest.approx(_day("2003-05-16") + np.arange(230))
    assert tmean[0, 1] == _day("2011-05-16")
    assert tmax - tmean == pytest.approx(np.full((230, 2), 2.0))
    assert tmean - tmin == pytest.approx(np.full((230, 2), 1.0))


def test_leap_day() -> None:
    filled = _filled("2000-01-01", "2012-02-29")
    _, after, _ = lay_traces(filled, as_of=_day("2012-02-29"), n_days=3, years=[2008, 2011])
    assert [to_date(int(d)) for d in after[0]] == [dt.date(2008, 3, 1), dt.date(2011, 3, 1)]
    _, before, _ = lay_traces(filled, as_of=_day("2012-02-28"), n_days=3, years=[2008, 2011])
    assert [to_date(int(d)) for d in before[0]] == [dt.date(2008, 2, 29), dt.date(2011, 3, 1)]


def test_calendar_year_lays_the_mean_of_the_days_ahead() -> None:
    filled = _filled("2012-01-01", "2012-05-15")
    tmin, tmean, tmax = lay_traces(filled, as_of=_day("2012-05-15"), n_days=230, years=[CALENDAR_YEAR])
    assert tmean[0, 0] == filled.calendar_c[137 - 1]  # 16 May of a leap year
    assert (tmax - tmean)[0, 0] == pytest.approx(filled.half_range_c[4])
    assert (tmean - tmin)[-1, 0] == pytest.approx(filled.half_range_c[11])


def test_nothing_ahead_is_nothing() -> None:
    filled = _filled("2000-01-01", "2012-12-31")
    assert lay_traces(filled, as_of=_day("2012-12-31"), n_days=0, years=[2003, CALENDAR_YEAR])[1].shape == (0, 2)


@pytest.mark.parametrize("year", [1999, 2012])
def test_traces_outside_the_record_are_refused(year: int) -> None:
    filled = _filled("2000-01-01", "2012-05-15")
    with pytest.raises(ValueError, match="reach outside the record"):
        lay_traces(filled, as_of=_day("2012-05-15"), n_days=20, years=[year])


def _weather(first: str, last: str, *holes: tuple[str, str], latitude: float = 46.0) -> FilledSeries:
    """A record of an invented climate with AR(1) weather (0.7 a day, 3 °C), and holes."""
    days = np.arange(_day(first), _day(last) + 1)
    rng = np.random.default_rng(7)
    noise, value = np.empty(len(days)), 0.0
    for k, shock in enumerate(rng.standard_normal(len(days))):
        value = 0.7 * value + 2.1 * shock
        noise[k] = value
    sign = 1.0 if latitude < 0 else -1.0
    mean = 8.0 + sign * 11.0 * np.cos(2 * np.pi * (days - 20) / 365.25) + noise
    for low, high in holes:
        mean[_day(low) - days[0] : _day(high) - days[0] + 1] = np.nan
    series = StationSeries("here", int(days[0]), mean - 4.0, mean + 5.0, mean)
    return fill_record(
        series, neighbours=[], first_day=int(days[0]), last_day=int(days[-1]), latitude=latitude, elevation_m=0.0
    )


@pytest.mark.parametrize(
    ("as_of", "n_days", "latitude"),
    [
        ("2012-05-15", 230, 46.0),
        ("2012-02-29", 306, 46.0),  # a leap day
        ("2012-11-20", 406, 46.0),  # over new year, into the next season
        ("2012-10-15", 258, -45.0),  # a southern spring, over new year
        ("2013-01-10", 171, -45.0),
    ],
)
def test_an_outlook_only_shifts_the_first_weeks_and_warms(as_of: str, n_days: int, latitude: float) -> None:
    filled = _weather(
        "1980-01-01", as_of, ("1995-02-01", "1995-06-30"), ("2003-04-01", "2003-12-31"), latitude=latitude
    )
    fit = fit_persistence(filled)
    years = [1981, 1995, 2003, 2008, 2010, CALENDAR_YEAR]
    kept = {"as_of": _day(as_of), "n_days": n_days, "years": years}
    plain, moved = lay_traces(filled, **kept), lay_traces(filled, **kept, outlook=Outlook(fit))
    shift = trace_shift(filled, fit, n_days=n_days, years=years)
    for before, after in zip(plain, moved, strict=True):
        assert after - before == pytest.approx(shift, abs=1e-9)
    assert np.all(moved[0] <= moved[1])
    assert np.all(moved[1] <= moved[2])
    # nothing is left of the last days at the end but the trend since the year
    ago = np.array([_day(as_of) - (same_day_in(y, _day(as_of)) if y >= 0 else fit.middle) for y in years])
    assert shift[-1] == pytest.approx(fit.warming_c * ago, abs=0.05)


def test_a_slot_of_this_very_sky_goes_on_smoothly() -> None:
    """If a past year's last days had been like this year's, its trace is laid as it was (but for the trend)."""
    filled = _weather("1980-01-01", "2012-05-15")
    at, past = len(filled.tmean_c), _day("1999-05-15") - filled.first_day + 1
    for values in (filled.tmin_c, filled.tmean_c, filled.tmax_c):
        values[at - 30 :] = values[past - 30 : past]
    fit = fit_persistence(filled)
    shift = trace_shift(filled, fit, n_days=10, years=[1999])
    # the trend moves departures of the two years apart, by less than it moves the trace
    trend = fit.warming_c * (_day("2012-05-15") - _day("1999-05-15"))
    assert shift[:, 0] == pytest.approx(np.full(10, trend), abs=abs(trend) + 0.15)


def test_slots_hold_the_outlook_of_each_station() -> None:
    slots = _choose("2012-05-15", "2012-12-31", a=_seen("1990-01-01", "2012-05-15"))
    assert slots.outlook_of(0) is None
    outlook = Outlook(fit_persistence(_weather("2000-01-01", "2012-05-15")))
    assert dataclasses.replace(slots, outlook=(outlook,)).outlook_of(0) is outlook

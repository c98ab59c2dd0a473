"""Past seasons forecast again: nothing of the season after the issue date gets in, and it is a forecast's code."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest

from emergence.dates import day_number, day_of_year, season_span, year_of
from emergence.degreedays.milestones import MILESTONES, passing_days
from emergence.records import IceDates, Readings, Season, StationSeries
from emergence.runs import hindcast
from emergence.runs.checked import checked_season
from emergence.runs.hindcast import (
    Ask,
    Rerun,
    chosen_readings,
    member_surface,
    near_lakes,
    observed_dates,
    rerun,
    rerun_all,
    targets,
    without,
    year_fits,
)
from emergence.runs.learn import learn_water
from emergence.runs.other_years import Known, others_first
from emergence.runs.plan import prepare
from emergence.runs.record import simulate_record
from emergence.season import read_season
from emergence.verification.hindcast import finished
from emergence.weather.gaps import FilledSeries, fill_record
from emergence.weather.persistence import departures
from tests.hindcast_season import TODAY, write_hindcast_season

EIGHT = MILESTONES[2]
ASK = Ask(years=(2007,), leads=(28,), milestones=(EIGHT,), lakes=("tarn",))
SPAN = season_span(2007, False)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return read_season(write_hindcast_season(tmp_path_factory.mktemp("hindcast")), today=TODAY)


def _weather(season: Season, days: slice, add: float) -> Season:
    town = season.weather["town"]
    mean = town.tmean_c.copy()
    mean[days] += add
    return dataclasses.replace(
        season, weather={"town": StationSeries("town", town.first_day, town.tmin_c, town.tmax_c, mean)}
    )


def _days(season: Season, first: int, last: int) -> slice:
    begin = season.weather["town"].first_day
    return slice(first - begin, last - begin + 1)


def _planted(season: Season, issue: int) -> Season:
    """An absurd rest of the target season: 60 °C warmer air, boiling readings, ice in August."""
    hot = _weather(season, _days(season, issue + 1, SPAN.end), 60.0)
    r = hot.readings
    mad = np.where((r.day > issue) & (r.day <= SPAN.end), 90.0, r.water_c)
    ice = IceDates(np.array(["tarn"], dtype=object), np.array([issue + 90]), np.array(["off"], dtype=object))
    return dataclasses.replace(hot, readings=dataclasses.replace(r, water_c=mad), ice=ice)


def _again(season: Season, honest: Season, ask: Ask = ASK) -> Rerun:
    """Re-run on a folder the target that the honest folder's readings define."""
    truths = observed_dates(honest, ask)
    part = targets(truths, ask, {"tarn": False})
    known = Known(season, SPAN, ask.past_only)
    fits = year_fits(known, season.lakes, truths, cut=part[0].issue)
    return next(iter(rerun(known, part, ask, truths, fits)))


def _bytes(found: Rerun) -> tuple[bytes, ...]:
    arrays = (found.members, found.other_date, found.hindsight, found.hindsight_sd, found.other_air_c, found.air_c)
    return (*(a.tobytes() for a in arrays), bytes([found.read]))


@pytest.fixture(scope="module")
def issue(season: Season) -> int:
    return targets(observed_dates(season, ASK), ASK, {"tarn": False})[0].issue


@pytest.fixture(scope="module")
def honest(season: Season) -> Rerun:
    return _again(season, season)


@pytest.mark.parametrize("past_only", [False, True])
def test_an_absurd_future_changes_no_byte(season: Season, issue: int, past_only: bool) -> None:
    ask = dataclasses.replace(ASK, past_only=past_only)
    found = _again(_planted(season, issue), season, ask)
    assert _bytes(found) == _bytes(_again(season, season, ask))
    assert found.read > 0


def test_what_is_given_in_the_end_knows_nothing_after_its_issue_date(
    season: Season, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Two milestones six weeks apart: what comes after the first one's issue date, the second one's readings and
    members among it, changes no byte of what is given for the first; for the second it does."""
    ask = dataclasses.replace(ASK, milestones=(MILESTONES[0], MILESTONES[3]))
    truths = observed_dates(season, ask)
    monkeypatch.setattr(hindcast, "observed_dates", lambda *_: truths)
    first, second = targets(truths, ask, {"tarn": False})
    assert second.issue > first.issue + 14

    def given(folder: Season) -> list[bytes]:
        return [g.members.tobytes() for g in finished(list(rerun_all(folder, ask)))]

    honest, planted = given(season), given(_planted(season, first.issue))
    assert planted[0] == honest[0]
    assert planted[1] != honest[1]


@pytest.mark.parametrize("moved_d", [-80, 150])
def test_what_came_in_the_season_has_no_say(season: Season, honest: Rerun, moved_d: int) -> None:
    truths = observed_dates(season, ASK)
    part = targets(truths, ASK, {"tarn": False})
    other = {key: {y: d + moved_d * (y == 2007) for y, d in dates.items()} for key, dates in truths.items()}
    known = Known(season, SPAN, False)
    fits = year_fits(known, season.lakes, other, cut=part[0].issue)
    assert _bytes(next(iter(rerun(known, part, ASK, other, fits)))) == _bytes(honest)


def test_the_days_up_to_the_issue_date_do_matter(season: Season, honest: Rerun, issue: int) -> None:
    warm = _again(_weather(season, _days(season, issue - 20, issue), 3.0), season)
    assert np.median(warm.members) < np.median(honest.members)


def test_later_years_serve_unless_only_the_past_may(season: Season, honest: Rerun) -> None:
    later = season_span(2010, False)
    other = _weather(season, _days(season, later.start, later.end), 4.0)
    assert _bytes(_again(other, season)) != _bytes(honest)
    past = dataclasses.replace(ASK, past_only=True)
    assert _bytes(_again(other, season, past)) == _bytes(_again(season, season, past))


def test_past_only_is_the_forecast_of_that_day(season: Season, issue: int) -> None:
    """The members are those of a plan made on the folder cut at the issue date, with fits of completed seasons."""
    ask = dataclasses.replace(ASK, past_only=True)
    found = _again(season, season, ask)
    cut = checked_season(season, last_day=issue)
    before = checked_season(season, last_day=SPAN.start - 1)
    teach = dataclasses.replace(before, readings=season.readings.take(season.readings.day < SPAN.start))
    learned = learn_water(teach, simulate_record(teach, season.lakes), before=SPAN.start)
    plan = dataclasses.replace(prepare(cut, as_of=issue, lakes=("tarn",), learned=learned), taxa={})
    dates = observed_dates(season, ask)["tarn", EIGHT]
    latest = max(d - season_span(y, False).start for y, d in dates.items() if y < 2007)
    span = dataclasses.replace(SPAN, end=SPAN.start + latest + 100)
    passed = passing_days(member_surface(plan, span)[span.start - span.sim_start :], EIGHT)
    np.testing.assert_array_equal(found.members.ravel(), np.minimum(passed, span.end - span.start))


def test_other_years_lie_before_and_keep_their_days_of_the_year(season: Season) -> None:
    issue = day_number(dt.date(2007, 4, 10))
    known = others_first(season, SPAN, issue=issue)
    before, after = season.weather["town"], known.weather["town"]
    assert after.last_day == issue
    assert known.readings.day.max() <= issue
    assert known.moved is not None
    days = np.arange(after.first_day, after.last_day + 1)
    seen = np.isfinite(after.tmean_c)
    true = known.moved.true_days(days)[seen]
    np.testing.assert_array_equal(after.tmean_c[seen], before.tmean_c[true - before.first_day])
    np.testing.assert_array_equal(day_of_year(days[seen]), day_of_year(true))
    assert set(year_of(true).tolist()) == set(range(2001, 2014))
    assert not ((true > issue) & (true <= SPAN.end)).any()
    assert others_first(season, SPAN, issue=issue, past_only=True).weather["town"].first_day == before.first_day


def test_the_warming_is_that_of_the_true_years(season: Season) -> None:
    """A record that warms by 0.05 °C a year, laid in another order, warms as before (the same days, the same fit)."""
    first = day_number(dt.date(1980, 1, 1))
    days = np.arange(first, day_number(dt.date(2019, 12, 31)) + 1)
    nan = np.full(len(days), np.nan)
    rng = np.random.default_rng(3)
    air = 8 - 10 * np.cos(2 * np.pi * day_of_year(days) / 365.25) + 0.05 / 365.25 * (days - first)
    series = StationSeries("x", first, nan, nan, air + rng.standard_normal(len(days)))
    span, issue = season_span(1999, False), day_number(dt.date(1999, 4, 1))
    gap = np.where((days > issue) & (days <= span.end), np.nan, series.tmean_c)

    def filled(record: StationSeries, last_day: int) -> FilledSeries:
        begin = record.first_day
        return fill_record(record, neighbours=(), first_day=begin, last_day=last_day, latitude=50.0, elevation_m=100.0)

    plain = filled(StationSeries("x", first, nan, nan, gap), int(days[-1]))
    known = others_first(dataclasses.replace(season, weather={"x": series}), span, issue=issue)
    moved = known.weather["x"]
    rolled = dataclasses.replace(filled(moved, issue), moved=known.moved)
    assert departures(rolled)[1] == pytest.approx(departures(plain)[1], rel=1e-6)
    assert departures(rolled)[1] * 365.25 == pytest.approx(0.05, abs=0.01)  # drawn to 0 by its own error only
    wrong = departures(dataclasses.replace(rolled, moved=None))[1]
    assert abs(wrong * 365.25 - 0.05) > 0.02


def test_readings_are_the_nearest_to_three_fourteen_and_twenty_eight_days() -> None:
    day = np.array([100, 107, 114, 121, 128, 135])
    n = len(day)
    water, blank = np.array([9.0, 9, 9, 1.0, 9, 9]), np.full(n, np.nan)
    readings = Readings(np.array(["tarn"] * n, dtype=object), day, water, blank, blank)
    # issue 130: ages 30, 23, 16, 9, 2 and one to come; that of 9 days is too cold to be open water
    assert chosen_readings(readings, 130, 3).tolist() == [0, 2, 4]
    assert chosen_readings(readings, 130, 1).tolist() == [4]
    assert chosen_readings(readings, 130, 0).tolist() == []
    assert chosen_readings(readings, 60, 3).tolist() == []


def test_no_reading_of_the_season_means_none(season: Season) -> None:
    ask = dataclasses.replace(ASK, readings=(0, 3, None))
    found = list(rerun_all(season, ask))
    assert [(r.asked, r.read) for r in found][:2] == [(0, 0), (3, 3)]
    assert found[2].read > 3
    assert all(r.truth == found[0].truth for r in found)


def test_the_same_bytes_with_other_lakes_asked_for(season: Season, honest: Rerun) -> None:
    ask = dataclasses.replace(ASK, lakes=(), years=(2006, 2007))
    found = [r for r in rerun_all(season, ask) if r.target.year == 2007]
    assert _bytes(found[0]) == _bytes(honest)


def test_dates_seen_in_too_few_years_are_left_out(season: Season) -> None:
    assert not observed_dates(season, dataclasses.replace(ASK, least_years=14))
    assert len(observed_dates(season, ASK)["tarn", EIGHT]) == 13


def test_an_unseen_lake_knows_nothing_of_its_own_past(season: Season) -> None:
    """Its readings of other years are worth nothing: 3 °C more in all of them change no byte, and the mere tells."""
    r, ask = season.readings, dataclasses.replace(ASK, unseen=True, readings=(0,), lakes=())
    mere = dataclasses.replace(r, lake_id=np.full(len(r.day), "mere", dtype=object), day=r.day + 4)
    both = Readings(*(np.concatenate([getattr(r, f.name), getattr(mere, f.name)]) for f in dataclasses.fields(r)))
    two = dataclasses.replace(season, readings=both.take(np.argsort(both.day, kind="stable")))
    own = (two.readings.lake_id == "tarn") & ((two.readings.day < SPAN.start) | (two.readings.day > SPAN.end))
    warm = dataclasses.replace(
        two, readings=dataclasses.replace(two.readings, water_c=two.readings.water_c + 3.0 * own)
    )
    truths = observed_dates(two, ask)
    part = [t for t in targets(truths, ask, {"tarn": False, "mere": False}) if t.lake_id == "tarn"]

    def again(folder: Season, *, unseen: bool) -> Rerun:
        known = Known(folder, SPAN, False)
        fits = year_fits(known, folder.lakes, truths, cut=part[0].issue)
        return next(iter(rerun(known, part, ask, truths, without(fits, "tarn") if unseen else fits, ["mere"])))

    honest = again(two, unseen=True)
    theirs = {y: d - season_span(y, False).start for y, d in truths["mere", EIGHT].items() if y != 2007}
    assert dict(zip(honest.other_year.tolist(), honest.other_date.tolist(), strict=True)) == theirs
    assert np.isnan(honest.hindsight).all()
    assert honest.read == 0
    assert _bytes(again(warm, unseen=True)) == _bytes(honest)
    assert np.median(again(warm, unseen=False).members) < np.median(honest.members)
    assert near_lakes(season.lakes) == {"tarn": ["mere"], "mere": ["tarn"]}

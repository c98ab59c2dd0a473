"""Insects forecast again: what notes say of a beginning, and nothing of the season after the issue date."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from emergence.dates import season_span
from emergence.records import Season, Sightings, StationSeries
from emergence.runs.hindcast import Ask, Rerun, Target, around_lake, year_fits
from emergence.runs.hindcast_sightings import Seen, again, first_seen, rerun_sightings, seen_dates
from emergence.runs.other_years import Known
from emergence.season import read_season
from emergence.verification.hindcast import MODEL, scored
from tests.hindcast_season import TODAY, emergence_days, hindcast_files, water, weather, write_hindcast_season

KEY = ("tarn", "caenis", "emergence")
ASK = Ask(years=(2007,), leads=(14,), lakes=("tarn",))
SPAN = season_span(2007, False)


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return read_season(write_hindcast_season(tmp_path_factory.mktemp("sightings")), today=TODAY)


@pytest.fixture(scope="module")
def honest(season: Season) -> Rerun:
    return _again(season)


def _again(season: Season, ask: Ask = ASK) -> Rerun:
    found = list(rerun_sightings(season, ask))
    assert len(found) == 1
    return found[0]


def _notes(*rows: tuple[int, str, str]) -> Sightings:
    n = len(rows)
    words = {k: np.array([row[i] for row in rows], dtype=object) for i, k in ((1, "stage"), (2, "level"))}
    same = {k: np.array(["x"] * n, dtype=object) for k in ("lake_id", "taxon", "observer", "note")}
    return Sightings(day=np.array([r[0] for r in rows]), minutes=np.full(n, np.nan), **words, **same)


def test_a_beginning_lies_between_the_last_look_in_vain_and_the_first_sight() -> None:
    adult = ("empty_skin", "adult")
    notes = _notes((90, "adult", "none"), (100, "adult", "none"), (107, "adult", "few"), (120, "adult", "none"))
    assert first_seen(notes, adult) == Seen(101, 107)
    assert first_seen(_notes((100, "young", "none"), (107, "adult", "few")), adult) is None  # looked for young only
    assert first_seen(_notes((107, "adult", "many")), adult) is None
    assert first_seen(_notes((85, "adult", "none"), (107, "empty_skin", "few")), adult) is None  # 22 days apart
    assert first_seen(_notes((100, "adult", "none")), adult) is None


def test_notes_hold_the_planted_days(season: Season) -> None:
    days, air = weather()
    planted = emergence_days(days, water(air))
    found = seen_dates(season, ASK)[KEY]
    assert len(found) == len(planted) == 13
    assert all(any(seen.first <= day <= seen.last for day in planted) for seen in found.values())
    assert all(seen.last - seen.first == 4 for seen in found.values())
    assert "sightings.csv" in hindcast_files()


def test_an_absurd_future_changes_no_byte(season: Season, honest: Rerun) -> None:
    """60 °C more after the issue date, insects many days before they came: nothing of it gets in."""
    issue, town = honest.target.issue, season.weather["town"]
    air = town.tmean_c.copy()
    air[issue + 1 - town.first_day : SPAN.end + 1 - town.first_day] += 60.0
    hot = {"town": StationSeries("town", town.first_day, town.tmin_c, town.tmax_c, air)}
    s = season.sightings
    late = (s.day > issue) & (s.day <= SPAN.end)
    assert late.sum() >= 2
    mad = dataclasses.replace(s, level=np.where(late, "many", s.level).astype(object))
    readings = season.readings
    boiling = (readings.day > issue) & (readings.day <= SPAN.end)
    hot_water = dataclasses.replace(readings, water_c=np.where(boiling, 90.0, readings.water_c))
    planted = dataclasses.replace(season, weather=hot, sightings=mad, readings=hot_water)
    found = _members_on(planted, issue)
    assert found.tobytes() == honest.members.tobytes()
    assert _members_on(season, issue).tobytes() == honest.members.tobytes()


def _members_on(season: Season, issue: int) -> np.ndarray:
    """Members of the target that the honest notes define, on another folder: its truth is never looked at."""
    dates = {KEY: {y: Seen(0, 0) for y in range(2001, 2014)}}
    target = Target(
        lake_id="tarn", year=2007, lead_d=14, issue=issue, truth=0, until=0, name="onset", taxon="caenis",
        event="emergence",
    )  # fmt: skip
    known = Known(season, SPAN, False)
    fits = year_fits(known, season.lakes, {}, cut=issue, populations=True)
    near = Known(around_lake(season, "tarn"), SPAN, False)
    return next(iter(again(near, [target], ASK, dates, fits.learned))).members


def test_what_other_years_saw_does_matter(season: Season, honest: Rerun) -> None:
    s = season.sightings
    other = (s.day < SPAN.start) | (s.day > SPAN.end)
    later = _again(dataclasses.replace(season, sightings=dataclasses.replace(s, day=s.day + 14 * other)))
    assert np.median(later.members) > np.median(honest.members)


def test_members_are_given_as_the_forecast_gives_them(honest: Rerun) -> None:
    done = scored([honest])[0]
    assert done.given.method == MODEL
    np.testing.assert_array_equal(np.sort(done.given.members), np.sort(honest.members.ravel()))
    assert honest.until == honest.truth + 4
    known = (done.passed.sum(), (~done.passed).sum())
    assert sum(known) == 43 - 4  # days inside the span are not scored

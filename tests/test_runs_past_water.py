"""Past seasons' water follows that season's own readings and ice dates, and no other's. Errors planted: synthetic."""

from __future__ import annotations

import dataclasses
import datetime as dt

import numpy as np
import pytest
from season_folder import TODAY, write_season

from emergence.dates import day_number
from emergence.records import IceDates, Readings, Season
from emergence.runs.past_water import past_water
from emergence.runs.record import Record, central_water, simulate_record
from emergence.season import read_season

LATE = day_number(dt.date(2024, 5, 31))


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    found = read_season(write_season(tmp_path_factory.mktemp("season")), today=TODAY)
    none = slice(0)
    return dataclasses.replace(found, readings=found.readings.take(none), ice=found.ice.take(none))


@pytest.fixture(scope="module")
def record(season: Season) -> Record:
    return simulate_record(season, season.lakes)


def at(record: Record, year: int, month: int, day: int) -> int:
    return day_number(dt.date(year, month, day)) - record.first_day


def read(season: Season, record: Record, warmer_c: np.ndarray, days: np.ndarray) -> Season:
    """Return the season with readings of the first lake, so much warmer than the central estimate."""
    water, _ = central_water(record, record.spread)
    n = len(days)
    blank = np.full(n, np.nan)
    name = np.array([record.lakes.lake_id[0]] * n, dtype=object)
    readings = Readings(name, days + record.first_day, water[days, 0] + warmer_c, blank, blank)
    return dataclasses.replace(season, readings=readings)


def test_a_warm_season_is_warm_and_the_next_is_not(season: Season, record: Record) -> None:
    """An error with the memory and size of the model's own, seen on ten days: it is at least halved between them.

    Best linear prediction leaves less: with 7 days between readings and a memory of 0.88 a day, over half the variance
    of the day-to-day part and most of the season's is told.
    """
    rng, spread = np.random.default_rng(3), record.spread
    phi = float(spread.phi()[0])
    first, last = at(record, 2023, 6, 1), at(record, 2023, 8, 10)
    days, left, before = np.arange(first, last, 7), [], []
    plain, _ = central_water(record, spread)
    for _ in range(30):
        error = np.empty(last - first)
        value = rng.standard_normal()
        for day in range(len(error)):
            error[day], value = value, phi * value + np.sqrt(1 - phi**2) * rng.standard_normal()
        error = spread.day_c[0] * error + spread.year_c[0] * rng.standard_normal()
        noted = read(season, record, error[days - first] + rng.normal(0, 0.5, len(days)), days)
        found, _ = past_water(noted, record, spread, before=LATE)
        left.append(found[first:last, 0] - plain[first:last, 0] - error)
        before.append(error)
        winter = at(record, 2024, 5, 1)
        np.testing.assert_array_equal(found[winter:], plain[winter:])
        np.testing.assert_array_equal(found[:, 1:], plain[:, 1:])
    assert np.mean(np.square(left)) < 0.5 * np.mean(np.square(before))


def test_notes_of_the_day_and_later_are_not_looked_at(season: Season, record: Record) -> None:
    days = np.arange(at(record, 2023, 6, 1), at(record, 2023, 7, 10), 7)
    noted = read(season, record, np.full(len(days), 2.0), days)
    plain = central_water(record, record.spread)
    found = past_water(noted, record, record.spread, before=int(days[0]) + record.first_day)
    for one, other in zip(found, plain, strict=True):
        np.testing.assert_array_equal(one, other)


def test_an_ice_off_that_was_seen_is_taken(season: Season, record: Record) -> None:
    """And a lake that opened earlier than estimated has water above nought from that day on."""
    _, ice = central_water(record, record.spread)
    lake = int(np.argmax(ice[at(record, 2023, 1, 1) : at(record, 2023, 6, 1)].sum(axis=0)))
    spring = slice(at(record, 2023, 1, 1), at(record, 2023, 6, 1))
    last = spring.start + int(np.flatnonzero(ice[spring, lake])[-1])
    name = np.array([record.lakes.lake_id[lake]], dtype=object)
    for moved in (-9, 9):
        seen = last + 1 + moved
        dates = IceDates(name, np.array([seen + record.first_day]), np.array(["off"], dtype=object))
        water, found = past_water(dataclasses.replace(season, ice=dates), record, record.spread, before=LATE)
        assert found[seen - 1, lake] and not found[seen : spring.stop, lake].any()
        assert water[seen, lake] > 0


def test_an_absurd_reading_changes_nothing(season: Season, record: Record) -> None:
    day = np.array([at(record, 2023, 7, 1)])
    noted = read(season, record, np.array([15.0]), day)
    np.testing.assert_array_equal(
        past_water(noted, record, record.spread, before=LATE)[0], central_water(record, record.spread)[0]
    )

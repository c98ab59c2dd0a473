"""Thermal milestones: sums worked out by hand."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from emergence.dates import NEVER, day_number
from emergence.degreedays.milestones import FROM_D, MILESTONES, Milestone, observed_passing_day, passing_days

EIGHT = Milestone(8.0, 100.0, 10.5)
START = day_number(dt.date(2011, 1, 1))


def test_constant_water_passes_after_sum_over_excess_days() -> None:
    water = np.full((200, 2), 12.0)
    water[:, 1] = 8.0
    days = passing_days(water, EIGHT)
    assert days[0] == FROM_D + 24  # 4 °C above the base: 100 on the 25th day that counts
    assert days[1] == NEVER


def test_warm_days_before_february_do_not_count() -> None:
    water = np.full(200, 12.0)
    water[FROM_D:] = 8.0
    assert passing_days(water, EIGHT) == NEVER


def test_readings_each_week_tell_the_day_of_daily_water() -> None:
    """On a straight line a reading a week tells as much as one a day."""
    daily = np.clip(0.1 * (np.arange(250) - 60), 0, None)
    read = np.arange(40, 250, 7)
    found = observed_passing_day(START + read, daily[read], EIGHT, start=START)
    assert found == START + int(passing_days(daily, EIGHT))


@pytest.mark.parametrize("rate", [0.2, 0.25, 0.3])
def test_a_late_first_reading_near_the_base_costs_little(rate: float) -> None:
    """Begun 2 °C above the base, 2² / (2 rate) had gathered; 0.25 °C a day is assumed: at most 2 °C·day off."""
    daily = np.clip(rate * (np.arange(300) - 60.0), 0, None)
    first = int(np.argmax(daily >= 10.0))
    read = np.arange(first, 300, 7)
    found = observed_passing_day(START + read, daily[read], EIGHT, start=START)
    assert found is not None
    assert abs(found - START - int(passing_days(daily, EIGHT))) <= 1


def test_a_first_reading_far_above_the_base_tells_nothing() -> None:
    read = START + np.arange(120, 200, 7)
    assert observed_passing_day(read, np.full(len(read), 11.0), EIGHT, start=START) is None


def test_a_first_reading_in_early_february_stands_for_the_days_before() -> None:
    read = START + FROM_D + 10 + np.arange(0, 100, 10)
    found = observed_passing_day(read, np.full(len(read), 12.0), EIGHT, start=START)
    assert found == START + FROM_D + 24
    # 10 days at 4 °C before it and the reading's own day: 100 is reached on the 25th day


def test_a_gap_before_the_crossing_tells_nothing_and_one_in_the_cold_does_no_harm() -> None:
    daily = np.clip(0.1 * (np.arange(300) - 60.0), 0, None)
    warm_gap = np.concatenate([np.arange(40, 160, 7), np.arange(180, 300, 7)])
    cold_gap = np.concatenate([np.arange(40, 60, 7), np.arange(130, 300, 7)])
    assert observed_passing_day(START + warm_gap, daily[warm_gap], EIGHT, start=START) is None
    found = observed_passing_day(START + cold_gap, daily[cold_gap], EIGHT, start=START)
    assert found == START + int(passing_days(daily, EIGHT))


def test_water_that_never_gets_there() -> None:
    read = START + np.arange(40, 300, 7)
    assert observed_passing_day(read, np.full(len(read), 5.0), EIGHT, start=START) is None


def test_names() -> None:
    assert [m.name for m in MILESTONES] == ["4/150", "4/300", "8/100", "8/200", "10/60", "10/120", "10/200"]

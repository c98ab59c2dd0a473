"""Lakes in the hills, against published relations of summer surface temperature and height."""

from __future__ import annotations

import numpy as np
import pytest

from emergence.dates import day_number, day_of_year, month_of
from emergence.water.shape import LakeShape
from emergence.water.spread import unseen_spread
from emergence.water.surface import drivers, exchange, first_month_mean, initial_state, simulate

HEIGHT = np.array([613.0, 1000.0, 1500.0, 2000.0, 2339.0])


def alpine() -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Small lakes 8 m deep on the north side of the Alps: month of each day, air and water of one year.

    The climate is synthetic: 8.3 °C annual mean at 500 m, 5.5 °C/km colder above, annual amplitude 9.3 °C less 0.6 a km
    (station means of the Swiss plateau and passes, from memory), no weather.
    """
    days = np.arange(day_number(np.datetime64("2001-07-01").item()), day_number(np.datetime64("2002-12-31").item()) + 1)
    no = np.zeros(len(HEIGHT), dtype=bool)
    swing = 9.3 - 0.6 * HEIGHT / 1000
    shape = LakeShape(np.full(5, 46.5), HEIGHT, np.full(5, 0.05), np.full(5, 8.0), swing, no, no)
    mean = 8.3 - 5.5 * (HEIGHT - 500) / 1000
    air = mean - swing * np.cos(2 * np.pi * (day_of_year(days)[:, None] - 20) / 365.25)
    cells = air.astype(np.float32)[:, :, None]
    path, _ = simulate(cells, drivers(days, shape), exchange(shape), initial_state(first_month_mean(cells)))
    year = days >= day_number(np.datetime64("2002-01-01").item())
    return month_of(days)[year], air[year], path.water_c[year, :, 0]


def test_summer_water_lies_above_the_air_and_falls_with_height_as_in_the_alps() -> None:
    """Ten Swiss lakes, 613-2,339 m: summer surface 3 to 5 °C above the air at the lake, falling about linearly and
    slightly faster than the air (Livingstone, Lotter & Walker 1999 Arctic, Antarctic, and Alpine Research 31:341,
    abstract). Half a degree is allowed either side: their air was that of the summers 1995-96, ours is invented.
    """
    month, air, water = alpine()
    summer = (month == 7) | (month == 8)
    above = water[summer].mean(axis=0) - air[summer].mean(axis=0)
    assert (above > 2.5).all() and (above < 5.5).all()
    lapse = -np.polyfit(HEIGHT / 1000, water[summer].mean(axis=0), 1)[0]
    assert 5.0 < lapse < 7.5  # the air here falls by 4.9 to 5.5 °C/km in summer
    bend = water[summer].mean(axis=0) - np.polyval(np.polyfit(HEIGHT, water[summer].mean(axis=0), 1), HEIGHT)
    assert np.abs(bend).max() < 0.6


def test_mountain_lakes_are_told_to_be_less_known() -> None:
    """Nothing was fitted to water above 720 m: from 1,000 m the unseen lake's error grows to 3 °C at 2,000 m."""
    no = np.zeros(5, dtype=bool)
    shape = LakeShape(np.full(5, 46.5), HEIGHT, np.full(5, 0.05), np.full(5, 8.0), np.full(5, 8.0), no, no)
    level = unseen_spread(shape, np.zeros(5)).root[:, 0, 0]
    assert level[0] == level[1]
    assert level[3] == pytest.approx(3.0) and level[4] == pytest.approx(3.0)
    assert level[1] < level[2] < level[3]

"""The date of ice-off: corrected within bounds, laid on the ice without moving the water."""

from __future__ import annotations

import numpy as np
import pytest

from emergence.dates import day_number
from emergence.water.breakup import breakup_shift, lay_breakup
from emergence.water.shape import LakeShape


def shape(depth: list[float], elevation: list[float], latitude: float = 50.0) -> LakeShape:
    n = len(depth)
    no = np.zeros(n, dtype=bool)
    return LakeShape(
        np.full(n, latitude), np.array(elevation), np.ones(n), np.array(depth), np.full(n, 14.0), no, no
    )  # fmt: skip


def day(month: int, d: int) -> int:
    import datetime as dt

    return day_number(dt.date(2023, month, d))


def test_deep_and_high_lakes_open_later_and_early_springs_earlier() -> None:
    lakes = shape([6.0, 30.0, 6.0, 6.0], [300.0, 300.0, 1800.0, 9000.0])
    april = breakup_shift(np.full((4, 1), day(3, 31)), lakes)[:, 0]
    assert april[0] == 0
    assert april[1] == 4  # 2.4 d x ln 5
    assert april[2] == 3  # 2.5 d/km x 1.3 km
    assert april[3] == 5  # height is held at 2,400 m
    march = breakup_shift(np.full((4, 1), day(3, 5)), lakes)[:, 0]
    may = breakup_shift(np.full((4, 1), day(4, 28)), lakes)[:, 0]
    assert march[0] < 0 < may[0]
    june = breakup_shift(np.full((4, 1), day(6, 20)), lakes)[:, 0]
    assert june[0] == 0  # no June date was seen


def test_the_south_is_half_a_year_later() -> None:
    """Day 183 days on is the same day of the northern year to a day, so the shift agrees to a day."""
    north = breakup_shift(np.array([[day(4, 28)]]), shape([6.0], [300.0]))
    south = breakup_shift(np.array([[day(4, 28) + 183]]), shape([6.0], [300.0], latitude=-45.0))
    assert abs(int(north[0, 0]) - int(south[0, 0])) <= 1


@pytest.mark.parametrize(("later", "first_open"), [(3, 13), (-4, 6), (0, 10)])
def test_ice_ends_when_told(later: int, first_open: int) -> None:
    ice = np.zeros((30, 2), dtype=bool)
    ice[2:10, 0] = True
    lay_breakup(ice, np.array([10, -1]), np.array([later, later]))
    assert ice[2:first_open, 0].all() and not ice[first_open:, 0].any() and not ice[:2].any()
    assert not ice[:, 1].any()


def test_ice_of_the_next_autumn_stays() -> None:
    ice = np.zeros((40, 1), dtype=bool)
    ice[:10] = ice[30:] = True
    lay_breakup(ice, np.array([10]), np.array([2]))
    assert ice[:12].all() and not ice[12:30].any() and ice[30:].all()

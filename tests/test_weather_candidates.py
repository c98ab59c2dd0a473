"""The choice of stations: nearness, height and record against each other, on planted places."""

from __future__ import annotations

import datetime as dt

import numpy as np
import pytest

from emergence.dates import day_number
from emergence.records import Lakes, Stations
from emergence.weather.candidates import rank_candidates, record_cost

TODAY = day_number(dt.date(2024, 6, 1))
KM = 1 / 111.2  # degrees of latitude in a kilometre


def lakes(*heights: float) -> Lakes:
    """Return lakes at one place, at these heights [m]."""
    count = len(heights)
    ids, blank = np.array([f"lake{i}" for i in range(count)], dtype=object), np.full(count, "", dtype=object)
    place = np.full(count, 50.0), np.full(count, -30.0), np.array(heights, dtype=float)
    unknown = [np.full(count, np.nan)] * 4
    return Lakes(ids, ids, blank, *place, *unknown, blank, blank, blank, blank)


def stations(**places: tuple[float, float]) -> Stations:
    """Return stations so many kilometres north of the lakes, at a height [m]."""
    names = np.array(list(places), dtype=object)
    km, height = np.array(list(places.values()), dtype=float).reshape(-1, 2).T
    return Stations(names, names, 50.0 + km * KM, np.full(len(names), -30.0), height)


def ranked(lake: Lakes, there: Stations, cost: list[float] | None = None, most: int = 9) -> list[list[str]]:
    cost_km = np.zeros(len(there)) if cost is None else np.array(cost)
    return [[str(there.station_id[i]) for i in row] for row in rank_candidates(lake, there, cost_km, most=most)]


def cost_of(first: str, last: str, completeness: float = 1.0, has_range: bool = True) -> float:
    days = [np.array([day_number(dt.date.fromisoformat(text))]) for text in (first, last)]
    return float(record_cost(*days, np.array([completeness]), np.array([has_range]), as_of=TODAY)[0])


def test_a_hundred_metres_of_height_weigh_as_much_as_ten_kilometres() -> None:
    there = stations(near_low=(10, 400), far_high=(25, 1000))
    assert ranked(lakes(1000, 400), there) == [["far_high", "near_low"], ["near_low", "far_high"]]
    assert ranked(lakes(430), stations(a=(20, 430), b=(9, 530))) == [["b", "a"]]  # 20 km against 9 + 10
    assert ranked(lakes(430), stations(a=(20, 430), b=(11, 530))) == [["a", "b"]]


def test_what_a_record_lacks_counts_as_distance() -> None:
    assert cost_of("1990-01-01", "2024-05-30") == pytest.approx(0, abs=0.1)  # two days of thirty years
    assert cost_of("2009-06-01", "2024-05-31") == pytest.approx(50, abs=0.2)  # half of thirty years
    assert cost_of("1990-01-01", "2024-05-31", completeness=0.7) == pytest.approx(30, abs=0.2)
    assert cost_of("1990-01-01", "2024-05-31", has_range=False) == pytest.approx(30, abs=0.2)
    assert cost_of("1990-01-01", "2024-05-31", completeness=np.nan) == pytest.approx(10, abs=0.2)
    silent = cost_of("1990-01-01", "2024-03-01")
    assert silent == pytest.approx(200 + 100 * 92 / 10957, abs=0.2)


def test_a_record_that_ended_thirty_years_ago_or_none_is_of_no_use() -> None:
    assert cost_of("1960-01-01", "1990-01-01") == np.inf
    assert cost_of("1970-01-02", "1970-01-01") == np.inf
    assert ranked(lakes(400), stations(a=(1, 400), b=(50, 400)), [np.inf, 0.0]) == [["b"]]


def test_stations_beyond_200_km_only_where_there_is_no_other_and_none_beyond_500() -> None:
    assert ranked(lakes(400), stations(a=(190, 400), b=(210, 400))) == [["a"]]
    assert ranked(lakes(400), stations(b=(210, 400), c=(300, 400))) == [["b"]]
    assert ranked(lakes(400), stations(c=(510, 400))) == [[]]
    assert ranked(lakes(2500), stations(low=(5, 400), mid=(5, 600))) == [["mid"]]  # 2000 m of height at most


def test_equal_stations_come_by_id_and_no_more_than_asked_for() -> None:
    there = stations(c=(10, 400), a=(10, 400), b=(10, 400))
    assert ranked(lakes(400), there, most=2) == [["a", "b"]]


def test_neighbours_in_the_list_change_no_lakes_choice() -> None:
    there = stations(a=(10, 400), b=(25, 900), c=(60, 1500), d=(150, 700))
    heights = (400, 800, 1500)
    assert ranked(lakes(*heights), there) == [ranked(lakes(height), there)[0] for height in heights]

"""The definitions of windows on cases small enough to count by hand."""

from __future__ import annotations

import numpy as np
import pytest
from climates import one_lake, season_field
from hypothesis import given
from hypothesis import strategies as st

from emergence.dates import NEVER
from emergence.forecast.events import taxon_events, under_way_until
from emergence.forecast.turnover import turnover_events
from emergence.forecast.windows import best_week, chance_active, longest_run, member_quantiles
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.population import Gates, Milestones
from emergence.taxa.shown import ShownDays

# Abisko, Sweden, 68 N, January to December [°C]; from memory of the national climate normals.
TUNDRA = (-11.0, -10.5, -7.5, -2.0, 3.3, 8.6, 11.6, 10.2, 5.5, 0.2, -5.5, -9.0)


def offsets(*rows: list[int]) -> np.ndarray:
    return np.array(rows, dtype=np.int16)


def test_chance_active_counts_both_ends_and_lasts_without_an_end() -> None:
    onset = offsets([2, 3, NEVER, 4])
    end = offsets([3, 5, NEVER, NEVER])
    active = chance_active(onset, end, 8)[:, 0]
    np.testing.assert_allclose(active, [0, 0, 0.25, 0.5, 0.5, 0.5, 0.25, 0.25])


def test_quantiles_are_over_all_members_and_blank_where_never() -> None:
    onset = offsets([10, 20, 30, 40, 50, 60, 70, NEVER, NEVER, NEVER])
    got = member_quantiles(onset, (0.05, 0.5, 0.7, 0.75, 0.95))[0]
    np.testing.assert_array_equal(got, [10, 50, 70, NEVER, NEVER])


def test_never_does_not_bias_the_median_early() -> None:
    some = offsets([100, 110, 120] + [NEVER] * 4)
    assert member_quantiles(some, (0.5,))[0, 0] == NEVER


def test_longest_run_takes_the_earliest_of_equals_and_blank_for_none() -> None:
    flags = np.array([[1, 0], [1, 0], [0, 0], [1, 0], [1, 0]], dtype=bool)
    run = longest_run(flags)
    assert (run.start[0], run.end[0]) == (0, 1)
    assert (run.start[1], run.end[1]) == (NEVER, NEVER)


def test_best_week_counts_moving_days_and_the_chance_of_one() -> None:
    moving = np.zeros((20, 1, 4), dtype=bool)
    moving[5:8, 0, 0] = True
    moving[6:12, 0, 1] = True
    week = best_week(ShownDays.of(moving.reshape(len(moving), -1)), moving.mean(axis=2))
    # days 5-11 hold 3 + 6 of the 9 moving days of four members; the week from day 5 is the earliest that does
    assert week.start[0] == 5
    assert week.days[0] == 9 / 4
    assert week.chance[0] == 0.5


def test_best_week_is_the_earliest_of_equals() -> None:
    moving = np.zeros((40, 1, 2), dtype=bool)
    moving[[8, 30], 0, 0] = True
    shown = ShownDays.of(moving.reshape(len(moving), -1))
    assert best_week(shown, moving.mean(axis=2)).start[0] == 2  # day 8 is the last of its week
    assert best_week(shown, moving.mean(axis=2), first=9).start[0] == 24


def test_best_week_is_blank_when_nothing_ever_moves() -> None:
    moving = np.zeros((20, 2, 3), dtype=bool)
    week = best_week(ShownDays.of(moving.reshape(len(moving), -1)), moving.mean(axis=2))
    assert (week.start == NEVER).all() and (week.chance == 0).all()


@given(st.lists(st.tuples(st.integers(0, 39), st.integers(0, 39)), min_size=1, max_size=12))
def test_chance_active_is_the_plain_count(pairs: list[tuple[int, int]]) -> None:
    onset = offsets([min(p) for p in pairs])
    end = offsets([max(p) for p in pairs])
    got = chance_active(onset, end, 40)[:, 0]
    plain = [sum(a <= d <= b for a, b in zip(onset[0], end[0], strict=True)) / len(pairs) for d in range(40)]
    np.testing.assert_allclose(got, plain)


@pytest.mark.parametrize(
    ("shut", "until"),
    [
        ((), 50),  # nobody else gets ready after the last warm day
        (range(40, 80), 39),  # shut for the winter before that
        (range(45, 56), 56),  # who was ready goes on the first open day
        (range(10, 80), 20),  # never before the onset
    ],
)
def test_what_never_ends_is_over_when_no_more_can_leave(shut: range, until: int) -> None:
    """Heat on days 1 to 50 of 80, onset on day 20; a cell with an end keeps it, one without onset has none."""
    heat = np.broadcast_to(np.minimum(np.arange(80), 50).astype(np.float32)[:, None, None, None], (80, 1, 1, 3))
    frozen = np.zeros((80, 3), dtype=bool)
    frozen[list(shut)] = True
    onset, end = offsets([20, 20, NEVER]).reshape(1, 1, 3), offsets([NEVER, 33, NEVER]).reshape(1, 1, 3)
    got = under_way_until(Milestones(onset, onset, end), heat, Gates(frozen, ()))
    assert got.ravel().tolist() == [until, 33, NEVER]


@pytest.mark.parametrize("depth_m", [2.0, 10.0])
def test_nothing_is_under_way_beneath_winter_ice(depth_m: float) -> None:
    """On the tundra some emergences are cut short; none, and no spring overturn, goes on once every spring has ice."""
    field, _ = season_field(TUNDRA, one_lake(68.4, 390.0, 20.0, depth_m))
    ids = np.array(["lake"], dtype=object)
    frozen = field.ice.all(axis=(1, 2, 3))
    events = turnover_events(field)
    for key in ("aeshna", "coenagrion", "chironomus"):
        events += taxon_events(load_catalogue()[key], field, ids, seed=1)
    assert frozen[-30:].all()
    assert max(float(e.no_end[0]) for e in events if e.taxon != "-") > 0.2
    for event in events:
        assert not event.active[frozen].any(), event.taxon

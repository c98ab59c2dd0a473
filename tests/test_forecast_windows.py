"""The definitions of windows on cases small enough to count by hand."""

from __future__ import annotations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from emergence.dates import NEVER
from emergence.forecast.windows import best_week, chance_active, longest_run, member_quantiles


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
    week = best_week(moving, moving.mean(axis=2))
    # days 5-11 hold 3 + 6 of the 9 moving days of four members; the week from day 5 is the earliest that does
    assert week.start[0] == 5
    assert week.days[0] == 9 / 4
    assert week.chance[0] == 0.5


def test_best_week_is_blank_when_nothing_ever_moves() -> None:
    moving = np.zeros((20, 2, 3), dtype=bool)
    week = best_week(moving, moving.mean(axis=2))
    assert (week.start == NEVER).all() and (week.chance == 0).all()


@given(st.lists(st.tuples(st.integers(0, 39), st.integers(0, 39)), min_size=1, max_size=12))
def test_chance_active_is_the_plain_count(pairs: list[tuple[int, int]]) -> None:
    onset = offsets([min(p) for p in pairs])
    end = offsets([max(p) for p in pairs])
    got = chance_active(onset, end, 40)[:, 0]
    plain = [sum(a <= d <= b for a, b in zip(onset[0], end[0], strict=True)) / len(pairs) for d in range(40)]
    np.testing.assert_allclose(got, plain)

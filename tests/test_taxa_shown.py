"""Days kept as bits against the same days kept one by one."""

from __future__ import annotations

import numpy as np
import pytest

from emergence.taxa.shown import WORD, ShownDays, word_count


@pytest.mark.parametrize("n_days", [7, WORD - 1, WORD, WORD + 1, 365, 385])
def test_days_come_back_as_they_were(n_days: int) -> None:
    flags = np.random.default_rng(n_days).random((n_days, 12)) < 0.2
    shown = ShownDays.of(flags)
    assert shown.words.shape == (12, word_count(n_days)) and shown.words.dtype == np.uint32
    np.testing.assert_array_equal(shown.flags, flags)
    assert int(np.bitwise_count(shown.words).sum()) == flags.sum()  # no bit beyond the days


@pytest.mark.parametrize("days", [1, 7, WORD])
def test_any_of_some_days_is_the_plain_any(days: int) -> None:
    rng = np.random.default_rng(days)
    flags = rng.random((100, 3 * 40)) < 0.02
    shown = ShownDays.of(flags)
    for start in range(100 - days + 1):
        first = np.array([start, (start * 7) % (100 - days + 1), 100 - days])
        got = shown.any_from(first, days)
        plain = [flags[f : f + days, 40 * k : 40 * k + 40].any(axis=0) for k, f in enumerate(first)]
        np.testing.assert_array_equal(got, plain)

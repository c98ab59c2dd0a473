"""From members to windows: chances of each date, best week, even and outer window, quantiles over all members.

Per lake and event; arrays are (days, lakes) or (lakes, members). Day indices count from the first simulated day;
``dates.NEVER`` means "not reached" and counts as +infinity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.forecast.compiled import active_kernel, best_week_kernel, longest_run_kernel
from emergence.taxa.shown import ShownDays

Offsets = NDArray[np.int16]
Floats = NDArray[np.float64]
QUANTILES = (0.05, 0.10, 0.25, 0.50, 0.75, 0.90, 0.95)
WEEK = 7
EVEN, OUTER = 0.5, 0.2


@dataclass(frozen=True)
class Span:
    """A run of dates per lake: first and last day index, both NEVER where there is none; shape (lakes,)."""

    start: NDArray[np.int64]
    end: NDArray[np.int64]


@dataclass(frozen=True)
class BestWeek:
    """The seven days with the most expected moving days: first index (NEVER: none), expected days, chance of one."""

    start: NDArray[np.int64]
    days: Floats
    chance: Floats


def chance_active(onset: Offsets, end: Offsets, n_days: int) -> Floats:
    """Return the share of members with onset <= day <= end, shape (days, lakes).

    Parameters
    ----------
    onset, end
        Day indices, shape (lakes, members); an end not reached lasts to the horizon.
    n_days
        Number of simulated days.
    """
    lakes, members = onset.shape
    if active_kernel is not None:
        count = np.zeros((lakes, n_days), dtype=np.int64)
        active_kernel(np.ascontiguousarray(onset), np.ascontiguousarray(end), count)
        return np.asarray(np.ascontiguousarray(count.T) / members)
    row = np.arange(lakes)[:, None] * (n_days + 1)
    began = onset != NEVER
    first = np.bincount((row + onset)[began], minlength=lakes * (n_days + 1))
    after = np.minimum(end.astype(np.int64) + 1, n_days)
    last = np.bincount((row + after)[began], minlength=lakes * (n_days + 1))
    change = (first - last).reshape(lakes, n_days + 1)
    active = np.cumsum(change, axis=1)[:, :n_days]
    return np.asarray(active.T / members)


def member_quantiles(offsets: Offsets, probabilities: tuple[float, ...] = QUANTILES) -> NDArray[np.int64]:
    """Return day indices below which the given shares of *all* members lie, shape (lakes, probabilities).

    The inverse of the empirical distribution (no interpolation between days); a quantile that falls among members
    that never get there is NEVER, which is written as blank.
    """
    members = offsets.shape[1]
    rank = np.clip(np.ceil(np.asarray(probabilities) * members - 1e-9).astype(int) - 1, 0, members - 1)
    return np.sort(offsets, axis=1)[:, rank].astype(np.int64)


def longest_run(flags: NDArray[np.bool_]) -> Span:
    """Return the longest run of true days per lake, the earliest of equals; ``flags`` (days, lakes)."""
    if longest_run_kernel is not None:
        lakes = flags.shape[1]
        first, last = np.full(lakes, NEVER, dtype=np.int64), np.full(lakes, NEVER, dtype=np.int64)
        longest_run_kernel(flags, first, last, np.zeros(lakes, dtype=np.int64))
        return Span(first, last)
    count = np.cumsum(flags, axis=0, dtype=np.int64)
    length: NDArray[np.int64] = count - np.maximum.accumulate(np.where(flags, 0, count), axis=0)
    end = np.argmax(length, axis=0)
    longest: NDArray[np.int64] = length[end, np.arange(flags.shape[1])]
    some = longest > 0
    return Span(np.where(some, end - longest + 1, NEVER), np.where(some, end, NEVER))


def best_week(shown: ShownDays, chance_moving: Floats, *, first: int = 0) -> BestWeek:
    """Return the week with the most expected moving days, the earliest of equals.

    Parameters
    ----------
    shown
        Moving days of the members, lake by lake.
    chance_moving
        Their mean over members, shape (days, lakes).
    first
        Weeks begin on this day index or later.
    """
    n_days, lakes = chance_moving.shape
    if n_days - first < WEEK:
        none_left = np.full(lakes, NEVER, dtype=np.int64)
        return BestWeek(none_left, np.zeros(lakes), np.zeros(lakes))
    if best_week_kernel is not None:
        start, days = np.zeros(lakes, dtype=np.int64), np.empty(lakes)
        best_week_kernel(chance_moving, first, np.zeros((WEEK + 1, lakes)), start, days)
    else:
        total = np.concatenate([np.zeros((1, lakes)), np.cumsum(chance_moving, axis=0)])
        weekly = np.round(total[WEEK:] - total[:-WEEK], 9)[first:]
        start = np.argmax(weekly, axis=0) + first
        days = weekly[start - first, np.arange(lakes)]
    none = days <= 0
    chance = shown.any_from(start, WEEK).mean(axis=1)
    return BestWeek(np.where(none, NEVER, start), np.where(none, 0.0, days), chance)

"""Values that repeat: a frozen sensor, the same week or month twice, days copied from another station."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
Runs = list[tuple[int, int, int]]
"""Stretches that repeat others: first row, first row of the other, days."""

BY_CHANCE = 0.01
"""Number of stretches [1] that may be flagged in a record in which all is right (our prior)."""
LEAST_FROZEN, LEAST_WEEK, LEAST_COPY = 5, 7, 7
NEAR_LAGS = 45
_MOST_LAGS = 400
_BASE = np.uint64(1_099_511_628_211)


def frozen(values: Floats) -> Mask:
    """Return the truth of days in long runs of one value, shape (days,).

    Notes
    -----
    How long a run must be follows from how often two days in a row are equal in this record: runs that long come by
    chance once in a hundred records; five days at least. Whole degrees thus allow longer runs than tenths.
    """
    known = np.isfinite(values)
    out = np.zeros(len(values), dtype=bool)
    pair = known[1:] & known[:-1]
    if pair.sum() < LEAST_FROZEN:
        return out
    same = np.concatenate([[False], pair & (values[1:] == values[:-1])])
    rate = min(max(same.sum() / pair.sum(), 1 / len(values)), 0.98)
    longest = max(LEAST_FROZEN, int(np.ceil(1 + np.log(BY_CHANCE / len(values)) / np.log(rate))))
    for first, n in _runs(same):
        if n + 1 >= longest:
            out[first - 1 : first + n] = True
    return out


def repeated(values: Floats) -> Runs:
    """Return stretches of a record, (days, 3), that stand in it twice, each pair once, the later one first.

    Notes
    -----
    A week's rows within 45 days of each other, or a longer stretch anywhere; how long follows from how often rows and
    day-to-day changes agree by chance in this record. Rows in which nothing changes do not count.
    """
    key, moving = _row_keys(values)
    n = len(key)
    if n < 3 * LEAST_WEEK:
        return []
    same, step = _chance(values)
    near = _length(n * NEAR_LAGS, same, step)
    anywhere = _length(n * n / 2, same, step)
    found: Runs = []
    for lag in range(1, min(NEAR_LAGS, n - near) + 1):
        found += _equal_runs(key, moving, lag, near)
    for lag in _distant_lags(key, moving, anywhere):
        found += _equal_runs(key, moving, lag, anywhere)
    return found


def copied(values: Floats, other: Floats) -> list[tuple[int, int]]:
    """Return first row and length of runs equal to another station's same days.

    Parameters
    ----------
    values, other
        Values [°C] of both on the same days, (days, 3).

    Notes
    -----
    Records that agree on more than a fifth of their common days are the same record under two names: nothing is
    flagged.
    """
    if not any(_has_run(values[:, c] == other[:, c], LEAST_COPY) for c in (2, 0)):
        return []
    both = np.isfinite(values) & np.isfinite(other)
    both[both[:, :2].all(1), 2] = False  # minimum and maximum tell; a mean may be made of them
    equal = both.any(1) & ((values == other) | ~both).all(1)
    common = int(both.any(1).sum())
    if equal.sum() < LEAST_COPY or equal.sum() > 0.2 * common:
        return []
    rate = min(max(equal.sum() / common, 1e-3), 0.9)
    longest = max(LEAST_COPY, int(np.ceil(1 + np.log(BY_CHANCE / common) / np.log(rate))))
    moves = np.concatenate([[True], (np.nan_to_num(values[1:]) != np.nan_to_num(values[:-1])).any(1)])
    return [(first, n) for first, n in _runs(equal) if n >= longest and moves[first : first + n].sum() > n // 2]


def shared_weeks(first_day: Sequence[int], values: Sequence[Floats]) -> set[tuple[int, int]]:
    """Return the pairs (i < j) of records that have a week's values in common on the same days.

    Parameters
    ----------
    first_day
        Day number of the first row of each record.
    values
        Records [°C], each (days, 3); weeks of one value do not count.
    """
    pairs: set[tuple[int, int]] = set()
    for c in (2, 0):
        hashes, owners = [], []
        for k, (first, record) in enumerate(zip(first_day, values, strict=True)):
            week = _weeks(first, record[:, c])
            hashes.append(week)
            owners.append(np.full(len(week), k))
        if not hashes:
            continue
        week, owner = np.concatenate(hashes), np.concatenate(owners)
        order = np.argsort(week, kind="stable")
        twin = (week[order[1:]] == week[order[:-1]]) & (owner[order[1:]] != owner[order[:-1]])
        a, b = owner[order[:-1]][twin], owner[order[1:]][twin]
        pairs |= set(zip(np.minimum(a, b).tolist(), np.maximum(a, b).tolist(), strict=True))
    return pairs


def _weeks(first: int, values: Floats) -> NDArray[np.uint64]:
    """Return one number for each week of known, changing values, equal for equal values on equal days."""
    n = len(values) - LEAST_COPY + 1
    if n < 1:
        return np.zeros(0, dtype=np.uint64)
    known = np.isfinite(values)
    whole = np.where(known, np.rint(np.where(known, values, 0.0) * 1000) + 500_000, 0).astype(np.uint64)
    out = (first + 1_000_000 + np.arange(n)).astype(np.uint64)
    full, moves = np.ones(n, dtype=bool), np.zeros(n, dtype=bool)
    for k in range(LEAST_COPY):
        out = out * _BASE + whole[k : k + n]
        full &= known[k : k + n]
        moves |= whole[k : k + n] != whole[:n]
    return out[full & moves]


def _has_run(truth: Mask, least: int) -> bool:
    total = np.concatenate([[0], np.cumsum(truth)])
    return bool(len(truth) >= least and (total[least:] - total[:-least]).max() == least)


def _runs(truth: Mask) -> list[tuple[int, int]]:
    """Return first index and length of each run of true ones."""
    edge = np.flatnonzero(np.diff(np.concatenate([[False], truth, [False]]).astype(np.int8)))
    return [(int(a), int(b - a)) for a, b in zip(edge[::2], edge[1::2], strict=True)]


def _row_keys(values: Floats) -> tuple[NDArray[np.uint64], Mask]:
    """Return one number a row, equal for equal rows (0 where nothing is known), and the truth of "unlike the last"."""
    known = np.isfinite(values)
    whole = np.where(known, np.rint(np.where(known, values, 0.0) * 1000) + 500_000, 0).astype(np.uint64)
    key = np.zeros(len(values), dtype=np.uint64)
    for c in range(values.shape[1]):
        key = key * _BASE + whole[:, c]
    key[~known.any(1)] = 0
    return key, np.concatenate([[True], key[1:] != key[:-1]])


def _chance(values: Floats) -> tuple[float, float]:
    """Return how often two rows of one season, and two day-to-day changes, agree by chance."""
    rows = np.round(values[np.isfinite(values).any(1)], 2)
    shifted = [rows[k:] for k in (365, 730) if len(rows) > k + 30]
    if not shifted:
        return 0.02, 0.02
    same = np.mean([_agree(rows[: len(r)], r) for r in shifted])
    change = np.round(np.diff(rows, axis=0), 2)
    step = np.mean([_agree(change[: len(r) - 1], change[len(rows) - len(r) :]) for r in shifted])
    return max(float(same), 1e-3), max(float(step), 1e-3)


def _agree(a: Floats, b: Floats) -> float:
    return float(((a == b) | (np.isnan(a) & np.isnan(b))).all(1).mean())


def _length(pairs: float, same: float, step: float) -> int:
    """Return how long a stretch must be so that it comes by chance once in a hundred records; a week at least."""
    if step >= 0.9:
        return 10**6
    return max(LEAST_WEEK, int(np.ceil(1 + np.log(BY_CHANCE / (pairs * same)) / np.log(step))))


def _equal_runs(key: NDArray[np.uint64], moving: Mask, lag: int, least: int) -> Runs:
    equal = (key[lag:] == key[:-lag]) & (key[lag:] != 0)
    if np.count_nonzero(equal) < least:
        return []
    return [
        (a + lag, a, n) for a, n in _runs(equal) if n >= least and moving[a + lag : a + lag + n].sum() > max(2, n // 2)
    ]


def _distant_lags(key: NDArray[np.uint64], moving: Mask, least: int) -> list[int]:
    """Return the lags beyond `NEAR_LAGS` at which whole windows of ``least`` rows come again."""
    n = len(key) - least + 1
    if n < 2:
        return []
    window = np.zeros(n, dtype=np.uint64)
    for k in range(least):
        window = window * _BASE + key[k : k + n]
    blank = np.concatenate([[0], np.cumsum(key == 0)])
    still = np.concatenate([[0], np.cumsum(~moving)])
    usable = np.flatnonzero((blank[least:] == blank[:n]) & (still[least:] - still[:n] < least // 2))
    order = usable[np.argsort(window[usable], kind="stable")]
    twin = window[order[1:]] == window[order[:-1]]
    lag = (order[1:] - order[:-1])[twin]
    found, count = np.unique(lag[lag > NEAR_LAGS], return_counts=True)
    return [int(x) for x in found[np.argsort(-count, kind="stable")][:_MOST_LAGS]]

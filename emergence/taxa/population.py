"""How a maturing population leaves the water: heat, a requirement that differs between insects, gates, a ready pool.

Arrays are time-major: (days, lakes, slots, replicates), called (days, *cells) below.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER

Floats = NDArray[np.floating]
Bools = NDArray[np.bool_]
Offsets = NDArray[np.int16]

LOGISTIC_SD = np.pi / np.sqrt(3.0)  # standard deviation of the standard logistic distribution
MOVING_SHARE = 0.02  # of the season's maturing insects; our prior (a day on which it shows)
OPEN_GATE = 0.5  # a gate at least half open lets the migration move; our prior
ALL_GONE = 0.999  # from here on nothing visible happens
EARLY_SDS = 5.0  # before the median less this many spreads under 0.02 % are ready


@dataclass(frozen=True)
class Requirements:
    """Each member's requirement, float32, broadcasting to cells.

    ``median`` and ``spread`` [°C·day], ``move_before`` [°C·day] or None for taxa without a migration.
    """

    median: Floats
    spread: Floats
    move_before: Floats | None = None


@dataclass(frozen=True)
class Milestones:
    """Day indices of 10 %, the middle and 90 %, int16 of cell shape, ``dates.NEVER`` where not reached."""

    onset: Offsets
    peak: Offsets
    end: Offsets


@dataclass(frozen=True)
class Passage:
    """One event of one brood in every member.

    ``moving`` (days, *cells) tells the days on which it shows with the gates open; ``intensity`` (days, lakes)
    [share of the season's maturing insects], the mean over members in float64.
    """

    milestones: Milestones
    moving: Bools
    intensity: NDArray[np.float64]


def ready_share(heat: Floats, median: Floats, spread: Floats) -> Floats:
    """Return the share of insects whose requirement is met: the cumulative logit in degree-days.

    Parameters
    ----------
    heat
        Degree-days since the biofix [°C·day].
    median, spread
        Median and standard deviation between insects [°C·day]; all broadcast.

    References
    ----------
    Dennis, Kemp and Beckwith 1986 Environmental Entomology 15:540 (cumulative logit in degree-days); the normal and
    this logistic curve of equal standard deviation differ by at most 0.023.
    """
    scale = heat.dtype.type(0.5 * LOGISTIC_SD)
    half = heat.dtype.type(0.5)
    return half + half * np.tanh(scale * (heat - median) / spread)


def ramp(value: Floats, shut_at: Floats | float, open_at: Floats | float) -> Floats:
    """Return how far a gate is open [0..1]: 0 at ``shut_at``, 1 at ``open_at``, straight between, a step if equal.

    With ``shut_at`` above ``open_at`` the gate opens as the value falls; the width ``open_at - shut_at`` must be the
    same everywhere.
    """
    width = np.float32(np.ravel(np.asarray(open_at) - np.asarray(shut_at))[0])
    if width == 0:
        return (value >= open_at).astype(value.dtype)
    opened = (value - shut_at) * value.dtype.type(1 / width)
    np.maximum(opened, 0, out=opened)
    return np.minimum(opened, 1, out=opened)


def _first_ready(cumulative: Floats, centre: Floats, need: Requirements, first: int) -> int:
    """Return the first day on which any cell can have anybody ready or begun."""
    lead = np.float32(0) if need.move_before is None else need.move_before
    lowest = float(np.min(centre - np.float32(EARLY_SDS) * need.spread - lead))
    highest = cumulative[first:].reshape(len(cumulative) - first, -1).max(axis=1)
    return first + int(np.searchsorted(highest, lowest, side="right"))


def _logistic(scaled: Floats, out: Floats) -> Floats:
    """Return 1 / (1 + exp(-2 scaled)) in ``out``: ``ready_share`` of heat already centred and scaled."""
    np.tanh(scaled, out=out)
    out += np.float32(1)
    out *= np.float32(0.5)
    return out


class _Tally:
    """Counts the days before each cell's share reaches its mark."""

    def __init__(self, cells: tuple[int, ...], mark: float) -> None:
        self.mark = np.float32(mark)
        self.waited = np.zeros(cells, dtype=np.int16)

    def day(self, share: Floats) -> None:
        self.waited += share < self.mark

    def index(self, from_day: int, n_days: int) -> Offsets:
        late = self.waited >= n_days - from_day
        return np.where(late, NEVER, from_day + self.waited).astype(np.int16)


def leave_water(
    cumulative: Floats,
    offset: Floats,
    need: Requirements,
    *,
    gate: Callable[[int], Floats],
    start: Offsets,
    first: int,
) -> tuple[Passage, Passage | None]:  # kernel
    """Let every member's insects mature, wait for an open gate and go.

    Parameters
    ----------
    cumulative
        Degree-days since the first simulated day [°C·day], (days, *cells) float32.
    offset
        ``cumulative`` at each cell's biofix, so that heat is counted from there; +inf where the biofix never comes.
    need
        Requirements of each member.
    gate
        Function of the day index: how far the gates are open that day [0..1], broadcasting to cells.
    start
        Day index of the biofix, int16 of cell shape (NEVER where it never comes).
    first
        First day index that can count for any cell.

    Returns
    -------
    Passage, Passage or None
        Emergence, and the migration for taxa that move to the shore first.

    Notes
    -----
    Ready share F(heat); left share E grows by gate * (F - E) each day: whoever is ready and not gone waits in the
    ready pool F - E, so a cold spell delays and then releases a burst, and nobody is lost. The migration: an insect
    moves from F(heat + move_before) on until it has left, so on the move is F(heat + move_before) - E(day before).
    """
    n_days, cells = len(cumulative), cumulative.shape[1:]
    centre, steep = offset + need.median, np.float32(0.5 * LOGISTIC_SD) / need.spread
    gone, most = np.zeros(cells, np.float32), np.zeros(cells, np.float32)
    heat, share = np.empty(cells, np.float32), np.empty(cells, np.float32)
    most_day = np.full(cells, NEVER, dtype=np.int16)
    begun, onset, peak, end = (_Tally(cells, mark) for mark in (0.1, 0.1, 0.5, 0.9))
    moving, intensity = np.zeros((n_days, *cells), dtype=bool), np.zeros((n_days, cells[0]))
    lead = None if need.move_before is None else need.move_before * steep
    afoot_days = np.zeros((n_days if lead is not None else 0, *cells), dtype=bool)
    afoot_mean = np.zeros((n_days, cells[0]))
    last_start = int(start.max(where=start != NEVER, initial=0))
    from_day = min(_first_ready(cumulative, centre, need, first), n_days)
    for day in range(from_day, n_days):
        counts = None if day >= last_start else start <= day
        np.subtract(cumulative[day], centre, out=heat)
        heat *= steep
        opened = gate(day)
        if lead is not None:
            _logistic(heat + lead, out=share)
            if counts is not None:
                share *= counts
            begun.day(share)
            share -= gone
            np.putmask(most_day, share > most, day)
            np.maximum(most, share, out=most)
            afoot_days[day] = (share >= MOVING_SHARE) & (opened >= OPEN_GATE)
            share *= opened
            afoot_mean[day] = _lake_mean(share)
        _logistic(heat, out=share)
        if counts is not None:
            share *= counts
        share -= gone
        np.maximum(share, 0, out=share)
        share *= opened
        gone += share
        np.greater_equal(share, np.float32(MOVING_SHARE), out=moving[day])
        intensity[day] = _lake_mean(share)
        for tally in (onset, peak, end):
            tally.day(gone)
        if day % 8 == 0 and gone.min() > ALL_GONE:
            break
    dates = [tally.index(from_day, n_days) for tally in (onset, peak, end)]
    emergence = Passage(Milestones(*dates), moving, intensity)
    if lead is None:
        return emergence, None
    began = begun.index(from_day, n_days)
    middle = np.where(began == NEVER, NEVER, most_day).astype(np.int16)
    return emergence, Passage(Milestones(began, middle, dates[2]), afoot_days, afoot_mean)


def _lake_mean(share: Floats) -> NDArray[np.float64]:
    flat = share.reshape(len(share), -1)
    return flat.astype(np.float64).sum(axis=1) / flat.shape[1]


def water_start(water_c: Floats, *, threshold: float, first: int, days: int = 7) -> Offsets:
    """Return the first day index whose trailing mean water over ``days`` reaches the threshold.

    Parameters
    ----------
    water_c
        Daily mean water [°C], (days, *cells).
    threshold
        [°C].
    first
        First day index that may count.
    days
        Length of the mean [d].
    """
    wait = np.zeros(water_c.shape[1:], dtype=np.int16)
    begin = max(first, days - 1)
    total = water_c[begin - days + 1 : begin + 1].sum(axis=0, dtype=np.float32)
    open_yet = np.ones(wait.shape, dtype=bool)
    for day in range(begin, len(water_c)):
        if day > begin:
            total += water_c[day] - water_c[day - days]
        open_yet &= total < np.float32(threshold * days)
        wait += open_yet
        if not open_yet.any():
            break
    return np.where(open_yet, NEVER, begin + wait).astype(np.int16)


def ice_off_start(ice: Bools, *, first: int, last: int, earliest: int) -> Offsets:
    """Return each cell's first open day after its last ice between two day indices, not before ``earliest``."""
    span = ice[first : last + 1]
    after = len(span) - np.argmax(span[::-1], axis=0)
    opened = np.where(span.any(axis=0), first + after, first)
    return np.maximum(opened, earliest).astype(np.int16)


def heat_at(cumulative: Floats, start: Offsets) -> Floats:
    """Return the degree-days gathered before each cell's start day; +inf where it never starts."""
    index = np.clip(start.astype(np.int64) - 1, 0, len(cumulative) - 1)
    value = np.take_along_axis(cumulative, index[None], axis=0)[0]
    value = np.where(start <= 0, np.float32(0), value)
    return np.where(start == NEVER, np.float32(np.inf), value)


def crossing(cumulative: Floats, level: Floats) -> Offsets:
    """Return the first day index on which ``cumulative`` reaches each cell's level, NEVER where it does not."""
    wait = np.zeros(level.shape, dtype=np.int16)
    for today in cumulative:
        wait += today < level
    return np.where(wait >= len(cumulative), NEVER, wait).astype(np.int16)

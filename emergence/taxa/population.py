"""How a maturing population leaves the water: heat, a requirement that differs between insects, gates, a ready pool.

Arrays are time-major: (days, lakes, slots, replicates), called (days, *cells) below.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.taxa.compiled import (
    MOST_GATES,
    first_day_kernel,
    heat_at_kernel,
    ice_off_start_kernel,
    passage_kernel,
    water_start_kernel,
)
from emergence.taxa.shown import ShownDays, word_count

Floats = NDArray[np.floating]
Bools = NDArray[np.bool_]
Offsets = NDArray[np.int16]

LOGISTIC_SD = np.pi / np.sqrt(3.0)  # standard deviation of the standard logistic distribution
MOVING_SHARE = 0.02  # of the season's maturing insects; our prior (a day on which it shows)
OPEN_GATE = 0.5  # a gate at least half open lets the migration move; our prior
ALL_GONE = 0.999  # from here on nothing visible happens
MOST_SHARE = 0.35  # of the median, for spreads and leads; our prior (published spreads are 6-30 % of it)
LIMITS = (np.array([MOVING_SHARE], dtype="f4").view("i4")[0], np.float32(OPEN_GATE), np.float32(ALL_GONE))
EARLY_SDS = 3.5  # before the median less this many spreads under 0.2 % are ready


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

    ``shown`` tells the days on which it shows with the gates open; ``intensity`` (days, lakes) [share of the season's
    maturing insects], the mean over members in float64; ``moving_chance`` (days, lakes) in what share of the members it
    shows.
    """

    milestones: Milestones
    shown: ShownDays
    intensity: NDArray[np.float64]
    moving_chance: NDArray[np.float64]

    @property
    def moving(self) -> Bools:
        """The days on which it shows one by one, (days, *cells)."""
        return self.shown.flags.reshape(-1, *self.milestones.onset.shape)


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


def widened(need: Requirements, uneven: Floats) -> Requirements:
    """Return requirements whose spread takes in that insects at different depths gather different heat.

    The variances add; held to MOST_SHARE of the median (nobody is ready before any heat has been gathered) where the
    spread itself is not wider. ``uneven`` [°C·day] broadcasts to the cells.
    """
    wide = np.minimum(np.hypot(need.spread, uneven), np.maximum(need.spread, np.float32(MOST_SHARE) * need.median))
    return Requirements(need.median, wide, need.move_before)


def ramp(above: Floats, width: float) -> Floats:
    """Return how far a gate is open [0..1]: 0 at its shut end, 1 a ``width`` further, straight between.

    Parameters
    ----------
    above
        Value less the gate's shut end.
    width
        Open end less shut end; 0 makes a step (open from the value on), below 0 a gate that opens as the value falls.
    """
    if width == 0:
        return (above >= 0).astype(above.dtype)
    opened = above * above.dtype.type(1 / width)
    np.maximum(opened, 0, out=opened)
    return np.asarray(np.minimum(opened, 1, out=opened))


@dataclass(frozen=True)
class Bound:
    """One gate laid on cells: ``variable`` (days, columns) float32, each column serving ``share`` neighbouring cells.

    ``shut`` (cells,) float32 the shut end of each cell's gate, ``width`` open end less shut end.
    """

    variable: Floats
    share: int
    shut: Floats
    width: float


NO_GATE = Bound(np.zeros((1, 1), np.float32), 1, np.zeros(1, np.float32), 1.0)


@dataclass(frozen=True)
class Gates:
    """All gates of a taxon over flat cells; ``frozen`` (days, cells) shuts them."""

    frozen: Bools
    bounds: tuple[Bound, ...]

    def opened(self, day: int, cell: NDArray[np.int64]) -> Floats:
        """Return how far all gates are open [0..1] on a day in some cells."""
        value = 1 - np.take(self.frozen[day], cell).astype(np.float32)
        for bound in self.bounds:
            value *= ramp(np.take(bound.variable[day], cell // bound.share) - np.take(bound.shut, cell), bound.width)
        return value

    def opened_until(self, last: int, cell: NDArray[np.int64]) -> Floats:
        """Return how far all gates are open [0..1] in some cells on the days before ``last``, (days, cells)."""
        value = 1 - np.take(self.frozen[:last], cell, axis=1).astype(np.float32)
        for bound in self.bounds:
            seen = np.take(bound.variable[:last], cell // bound.share, axis=1)
            value *= ramp(seen - np.take(bound.shut, cell), bound.width)
        return value

    def packed(self) -> tuple[Any, ...]:
        """Return what kernels take: how many gates, then variables, shut ends and widths of MOST_GATES each."""
        bounds = [*self.bounds, *[NO_GATE] * MOST_GATES][:MOST_GATES]
        return (
            len(self.bounds),
            tuple(columns_of(b.variable.astype(np.float32, copy=False)) for b in bounds),
            tuple(np.ascontiguousarray(b.shut, dtype=np.float32) for b in bounds),
            np.array([b.width for b in bounds], dtype=np.float32),
        )


@dataclass
class _Active:
    """The cells in which something is happening, side by side; ``cell`` is the flat index of each."""

    cell: NDArray[np.int64]
    entered: Offsets
    centre: Floats
    steep: Floats
    lead: Floats
    gone: Floats
    most: Floats
    most_day: Offsets
    begin: Offsets
    onset: Offsets
    peak: Offsets
    end: Offsets

    @classmethod
    def of(cls, cell: NDArray[np.int64], day: int, centre: Floats, steep: Floats, lead: Floats) -> _Active:
        zero, none = np.zeros(len(cell), np.float32), np.zeros(len(cell), np.int16)
        counts = [none.copy() for _ in range(4)]
        entered = np.full(len(cell), day, np.int16)
        return cls(
            cell, entered, centre[cell], steep[cell], lead[cell], zero, zero.copy(), none + np.int16(NEVER), *counts
        )

    def with_more(self, other: _Active) -> _Active:
        both = zip(vars(self).values(), vars(other).values(), strict=True)
        return _Active(*(np.concatenate(pair) for pair in both))

    def take(self, mask: Bools) -> _Active:
        return _Active(*(v[mask] for v in vars(self).values()))


@dataclass
class _Found:
    """Where the results of all cells gather, flat."""

    begin: Offsets
    onset: Offsets
    peak: Offsets
    end: Offsets
    most_day: Offsets

    def keep(self, active: _Active, n_days: int) -> None:
        for name in ("begin", "onset", "peak", "end"):
            index = active.entered + getattr(active, name)
            getattr(self, name)[active.cell] = np.where(index >= n_days, NEVER, index)
        self.most_day[active.cell] = active.most_day


@dataclass(frozen=True)
class _Shows:
    """On which days something shows in each cell, in what share of a lake's members, and the mean that goes."""

    days: ShownDays
    chance: NDArray[np.float64]
    mean: NDArray[np.float64]

    def passage(self, milestones: Milestones) -> Passage:
        return Passage(milestones, self.days, self.mean, self.chance)


def columns_of(values: NDArray[Any]) -> NDArray[Any]:
    """Return an array (days, *cells) as (cells, days), each cell's days side by side; no copy where they lie so."""
    return np.ascontiguousarray(values.reshape(len(values), -1).T)


def _logistic(scaled: Floats) -> Floats:
    """Return 1 / (1 + exp(-2 scaled)): ``ready_share`` of heat already centred and scaled."""
    share = np.tanh(scaled)
    share += np.float32(1)
    share *= np.float32(0.5)
    return share


def first_day_at(cumulative: Floats, level: Floats) -> NDArray[np.int64]:
    """Return the first day index on which each cell's rising sum reaches its level; the number of days if never.

    Parameters
    ----------
    cumulative
        Never falling along the days, shape (days, cells).
    level
        Shape (cells,).
    """
    if first_day_kernel is not None:
        first = np.empty(len(level), dtype=np.int64)
        first_day_kernel(columns_of(cumulative), np.ascontiguousarray(level), first)
        return first
    cell = np.arange(len(level))
    low, high = np.zeros(len(level), dtype=np.int64), np.full(len(level), len(cumulative), dtype=np.int64)
    for _ in range(len(cumulative).bit_length()):
        middle = np.minimum((low + high) // 2, len(cumulative) - 1)
        short = (cumulative[middle, cell] < level) & (low < high)
        low, high = np.where(short, middle + 1, low), np.where(short, high, np.minimum(middle, high))
    return low


def leave_water(
    cumulative: Floats, offset: Floats, need: Requirements, *, gates: Gates, start: Offsets
) -> tuple[Passage, Passage | None]:
    """Let every member's insects mature, wait for an open gate and go.

    Parameters
    ----------
    cumulative
        Degree-days since the first simulated day [°C·day], (days, *cells) float32.
    offset
        ``cumulative`` at each cell's biofix, so that heat is counted from there; +inf where the biofix never comes.
    need
        Requirements of each member.
    gates
        What ready insects wait for.
    start
        Day index of the biofix, int16 of cell shape (NEVER where it never comes).

    Returns
    -------
    Passage, Passage or None
        Emergence, and the migration for taxa that move to the shore first.

    Notes
    -----
    Ready share F(heat); left share E grows by gate * (F - E) each day: whoever is ready and not gone waits in the
    ready pool F - E, so a cold spell delays and then releases a burst, and nobody is lost. The migration: an insect
    moves from F(heat + move_before) on until it has left, so on the move is F(heat + move_before) - E(day before).
    Cells are worked on from EARLY_SDS before the median insect until ALL_GONE.
    """
    cells = cumulative.shape[1:]
    flat = cumulative.reshape(len(cumulative), -1)
    spread = np.ravel(need.spread)
    move = np.zeros(len(spread), np.float32) if need.move_before is None else np.ravel(need.move_before)
    centre, steep = np.ravel(offset + need.median), np.float32(0.5 * LOGISTIC_SD) / spread
    entry = first_day_at(flat, centre - np.float32(EARLY_SDS) * spread - move)
    ready = _Ready(flat, centre, steep, move * steep, np.maximum(entry, start.ravel()), need.move_before is not None)
    fast = passage_kernel is not None and len(gates.bounds) <= MOST_GATES
    run = run_compiled if fast else run_plain
    return run(ready, gates, cells)


@dataclass(frozen=True)
class _Ready:
    """A brood laid out for the passage: flat heat, each cell's centre, steepness, lead and first day of interest."""

    flat: Floats
    centre: Floats
    steep: Floats
    lead: Floats
    entry: NDArray[np.int64]
    travels: bool


def run_compiled(ready: _Ready, gates: Gates, cells: tuple[int, ...]) -> tuple[Passage, Passage | None]:
    """Return the passage by the compiled kernel."""
    n_days, size = ready.flat.shape
    found = _Found(*(np.empty(size, np.int16) for _ in range(5)))
    leaving, afoot = (
        (
            np.zeros((size if wanted else 0, word_count(n_days)), dtype=np.uint32),
            np.zeros((cells[0] if wanted else 0, n_days), dtype=np.int32),
            np.zeros((cells[0] if wanted else 0, n_days)),
        )
        for wanted in (True, ready.travels)
    )
    assert passage_kernel is not None
    passage_kernel(
        columns_of(ready.flat),
        (ready.centre, ready.steep, ready.lead, ready.travels),
        ready.entry,
        columns_of(gates.frozen),
        gates.packed(),
        (found.begin, found.onset, found.peak, found.end, found.most_day),
        (leaving, afoot, LIMITS),
    )
    members = size // cells[0]

    def told(shows: tuple[NDArray[np.uint32], NDArray[np.int32], NDArray[np.float64]]) -> _Shows:
        return _Shows(ShownDays(shows[0], n_days), *(np.ascontiguousarray(v.T) / members for v in shows[1:]))

    return _passages(found, cells, told(leaving), told(afoot) if ready.travels else None)


def run_plain(ready: _Ready, gates: Gates, cells: tuple[int, ...]) -> tuple[Passage, Passage | None]:  # kernel
    """Return the passage in plain NumPy: only the cells between their first and last insect are worked on."""
    flat, entry, travels = ready.flat, ready.entry, ready.travels
    n_days, size = flat.shape
    lakes, members = cells[0], size // cells[0]
    order = np.argsort(entry, kind="stable")
    bounds = np.searchsorted(entry[order], np.arange(n_days + 1))
    found = _Found(*(np.full(size, NEVER, np.int16) for _ in range(5)))
    leaving, leaving_mean = np.zeros((n_days, size), dtype=bool), np.zeros((n_days, lakes))
    afoot, afoot_mean = np.zeros((n_days, size), dtype=bool), np.zeros((n_days, lakes))
    active = _Active.of(order[:0], 0, ready.centre, ready.steep, ready.lead)
    for day in range(n_days):
        new = order[bounds[day] : bounds[day + 1]]
        if len(new):
            active = active.with_more(_Active.of(new, day, ready.centre, ready.steep, ready.lead))
        elif not len(active.cell):
            continue
        cell, gone = active.cell, active.gone
        heat = np.take(flat[day], cell)
        heat -= active.centre
        heat *= active.steep
        opened, lake = gates.opened(day, cell), cell // members
        if travels:
            share = _logistic(heat + active.lead)
            active.begin += share < np.float32(0.1)
            share -= gone
            np.putmask(active.most_day, share > active.most, day)
            np.maximum(active.most, share, out=active.most)
            afoot[day, cell] = (share >= MOVING_SHARE) & (opened >= OPEN_GATE)
            share *= opened
            afoot_mean[day] = np.bincount(lake, share, lakes) / members
        share = _logistic(heat)
        share -= gone
        np.maximum(share, 0, out=share)
        share *= opened
        gone += share
        leaving[day, cell] = share >= np.float32(MOVING_SHARE)
        leaving_mean[day] = np.bincount(lake, share, lakes) / members
        active.onset += gone < np.float32(0.1)
        active.peak += gone < np.float32(0.5)
        active.end += gone < np.float32(0.9)
        if day % 4 == 0:
            over = gone > ALL_GONE
            found.keep(active.take(over), n_days)
            active = active.take(~over)
    found.keep(active, n_days)
    shows, moves = (
        _Shows(ShownDays.of(flags), flags.reshape(n_days, lakes, members).mean(axis=2), mean)
        for flags, mean in ((leaving, leaving_mean), (afoot, afoot_mean))
    )
    return _passages(found, cells, shows, moves if travels else None)


def _passages(
    found: _Found, cells: tuple[int, ...], leaving: _Shows, afoot: _Shows | None
) -> tuple[Passage, Passage | None]:
    begin, onset, peak, end = (getattr(found, k).reshape(cells) for k in ("begin", "onset", "peak", "end"))
    out = leaving.passage(Milestones(onset, peak, end))
    if afoot is None:
        return out, None
    middle = np.where(begin == NEVER, NEVER, found.most_day.reshape(cells)).astype(np.int16)
    return out, afoot.passage(Milestones(begin, middle, end))


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
    if water_start_kernel is not None and water_c.dtype == np.float32:
        start = np.empty(water_c.shape[1:], dtype=np.int16)
        water_start_kernel(columns_of(water_c), np.float32(threshold * days), first, days, start.reshape(-1))
        return start
    wait = np.zeros(water_c.shape[1:], dtype=np.int16)
    begin = max(first, days - 1)
    total = np.cumsum(water_c[begin - days + 1 : begin + 1], axis=0)[-1]  # day by day: the same for any number of cells
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
    if ice_off_start_kernel is not None:
        start = np.empty(ice.shape[1:], dtype=np.int16)
        ice_off_start_kernel(columns_of(ice), first, last, earliest, start.reshape(-1))
        return start
    span = ice[first : last + 1]
    after = len(span) - np.argmax(span[::-1], axis=0)
    opened = np.where(span.any(axis=0), first + after, first)
    return np.maximum(opened, earliest).astype(np.int16)


def heat_at(cumulative: Floats, start: Offsets) -> Floats:
    """Return the degree-days gathered before each cell's start day; +inf where it never starts."""
    if heat_at_kernel is not None and cumulative.dtype == np.float32 and start.dtype == np.int16:
        heat = np.empty(start.shape, dtype=np.float32)
        heat_at_kernel(columns_of(cumulative), np.ascontiguousarray(start).reshape(-1), heat.reshape(-1))
        return heat
    index = np.clip(start.astype(np.int64) - 1, 0, len(cumulative) - 1)
    value = np.take_along_axis(cumulative, index[None], axis=0)[0]
    value = np.where(start <= 0, np.float32(0), value)
    return np.where(start == NEVER, np.float32(np.inf), value)


def crossing(cumulative: Floats, level: Floats) -> Offsets:
    """Return the first day index on which ``cumulative`` reaches each cell's level, NEVER where it does not."""
    index = first_day_at(cumulative.reshape(len(cumulative), -1), np.ravel(level)).reshape(level.shape)
    return np.where(index >= len(cumulative), NEVER, index).astype(np.int16)

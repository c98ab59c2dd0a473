"""The spring overturn of a lake as an event of its own: fishing is poor in it (common practice, no source)."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.forecast.compiled import within_kernel
from emergence.forecast.events import EventResult, event_result
from emergence.forecast.field import Field
from emergence.forecast.windows import chance_active
from emergence.taxa.population import Milestones, Passage
from emergence.taxa.shown import ShownDays
from emergence.water.depth import Overturns, overturns

LAKE = "-"  # stands in the column taxon for what concerns the lake itself
MEAN_D = 5  # d, mean surface against which stratification is told; our prior
Offsets = NDArray[np.int16]


def turnover_events(field: Field, *, keep_members: bool = False) -> list[EventResult]:
    """Return the spring overturn of a block of lakes, none where no member has one.

    Parameters
    ----------
    field
        The block's water; without water below the surface there is nothing to tell.
    keep_members
        Whether each member's dates and days are kept.

    Notes
    -----
    It lasts from a member's ice-off until its surface, as a mean of MEAN_D days, reaches what the simulated lake of its
    sky had when it stratified. Members without ice begin when the simulated lake passes 4 °C. All its days count as
    moving; the peak is blank and the intensity 0, since no insect leaves. Members that do not stratify mix until the
    ice of the next winter.
    """
    if field.depth is None:
        return []
    turns = overturns(field.depth, field.path_ice, first=field.first, solstice=field.solstice)
    onset, end = turnover_days(field, turns)
    if (onset == NEVER).all():
        return []
    until = _until(onset, end, field.ice)
    active = _between(onset, until, len(field.water_c))
    lakes = len(onset)
    chance = chance_active(onset.reshape(lakes, -1), until.reshape(lakes, -1), len(active))
    shown = ShownDays.of(active.reshape(len(active), -1))
    passage = Passage(Milestones(onset, np.full_like(onset, NEVER), end), shown, np.zeros(chance.shape), chance)
    return [event_result(LAKE, 0, "turnover", passage, field.ahead, keep_members, until)]


def _until(onset: Offsets, end: Offsets, ice: NDArray[np.bool_]) -> Offsets:
    """Return the end, for cells that have none the last day index without ice (0 where all days have it)."""
    until = end.reshape(-1).copy()
    cell = np.flatnonzero((onset.reshape(-1) != NEVER) & (until == NEVER))
    some = ice.reshape(len(ice), -1)[:, cell]
    until[cell] = np.where(some.all(axis=0), 0, len(ice) - 1 - np.argmin(some[::-1], axis=0))
    return until.reshape(end.shape)


def _between(onset: Offsets, end: Offsets, n_days: int) -> NDArray[np.bool_]:
    """Return the days between onset and end, both included, (days, *cells)."""
    if within_kernel is None:
        day = np.arange(n_days, dtype=np.int16).reshape(-1, *(1,) * onset.ndim)
        return np.asarray((day >= onset) & (day <= end))
    shows = np.zeros((onset.size, n_days), dtype=bool)
    within_kernel(onset.reshape(-1), end.reshape(-1), shows)
    return shows.T.reshape(n_days, *onset.shape)


def turnover_days(field: Field, turns: Overturns) -> tuple[Offsets, Offsets]:
    """Return the first and the last day index of each member's spring overturn, NEVER where there is none."""
    assert field.depth is not None
    happens = np.broadcast_to((turns.spring != NEVER)[..., None], field.water_c.shape[1:])
    after = field.ice_off(earliest=field.first).astype(np.int64)
    onset = np.where(after > field.first, after, turns.spring[..., None].astype(np.int64))
    onset = np.where(happens & (onset < len(field.water_c)), np.maximum(onset, field.first), NEVER)
    end = _warm_after(field.water_c, onset, _mean_at(field.depth.surface_c, turns.stratified)[..., None])
    return onset.astype(np.int16), end


def _mean_at(surface_c: NDArray[np.floating], day: Offsets) -> NDArray[np.floating]:
    """Return the mean of MEAN_D days up to a day index of each cell; +inf where it is NEVER."""
    last = np.minimum(day.astype(np.int64), len(surface_c) - 1)
    total = np.zeros(day.shape, dtype=surface_c.dtype)
    for back in range(MEAN_D):
        total += np.take_along_axis(surface_c, np.maximum(last - back, 0)[None], axis=0)[0]
    return np.where(day == NEVER, np.inf, total / MEAN_D)


def _warm_after(water_c: NDArray[np.floating], onset: NDArray[np.int64], level: NDArray[np.floating]) -> Offsets:
    """Return the first day index from ``onset`` on whose mean over MEAN_D days reaches the level."""
    end = np.full(onset.shape, NEVER, dtype=np.int16)
    if (onset == NEVER).all():
        return end
    first = max(int(onset.min()), MEAN_D - 1)
    waiting = onset != NEVER
    for day in range(first, len(water_c)):
        mean = np.add(water_c[day], water_c[day - 1])
        for back in range(2, MEAN_D):
            mean += water_c[day - back]
        done = waiting & (day >= onset) & (mean >= MEAN_D * level)
        end[done] = day
        waiting &= ~done
        if not waiting.any():
            break
    return end

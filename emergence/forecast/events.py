"""One taxon over a block of lakes: broods, events, and what of them is kept."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.forecast.compiled import under_way_kernel
from emergence.forecast.field import Field, layer_of
from emergence.forecast.weighing import MemberTaxon, member_taxon, opened_to
from emergence.forecast.windows import (
    EVEN,
    OUTER,
    BestWeek,
    Span,
    best_week,
    chance_active,
    longest_run,
    member_quantiles,
)
from emergence.taxa.compiled import MOST_GATES, SPAN
from emergence.taxa.model import Brood, Taxon
from emergence.taxa.population import (
    OPEN_GATE,
    Gates,
    Milestones,
    Passage,
    Requirements,
    columns_of,
    crossing,
    heat_at,
    leave_water,
    widened,
)
from emergence.taxa.yearclass import MemberClasses

Floats = NDArray[np.float64]
STRENGTH_AT = (0.1, 0.5, 0.9)


@dataclass(frozen=True)
class EventResult:
    """One event of one brood over a block of lakes.

    ``best`` is the best week of the season, ``ahead`` of the days after the issue date. Quantiles (lakes, 7) are day
    indices, ``dates.NEVER`` blank; chances and ``intensity`` are (days, lakes); ``milestones`` (lakes, members) and
    ``moving`` (days, lakes, members) are kept only when members are asked for. ``strength`` (lakes, 3) are the 10, 50
    and 90 % quantiles of the maturing numbers over their mean year, None for taxa without year-classes.
    """

    taxon: str
    brood: int
    event: str
    best: BestWeek
    ahead: BestWeek
    even: Span
    outer: Span
    onset: NDArray[np.int64]
    peak: NDArray[np.int64]
    end: NDArray[np.int64]
    not_this_season: Floats
    no_end: Floats
    active: Floats
    moving_chance: Floats
    intensity: Floats
    milestones: Milestones | None
    moving: NDArray[np.bool_] | None
    strength: Floats | None = None


def taxon_events(
    taxon: Taxon,
    field: Field,
    lake_ids: NDArray[np.object_],
    *,
    seed: int,
    keep_members: bool = False,
    classes: MemberClasses | None = None,
    drawn: MemberTaxon | None = None,
) -> list[EventResult]:
    """Return every event of every brood of a taxon, migration before emergence.

    Parameters
    ----------
    taxon
        The taxon.
    field
        The block's water, air and light.
    lake_ids
        Keys of the lakes, shape (lakes,).
    seed
        The run's seed.
    keep_members
        Whether each member's dates and moving days are kept.
    classes
        The members' year-classes, for taxa that have them: they widen the first brood and give its strength.
    drawn
        The members' own numbers, None to draw them as they are without any note.
    """
    drawn = drawn or member_taxon(taxon, field, lake_ids, seed=seed, classes=classes)
    results: list[EventResult] = []
    gates, growth = field.gates(taxon.gates, drawn.shifts), taxon.growth
    passages = brood_passages(taxon, field, drawn.needs, gates=gates)
    for number, (emergence, migration) in enumerate(passages, start=1):
        heat = field.heat(growth.lower.value, growth.upper.value if growth.upper else None, layer_of(taxon.depth))
        for event, passage in (("migration", migration), ("emergence", emergence)):
            if passage is not None:
                lasts = under_way_until(passage.milestones, heat, gates)
                results.append(event_result(taxon.id, number, event, passage, field.ahead, keep_members, lasts))
    return results if classes is None else [_with_strength(r, classes) for r in results]


def _with_strength(result: EventResult, classes: MemberClasses) -> EventResult:
    """Return a first brood's result with the quantiles of its strength."""
    if result.brood > 1:
        return result
    members = classes.strength.shape[1]
    rank = [max(int(np.ceil(p * members)) - 1, 0) for p in STRENGTH_AT]
    return replace(result, strength=np.sort(classes.strength, axis=1)[:, rank].astype(np.float64))


def brood_passages(
    taxon: Taxon, field: Field, needs: Sequence[Requirements], *, gates: Gates
) -> Iterator[tuple[Passage, Passage | None]]:
    """Yield emergence and migration of each brood, each counted from the middle of the one before.

    Parameters
    ----------
    taxon
        The taxon.
    field
        The block's water, air and light.
    needs
        Requirements of each brood, of cell shape.
    gates
        What ready insects wait for.
    """
    lower, upper = taxon.growth.lower.value, taxon.growth.upper.value if taxon.growth.upper else None
    layer = layer_of(taxon.depth)
    cumulative = field.heat(lower, upper, layer)
    start = field.start(taxon.start)
    for number, need in enumerate(needs):
        wide = widened(need, field.uneven_heat(lower, upper, layer, start=start, need=need.median))
        offset = heat_at(cumulative, start)
        if number > 0:
            offset = flown_only(taxon.later_broods[number - 1], field, cumulative, offset, wide)
        emergence, migration = leave_water(cumulative, offset, wide, gates=gates, start=start)
        yield emergence, migration
        start = day_after(emergence.milestones.peak)


def day_after(peak: NDArray[np.int16]) -> NDArray[np.int16]:
    """Return the day after the middle of a brood, from which the next one counts; NEVER stays."""
    return np.where(peak == NEVER, NEVER, peak + 1).astype(np.int16)


def flown_only(
    brood: Brood, field: Field, cumulative: NDArray[np.floating], offset: NDArray[np.floating], need: Requirements
) -> NDArray[np.floating]:
    """Blank the biofix of cells whose median insect would be ready only in days too short for the brood."""
    ready = crossing(cumulative, offset + need.median).astype(np.int64)
    last = len(cumulative) - 1
    lakes = np.arange(cumulative.shape[1])[:, None, None]
    light = field.day_length_h[np.minimum(ready, last), lakes]
    too_late = (ready > field.solstice) & (light < brood.shortest_day.value) | (ready == NEVER)
    return np.where(too_late, np.float32(np.inf), offset)


def under_way_until(dates: Milestones, heat: NDArray[np.floating], gates: Gates) -> NDArray[np.int16]:
    """Return the last day index on which an event is under way in each cell, int16 of cell shape.

    Parameters
    ----------
    dates
        Of the event.
    heat
        Degree-days since the first simulated day [°C·day], (days, *cells).
    gates
        What ready insects wait for.

    Notes
    -----
    The end where it comes. Where 90 % do not get away this season, nothing is under way any more once no heat is
    gathered and whoever was ready has found an open gate (OPEN_GATE) since the onset, or once the gates, or the ice,
    have shut for the winter.
    """
    onset, until = dates.onset.ravel(), dates.end.ravel().copy()
    cell = np.flatnonzero((onset != NEVER) & (until == NEVER))
    if not len(cell):
        return until.reshape(dates.end.shape)
    if under_way_kernel is not None and heat.dtype == np.float32 and len(gates.bounds) <= MOST_GATES:
        frozen, room = columns_of(gates.frozen), np.empty(SPAN, dtype=np.float32)
        under_way_kernel(onset, columns_of(heat), frozen, gates.packed(), np.float32(OPEN_GATE), (until, room))
        return until.reshape(dates.end.shape)
    last, day = len(heat) - 1, np.arange(len(heat))[:, None]
    opened = (opened_to(gates, cell, last) >= OPEN_GATE) & (day >= onset[cell])
    sums = columns_of(heat)[cell].T
    gone = opened & (day >= (sums < sums[-1]).sum(axis=0))  # no more heat is gathered
    shut = np.where(opened.any(axis=0), last - np.argmax(opened[::-1], axis=0), 0)
    until[cell] = np.maximum(np.where(gone.any(axis=0), np.argmax(gone, axis=0), shut), onset[cell])
    return until.reshape(dates.end.shape)


def event_result(
    taxon: str, brood: int, event: str, passage: Passage, ahead: int, keep: bool, until: NDArray[np.int16]
) -> EventResult:
    """Reduce the members' passages of one event to what is published of it.

    ``ahead`` is the first day to come, ``until`` (cell shape) the last day on which it is under way in each member.
    """
    n_days, lakes = passage.intensity.shape
    flat = Milestones(*(getattr(passage.milestones, k).reshape(lakes, -1) for k in ("onset", "peak", "end")))
    moving_chance = passage.moving_chance
    active = chance_active(flat.onset, until.reshape(lakes, -1), n_days)
    reached = flat.onset != NEVER
    return EventResult(
        taxon=taxon,
        brood=brood,
        event=event,
        best=best_week(passage.shown, moving_chance),
        ahead=best_week(passage.shown, moving_chance, first=ahead),
        even=longest_run(active >= EVEN),
        outer=longest_run(active >= OUTER),
        onset=member_quantiles(flat.onset),
        peak=member_quantiles(flat.peak),
        end=member_quantiles(flat.end),
        not_this_season=1.0 - reached.mean(axis=1),
        no_end=(reached & (flat.end == NEVER)).mean(axis=1),
        active=active,
        moving_chance=moving_chance,
        intensity=passage.intensity,
        milestones=flat if keep else None,
        moving=passage.shown.flags.reshape(n_days, lakes, -1) if keep else None,
    )

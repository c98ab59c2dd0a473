"""One taxon over a block of lakes: broods, events, and what of them is kept."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.forecast.field import Field
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
from emergence.taxa.draws import draw_gate_shifts, draw_requirements
from emergence.taxa.model import Brood, Taxon
from emergence.taxa.population import Milestones, Passage, Requirements, crossing, heat_at, leave_water

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class EventResult:
    """One event of one brood over a block of lakes.

    ``best`` is the best week of the season, ``ahead`` of the days after the issue date. Quantiles (lakes, 7) are day
    indices, ``dates.NEVER`` blank; chances and ``intensity`` are (days, lakes); ``milestones`` (lakes, members) and
    ``moving`` (days, lakes, members) are kept only when members are asked for.
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


def taxon_events(
    taxon: Taxon, field: Field, lake_ids: NDArray[np.object_], *, seed: int, keep_members: bool = False
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
    """
    cells = field.water_c.shape[1:]
    lower, upper = taxon.growth.lower.value, taxon.growth.upper.value if taxon.growth.upper else None
    cumulative = field.heat(lower, upper)
    start = field.start(taxon.start)
    members = cells[1] * cells[2]
    shifts = draw_gate_shifts(taxon.gates, lake_ids, key=taxon.id, seed=seed, members=members)
    gates = field.gates(taxon.gates, shifts)
    requirements = [taxon.growth.requirement, *(b.requirement for b in taxon.broods)]
    results: list[EventResult] = []
    for number, requirement in enumerate(requirements, start=1):
        key = f"{taxon.id}/{number}"
        drawn = draw_requirements(taxon.growth, requirement, lake_ids, key=key, seed=seed, members=members)
        need = _as_cells(drawn, cells)
        offset = heat_at(cumulative, start)
        if number > 1:
            offset = _flown_only(taxon.broods[number - 2], field, cumulative, offset, need)
        emergence, migration = leave_water(cumulative, offset, need, gates=gates, start=start)
        if migration is not None:
            results.append(_result(taxon.id, number, "migration", migration, field.ahead, keep_members))
        results.append(_result(taxon.id, number, "emergence", emergence, field.ahead, keep_members))
        start = emergence.milestones.peak
    return results


def _as_cells(drawn: Requirements, cells: tuple[int, ...]) -> Requirements:
    move = drawn.move_before
    return Requirements(
        drawn.median.reshape(cells), drawn.spread.reshape(cells), None if move is None else move.reshape(cells)
    )


def _flown_only(
    brood: Brood, field: Field, cumulative: NDArray[np.floating], offset: NDArray[np.floating], need: Requirements
) -> NDArray[np.floating]:
    """Blank the biofix of cells whose median insect would be ready only in days too short for the brood."""
    ready = crossing(cumulative, offset + need.median).astype(np.int64)
    last = len(cumulative) - 1
    lakes = np.arange(cumulative.shape[1])[:, None, None]
    light = field.day_length_h[np.minimum(ready, last), lakes]
    too_late = (ready > field.solstice) & (light < brood.shortest_day.value) | (ready == NEVER)
    return np.where(too_late, np.float32(np.inf), offset)


def _result(taxon: str, brood: int, event: str, passage: Passage, ahead: int, keep: bool) -> EventResult:
    n_days, lakes = passage.intensity.shape
    flat = Milestones(*(getattr(passage.milestones, k).reshape(lakes, -1) for k in ("onset", "peak", "end")))
    moving = passage.moving.reshape(n_days, lakes, -1)
    moving_chance = moving.mean(axis=2)
    active = chance_active(flat.onset, flat.end, n_days)
    reached = flat.onset != NEVER
    return EventResult(
        taxon=taxon,
        brood=brood,
        event=event,
        best=best_week(moving, moving_chance),
        ahead=best_week(moving, moving_chance, first=ahead),
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
        moving=moving if keep else None,
    )

"""Stages of every brood of a season together: what is about on any date, pupae among those on their way."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import fields, replace

import numpy as np
from numpy.typing import NDArray

from emergence.forecast.events import brood_passages, day_after, flown_only
from emergence.forecast.evidence import PUPA_SHARE
from emergence.forecast.field import Field, layer_of
from emergence.forecast.stages import Stages, adult_life, hard_frost, stage_numbers
from emergence.forecast.weighing import MemberTaxon
from emergence.taxa.model import Taxon
from emergence.taxa.population import Passage, Requirements, heat_at, widened
from emergence.taxa.yearclass import MemberClasses

Floats = NDArray[np.floating]
Starts = NDArray[np.int16]
PUPATE = ("midge", "phantom midge", "caddis")
NOT_FLOWN = np.float32(1e9)  # °C·day: more than any season gives


def season_stages(
    taxon: Taxon, field: Field, drawn: MemberTaxon, *, classes: MemberClasses | None = None
) -> Stages | None:
    """Return the stages of all broods of a taxon, None where its adults are not known.

    Parameters
    ----------
    taxon
        The taxon.
    field
        The block's water, air and light.
    drawn
        The members' own numbers.
    classes
        The members' year-classes, for taxa that have them.

    Notes
    -----
    Each brood as in ``stages.stage_numbers``, from its own start on; young of a brood that cannot fly before winter
    stay young. Those ``moving`` are, of taxa that pupate, the pupae: the last PUPA_SHARE of the requirement. The eggs
    of a brood are the young of the next one; ``hatched`` are those of the last.
    """
    life = adult_life(taxon)
    if life is None or taxon.adult is None:
        return None
    frost = hard_frost(field.air_min_c, taxon.adult.hard_frost.value, solstice=field.solstice)
    growth, none = taxon.growth, np.zeros((field.water_c.shape[1], 1))
    heat = field.heat(growth.lower.value, growth.upper.value if growth.upper else None, layer_of(taxon.depth))
    gates = field.gates(taxon.gates, drawn.shifts)
    total: Stages | None = None
    for number, (start, need) in enumerate(_broods(taxon, field, drawn, heat)):
        younger = none if classes is None or number else classes.younger
        own = stage_numbers(heat, need, gates=gates, start=start, life=life, frost=frost, younger=younger)
        if number + 1 < len(drawn.needs):
            own = replace(own, hatched=np.zeros_like(own.hatched))
        if number:
            own = replace(own, young=np.maximum(own.young - _unborn(start, len(heat)), 0.0))
        total = own if total is None else _sum(total, own)
    return total


def _broods(taxon: Taxon, field: Field, drawn: MemberTaxon, heat: Floats) -> Iterator[tuple[Starts, Requirements]]:
    """Yield biofix and requirement of each brood, of cell shape; a brood that is not flown needs NOT_FLOWN."""
    growth, layer = taxon.growth, layer_of(taxon.depth)
    lower, upper = growth.lower.value, growth.upper.value if growth.upper else None
    start = field.start(taxon.start)
    passages: Iterator[tuple[Passage, Passage | None]] = iter(())
    if taxon.later_broods:
        gates = field.gates(taxon.gates, drawn.shifts)
        passages = brood_passages(taxon, field, drawn.needs, gates=gates)
    for number, need in enumerate(drawn.needs):
        wide = widened(need, field.uneven_heat(lower, upper, layer, start=start, need=need.median))
        if number:
            offset = flown_only(taxon.later_broods[number - 1], field, heat, heat_at(heat, start), wide)
            wide = replace(wide, median=np.where(np.isinf(offset), NOT_FLOWN, wide.median))
        if taxon.group in PUPATE:
            wide = replace(wide, move_before=np.float32(PUPA_SHARE) * need.median)
        yield start, wide
        if number + 1 < len(drawn.needs):
            start = day_after(next(passages)[0].milestones.peak)


def _unborn(start: Starts, days: int) -> NDArray[np.float64]:
    """Return the share of members whose brood has not begun, (days, lakes)."""
    flat = start.reshape(len(start), -1).astype(np.int64)
    lakes, members = flat.shape
    begun = np.zeros((days, lakes), dtype=np.int64)
    day, lake = np.maximum(flat, 0), np.broadcast_to(np.arange(lakes)[:, None], flat.shape)
    np.add.at(begun, (day[day < days], lake[day < days]), 1)  # NEVER lies after the last day
    return (members - np.cumsum(begun, axis=0)) / members


def _sum(one: Stages, other: Stages) -> Stages:
    return Stages(*(getattr(one, f.name) + getattr(other, f.name) for f in fields(one)))

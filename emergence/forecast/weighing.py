"""Each member's own numbers of a taxon, before and after this season's sightings."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
from numpy.typing import NDArray

from emergence.forecast.evidence import (
    HIDDEN,
    Grown,
    Habits,
    Sighted,
    habits_of,
    log_absent,
    log_likelihood,
    numbers_on,
    presence_chance,
)
from emergence.forecast.field import Field, layer_of
from emergence.forecast.resampling import Drawn, Prior, drawn_anew
from emergence.taxa.draws import Deviates, Known, draw_deviates, draw_gate_shifts, requirements_at
from emergence.taxa.model import Taxon
from emergence.taxa.population import Gates, Requirements, heat_at, ramp, widened
from emergence.taxa.yearclass import MemberClasses

Floats = NDArray[np.floating]
Ints = NDArray[np.int64]

SURE = 0.999  # chance of presence from which absence is no explanation of what was not seen


@dataclass(frozen=True)
class Told:
    """What is known of a taxon in the lakes of a chunk beside the catalogue.

    ``known`` from past seasons; ``sighted`` this season's notes up to the issue date by index of the lake; ``unsure``
    the chance that it lives there at all, before these notes, by index of the lakes where that is not known and it was
    never seen.
    """

    known: Known | None = None
    sighted: Mapping[int, Sighted] = field(default_factory=dict)
    unsure: Mapping[int, float] = field(default_factory=dict)


@dataclass(frozen=True)
class Weighed:
    """What sightings of one taxon did to a lake's members.

    ``effective`` of the members drawn before the notes carried the weight; ``log_ratio`` is the log-likelihood of the
    notes if the taxon lives there less that if it does not; ``seen`` of the notes saw any.
    """

    lake: int
    taxon: str
    notes: int
    seen: int
    effective: float
    log_ratio: float


@dataclass(frozen=True)
class MemberTaxon:
    """A taxon in every member: ``needs`` of each brood (cell shape), ``shifts`` of its gates (lakes, members)."""

    needs: list[Requirements]
    shifts: list[Floats]
    weighed: list[Weighed]


def member_taxon(
    taxon: Taxon,
    field: Field,
    lake_ids: NDArray[np.object_],
    *,
    seed: int,
    classes: MemberClasses | None = None,
    told: Told | None = None,
) -> MemberTaxon:
    """Draw a taxon's uncertain numbers for every lake and member, given this season's sightings.

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
    classes
        The members' year-classes, for taxa that have them: they widen the first brood.
    told
        What past seasons and this season's notes say.

    Notes
    -----
    Sightings change the first brood's requirement. Its spread, the lead of the migration and the gates stay as drawn
    (the requirement makes up for them, member by member), and so do later broods, whose notes are only kept from
    misleading about the first.
    """
    cells = field.water_c.shape[1:]
    members, told = cells[1] * cells[2], told or Told()
    shifts = draw_gate_shifts(taxon.gates, lake_ids, key=taxon.id, seed=seed, members=members)
    drawn = [
        draw_deviates(lake_ids, key=f"{taxon.id}/{n}", seed=seed, members=members, known=told.known if n == 1 else None)
        for n in range(1, len(taxon.requirements) + 1)
    ]
    uneven = None if classes is None else classes.uneven
    weighed: list[Weighed] = []
    if told.sighted and taxon.growth.requirement.median.value > 0:
        drawn[0], weighed = _after_notes(taxon, field, _Before(drawn[0], shifts, uneven, told))
    needs = [
        as_cells(requirements_at(taxon.growth, requirement, deviates), cells)
        for requirement, deviates in zip(taxon.requirements, drawn, strict=True)
    ]
    if uneven is not None:
        needs[0] = widened(needs[0], uneven.reshape(cells))
    return MemberTaxon(needs, shifts, weighed)


def as_cells(drawn: Requirements, cells: tuple[int, ...]) -> Requirements:
    """Return requirements (lakes, members) in cell shape."""
    move = drawn.move_before
    return Requirements(
        drawn.median.reshape(cells), drawn.spread.reshape(cells), None if move is None else move.reshape(cells)
    )


@dataclass(frozen=True)
class _Before:
    """Everything drawn before the notes."""

    deviates: Deviates
    shifts: list[Floats]
    uneven: Floats | None
    told: Told


def _after_notes(taxon: Taxon, field: Field, before: _Before) -> tuple[Deviates, list[Weighed]]:
    habits, known = habits_of(taxon), before.told.known
    heat, gates, start, uneven = _laid(taxon, field, before)
    shift = before.deviates.shift.copy()
    weighed = []
    for lake, notes in before.told.sighted.items():
        grown = grown_of(heat, gates, start, lake=lake, last=int(notes.day[-1]))
        prior = Prior() if known is None else Prior(float(known.mean[lake]), float(known.sd[lake]))
        chance = before.told.unsure.get(lake, 1.0)
        asked = _Asked(taxon, habits, grown, notes, uneven[lake], hidden=HIDDEN if chance < 1 else 0.0)
        own = Deviates(*(v[lake] for v in vars(before.deviates).values()))
        new = _one_lake(asked, own, prior)
        ratio = new.log_evidence - log_absent(notes)
        if chance < 1 and presence_chance(chance, ratio) < SURE:
            new = _one_lake(asked, own, prior, chance=chance)
        shift[lake] = new.shift
        weighed.append(Weighed(lake, taxon.id, len(notes), notes.seen, new.effective, ratio))
    return replace(before.deviates, shift=shift), weighed


def _laid(taxon: Taxon, field: Field, before: _Before) -> tuple[Floats, Gates, NDArray[np.int16], list[list[Floats]]]:
    """Return heat, gates and biofix of the field, and what widens each lake's spread: (members, 1) arrays."""
    growth, layer, cells = taxon.growth, layer_of(taxon.depth), field.water_c.shape[1:]
    lower, upper = growth.lower.value, growth.upper.value if growth.upper else None
    start = field.start(taxon.start)
    first = requirements_at(growth, growth.requirement, before.deviates)
    by_depth = field.uneven_heat(lower, upper, layer, start=start, need=first.median.reshape(cells))
    parts = [np.broadcast_to(by_depth, cells).reshape(cells[0], -1)]
    if before.uneven is not None:
        parts.insert(0, before.uneven.reshape(cells[0], -1))
    uneven = [[part[lake][:, None] for part in parts] for lake in range(cells[0])]
    return field.heat(lower, upper, layer), field.gates(taxon.gates, before.shifts), start, uneven


def grown_of(heat: Floats, gates: Gates, start: NDArray[np.int16], *, lake: int, last: int) -> Grown:
    """Return what the members of one lake gathered up to a day.

    Parameters
    ----------
    heat
        Degree-days since the first simulated day [°C·day], (days, *cells).
    gates
        Of all cells of the field.
    start
        Biofix, of cell shape.
    lake
        Index of the lake.
    last
        Last day index wanted.
    """
    own = heat[: last + 1, lake].reshape(last + 1, -1)
    begin = start[lake].ravel()
    cell = np.arange(own.shape[1]) + lake * own.shape[1]
    return Grown(own - heat_at(heat[:, lake].reshape(len(heat), -1), begin), opened_to(gates, cell, last), begin)


def opened_to(gates: Gates, cell: NDArray[np.int64], last: int) -> Floats:
    """Return `Gates.opened` of some cells on every day up to ``last``, (days, cells)."""
    value = 1 - gates.frozen[: last + 1, cell].astype(np.float32)
    for bound in gates.bounds:
        above = bound.variable[: last + 1, cell // bound.share] - bound.shut[cell]
        value *= ramp(above, bound.width)
    return value


@dataclass(frozen=True)
class _Asked:
    """One lake's notes of a taxon, and what is needed to weigh deviates by them."""

    taxon: Taxon
    habits: Habits
    grown: Grown
    notes: Sighted
    uneven: list[Floats]
    hidden: float = 0.0

    def log_like(self, deviates: Deviates) -> NDArray[np.float64]:
        need = requirements_at(self.taxon.growth, self.taxon.growth.requirement, deviates)
        for part in self.uneven:
            need = widened(need, part)
        days, row = np.unique(self.notes.day, return_inverse=True)
        numbers = numbers_on(self.grown, need, self.habits, days)
        return log_likelihood(numbers[row, self.notes.stage], self.notes, hidden=self.hidden)


def _one_lake(asked: _Asked, own: Deviates, prior: Prior, *, chance: float = 1.0) -> Drawn:
    """Return deviates after the notes; with a ``chance`` of presence below 1, "saw none" may mean that it is not there.

    The likelihood is then that of presence or absence: the likelier absence, the less the notes say of the date, so an
    insect that is not there is not taken for a late one.
    """
    spread, lead, absent = own.spread[:, None], own.lead[:, None], log_absent(asked.notes)

    def log_like(shift: NDArray[np.float64]) -> NDArray[np.float64]:
        still = np.broadcast_to(spread, shift.shape), np.broadcast_to(lead, shift.shape)
        there = asked.log_like(Deviates(shift.astype(np.float32), *still))
        if chance >= 1:
            return there
        return np.asarray(np.logaddexp(np.log(chance) + there, np.log1p(-chance) + absent))

    with np.errstate(divide="ignore"):
        log_heat = np.log(np.maximum(asked.grown.heat[np.unique(asked.notes.day)].astype(np.float64), 0))
    return drawn_anew(own.shift, log_like, log_heat, asked.taxon.growth.requirement, prior=prior)

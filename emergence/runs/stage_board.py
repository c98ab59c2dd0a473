"""One lake on one day: what is about of every insect, what shows, what it waits for."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from emergence.angling.sheet import Board, EventDay, GateDay, Insect, Stages
from emergence.dates import NEVER, SeasonSpan, to_date
from emergence.errors import WrongUseError
from emergence.forecast.broods import season_stages
from emergence.forecast.events import EventResult, taxon_events
from emergence.forecast.field import Field, by_heat
from emergence.forecast.stages import Stages as StageNumbers
from emergence.forecast.stages import adult_life, hard_frost
from emergence.forecast.turnover import turnover_events
from emergence.forecast.weighing import MemberTaxon, Weighed, member_taxon
from emergence.records import Lakes
from emergence.runs.execute import make_block
from emergence.runs.history import chunk_classes, point_classes
from emergence.runs.plan import Job, RunPlan
from emergence.runs.sightings import residence_after
from emergence.runs.simulate import block_field, told_of
from emergence.season.names import Names
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.model import Taxon
from emergence.taxa.yearclass import MemberClasses
from emergence.water.spread import error_bank

LEAST_ALIVE = 0.02  # for each insect that matures: with fewer about no shares are told; our prior


@dataclass(frozen=True)
class LakeDay:
    """One lake of a plan and one day: its field, the day's index in it, the board and the chance of overturn."""

    field: Field
    index: int
    span: SeasonSpan
    board: Board
    turnover: float


def find_lake(lakes: Lakes, word: str) -> str:
    """Return the lake_id that an id or a name means, whatever its capitals.

    Raises
    ------
    WrongUseError
        No lake is called that; the nearest is named.
    """
    ids = lakes.lake_id.tolist()
    if word in ids:
        return word
    labels = {**dict(zip(lakes.name.tolist(), ids, strict=True)), **{i: i for i in ids}}
    near = [lake for name, lake in labels.items() if name.casefold() == word.casefold()]
    if len(set(near)) == 1:
        return str(near[0])
    hint = Names(ids, labels).suggestion(word)
    raise WrongUseError(f"lakes.csv has no lake called {word!r}. {hint}".rstrip())


def job_of(plan: RunPlan, day: int) -> Job:
    """Return the season that holds a day.

    Raises
    ------
    WrongUseError
        None does; the nearest day is named.
    """
    for job in plan.jobs:
        if job.span.start <= day <= job.span.end:
            return job
    first, last = min(j.span.start for j in plan.jobs), max(j.span.end for j in plan.jobs)
    raise WrongUseError(
        f"{to_date(day)} lies outside what is forecast as of {to_date(plan.as_of)}, {to_date(first)} to "
        f"{to_date(last)}. The nearest day is {to_date(first if day < first else last)}; another issue date: --as-of."
    )


def lake_day(plan: RunPlan, day: int) -> LakeDay:
    """Return what is known of the one lake of a plan on a day number."""
    job, lakes = job_of(plan, day), np.array([0])
    block = make_block(plan, job, lakes, error_bank(plan.seed, job.span.end - job.span.sim_start + 1))
    field, index = block_field(block), day - job.span.sim_start
    taxa = by_heat(dict(plan.taxa))
    points = {} if block.past is None else point_classes(block.past, taxa)
    classes = chunk_classes(points, taxa, field, lakes, lake_ids=block.lake_id, seed=plan.seed)
    found: dict[str, Insect] = {}
    weighed: list[Weighed] = []
    for taxon in taxa:
        own = classes.get(taxon.id)
        drawn = member_taxon(
            taxon, field, block.lake_id, seed=plan.seed, classes=own, told=told_of(block, taxon.id, lakes)
        )
        weighed += drawn.weighed
        case = _Case(taxon, field, drawn, own, index, job.span, float(block.deepest_m[0]))
        found[taxon.id] = case.insect(block.lake_id, plan.seed)
    lives = dict(zip(plan.taxa, residence_after(plan, lakes, weighed)[0].tolist(), strict=True))
    level = frost_level(plan.taxa)
    board = Board(
        lake_id=str(block.lake_id[0]),
        lake=str(plan.lakes.name[0]) or str(block.lake_id[0]),
        date=to_date(day),
        as_of=to_date(plan.as_of),
        season=job.span.year,
        insects=tuple(_settled(found[key], lives[key]) for key in plan.taxa if lives[key] != "no"),
        frost=_frost(field, job.span, level),
        frost_c=level,
    )
    turns = turnover_events(field)
    return LakeDay(field, index, job.span, board, float(turns[0].active[index, 0]) if turns else 0.0)


def _settled(insect: Insect, residence: str) -> Insect:
    return replace(insect, residence=residence)


@dataclass(frozen=True)
class _Case:
    """One taxon in one lake."""

    taxon: Taxon
    field: Field
    drawn: MemberTaxon
    classes: MemberClasses | None
    index: int
    span: SeasonSpan
    deepest_m: float

    def insect(self, lake_ids: NDArray[np.object_], seed: int) -> Insect:
        taxon = self.taxon
        events = taxon_events(taxon, self.field, lake_ids, seed=seed, classes=self.classes, drawn=self.drawn)
        stages = season_stages(taxon, self.field, self.drawn, classes=self.classes)
        flying = np.zeros(0, dtype=np.int64)
        if stages is not None:
            flying = np.flatnonzero(stages.adult[self.span.start - self.span.sim_start :, 0] >= LEAST_ALIVE)
        life = adult_life(taxon)
        low, deep = taxon.depth.shallow.value, taxon.depth.deep.value
        return Insect(
            taxon=taxon.id,
            name=taxon.name,
            group=taxon.group,
            leaving=taxon.leaving,
            residence="unsure",
            events=tuple(self._event(e) for e in events),
            gates=tuple(self._gates()),
            depth_m=(min(low, self.deepest_m), min(deep, self.deepest_m)),
            stages=None if stages is None else _shares(stages, self.index),
            adult_from=self._iso(int(flying[0])) if len(flying) else "",
            adult_until=self._iso(int(flying[-1])) if len(flying) else "",
            flies_after_h=None if life is None else life.flies_after_h,
            life_d=None if life is None else life.maturation_d + life.life_d,
        )

    def _iso(self, after_start: int) -> str:
        return to_date(self.span.start + after_start).isoformat()

    def _event(self, event: EventResult) -> EventDay:
        peak = int(event.peak[0, 3])
        return EventDay(
            event.event,
            event.brood,
            float(event.active[self.index, 0]),
            float(event.moving_chance[self.index, 0]),
            "" if peak == NEVER else to_date(self.span.sim_start + peak).isoformat(),
        )

    def _gates(self) -> Iterator[GateDay]:
        cell = np.arange(int(np.prod(self.field.water_c.shape[1:])))
        for gate, shift in zip(self.taxon.gates, self.drawn.shifts, strict=True):
            opened = self.field.gates((gate,), [shift]).opened(self.index, cell)
            yield GateDay(gate.variable, gate.open_at.value, gate.shut_at.value, float(np.mean(opened)))


def _shares(stages: StageNumbers, index: int) -> Stages | None:
    """Return the shares of a day, None where next to nothing lives."""
    names = ("young", "hatched", "mature", "moving", "adult", "soft")
    young, hatched, mature, moving, adult, soft = (float(getattr(stages, name)[index, 0]) for name in names)
    young += hatched
    total = young + mature + moving + adult
    if total < LEAST_ALIVE:
        return None
    return Stages(young / total, mature / total, moving / total, adult / total, min(soft, adult) / total)


def frost_level(taxa: Mapping[str, Taxon]) -> float:
    """Return the frost that ends the adults of all taxa [°C]; that of the catalogue where none has adults."""
    levels = [t.adult.hard_frost.value for t in taxa.values() if t.adult is not None]
    return min(levels) if levels else frost_level(load_catalogue())


def _frost(field: Field, span: SeasonSpan, frost_c: float) -> tuple[str, str, str]:
    """Return the 10, 50 and 90 % of the first hard frost over the skies, "" where it does not come this season."""
    frost = hard_frost(field.air_min_c, frost_c, solstice=field.solstice)[:, 0]
    day = np.sort(np.where(frost.any(axis=0), frost.argmax(axis=0), NEVER))
    ranked = [int(day[max(int(np.ceil(p * len(day))) - 1, 0)]) for p in (0.1, 0.5, 0.9)]
    low, middle, high = ("" if d == NEVER else to_date(span.sim_start + d).isoformat() for d in ranked)
    return low, middle, high

"""Every member's moving days of the insects that parties want, and the days on which a lake is not worth a trip."""

from __future__ import annotations

from collections.abc import Iterator, Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import day_of_year
from emergence.forecast.events import taxon_events
from emergence.forecast.field import Field, by_heat, layer_of
from emergence.forecast.stages import MATURE_SHARE
from emergence.forecast.turnover import turnover_events
from emergence.forecast.weighing import MemberTaxon, Weighed, member_taxon
from emergence.randomness import keyed_generator
from emergence.runs.blocks import BLOCK, cut_lakes, make_block
from emergence.runs.history import chunk_classes, point_classes
from emergence.runs.plan import Job, RunPlan
from emergence.runs.sightings import residence_after
from emergence.runs.simulate import Block, block_field, told_of
from emergence.solar import extraterrestrial_radiation
from emergence.taxa.model import Taxon
from emergence.taxa.population import heat_at
from emergence.taxa.yearclass import MemberClasses
from emergence.water.diel import afternoon_excess
from emergence.water.spread import error_bank

Bools = NDArray[np.bool_]
Floats = NDArray[np.float64]
LONGEST_DAYS = (172, 355)  # day of the year of the longest day, north and south
Wish = tuple[str, str]


@dataclass(frozen=True)
class TripMembers:
    """Joint members of all lakes of a plan over the days from ``first_day``.

    ``moving`` (wishes, days, lakes, members): the insect shows, the lake is free of ice and overturn and below the heat
    stop. ``poor`` (3, days, lakes): chance of ice, of overturn, of an afternoon at or above the heat stop. Days outside
    the seasons forecast have neither.
    """

    first_day: int
    moving: Bools
    poor: Floats


def trip_members(
    plan: RunPlan, wishes: Sequence[Wish], *, first: int, last: int, heat_stop_c: float, unsure_share: float
) -> TripMembers:
    """Return the members' days for a trip plan.

    Parameters
    ----------
    plan
        The plan of a run over the lakes and insects wanted.
    wishes
        (taxon id, stage): moving (the migration, else the emergence), hatch (the emergence), young.
    first, last
        Day numbers, both included.
    heat_stop_c
        Afternoon surface temperature from which a day is worth nothing [°C].
    unsure_share
        Share of members in which an insect is there that "may live here".

    Notes
    -----
    A young day is one without ice on which the water is at least the insect's lower threshold and young nymphs are
    about: less than half the requirement met, or nymphs of later years (our prior). The afternoon lies above the mean
    of the day as in ``water.diel`` on a mean day.
    """
    days, lakes = last - first + 1, len(plan.lakes)
    members = len(plan.slots.slot_year) * plan.replicates
    moving = np.zeros((len(wishes), days, lakes, members), dtype=bool)
    poor = np.zeros((3, days, lakes))
    bank = error_bank(plan.seed, max(job.span.end - job.span.sim_start + 1 for job in plan.jobs))
    for job in plan.jobs:
        begin, end = max(first, job.span.start), min(last, job.span.end)
        if begin > end:
            continue
        inside = slice(begin - job.span.sim_start, end + 1 - job.span.sim_start)
        for cut in cut_lakes(len(job.lakes), BLOCK):
            place = job.lakes[cut]
            part = _Part(plan, job, place, make_block(plan, job, place, bank), inside)
            bad = part.bad_days(heat_stop_c)
            target = slice(begin - first, end + 1 - first)
            poor[:, target, place] = bad.mean(axis=3)
            spoiled = bad.any(axis=0)
            for wish, flags in part.wishes(wishes, unsure_share):
                moving[wish, target, place] = (flags & ~spoiled).transpose(1, 0, 2)
    return TripMembers(first, moving, poor)


class _Part:
    """Some lakes of one job, all their members held at once; ``inside`` are the days wanted."""

    def __init__(self, plan: RunPlan, job: Job, place: NDArray[np.int64], block: Block, inside: slice) -> None:
        self.plan, self.job, self.place, self.block, self.inside = plan, job, place, block, inside
        self.field: Field = block_field(block)
        self.shape = (inside.stop - inside.start, len(place), -1)

    def bad_days(self, heat_stop_c: float) -> Bools:
        """Return ice, overturn and heat, (3, days, lakes, members)."""
        field, inside = self.field, self.inside
        ice = field.ice[inside].reshape(self.shape)
        turns = turnover_events(field, keep_members=True)
        turning = np.zeros_like(ice) if not turns or turns[0].moving is None else turns[0].moving[inside]
        days = np.arange(inside.start, inside.stop) + self.job.span.sim_start
        excess = afternoon_excess(self.block.shape.area_km2[None, :], self._sun_share(days))[0]
        water = field.water_c[inside].reshape(self.shape)
        hot = ~ice & (water + excess[:, :, None].astype(np.float32) >= heat_stop_c)
        return np.stack([ice, turning, hot])

    def _sun_share(self, days: NDArray[np.int64]) -> Floats:
        """Return radiation over that of the longest day, (days, lakes)."""
        latitude = self.block.shape.latitude
        longest = np.where(latitude < 0, LONGEST_DAYS[1], LONGEST_DAYS[0])
        today = extraterrestrial_radiation(latitude[None, :], day_of_year(days)[:, None])
        return np.asarray(today / extraterrestrial_radiation(latitude, longest)[None, :], dtype=np.float64)

    def wishes(self, wishes: Sequence[Wish], unsure_share: float) -> Iterator[tuple[int, Bools]]:
        """Yield (index of the wish, flags (days, lakes, members)), insects that do not live there left out."""
        field, ids, seed = self.field, self.block.lake_id, self.plan.seed
        taxa = [t for t in by_heat(dict(self.plan.taxa)) if any(t.id == taxon for taxon, _ in wishes)]
        points = {} if self.block.past is None else point_classes(self.block.past, taxa)
        here = np.arange(len(ids))
        classes = chunk_classes(points, taxa, field, here, lake_ids=ids, seed=seed)
        found: list[tuple[int, str, Bools]] = []
        weighed: list[Weighed] = []
        for taxon in taxa:
            own = classes.get(taxon.id)
            drawn = member_taxon(taxon, field, ids, seed=seed, classes=own, told=told_of(self.block, taxon.id, here))
            weighed += drawn.weighed
            for index, (key, stage) in enumerate(wishes):
                if key == taxon.id:
                    found.append((index, key, self._stage(taxon, stage, own, drawn)))
        lives = residence_after(self.plan, self.place, weighed)
        column = {key: k for k, key in enumerate(self.plan.taxa)}
        for index, key, flags in found:
            yield index, flags & self._there(key, lives[:, column[key]], flags.shape[2], unsure_share)

    def _stage(self, taxon: Taxon, stage: str, classes: MemberClasses | None, drawn: MemberTaxon) -> Bools:
        if stage == "young":
            return self._young(taxon, classes, drawn)
        events = taxon_events(
            taxon, self.field, self.block.lake_id, seed=self.plan.seed, keep_members=True, classes=classes, drawn=drawn
        )
        migrates = stage == "moving" and any(e.event == "migration" for e in events)
        wanted = "migration" if migrates else "emergence"
        flags = [e.moving[self.inside] for e in events if e.event == wanted and e.moving is not None]
        return np.asarray(np.logical_or.reduce(flags), dtype=bool)

    def _young(self, taxon: Taxon, classes: MemberClasses | None, drawn: MemberTaxon) -> Bools:
        growth, field, inside = taxon.growth, self.field, self.inside
        heat = field.heat(growth.lower.value, growth.upper.value if growth.upper else None, layer_of(taxon.depth))
        gathered = heat[inside] - heat_at(heat, field.start(taxon.start))
        young = (gathered < MATURE_SHARE * drawn.needs[0].median).reshape(self.shape)
        if classes is not None:
            young |= (classes.younger > 0)[None]
        warm = (field.water_c[inside] >= growth.lower.value) & ~field.ice[inside]
        return np.asarray(young & warm.reshape(self.shape))

    def _there(self, taxon: str, lives: NDArray[np.object_], members: int, unsure_share: float) -> Bools:
        """Return in which members the insect lives in each lake, (1, lakes, members)."""
        there = np.zeros((len(lives), members), dtype=bool)
        there[lives == "yes"] = True
        for k in np.flatnonzero(lives == "unsure"):
            rng = keyed_generator(self.plan.seed, "presence", str(self.block.lake_id[k]), taxon)
            there[k, rng.permutation(members)[: round(unsure_share * members)]] = True
        return there[None]

"""A run cut into blocks of lakes: what one block gives, and the part of a plan that it needs."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.errors import Problem
from emergence.forecast.field import by_heat
from emergence.learning.suspicious import Doubted
from emergence.records import Season, Words
from emergence.runs.checked import doubt_problem
from emergence.runs.effects import note_effects, noted_lakes
from emergence.runs.history import Past, past_air, past_seasons
from emergence.runs.notes import season_notes, usual_air
from emergence.runs.plan import Job, RunPlan
from emergence.runs.results import NoteEffect
from emergence.runs.sightings import block_told, residence_after, settled_insects
from emergence.runs.simulate import Block, month_day_index, simulate_block
from emergence.runs.tables import Placed, days_table, members_table, water_table, windows_table
from emergence.water.depth import deepest
from emergence.water.spread import error_bank
from emergence.weather.block import Legs, lake_weather

BLOCK = 64  # lakes whose surface is simulated together
TABLES = ("windows", "days", "water", "members")
Ints = NDArray[np.int64]


@dataclass(frozen=True)
class Wanted:
    """What a run is to give: quantiles of water, daily chances, each member's dates; and on how many threads.

    ``effects`` asks what this season's notes did: lakes with notes are run once more without them.
    """

    water: bool = True
    days: bool = True
    members: bool = False
    effects: bool = False
    threads: int = 0
    block: int = BLOCK

    @property
    def tables(self) -> tuple[str, ...]:
        """The tables that come out."""
        told = {"windows": True, "days": self.days, "water": self.water, "members": self.members}
        return tuple(name for name in TABLES if told[name])


@dataclass(frozen=True)
class BlockTables:
    """What the lakes of a block gave: tables by name, lakes in the user's order, and what must be said of them.

    ``suspicious`` are notes that were not used; ``settled`` says (yes|no, insect on lake) what sightings settled.
    """

    tables: dict[str, pd.DataFrame]
    suspicious: tuple[Problem, ...]
    settled: tuple[tuple[str, str], ...]
    effects: tuple[NoteEffect, ...]


def cut_lakes(count: int, size: int) -> list[Ints]:
    """Return the lakes of each block as indices, neighbours in the user's list together."""
    return [np.arange(k, min(k + size, count)) for k in range(0, count, size)]


def block_tables(plan: RunPlan, lakes: Ints, wanted: Wanted) -> BlockTables:
    """Return what some lakes of a plan (indices, ascending) give in all seasons of the run."""
    bank = _bank(plan.seed, max(job.span.end - job.span.sim_start + 1 for job in plan.jobs))
    placed: list[Placed] = []
    for job in plan.jobs:
        mine = job.lakes[(job.lakes >= lakes[0]) & (job.lakes <= lakes[-1])]
        if len(mine):
            placed += _job_block(plan, dataclasses.replace(job, lakes=mine), wanted, bank)
    lake_id, taxa = plan.lakes.lake_id, tuple(plan.taxa)
    tables = {"windows": windows_table(placed, lake_id, taxa)}
    if wanted.days:
        tables["days"] = days_table(placed, lake_id, taxa)
    if wanted.water:
        tables["water"] = water_table(placed, lake_id)
    if wanted.members:
        tables["members"] = members_table(placed, lake_id, taxa, plan.slots.slot_year)
    return BlockTables(
        tables, tuple(_suspicious(placed)), tuple(settled_insects(plan, placed)), tuple(_effects(plan, placed))
    )


@lru_cache(maxsize=2)
def _bank(seed: int, days: int) -> NDArray[np.floating]:
    return error_bank(seed, days)


def _job_block(plan: RunPlan, job: Job, wanted: Wanted, bank: NDArray[np.floating]) -> list[Placed]:
    lakes, taxa, order = job.lakes, by_heat(dict(plan.taxa)), tuple(plan.taxa)
    block = make_block(plan, job, lakes, bank)
    chunks = list(simulate_block(block, taxa, with_water=wanted.water, keep_members=wanted.members))
    effects: list[NoteEffect] = []
    if wanted.effects and len(noted := noted_lakes(block)):
        part, unit = make_block(plan, job, lakes[noted], bank), plan.season.settings.temperature_unit
        effects = note_effects(block, chunks, part, noted, taxa, unit=unit)
    return [
        Placed(c, lakes[c.lakes], job.span.year, residence_after(plan, lakes[c.lakes], c.weighed), order, effects)
        for c in chunks
    ]


def _suspicious(placed: Sequence[Placed]) -> list[Problem]:
    """Return the readings and ice dates that were not used because model and season cannot have allowed them."""
    found = []
    for part in placed:
        for s in part.chunk.suspicious:
            day = part.chunk.first_day + s.day
            usual = part.chunk.first_day + s.usual
            found.append(doubt_problem(Doubted(s.lake_id, day, s.water_c, s.expected_c, s.reason, usual)))
    return found


def _effects(plan: RunPlan, placed: Sequence[Placed]) -> list[NoteEffect]:
    """Return what the notes did to the insects that may live there."""
    lives = {
        (str(plan.lakes.lake_id[row]), key): word
        for part in placed
        for row, words in zip(part.place.tolist(), part.residence.tolist(), strict=True)
        for key, word in zip(part.taxa, words, strict=True)
    }
    return [e for part in placed for e in part.effects if lives[e.lake_id, e.taxon] != "no"]


def make_block(plan: RunPlan, job: Job, lakes: Ints, bank: NDArray[np.floating]) -> Block:
    """Return the inputs of some lakes of a job (indices into ``plan.lakes``)."""
    weather = lake_weather(
        plan.filled,
        plan.links.take(lakes),
        legs=Legs(job.span.sim_start, plan.as_of, job.span.end),
        sky=plan.slots,
    )
    return Block(
        lake_id=plan.lakes.lake_id[lakes],
        region=plan.lakes.region[lakes],
        shape=plan.shape.take(lakes),
        deepest_m=deepest(plan.lakes.max_depth_m[lakes], plan.shape.mean_depth_m[lakes]),
        weather=weather,
        span=job.span,
        as_of=plan.as_of,
        slots=len(plan.slots.slot_year),
        replicates=plan.replicates,
        seed=plan.seed,
        bank=bank,
        warmest_max_c=plan.warmest_max_c[lakes],
        spread=plan.spread.take(lakes),
        usual_c=usual_air(plan, job.span, lakes),
        notes=season_notes(plan, job.span, lakes),
        past=_past(plan, job, lakes),
        told=block_told(plan, job.span, lakes),
    )


def _past(plan: RunPlan, job: Job, lakes: Ints) -> Past | None:
    """Return the lakes' past summers where a taxon of the run lives through several."""
    if all(t.year_class is None for t in plan.taxa.values()):
        return None
    return past_summers(plan, job, lakes)


def past_summers(plan: RunPlan, job: Job, lakes: Ints) -> Past:
    """Return the lakes' past seasons up to the issue date."""
    shape = plan.shape.take(lakes)
    return past_seasons(
        past_air(plan.filled, plan.links.take(lakes), job.span, as_of=plan.as_of),
        shape,
        deepest(plan.lakes.max_depth_m[lakes], shape.mean_depth_m),
        span=job.span,
        month_day_index=lambda month_day: month_day_index(job.span, month_day),
    )


def part_of(plan: RunPlan, lakes: Ints) -> RunPlan:
    """Return the plan of some lakes (indices, ascending): their stations, notes and fits, no others.

    Its blocks give what those of the whole plan give for these lakes; it is small enough to be sent to another machine.
    """
    links = plan.links.take(lakes)
    used = links.in_use
    slots, lapse = plan.slots, plan.lapse
    return dataclasses.replace(
        plan,
        season=_season_of(plan, lakes),
        lakes=plan.lakes.take(lakes),
        dropped={},
        filled=[plan.filled[k] for k in used],
        links=dataclasses.replace(links, station_index=np.searchsorted(used, links.station_index)),
        assignment=plan.assignment.take(lakes),
        lapse=dataclasses.replace(
            lapse,
            rate_c_km=lapse.rate_c_km[used],
            sd_c_km=lapse.sd_c_km[used],
            learned_from=lapse.learned_from[used],
        ),
        slots=dataclasses.replace(
            slots,
            station_id=tuple(slots.station_id[k] for k in used),
            year=slots.year[used],
            joint=slots.joint[used],
            outlook=tuple(slots.outlook[k] for k in used) if slots.outlook else (),
        ),
        shape=plan.shape.take(lakes),
        spread=plan.spread.take(lakes),
        warmest_max_c=plan.warmest_max_c[lakes],
        residence=plan.residence[lakes],
        jobs=[
            dataclasses.replace(job, lakes=np.flatnonzero(np.isin(lakes, job.lakes, assume_unique=True)))
            for job in plan.jobs
        ],
    )


def _season_of(plan: RunPlan, lakes: Ints) -> Season:
    season, ids = plan.season, plan.lakes.lake_id[lakes].tolist()

    def mine(lake_id: Words) -> NDArray[np.bool_]:
        return np.isin(lake_id.astype(str), ids)

    return dataclasses.replace(
        season,
        lakes=plan.lakes.take(lakes),
        weather={},
        ahead={},
        readings=season.readings.take(mine(season.readings.lake_id)),
        ice=season.ice.take(mine(season.ice.lake_id)),
        sightings=season.sightings.take(mine(season.sightings.lake_id)),
        problems=(),
        checksums={},
    )

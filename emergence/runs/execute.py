"""Run a plan: blocks of lakes over threads, then tables and everything that must be said beside them."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Iterator
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.dates import to_date
from emergence.errors import Problem
from emergence.forecast.field import by_heat
from emergence.learning.suspicious import Doubted
from emergence.runs.assumptions import assumptions
from emergence.runs.checked import reading_problem
from emergence.runs.effects import note_effects, noted_lakes
from emergence.runs.history import Past, past_air, past_seasons
from emergence.runs.notes import season_notes, usual_air
from emergence.runs.plan import Job, RunPlan, strange_sightings
from emergence.runs.results import NoteEffect, RunInfo, RunResult, TaxonLabel
from emergence.runs.sightings import block_told, residence_after, settled_words
from emergence.runs.simulate import Block, month_day_index, simulate_block
from emergence.runs.tables import Placed, days_table, members_table, water_table, windows_table
from emergence.water.depth import deepest
from emergence.water.spread import error_bank
from emergence.weather.block import Legs, lake_weather
from emergence.weather.gaps import gap_counts

BLOCK = 64  # lakes whose surface is simulated together
Progress = Callable[[int, int], None]


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


def run_plan(plan: RunPlan, wanted: Wanted | None = None, *, progress: Progress | None = None) -> RunResult:
    """Return the tables of a run.

    Parameters
    ----------
    plan
        The plan.
    wanted
        What to give; threads 0 means one for each core. Results do not depend on threads or block.
    progress
        Called with (lakes done, lakes in all) after each block.
    """
    wanted = wanted or Wanted()
    placed = list(_placed(plan, wanted, progress))
    taxa = tuple(plan.taxa)
    lake_id = plan.lakes.lake_id
    empty = pd.DataFrame()
    info = run_info(plan)
    info = dataclasses.replace(
        info,
        problems=tuple(sorted({*info.problems, *_suspicious(placed)})),
        assumptions=(*info.assumptions, *settled_words(plan, placed)),
        note_effects=tuple(_effects(placed, lake_id, taxa)),
    )
    return RunResult(
        info=info,
        windows=windows_table(placed, lake_id, taxa),
        days=days_table(placed, lake_id, taxa) if wanted.days else empty,
        water=water_table(placed, lake_id) if wanted.water else empty,
        members=members_table(placed, lake_id, taxa, plan.slots.slot_year) if wanted.members else empty,
    )


def _suspicious(placed: list[Placed]) -> list[Problem]:
    """Return the readings that were not used because they lie absurdly far from model and season."""
    found = []
    for part in placed:
        for s in part.chunk.suspicious:
            day = part.chunk.first_day + s.day
            found.append(reading_problem(Doubted(s.lake_id, day, s.water_c, s.expected_c, "far")))
    return found


def _effects(placed: list[Placed], lake_id: NDArray[np.object_], taxa: tuple[str, ...]) -> list[NoteEffect]:
    """Return what the notes did to the insects that may live there, in the order of lakes and taxa."""
    lives = {
        (str(lake_id[row]), key): word
        for part in placed
        for row, words in zip(part.place.tolist(), part.residence.tolist(), strict=True)
        for key, word in zip(part.taxa, words, strict=True)
    }
    order = {str(k): n for n, k in enumerate(lake_id.tolist())}
    found = {e for part in placed for e in part.effects if lives[e.lake_id, e.taxon] != "no"}
    return sorted(found, key=lambda e: (e.season, order[e.lake_id], taxa.index(e.taxon), e.kind))


def _placed(plan: RunPlan, wanted: Wanted, progress: Progress | None) -> Iterator[Placed]:
    longest = max(job.span.end - job.span.sim_start + 1 for job in plan.jobs)
    bank = error_bank(plan.seed, longest)
    threads = wanted.threads or os.cpu_count() or 1
    parts = [(job, lakes) for job in plan.jobs for lakes in _blocks(job.lakes, wanted.block, threads)]
    taxa, order = by_heat(dict(plan.taxa)), tuple(plan.taxa)

    def work(part: tuple[Job, NDArray[np.int64]]) -> list[Placed]:
        job, lakes = part
        block = make_block(plan, job, lakes, bank)
        chunks = list(simulate_block(block, taxa, with_water=wanted.water, keep_members=wanted.members))
        effects: list[NoteEffect] = []
        if wanted.effects and len(noted := noted_lakes(block)):
            effects = note_effects(block, chunks, make_block(plan, job, lakes[noted], bank), noted, taxa)
        return [
            Placed(c, lakes[c.lakes], job.span.year, residence_after(plan, lakes[c.lakes], c.weighed), order, effects)
            for c in chunks
        ]

    done, total = 0, sum(len(lakes) for _, lakes in parts)
    with ThreadPoolExecutor(threads) as pool:
        for (_, lakes), chunks in zip(parts, pool.map(work, parts), strict=True):
            done += len(lakes)
            if progress is not None:
                progress(done, total)
            yield from chunks


def _blocks(lakes: NDArray[np.int64], size: int, threads: int) -> list[NDArray[np.int64]]:
    size = max(1, min(size, -(-len(lakes) // threads)))
    return [lakes[k : k + size] for k in range(0, len(lakes), size)]


def make_block(plan: RunPlan, job: Job, lakes: NDArray[np.int64], bank: NDArray[np.floating]) -> Block:
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


def _past(plan: RunPlan, job: Job, lakes: NDArray[np.int64]) -> Past | None:
    """Return the lakes' past summers where a taxon of the run lives through several."""
    if all(t.year_class is None for t in plan.taxa.values()):
        return None
    return past_summers(plan, job, lakes)


def past_summers(plan: RunPlan, job: Job, lakes: NDArray[np.int64]) -> Past:
    """Return the lakes' past seasons up to the issue date."""
    shape = plan.shape.take(lakes)
    return past_seasons(
        past_air(plan.filled, plan.links.take(lakes), job.span, as_of=plan.as_of),
        shape,
        deepest(plan.lakes.max_depth_m[lakes], shape.mean_depth_m),
        span=job.span,
        month_day_index=lambda month_day: month_day_index(job.span, month_day),
    )


def lake_stations(plan: RunPlan) -> dict[str, dict[str, float]]:
    """Return the weight of each station in each lake's air, heaviest first, to three digits."""
    names, links = np.array([f.station_id for f in plan.filled], dtype=object), plan.links
    return {
        lake: {str(names[k]): round(float(w), 3) for k, w in zip(index, weight, strict=True) if w > 0.0}
        for lake, index, weight in zip(plan.lakes.lake_id.tolist(), links.station_index, links.weight, strict=True)
    }


def run_info(plan: RunPlan) -> RunInfo:
    """Return what must be said beside the tables."""
    lakes, settings = plan.lakes, plan.season.settings
    columns = ("lake_id", "name", "region", "latitude", "longitude", "elevation_m", "area_ha", "mean_depth_m", "share")
    used = plan.links.in_use
    first = min(job.span.sim_start for job in plan.jobs)
    return RunInfo(
        name=settings.name or plan.season.folder.resolve().name,
        as_of=to_date(plan.as_of),
        today=None,
        season_years=tuple(sorted({job.span.year for job in plan.jobs})),
        seed=plan.seed,
        slots=len(plan.slots.slot_year),
        replicates=plan.replicates,
        slot_years=tuple(int(y) for y in plan.slots.slot_year),
        last_weather_day=to_date(plan.last_weather_day),
        lakes=pd.DataFrame({name: getattr(lakes, name) for name in columns}),
        taxa={
            t.id: TaxonLabel(t.name, t.group, t.leaving, t.growth.move_before_dd is not None)
            for t in plan.taxa.values()
        },
        assumptions=assumptions(plan),
        problems=tuple(sorted({*plan.season.problems, *strange_sightings(plan.season)})),
        dropped=dict(plan.dropped),
        settings={
            "slots": settings.slots,
            "replicates": settings.replicates,
            "taxa": list(plan.taxa),
            "time_zone": settings.time_zone,
            "weather_source": settings.weather_source,
        },
        checksums=dict(plan.season.checksums),
        gap_counts={plan.filled[k].station_id: gap_counts(plan.filled[k], first, plan.as_of) for k in used},
        lake_stations=lake_stations(plan),
        temperature_unit=settings.temperature_unit,
        length_unit=settings.length_unit,
    )

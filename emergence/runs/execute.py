"""Run a plan: blocks of lakes over threads, then tables and everything that must be said beside them."""

from __future__ import annotations

import dataclasses
import os
from collections.abc import Callable, Sequence
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd

from emergence.dates import to_date
from emergence.runs.assumptions import assumptions, far_from_the_model
from emergence.runs.blocks import (
    BlockTables,
    Wanted,
    block_tables,
    cut_lakes,
    make_block,
    past_summers,
)
from emergence.runs.plan import RunPlan, strange_sightings
from emergence.runs.results import RunInfo, RunResult, TaxonLabel
from emergence.runs.sightings import settled_words
from emergence.weather.gaps import gap_counts

__all__ = ["Wanted", "lake_stations", "make_block", "past_summers", "run_info", "run_plan", "told_info"]

Progress = Callable[[int, int], None]


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
    total, threads = len(plan.lakes), wanted.threads or os.cpu_count() or 1
    mine = np.unique(np.concatenate([job.lakes for job in plan.jobs]))
    cuts = cut_lakes(total, max(1, min(wanted.block, -(-total // threads))))
    cuts = [cut for cut in cuts if np.isin(cut, mine).any()]  # the jobs may be those of some lakes alone
    parts: list[BlockTables] = []
    with ThreadPoolExecutor(threads) as pool:
        for lakes, part in zip(cuts, pool.map(lambda cut: block_tables(plan, cut, wanted), cuts), strict=True):
            parts.append(part)
            if progress is not None:
                progress(int(lakes[-1]) + 1, total)
    tables = {name: _stacked([part.tables[name] for part in parts]) for name in wanted.tables}
    empty = pd.DataFrame()
    return RunResult(
        info=told_info(run_info(plan), plan, parts),
        windows=tables["windows"],
        days=tables.get("days", empty),
        water=tables.get("water", empty),
        members=tables.get("members", empty),
    )


def _stacked(frames: Sequence[pd.DataFrame]) -> pd.DataFrame:
    return pd.concat([f for f in frames if len(f)] or list(frames[:1]), ignore_index=True)


def told_info(info: RunInfo, plan: RunPlan, parts: Sequence[BlockTables]) -> RunInfo:
    """Return what must be said beside the tables with what only the blocks know; their tables are not looked at."""
    order = {str(k): n for n, k in enumerate(plan.lakes.lake_id.tolist())}
    taxa = {key: n for n, key in enumerate(plan.taxa)}
    effects = {e for part in parts for e in part.effects}
    return dataclasses.replace(
        info,
        problems=tuple(sorted({*info.problems, *(p for part in parts for p in part.suspicious)})),
        assumptions=(*info.assumptions, *settled_words([s for part in parts for s in part.settled])),
        note_effects=tuple(sorted(effects, key=lambda e: (e.season, order[e.lake_id], taxa[e.taxon], e.kind))),
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
        problems=tuple(sorted({*plan.season.problems, *strange_sightings(plan.season), *far_from_the_model(lakes)})),
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
        date_order=settings.date_order,
    )

"""What the board's lake pages show beside the windows: notes, heat gathered against the normal year, stage shares."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from concurrent.futures import ThreadPoolExecutor

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.forecast.broods import season_stages
from emergence.forecast.field import Field, by_heat, layer_of
from emergence.forecast.weighing import member_taxon
from emergence.records import Season
from emergence.runs.execute import make_block, past_summers
from emergence.runs.history import POINTS_C, chunk_classes, point_classes
from emergence.runs.plan import Job, RunPlan
from emergence.runs.results import LakePages
from emergence.runs.simulate import block_field, told_of
from emergence.runs.stage_board import LEAST_ALIVE
from emergence.taxa.model import Taxon
from emergence.taxa.population import columns_of, heat_at
from emergence.water.spread import error_bank

Floats = NDArray[np.floating]
Doubles = NDArray[np.float64]
Ints = NDArray[np.int64]
Columns = dict[str, NDArray[np.generic]]
TOGETHER = 20  # lakes whose members are held in memory at once
WEEK_D = 7
SPREAD = {"low": 0.1, "middle": 0.5, "high": 0.9}


def lake_pages(plan: RunPlan) -> LakePages:
    """Return the lakes' notes, heat and stages for the current season of each hemisphere.

    Parameters
    ----------
    plan
        The plan of the run.
    """
    tables: dict[str, list[Columns]] = {"heat": [], "needs": [], "stages": []}
    current = {job.span.southern: job for job in reversed(plan.jobs)}.values()
    threads = os.cpu_count() or 1
    parts = [(job, lakes) for job in current for lakes in _even_parts(job.lakes, threads)]

    def work(part: tuple[Job, Ints]) -> list[tuple[str, Columns]]:
        job, lakes = part
        bank = error_bank(plan.seed, job.span.end - job.span.sim_start + 1)
        return list(_block_tables(plan, job, lakes, bank))

    with ThreadPoolExecutor(threads) as pool:
        for found in pool.map(work, parts):
            for name, columns in found:
                tables[name].append(columns)
    first = min(job.span.sim_start for job in plan.jobs)
    return LakePages(**notes_until(plan.season, first, plan.as_of), **{k: _frame(v) for k, v in tables.items()})


def _even_parts(lakes: Ints, threads: int) -> list[Ints]:
    """Return lakes in parts of at most TOGETHER, as many for each thread; results do not depend on them."""
    rounds = -(-len(lakes) // (TOGETHER * threads))
    return [part for part in np.array_split(lakes, rounds * threads) if len(part)]


def _frame(parts: list[Columns]) -> pd.DataFrame:
    if not parts:
        return pd.DataFrame()
    return pd.DataFrame({name: np.concatenate([p[name] for p in parts]) for name in parts[0]})


def notes_until(season: Season, first: int, last: int) -> dict[str, pd.DataFrame]:
    """Return readings, ice and sightings of the days ``first`` to ``last`` (day numbers), oldest first."""
    columns = {
        "readings": ("lake_id", "water_c"),
        "ice": ("lake_id", "event"),
        "sightings": ("lake_id", "taxon", "stage", "level"),
    }
    out = {}
    for name, kept in columns.items():
        rows = getattr(season, name)
        rows = rows.take((rows.day >= first) & (rows.day <= last))
        rows = rows.take(np.argsort(rows.day, kind="stable"))
        frame = pd.DataFrame({key: getattr(rows, key) for key in kept})
        frame.insert(1, "date", rows.day.astype("datetime64[D]"))
        out[name] = frame
    return out


def _block_tables(plan: RunPlan, job: Job, lakes: Ints, bank: Floats) -> Iterator[tuple[str, Columns]]:
    """Yield (table, columns) of every taxon on some lakes of a job where it may live."""
    block = make_block(plan, job, lakes, bank)
    field, past = block_field(block), past_summers(plan, job, lakes)
    taxa, ids = by_heat(dict(plan.taxa)), block.lake_id
    points = {} if block.past is None else point_classes(block.past, taxa)
    every = np.arange(len(lakes))
    classes = chunk_classes(points, taxa, field, every, lake_ids=ids, seed=block.seed)
    weekly = np.arange(job.span.start - job.span.sim_start, len(field.water_c), WEEK_D)
    dates = (job.span.sim_start + weekly).astype("datetime64[D]")
    for taxon in taxa:
        lives = np.flatnonzero(plan.residence[lakes, list(plan.taxa).index(taxon.id)] != "no")
        keys = {
            "lake_id": ids[lives],
            "taxon": np.full(len(lives), taxon.id, dtype=object),
            "season": np.full(len(lives), job.span.year),
        }
        own, told = classes.get(taxon.id), told_of(block, taxon.id, every)
        drawn = member_taxon(taxon, field, ids, seed=block.seed, classes=own, told=told)
        need = np.asarray(drawn.needs[0].median, dtype=np.float64).reshape(len(lakes), -1)
        lower = np.full(len(lives), taxon.growth.lower.value)
        yield "needs", {**keys, "lower_c": lower, **_spread(need[lives])}
        series = {"gathered": gathered(taxon, field, weekly), "normal": _normal(taxon, past.field, weekly, field.first)}
        yield "heat", _weekly(keys, dates, {k: v[:, lives] for k, v in series.items()})
        stages = season_stages(taxon, field, drawn, classes=own)
        if stages is not None:
            some = stages.young + stages.mature + stages.moving + stages.adult >= LEAST_ALIVE
            shares = {k: np.where(some, v, 0.0)[weekly][:, lives] for k, v in stages.shares().items()}
            yield "stages", _weekly(keys, dates, shares)


def _spread(values: Doubles) -> Columns:
    """Return the 10, 50 and 90 % of each row."""
    ordered = np.sort(values, axis=1)
    rank = {name: max(int(np.ceil(p * values.shape[1])) - 1, 0) for name, p in SPREAD.items()}
    return {name: ordered[:, r] for name, r in rank.items()}


def _weekly(keys: Columns, dates: NDArray[np.datetime64], series: Mapping[str, Floats]) -> Columns:
    """Return rows by lake and date of series (weeks, lakes)."""
    lakes = len(keys["lake_id"])
    return {
        **{name: np.repeat(key, len(dates)) for name, key in keys.items()},
        "date": np.tile(dates, lakes),
        **{name: values.T.ravel().astype(np.float64) for name, values in series.items()},
    }


def gathered(taxon: Taxon, field: Field, days: Ints) -> Doubles:
    """Return the middle member's degree-days since its own biofix [°C·day] on some days, (days, lakes)."""
    upper = taxon.growth.upper
    heat = field.heat(taxon.growth.lower.value, upper.value if upper else None, layer_of(taxon.depth))
    start = field.start(taxon.start).reshape(-1, 1)
    sums = np.take(columns_of(heat), days, axis=1)
    since = np.where(start > days, np.float32(0), sums - heat_at(heat, field.start(taxon.start)).reshape(-1, 1))
    by_lake = since.reshape(heat.shape[1], -1, len(days)).transpose(2, 0, 1)
    return np.asarray(np.median(np.ascontiguousarray(by_lake), axis=2, overwrite_input=True), dtype=np.float64)


def _normal(taxon: Taxon, past: Field, weekly: Ints, first: int) -> Doubles:
    """Return the middle past year's degree-days since its biofix on the days ``weekly``, (weeks, lakes)."""
    middle = POINTS_C.index(0.0)
    upper = taxon.growth.upper
    heat = past.heat(taxon.growth.lower.value, upper.value if upper else None, layer_of(taxon.depth))
    sums = heat[:, :, :, middle].astype(np.float64)
    start = past.start(taxon.start)[:, :, middle].astype(np.int64)
    base = np.take_along_axis(sums, np.minimum(start, len(sums) - 1)[None], axis=0)
    days = np.minimum(weekly - first, len(sums) - 1)
    since = np.maximum(sums[days] - base, 0.0)
    return np.asarray(np.median(since, axis=2))

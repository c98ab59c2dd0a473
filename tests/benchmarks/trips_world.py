"""The hidden truth of the trip benchmark: lakes of the demo whose insects are planted, and a guide's notes about them.

All synthetic. A truth is one draw of the lakes' water (seed apart) and of what every population needs (as in
``twin_world``: alike in part among near lakes and relatives, and differing between years), and of who lives where the
demo's residents.csv leaves it open. Seasons pass under the demo's weather.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
import sys
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import numpy as np

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from twin_world import YEAR_LN, _stages, joined, planted, readings_of, sightings_of, with_notes

from emergence.dates import day_number
from emergence.forecast.events import taxon_events
from emergence.forecast.weighing import Told, member_taxon
from emergence.records import Readings, Residents, Season, Sightings
from emergence.runs.blocks import make_block
from emergence.runs.history import chunk_classes, point_classes
from emergence.runs.plan import prepare
from emergence.runs.simulate import told_of
from emergence.runs.trip_members import Wish, _Part
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.draws import Known
from emergence.taxa.residence import residence
from emergence.water.spread import error_bank

__all__ = [
    "SPAN",
    "TAXA",
    "YEAR_LN",
    "TrueYear",
    "World",
    "day",
    "guide_notes",
    "joined",
    "make_world",
    "true_year",
    "with_notes",
]
SPAN = ((4, 1), (8, 31))
HIDDEN_SEED = 90_210
LOOKS = {
    "coenagrion": ("mature", "moving", "moving", "empty_skin", "adult"),
    "aeshna": ("mature", "moving", "empty_skin", "adult"),
    "chironomus": ("pupa", "pupa", "adult"),
}
"""Stages a guide looks for; all are true of the insect."""
TAXA = tuple(LOOKS)


@dataclass(frozen=True)
class World:
    """The demo without notes, as the guide has it; ``deviate`` (lakes, taxa) and the true residents, both hidden."""

    season: Season
    number: int
    deviate: np.ndarray
    residents: Residents


@dataclass(frozen=True)
class TrueYear:
    """One season as it was: ``moving`` (wishes, days, lakes) from 1 April, and what a guide could see and read."""

    moving: np.ndarray
    numbers: dict[str, dict[str, np.ndarray]]
    water: np.ndarray
    ice: np.ndarray
    first_day: int


def make_world(season: Season, number: int) -> World:
    """Return a truth of the demo's lakes, a season folder without notes."""
    rng = np.random.default_rng((HIDDEN_SEED, number))
    deviate = planted(season.lakes, rng, TAXA)
    catalogue = {key: taxon for key, taxon in load_catalogue(dict(season.own_taxa)).items() if key in TAXA}
    lives = residence(catalogue, season.lakes, season.residents)
    there = (lives == "yes") | ((lives == "unsure") & (rng.random(lives.shape) < season.settings.trips.unsure_share))
    names = np.repeat(season.lakes.lake_id, len(catalogue))
    keys = np.tile(np.array(list(catalogue), dtype=object), len(season.lakes))
    word = np.where(there.ravel(), "yes", "no").astype(object)
    return World(season, number, deviate, Residents(names, keys, word))


def day(year: int, month: int, day_of_month: int) -> int:
    """Return a day number."""
    return day_number(dt.date(year, month, day_of_month))


def true_year(world: World, year: int, wishes: Sequence[Wish]) -> TrueYear:
    """Let one season pass: one member, its weather known, needs as planted for that year."""
    settings = dataclasses.replace(world.season.settings, slots=1, replicates=1)
    season = dataclasses.replace(world.season, settings=settings, residents=world.residents)
    plan = prepare(season, as_of=day(year, 9, 30), taxa=TAXA, seed=HIDDEN_SEED + world.number)
    (job,), here = plan.jobs, np.arange(len(plan.lakes))
    block = make_block(plan, job, here, error_bank(plan.seed, job.span.end - job.span.sim_start + 1))
    rng, told = np.random.default_rng((HIDDEN_SEED, world.number, year)), {}
    for k, key in enumerate(TAXA):
        need = plan.taxa[key].growth.requirement
        side = np.where(world.deviate[:, k] < 0, need.ln_sd_early.value, need.ln_sd_late.value)
        now = world.deviate[:, k] + YEAR_LN / side * rng.standard_normal(len(here))
        told[key] = Told(Known(now, np.zeros(len(here))))
    block = dataclasses.replace(block, told=told)
    first, last = day(year, *SPAN[0]), day(year, *SPAN[1])
    inside = slice(first - job.span.sim_start, last + 1 - job.span.sim_start)
    part, rules = _Part(plan, job, here, block, inside), world.season.settings.trips
    spoiled = part.bad_days(rules.heat_stop_c).any(axis=0)
    moving = np.zeros((len(wishes), last - first + 1, len(here)), dtype=bool)
    for index, flags in part.wishes(wishes, rules.unsure_share):
        moving[index] = (flags & ~spoiled)[..., 0]
    field = part.field
    classes = chunk_classes(
        {} if block.past is None else point_classes(block.past, list(plan.taxa.values())),
        list(plan.taxa.values()), field, here, lake_ids=block.lake_id, seed=plan.seed,
    )  # fmt: skip
    numbers = {}
    for k, (key, taxon) in enumerate(plan.taxa.items()):
        own = classes.get(key)
        drawn = member_taxon(taxon, field, block.lake_id, seed=plan.seed, classes=own, told=told_of(block, key, here))
        events = taxon_events(taxon, field, block.lake_id, seed=plan.seed, keep_members=True, classes=own, drawn=drawn)
        left = next(e for e in events if e.event == "emergence" and e.brood == 1).intensity
        lives = (plan.residence[:, k] == "yes")[None, :]
        numbers[key] = {stage: n * lives for stage, n in _stages(taxon, field, drawn, left).items()}
    return TrueYear(moving, numbers, field.water_c[:, :, 0, 0].astype(float), field.ice[:, :, 0, 0], job.span.sim_start)


def guide_notes(world: World, truth: TrueYear, year: int, *, every: float = 7.0) -> tuple[Readings, Sightings]:
    """Return what a guide wrote on visits to every lake about ``every`` days from mid April to July.

    A visit is one reading (error 0.6 °C) and looks for two of the three insects; 3 % of the looks are about another
    stage than is written. Insects are counted (Poisson, patchy, by minutes and the lake's richness).
    """
    rng = np.random.default_rng((HIDDEN_SEED, world.number, year, 7))
    first, last = day(year, 4, 15), day(year, 7, 25)
    reads, looks = [], []
    for lake, lake_id in enumerate(world.season.lakes.lake_id.tolist()):
        rich = np.random.default_rng((HIDDEN_SEED, world.number, lake)).lognormal(0.0, 0.6)
        today = first + int(rng.integers(0, 8))
        while today <= last:
            index = today - truth.first_day
            if not truth.ice[index, lake]:
                reads.append((lake_id, today, round(float(truth.water[index, lake] + rng.normal(0, 0.6)), 1)))
                for key in rng.choice(TAXA, 2, replace=False).tolist():
                    stage = seen = str(rng.choice(LOOKS[key]))
                    if rng.random() < 0.03:
                        seen = str(rng.choice(LOOKS[key]))
                    minutes = float(rng.choice([15, 20, 30, 45]))
                    share = float(truth.numbers[key][seen][index, lake])
                    count = rng.poisson(max(share, 0.0) * rich * minutes * rng.lognormal(0.0, 0.5))
                    level = "none" if count == 0 else "few" if count < 6 else "many"
                    looks.append((lake_id, today, key, stage, level, minutes))
            today += max(2, round(rng.normal(every, 3.0)))
    return readings_of(reads), sightings_of(looks)

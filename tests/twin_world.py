"""Twins: invented lakes whose insects are known to the last number, and a guide's notes about them. All synthetic.

The air is the demo's (itself invented). Each lake is one draw of the model's own uncertainty: its water deviates, its
populations' needs are planted, and differ between years. Notes are made by another rule than the one that reads them:
insects are counted (Poisson, patchy, by minutes and the lake's richness), and some notes are about another stage.
"""

from __future__ import annotations

import dataclasses
import datetime as dt
from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np

from emergence.dates import NEVER, day_number
from emergence.forecast.events import taxon_events
from emergence.forecast.field import layer_of
from emergence.forecast.stages import AdultLife, Stages, hard_frost, stage_numbers
from emergence.forecast.weighing import Told, member_taxon
from emergence.learning.pooling import closeness
from emergence.learning.population import shared
from emergence.records import IceDates, Lakes, Readings, Residents, Season, Sightings
from emergence.runs.blocks import make_block
from emergence.runs.checked import checked_season
from emergence.runs.plan import prepare
from emergence.runs.simulate import block_field
from emergence.season import read_season
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.draws import Known
from emergence.taxa.model import Taxon
from emergence.taxa.population import widened
from emergence.water.coefficients import load_coefficients
from emergence.water.spread import error_bank
from emergence.weather.neighbours import great_circle_km

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
TAXA = ("coenagrion", "libellula", "callibaetis", "chironomus", "phryganeid")
YEAR_LN = 0.10  # how ln need differs between years
LOOKS = {
    "coenagrion": ("mature", "moving", "moving", "empty_skin", "adult"),
    "libellula": ("mature", "empty_skin", "adult"),
    "callibaetis": ("mature", "adult", "adult"),
    "chironomus": ("pupa", "pupa", "adult"),
    "phryganeid": ("pupa", "adult", "adult"),
}


@dataclass(frozen=True)
class TrueSeason:
    """One lake's season as it was: peak day number of each taxon (NaN: never), stages by day, water, ice-off."""

    peak: dict[str, np.ndarray]
    numbers: dict[str, dict[str, np.ndarray]]
    water: np.ndarray
    ice: np.ndarray
    first_day: int


@dataclass(frozen=True)
class World:
    """Lakes with planted needs, ``deviate`` (lakes, taxa), and the demo's air."""

    season: Season
    seed: int
    deviate: np.ndarray


@cache
def demo_season() -> Season:
    return checked_season(read_season(DEMO, today=day_number(dt.date(2026, 6, 1))))


def make_world(seed: int, lakes: int = 20) -> World:
    """Return invented lakes near the demo's stations."""
    rng, demo = np.random.default_rng(seed), demo_season()
    at = rng.integers(0, len(demo.stations), lakes)
    blank = np.array([""] * lakes, dtype=object)
    names = np.array([f"twin{k:02d}" for k in range(lakes)], dtype=object)
    own = Lakes(
        names,
        names,
        np.array([f"region{k}" for k in at], dtype=object),
        demo.stations.latitude[at] + rng.normal(0, 0.05, lakes),
        demo.stations.longitude[at] + rng.normal(0, 0.05, lakes),
        np.maximum(demo.stations.elevation_m[at] + rng.normal(40, 60, lakes), 1.0),
        np.exp(rng.normal(2.5, 0.8, lakes)),
        np.exp(rng.normal(1.3, 0.4, lakes)),
        np.full(lakes, np.nan),
        np.full(lakes, np.nan),
        *(blank,) * 4,
    )
    own = dataclasses.replace(own, max_depth_m=own.mean_depth_m * 2.2)
    none = slice(0)
    season = dataclasses.replace(
        demo,
        lakes=own,
        readings=demo.readings.take(none),
        ice=demo.ice.take(none),
        sightings=demo.sightings.take(none),
        residents=all_live_there(names),
        own_taxa={},
    )
    return World(season, seed, planted(own, rng))


def all_live_there(names: np.ndarray) -> Residents:
    """Return the guide's word that every insect of the twins lives in every lake."""
    yes = np.array(["yes"] * len(names) * len(TAXA), dtype=object)
    return Residents(np.repeat(names, len(TAXA)), np.tile(np.array(TAXA, dtype=object), len(names)), yes)


def planted(lakes: Lakes, rng: np.random.Generator, taxa: tuple[str, ...] = TAXA) -> np.ndarray:
    """Return deviates of every population, alike among near lakes, in one lake and among relatives."""
    p, catalogue = load_coefficients()["pooling"], load_catalogue()
    row, column = np.divmod(np.arange(len(lakes) * len(taxa)), len(taxa))
    km = great_circle_km(lakes.latitude[:, None], lakes.longitude[:, None], lakes.latitude, lakes.longitude)
    dz = lakes.elevation_m[:, None] - lakes.elevation_m
    close = closeness(km, dz, range_km=p["range_km"], range_m=p["range_m"])
    group = np.array([catalogue[t].group for t in taxa])
    covariance = shared(
        close[np.ix_(row, row)],
        same_lake=row[:, None] == row,
        same_taxon=column[:, None] == column,
        same_group=group[column][:, None] == group[column],
    )
    root = np.linalg.cholesky(covariance + 1e-9 * np.eye(len(row)))
    return (root @ rng.standard_normal(len(row))).reshape(len(lakes), len(taxa))


def true_season(world: World, year: int) -> TrueSeason:
    """Let one season pass: every lake one member of the truth."""
    settings = dataclasses.replace(world.season.settings, slots=1, replicates=1)
    season = dataclasses.replace(world.season, settings=settings)
    plan = prepare(season, as_of=day_number(dt.date(year, 9, 30)), taxa=TAXA, seed=90_000 + world.seed)
    job, lakes = plan.jobs[0], np.arange(len(plan.lakes))
    block = make_block(plan, job, lakes, error_bank(plan.seed, job.span.end - job.span.sim_start + 1))
    field, rng = block_field(block), np.random.default_rng((world.seed, year))
    peak, numbers = {}, {}
    for k, key in enumerate(TAXA):
        taxon = plan.taxa[key]
        need = taxon.growth.requirement
        side = np.where(world.deviate[:, k] < 0, need.ln_sd_early.value, need.ln_sd_late.value)
        now = world.deviate[:, k] + YEAR_LN / side * rng.standard_normal(len(lakes))
        told = Told(Known(now, np.zeros(len(lakes))))
        drawn = member_taxon(taxon, field, block.lake_id, seed=plan.seed, told=told)
        events = taxon_events(taxon, field, block.lake_id, seed=plan.seed, keep_members=True, drawn=drawn)
        emergence = next(e for e in events if e.event == "emergence" and e.brood == 1)
        assert emergence.milestones is not None
        day = emergence.milestones.peak[:, 0].astype(float)
        peak[key] = np.where(day == NEVER, np.nan, day + job.span.sim_start)
        numbers[key] = _stages(taxon, field, drawn, emergence.intensity)
    water = field.water_c[:, :, 0, 0].astype(float)
    return TrueSeason(peak, numbers, water, field.ice[:, :, 0, 0], job.span.sim_start)


def _stages(taxon: Taxon, field, drawn, left: np.ndarray) -> dict[str, np.ndarray]:
    """Numbers of each stage by day and lake: the day by day bookkeeping of the stages, not that of the evidence."""
    growth, layer = taxon.growth, layer_of(taxon.depth)
    lower, upper = growth.lower.value, growth.upper.value if growth.upper else None
    start, cells = field.start(taxon.start), field.water_c.shape[1:]
    adult = taxon.adult
    life = AdultLife(2.0, 4, 8.0) if adult is None else AdultLife(2.0, round(adult.maturation.value), adult.life.value)
    need = widened(drawn.needs[0], field.uneven_heat(lower, upper, layer, start=start, need=drawn.needs[0].median))
    found: Stages = stage_numbers(
        field.heat(lower, upper, layer),
        need,
        gates=field.gates(taxon.gates, drawn.shifts),
        start=start,
        life=life,
        frost=hard_frost(field.air_min_c, -2.0, solstice=field.solstice),
        younger=np.zeros((cells[0], 1)),
    )
    gone = np.cumsum(left, axis=0)
    skins = gone - np.concatenate([np.zeros((8, cells[0])), gone[:-8]])
    soon = np.concatenate([gone[3:], np.repeat(gone[-1:], 3, axis=0)]) - np.concatenate([gone[:1] * 0, gone[:-1]])
    return {
        "young": found.young,
        "mature": found.mature,
        "moving": found.moving,
        "adult": found.adult,
        "empty_skin": skins,
        "pupa": soon,
    }


def guide_notes(world: World, truth: TrueSeason, year: int, *, every: float = 7.0) -> tuple[Readings, Sightings]:
    """Return what a guide wrote on visits about ``every`` days from mid April to July: a reading, three looks."""
    rng = np.random.default_rng((world.seed, year, 7))
    first, last = (day_number(dt.date(year, *d)) for d in ((4, 15), (7, 25)))
    reads, looks = [], []
    for lake, lake_id in enumerate(world.season.lakes.lake_id.tolist()):
        rich = np.random.default_rng((world.seed, lake)).lognormal(0.0, 0.6)
        day = first + int(rng.integers(0, 8))
        while day <= last:
            index = day - truth.first_day
            if not truth.ice[index, lake]:
                reads.append((lake_id, day, round(float(truth.water[index, lake] + rng.normal(0, 0.6)), 1)))
                for key in rng.choice(TAXA, 3, replace=False).tolist():
                    stage = seen = str(rng.choice(LOOKS[key]))
                    if rng.random() < 0.03:
                        seen = str(rng.choice(["young", "pupa", "adult"]))
                    minutes = float(rng.choice([15, 20, 30, 45]))
                    share = float(truth.numbers[key][seen][index, lake])
                    count = rng.poisson(max(share, 0.0) * rich * minutes * rng.lognormal(0.0, 0.5))
                    level = "none" if count == 0 else "few" if count < 6 else "many"
                    looks.append((lake_id, day, key, stage, level, minutes))
            day += max(2, round(rng.normal(every, 3.0)))
    return readings_of(reads), sightings_of(looks)


def readings_of(rows: list[tuple[str, int, float]]) -> Readings:
    """Return readings at the surface."""
    words, day, value = zip(*rows, strict=True)
    blank = np.full(len(rows), np.nan)
    return Readings(np.array(words, dtype=object), np.array(day), np.maximum(np.array(value), 0.5), blank, blank)


def sightings_of(rows: list[tuple[str, int, str, str, str, float]]) -> Sightings:
    """Return sightings."""
    lake, day, taxon, stage, level, minutes = zip(*rows, strict=True)
    words = [np.array(x, dtype=object) for x in (lake, taxon, stage, level)]
    blank = np.array([""] * len(rows), dtype=object)
    return Sightings(
        words[0], np.array(day), words[1], words[2], words[3], np.array(minutes, dtype=float), blank, blank
    )


def joined(parts: list[tuple[Readings, Sightings]]) -> tuple[Readings, Sightings]:
    """Return several seasons' notes as one."""

    def one(tables):  # type: ignore[no-untyped-def]  # any record
        names = [f.name for f in dataclasses.fields(tables[0])]
        return type(tables[0])(**{n: np.concatenate([getattr(t, n) for t in tables]) for n in names})

    return one([p[0] for p in parts]), one([p[1] for p in parts])


def with_notes(season: Season, readings: Readings | None, sightings: Sightings | None) -> Season:
    """Return a season folder with these notes and no ice dates."""
    none: IceDates = season.ice.take(slice(0))
    return dataclasses.replace(
        season,
        readings=season.readings.take(slice(0)) if readings is None else readings,
        sightings=season.sightings.take(slice(0)) if sightings is None else sightings,
        ice=none,
    )

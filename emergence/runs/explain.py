"""Why these dates: what one insect on one lake has gathered, needs and waits for, and what moves its date most."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER, to_date
from emergence.forecast.broods import season_stages
from emergence.forecast.events import EventResult, taxon_events
from emergence.forecast.field import Field, layer_of
from emergence.forecast.weighing import MemberTaxon, member_taxon
from emergence.runs.blocks import make_block, past_summers
from emergence.runs.each_note import each_note
from emergence.runs.history import POINTS_C, Past, chunk_classes, member_deviation, point_classes
from emergence.runs.plan import RunPlan
from emergence.runs.results import Explained, GateState, Mover, StageShares
from emergence.runs.sightings import residence_after, taxon_ids
from emergence.runs.simulate import block_field, told_of
from emergence.runs.stage_board import job_of
from emergence.taxa.model import Gate, Taxon
from emergence.taxa.population import heat_at
from emergence.taxa.yearclass import MemberClasses, PointClasses, member_ages
from emergence.water.spread import error_bank

Floats = NDArray[np.float64]
RECENT_D, COMING_D = 7, 14
STAGE_WEEKS = 8
LEAST_MOVE_D = 0.5  # what moves the date by less is not named


@dataclass(frozen=True)
class _Lake:
    """One lake's field and a taxon's members on it."""

    taxon: Taxon
    field: Field
    lake_id: NDArray[np.object_]
    seed: int
    classes: MemberClasses | None
    drawn: MemberTaxon

    @property
    def members(self) -> int:
        return int(np.prod(self.field.water_c.shape[2:]))

    def deviation_c(self) -> Floats:
        """Return how far each member's water lies from the simulated one [°C], (members,)."""
        field = self.field
        surface = field.water_c[..., 0] if field.depth is None else field.depth.surface_c
        found = member_deviation(field.water_c, surface, first=field.first, solstice=field.solstice)
        return np.asarray(found[0], dtype=np.float64).ravel()

    def gathered(self, now: int) -> Floats:
        """Return what each member has gathered since its biofix [°C·day], (members,)."""
        heat, start = self.heat(), self.field.start(self.taxon.start)
        since = heat[now].ravel() - heat_at(heat, start).ravel()
        return np.where(start.ravel() > now, 0.0, since).astype(np.float64)

    def a_day(self, now: int) -> float:
        """Return what a day of the last week gave in the middle member [°C·day]."""
        heat = self.heat()
        return float(np.median(heat[now] - heat[max(now - RECENT_D, 0)]) / RECENT_D)

    def heat(self, field: Field | None = None) -> NDArray[np.floating]:
        upper = self.taxon.growth.upper
        lower = self.taxon.growth.lower.value
        return (field or self.field).heat(lower, upper.value if upper else None, layer_of(self.taxon.depth))


def explain(plan: RunPlan, *, day: int | None = None) -> Explained:
    """Return why one insect's dates on one lake are what they are.

    Parameters
    ----------
    plan
        The plan of a run over one lake and one taxon (``prepare`` with both); of two seasons the first is explained.
    day
        Day number from which the stages are told; the issue date unless said.

    Raises
    ------
    WrongUseError
        The day lies in no season forecast.
    """
    taxon = next(iter(plan.taxa.values()))
    job, lakes = plan.jobs[0] if day is None else job_of(plan, day), np.array([0])
    block = make_block(plan, job, lakes, error_bank(plan.seed, job.span.end - job.span.sim_start + 1))
    field, ids, seed = block_field(block), block.lake_id, plan.seed
    points = {} if block.past is None else point_classes(block.past, [taxon])
    classes = chunk_classes(points, [taxon], field, lakes, lake_ids=ids, seed=seed).get(taxon.id)
    now = plan.as_of - job.span.sim_start
    drawn = member_taxon(taxon, field, ids, seed=seed, classes=classes, told=told_of(block, taxon.id, lakes))
    lake = _Lake(taxon, field, ids, seed, classes, drawn)
    events = taxon_events(taxon, field, ids, seed=seed, keep_members=True, classes=classes, drawn=drawn)
    start = field.start(taxon.start)
    gathered = lake.gathered(now)
    lives, lives_from = _residence(plan, taxon, drawn)
    return Explained(
        lake_id=str(block.lake_id[0]),
        lake=str(plan.lakes.name[0]) or str(block.lake_id[0]),
        taxon=taxon.id,
        name=taxon.name,
        as_of=to_date(plan.as_of),
        season=job.span.year,
        event=events[0].event,
        peak=_dates(events[0].peak[0, [1, 3, 5]], job.span.sim_start),
        biofix_rule=_rule(taxon),
        biofix=_dates(_quantiles(start.ravel().astype(np.float64)), job.span.sim_start),
        started=float((start.ravel() <= now).mean()),
        lower_c=taxon.growth.lower.value,
        gathered=_quantiles(gathered),
        need=_quantiles(_need(lake)),
        a_day=lake.a_day(now),
        days_ahead_of_normal=_ahead(lake, past_summers(plan, job, lakes), float(np.median(gathered)), now),
        gates=tuple(_gate(lake, gate, k, now) for k, gate in enumerate(taxon.gates)),
        strength=_strength(events[0]),
        ages=_ages(points.get(taxon.id), lake),
        movers=_movers(lake, events[0], plan.replicates),
        stages=_stages(lake, now if day is None else day - job.span.sim_start, job.span.sim_start),
        residence=lives,
        residence_from=lives_from,
        notes=each_note(block, taxon, plan.season.settings.temperature_unit),
    )


def _residence(plan: RunPlan, taxon: Taxon, drawn: MemberTaxon) -> tuple[str, str]:
    """Return yes, unsure or no as the forecast has it, and what says so: residents.csv, habitat or sightings."""
    residents, lakes = plan.season.residents, np.array([0])
    before, after = str(plan.residence[0, 0]), str(residence_after(plan, lakes, drawn.weighed)[0, 0])
    words = residents.taxon[residents.lake_id == plan.lakes.lake_id[0]]
    named = (taxon_ids(words, plan.taxa) == taxon.id).any()
    return after, "sightings" if after != before else "residents.csv" if named else "habitat"


def _quantiles(values: Floats) -> tuple[float, float, float]:
    ordered = np.sort(np.asarray(values, dtype=np.float64))
    low, mid, high = (float(ordered[max(int(np.ceil(p * len(ordered))) - 1, 0)]) for p in (0.1, 0.5, 0.9))
    return low, mid, high


def _dates(days: object, first: int) -> tuple[str, ...]:
    """Return ISO dates of day indices, "" for never."""
    return tuple("" if d >= NEVER else to_date(first + int(d)).isoformat() for d in np.asarray(days, dtype=float))


def _rule(taxon: Taxon) -> str:
    start = taxon.start
    threshold = "" if start.threshold is None else f"{start.threshold.value:g}"
    return {
        "date": "on a fixed date",
        "ice_off": f"from ice-off, not before {start.month_day}",
        "warm_week": f"from the first week of water at {threshold} °C",
        "hatch": f"from the first day of water at {threshold} °C, when the eggs hatch",
        "day_length": f"from days of {threshold} hours on",
    }[start.rule]


def _need(lake: _Lake) -> Floats:
    return np.asarray(lake.drawn.needs[0].median, dtype=np.float64).ravel()


def _ahead(lake: _Lake, past: Past, gathered: float, now: int) -> float | None:
    """Return by how many days this year's heat is ahead of the middle past year's [d], None where it cannot be told."""
    middle = POINTS_C.index(0.0)
    sums = lake.heat(past.field)[:, 0, :, middle].astype(np.float64)
    start = past.field.start(lake.taxon.start)[0, :, middle]
    offset = sums[np.minimum(start, len(sums) - 1), np.arange(sums.shape[1])]
    since = np.maximum(sums - offset, 0)
    today = now - lake.field.first
    if gathered <= 0 or not 0 <= today < len(since):
        return None
    reached = np.where((since >= gathered).any(axis=0), (since >= gathered).argmax(axis=0), len(since))
    return float(np.median(reached)) - today


def _gate(lake: _Lake, gate: Gate, k: int, now: int) -> GateState:
    """Return how far a gate was open of late, and in the days to come."""
    gates = lake.field.gates((gate,), [lake.drawn.shifts[k]])
    cell = np.arange(lake.members)
    opened = [gates.opened(day, cell) >= 0.5 for day in range(now - RECENT_D + 1, now + COMING_D + 1)]
    return GateState(
        gate.variable,
        gate.open_at.value,
        gate.open_at.value < gate.shut_at.value,
        float(np.mean(opened[:RECENT_D])) * RECENT_D,
        float(np.mean(opened[RECENT_D:])) * COMING_D if len(opened) > RECENT_D else 0.0,
    )


def _strength(event: EventResult) -> tuple[float, ...]:
    return () if event.strength is None else tuple(float(x) for x in event.strength[0])


def _ages(points: PointClasses | None, lake: _Lake) -> tuple[float, ...]:
    """Return the shares of nymphs of one, two, ... years among those that mature, the mean over members."""
    if points is None:
        return ()
    found = member_ages(points, lake.taxon, lake.deviation_c(), str(lake.lake_id[0]), seed=lake.seed)
    return tuple(float(x) for x in found)


def _stages(lake: _Lake, now: int, first: int) -> tuple[StageShares, ...]:
    """Return which stages are about today and in the weeks to come."""
    found = season_stages(lake.taxon, lake.field, lake.drawn, classes=lake.classes)
    if found is None:
        return ()
    shares = found.shares()
    days = [day for day in range(now, now + STAGE_WEEKS * 7 + 1, 7) if day < len(lake.field.water_c)]
    names = ("young", "mature", "moving", "adult")
    return tuple(
        StageShares(to_date(first + day).isoformat(), *(float(shares[name][day, 0]) for name in names)) for day in days
    )


def _movers(lake: _Lake, event: EventResult, replicates: int) -> tuple[Mover, ...]:
    """Return what moves the peak, in days for one standard deviation of it, the strongest first.

    Weather to come: the spread of the skies' mean dates. The rest: regression, within each sky, of members' dates on
    heat needed, the lake's own water and its ice-off.
    """
    if event.milestones is None:
        return ()
    peak = event.milestones.peak[0].astype(np.float64).reshape(-1, replicates)
    peak[peak >= NEVER] = np.nan
    usable = np.isfinite(peak).all(axis=1)
    if usable.sum() < 3:
        return ()
    peak = peak[usable]
    water = lake.deviation_c()
    end = lake.field.spring_end + 1
    frozen = np.cumsum(lake.field.ice[:end].reshape(end, -1), axis=0)[-1].astype(np.float64)
    factors = {"need": np.log(_need(lake)), "water": water.ravel(), "ice": frozen}
    columns, names = [], []
    for name, values in factors.items():
        within = values.reshape(-1, replicates)[usable]
        within = within - within.mean(axis=1, keepdims=True)
        if within.std() > 0:
            columns.append(within.ravel() / within.std())
            names.append(name)
    left = (peak - peak.mean(axis=1, keepdims=True)).ravel()
    slope = np.linalg.lstsq(np.column_stack(columns), left, rcond=None)[0] if columns else np.zeros(0)
    skies = peak.mean(axis=1)
    noise = left.var() / replicates
    found = [Mover(n, float(s)) for n, s in zip(names, slope, strict=True)]
    found.append(Mover("weather", float(np.sqrt(max(skies.var() - noise, 0.0)))))
    found = [m for m in found if abs(m.days) >= LEAST_MOVE_D]
    return tuple(sorted(found, key=lambda m: -abs(m.days)))

"""Past seasons' sightings to fits of each population, and those fits laid on a run's lakes."""

from __future__ import annotations

from collections.abc import Collection, Iterator, Mapping
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import SeasonSpan, day_of_year, month_of, season_span, season_year
from emergence.forecast.evidence import (
    HIDDEN,
    PRIOR_UNSURE,
    Grown,
    Sighted,
    habits_of,
    log_absent,
    log_likelihood,
    numbers_on,
)
from emergence.forecast.field import Field, by_heat, layer_of
from emergence.learning.population import DEVIATES, NeedFit, fit_need, ln_shift, pooled_needs, shared, year_sd
from emergence.records import LEVELS, STAGES, Lakes, Season, Sightings
from emergence.runs.record import Record
from emergence.runs.simulate import month_day_index, winter_end_index
from emergence.runs.taught import Learned, lake_closeness
from emergence.solar import day_length
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.draws import Deviates, Known, requirements_at
from emergence.taxa.model import Taxon
from emergence.taxa.names import find_taxon
from emergence.taxa.population import heat_at, widened
from emergence.taxa.residence import residence
from emergence.water.depth import deepest, depth_path

Floats = NDArray[np.floating]
Doubles = NDArray[np.float64]
Ints = NDArray[np.int64]

SeasonRow = tuple[Doubles, float, int, int]  # log-likelihood at DEVIATES, were it absent, notes, notes that saw any

LEAD_NODES = (-np.sqrt(1.5), 0.0, np.sqrt(1.5))  # of equal weight: the lead of the migration is not known
NEAREST, LEAST_CLOSENESS = 12, 0.05  # lakes that speak for one lake
LEAST_MEASURED = 0.8  # of the air from the season's start to its last note; our prior


@dataclass(frozen=True)
class _Season:
    """One past season: ``field`` of some lakes of the record (``lakes``: indices), notes of that season about them."""

    span: SeasonSpan
    field: Field
    lakes: Ints
    notes: Sightings


def learn_needs(
    season: Season, record: Record, water: Floats, ice: NDArray[np.bool_], *, before: int
) -> dict[str, dict[str, NeedFit]]:
    """Fit the requirement of every population seen or looked for before a day, by lake and taxon.

    Parameters
    ----------
    season
        Supplies sightings, residents and own taxa.
    record
        The simulated record of lakes of one hemisphere.
    water, ice
        Their central water [°C] and ice, (days, lakes) (`record.central_water`).
    before
        Day number; notes of that day and later are not looked at.
    """
    taxa = load_catalogue(season.own_taxa)
    lives = residence(taxa, record.lakes, season.residents)
    doubted, found = _doubted(lives, season, record.lakes, taxa, before), dict[tuple[int, str], list[SeasonRow]]()
    for past in _seasons(season, record, water, ice, before):
        ids = np.array([find_taxon(word, taxa) or "" for word in past.notes.taxon], dtype=object)
        for taxon in by_heat({k: taxa[k] for k in sorted(set(ids.tolist()) - {""})}):
            column = list(taxa).index(taxon.id)
            notes = {
                place: past.notes.take(here)
                for place, k in enumerate(past.lakes.tolist())
                if (here := (ids == taxon.id) & (past.notes.lake_id == record.lakes.lake_id[k])).any()
                and lives[k, column] != "no"
            }
            unsure = set(np.flatnonzero(doubted[past.lakes, column]).tolist())
            rows = season_likelihoods(taxon, past.field, notes, past.span.sim_start, unsure=unsure)
            for place, row in rows.items():
                found.setdefault((int(past.lakes[place]), taxon.id), []).append(row)
    fits: dict[str, dict[str, NeedFit]] = {}
    for (k, key), own in sorted(found.items()):
        doubt = bool(doubted[k, list(taxa).index(key)])
        fits.setdefault(str(record.lakes.lake_id[k]), {})[key] = _fit(taxa[key], own, doubt=doubt)
    return fits


def _fit(taxon: Taxon, rows: list[SeasonRow], *, doubt: bool) -> NeedFit:
    need = taxon.growth.requirement
    return fit_need(
        np.stack([r[0] for r in rows]),
        np.array([r[1] for r in rows]),
        early=need.ln_sd_early.value,
        late=need.ln_sd_late.value,
        notes=sum(r[2] for r in rows),
        seen=sum(r[3] for r in rows),
        presence=PRIOR_UNSURE if doubt else 1.0,
    )


def _doubted(
    lives: NDArray[np.object_], season: Season, lakes: Lakes, taxa: Mapping[str, Taxon], before: int
) -> NDArray[np.bool_]:
    """Return which populations may not be there at all, (lakes, taxa): not said to be, and never seen before a day."""
    notes = season.sightings.take((season.sightings.day < before) & (season.sightings.level != "none"))
    known = {word: find_taxon(word, taxa) for word in set(notes.taxon.tolist())}
    seen = {(lake, known[word]) for lake, word in zip(notes.lake_id.tolist(), notes.taxon.tolist(), strict=True)}
    never = [[(lake, key) not in seen for key in taxa] for lake in lakes.lake_id.tolist()]
    return np.asarray((lives == "unsure") & np.array(never, dtype=bool).reshape(lives.shape))


def _seasons(season: Season, record: Record, water: Floats, ice: NDArray[np.bool_], before: int) -> Iterator[_Season]:
    """Yield the past seasons with sightings and weather."""
    south = bool(record.lakes.southern[0])
    notes = season.sightings.take(season.sightings.day < before)
    notes = notes.take(np.isin(notes.lake_id.astype(str), record.lakes.lake_id.astype(str)))
    years = np.array([season_year(int(d), south) for d in notes.day], dtype=np.int64)
    for year in np.unique(years).tolist():
        span, mine = season_span(year, south), notes.take(years == year)
        if span.sim_start < record.first_day or span.end > record.days[-1]:
            continue
        seen, last = set(mine.lake_id.tolist()), int(mine.day.max())
        days = slice(span.sim_start - record.first_day, span.end + 1 - record.first_day)
        until = slice(span.start - record.first_day, last + 1 - record.first_day)
        measured = record.measured[until].mean(axis=0) >= LEAST_MEASURED
        lakes = np.array(
            [k for k, i in enumerate(record.lakes.lake_id.tolist()) if i in seen and measured[k]], dtype=np.int64
        )
        if len(lakes):
            yield _Season(span, past_field(record, water, ice, span, days, lakes), lakes, mine)


def past_field(
    record: Record, water: Floats, ice: NDArray[np.bool_], span: SeasonSpan, days: slice, lakes: Ints
) -> Field:
    """Return what insects lived through in a past season: one member a lake, its central water."""
    part = record.path.water_c[days][:, lakes], record.path.ice[days][:, lakes]
    depth = depth_path(
        *part,
        area_km2=record.shape.area_km2[lakes],
        deepest_m=deepest(record.lakes.max_depth_m[lakes], record.shape.mean_depth_m[lakes]),
    )
    numbers = np.arange(span.sim_start, span.end + 1)
    light = day_length(record.shape.latitude[lakes][None, :], day_of_year(numbers)[:, None])
    return Field(
        water_c=water[days][:, lakes, None, None].astype(np.float32),
        ice=ice[days][:, lakes, None, None],
        air_max_c=record.tmax[days][:, lakes, None],
        air_min_c=record.tmin[days][:, lakes, None],
        day_length_h=light,
        first=span.start - span.sim_start,
        ahead=len(numbers),
        spring_end=min(winter_end_index(span), len(numbers) - 1),
        solstice=month_day_index(span, "06-21"),
        month_day_index=lambda month_day: month_day_index(span, month_day),
        warmest_max_c=_warmest_max(record, lakes),
        depth=depth,
        path_ice=part[1],
    )


def _warmest_max(record: Record, lakes: Ints) -> Doubles:
    month, tmax = month_of(record.days), record.tmax[:, lakes].astype(np.float64)
    present = sorted(set(month.tolist()))
    return np.asarray(np.max([tmax[month == m].mean(axis=0) for m in present], axis=0))


def season_likelihoods(
    taxon: Taxon,
    field: Field,
    notes: Mapping[int, Sightings],
    first_day: int,
    *,
    unsure: Collection[int] = (),
) -> dict[int, SeasonRow]:
    """Return, by lake of a past field, the log-likelihood of its notes at DEVIATES and were it absent, and counts.

    Parameters
    ----------
    taxon
        The taxon.
    field
        The lakes, one member each.
    notes
        Notes of the taxon by index of the lake.
    first_day
        Day number of the field's first day.
    unsure
        Lakes by index where it is not known that the taxon lives there.
    """
    if not notes or taxon.growth.requirement.median.value <= 0:
        return {}
    own = {k: _sighted(v, first_day) for k, v in notes.items()}
    lakes = np.array(sorted(own), dtype=np.int64)
    days = np.unique(np.concatenate([own[k].day for k in lakes]))
    numbers = _numbers(taxon, field, lakes, days)
    out = {}
    for place, k in enumerate(lakes.tolist()):
        row = np.searchsorted(days, own[k].day)
        hidden = HIDDEN if k in unsure else 0.0
        told = log_likelihood(numbers[row, own[k].stage, place], own[k], hidden=hidden).reshape(-1, len(DEVIATES))
        most = told.max(axis=0)
        mean = np.asarray(most + np.log(np.exp(told - most).mean(axis=0)))
        out[k] = (mean, log_absent(own[k]), len(own[k]), own[k].seen)
    return out


def _numbers(taxon: Taxon, field: Field, lakes: Ints, days: Ints) -> Floats:
    """Return numbers on some days, (days, stages, lakes, nodes x DEVIATES)."""
    growth, layer, habits = taxon.growth, layer_of(taxon.depth), habits_of(taxon)
    lower, upper = growth.lower.value, growth.upper.value if growth.upper else None
    count = field.water_c.shape[1]
    start, heat = field.start(taxon.start), field.heat(lower, upper, layer)
    nodes = np.asarray(LEAD_NODES if growth.move_before_dd is not None else (0.0,), dtype=np.float32)
    shift = np.tile(DEVIATES.astype(np.float32), len(nodes))[None, :].repeat(len(lakes), axis=0)
    lead = np.repeat(nodes, len(DEVIATES))[None, :].repeat(len(lakes), axis=0)
    need = requirements_at(growth, growth.requirement, Deviates(shift, np.zeros_like(shift), lead))
    middle = np.full((count, 1, 1), growth.requirement.median.value, dtype=np.float32)
    uneven = np.broadcast_to(field.uneven_heat(lower, upper, layer, start=start, need=middle), (count, 1, 1))
    need = widened(need, uneven[lakes, 0])
    gates = field.gates(taxon.gates, [np.zeros((count, 1), dtype=np.float32) for _ in taxon.gates])
    last = int(days[-1]) + 1
    since = heat[:last, :, 0, 0] - heat_at(heat, start)[:, 0, 0]
    opened = gates.opened_until(last, lakes)
    return numbers_on(Grown(since[:, lakes], opened, start[lakes, 0, 0]), need, habits, days)


def _sighted(notes: Sightings, first_day: int) -> Sighted:
    stage = np.array([STAGES.index(s) for s in notes.stage], dtype=np.int64)
    level = np.array([LEVELS.index(s) for s in notes.level], dtype=np.int64)
    return Sighted(notes.day - first_day, stage, level, notes.minutes)


def known_needs(learned: Learned | None, lakes: Lakes, taxa: Mapping[str, Taxon]) -> dict[str, Known]:
    """Return what past seasons taught of each taxon's deviate on every lake, for a season to come; others are absent.

    A population's own notes count most, then its taxon on near lakes, its lake's other taxa and its relatives.
    """
    if learned is None or not learned.needs:
        return {}
    names = [n for n in sorted(learned.needs) if n in learned.places]
    items = [(row, key) for row, n in enumerate(names) for key in sorted(learned.needs[n]) if key in taxa]
    if not items:
        return {}
    near, between, own = lake_closeness(lakes, learned, names)
    fits = [learned.needs[names[row]][key] for row, key in items]
    precision, information = np.array([f.precision for f in fits]), np.array([f.information for f in fits])
    row, keys = np.array([r for r, _ in items]), np.array([k for _, k in items], dtype=object)
    wanted = np.array(list(taxa), dtype=object)
    group = {key: taxon.group for key, taxon in taxa.items()}
    mean, sd = np.zeros((len(lakes), len(wanted))), np.ones((len(lakes), len(wanted)))
    told = np.zeros(len(wanted), dtype=bool)
    for k in range(len(lakes)):
        close = near[k].copy()
        if own[k] >= 0:
            close[own[k]] = 1.0
        ranked = np.argsort(-close, kind="stable")[:NEAREST]
        use = np.flatnonzero(np.isin(row, ranked[close[ranked] >= LEAST_CLOSENESS]))
        if not len(use):
            continue
        r, t = row[use], keys[use]
        among = shared(between[np.ix_(r, r)], same_lake=r[:, None] == r, **_alike(t, t, group))
        to_targets = shared(close[r][None, :], same_lake=(r == own[k])[None, :], **_alike(wanted, t, group))
        mean[k], sd[k] = pooled_needs(precision[use], information[use], among, to_targets)
        told |= sd[k] < 1.0
    out = {}
    for place, key in enumerate(wanted.tolist()):
        if told[place]:
            need = taxa[key].growth.requirement
            year = year_sd(need.ln_sd_early.value, need.ln_sd_late.value)
            out[key] = Known(mean[:, place], np.minimum(np.hypot(sd[:, place], year), 1.0))
    return out


def _alike(a: NDArray[np.object_], b: NDArray[np.object_], group: Mapping[str, str]) -> dict[str, NDArray[np.bool_]]:
    """Return which taxa are the same and which are of one group, (a, b)."""
    ga, gb = (np.array([group[k] for k in part.tolist()], dtype=object) for part in (a, b))
    return {"same_taxon": a[:, None] == b[None, :], "same_group": ga[:, None] == gb[None, :]}


def past_presence(learned: Learned | None, lake_id: str, taxon: str) -> tuple[float, int]:
    """Return what past notes say of presence, a log-likelihood ratio, and how many of them saw any; 0 without notes."""
    fit = None if learned is None else learned.needs.get(lake_id, {}).get(taxon)
    return (0.0, 0) if fit is None else (fit.log_ratio, fit.seen)


@dataclass(frozen=True)
class NeedRow:
    """One population with sightings: its heat needed [°C·day] in the middle and 8 in 10, and the catalogue's."""

    lake_id: str
    taxon: str
    notes: int
    seasons: int
    low: float
    middle: float
    high: float
    catalogue: float


def need_rows(season: Season, learned: Learned) -> list[NeedRow]:
    """Return the populations with sightings by lake and taxon, neighbours and relatives counted in."""
    if not learned.needs:
        return []
    taxa, lakes = load_catalogue(season.own_taxa), season.lakes
    known, rows = known_needs(learned, lakes, taxa), []
    for k, lake_id in enumerate(lakes.lake_id.tolist()):
        for key, fit in learned.needs.get(lake_id, {}).items():
            if key not in known:
                continue
            need, told = taxa[key].growth.requirement, known[key]
            deviate = told.mean[k] + told.sd[k] * np.array([-1.2816, 0.0, 1.2816])
            heat = need.median.value * np.exp(ln_shift(deviate, need.ln_sd_early.value, need.ln_sd_late.value))
            low, middle, high = (float(h) for h in heat)
            rows.append(NeedRow(lake_id, key, fit.notes, fit.seasons, low, middle, high, need.median.value))
    return rows

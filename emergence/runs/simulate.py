"""One block of lakes of one hemisphere and season: weather to water to every member's events. Arrays only."""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from emergence.dates import SeasonSpan, day_number, day_of_year, same_day_in, to_date
from emergence.forecast.events import EventResult, taxon_events
from emergence.forecast.field import Field
from emergence.forecast.turnover import turnover_events
from emergence.forecast.weighing import Told, Weighed, member_taxon
from emergence.runs.history import Past, chunk_classes, point_classes
from emergence.runs.noted import Chunk, Suspicious, noted_water
from emergence.solar import day_length
from emergence.taxa.draws import Known
from emergence.taxa.model import Taxon
from emergence.water.breakup import breakup_shift
from emergence.water.conditioning import LakeNotes
from emergence.water.depth import DepthPath, depth_path
from emergence.water.fast import simulate
from emergence.water.features import Features, features
from emergence.water.members import MemberWater, spring_opening
from emergence.water.shape import LakeShape
from emergence.water.spread import Spread, draw_errors
from emergence.water.surface import WaterPath, drivers, exchange, first_month_mean, initial_state, opening_keep
from emergence.weather.block import LakeWeather

Floats = NDArray[np.floating]
CHUNK = 64  # lakes whose members are held in memory at once


@dataclass(frozen=True)
class Block:
    """Inputs of one block: the same hemisphere and season for all its lakes.

    ``shape``, ``deepest_m`` [m] and ``weather`` hold the block's lakes; ``bank`` the unit error paths, shape (days,
    paths); ``warmest_max_c`` [°C] the normal air maximum of each lake's warmest month shape
    (lakes,); ``spread`` what is known of each lake's deviation; ``usual_c`` [°C] the calendar mean of the air at each
    lake, shape (days, lakes); ``notes`` this season's notes by index of the lake in the block; ``past`` the lakes'
    past summers, without which no taxon has a strength; ``told`` what sightings say of each taxon.
    """

    lake_id: NDArray[np.object_]
    region: NDArray[np.object_]
    shape: LakeShape
    deepest_m: Floats
    weather: LakeWeather
    span: SeasonSpan
    as_of: int
    slots: int
    replicates: int
    seed: int
    bank: Floats
    warmest_max_c: Floats
    spread: Spread
    usual_c: Floats
    notes: Mapping[int, LakeNotes]
    past: Past | None = None
    told: Mapping[str, Told] = field(default_factory=dict)


@dataclass(frozen=True)
class ChunkResult:
    """Results of some lakes of a block (``lakes``: their indices in the block), day 0 = ``first_day``.

    ``water_quantiles`` (3, days, lakes) at 10, 50, 90 % [°C] and ``ice_chance`` (days, lakes), or None; ``suspicious``
    names readings that were not used; ``weighed`` tells what sightings did, by index in ``lakes``.
    """

    lakes: NDArray[np.int64]
    first_day: int
    events: list[EventResult]
    water_quantiles: Floats | None
    ice_chance: Floats | None
    suspicious: list[Suspicious]
    weighed: list[Weighed] = field(default_factory=list)


def surface_path(block: Block) -> WaterPath:
    """Return the simulated surface (days, lakes, slots): one past for all skies, then each its own.

    Leg 1 runs to the issue date with one cell a lake, leg 2 goes on from its state with one cell a sky.
    """
    weather = block.weather
    days = np.arange(block.span.sim_start, block.span.end + 1)
    drive, lake = drivers(days, block.shape), exchange(block.shape)
    known = weather.known_tmean[:, :, None]
    split = len(known)
    past = type(drive)(*(v[:split] for v in vars(drive).values()))
    rest = type(drive)(*(v[split:] for v in vars(drive).values()))
    state = initial_state(first_month_mean(known))
    leg1, state = simulate(known, past, lake, state)
    leg2, _ = simulate(weather.ahead_tmean, rest, lake, state.spread_over(block.slots))
    return WaterPath(
        *(
            np.concatenate([np.broadcast_to(a, (split, *b.shape[1:])), b])
            for a, b in zip(vars(leg1).values(), vars(leg2).values(), strict=True)
        )
    )


def _below(block: Block, path: WaterPath) -> DepthPath:
    """Return the water below the simulated surface; leg 1 is worked on once for all skies."""
    return depth_path(
        path.water_c,
        path.ice,
        area_km2=block.shape.area_km2,
        deepest_m=block.deepest_m,
        split=len(block.weather.known_tmean),
    )


def winter_end_index(span: SeasonSpan) -> int:
    """Return the last day index on which ice can belong to the season's winter: late August, February in the south."""
    date = to_date(span.start)
    last = day_number(
        date.replace(year=date.year + 1, month=2, day=28) if span.southern else date.replace(month=8, day=28)
    )
    return last - span.sim_start


def month_day_index(span: SeasonSpan, month_day: str) -> int:
    """Return the day index of a northern calendar day "MM-DD", half a year later in the south."""
    month, day = int(month_day[:2]), int(month_day[3:])
    first = to_date(span.start)
    if span.southern:
        month = month + 6
    year = first.year + (1 if month > 12 else 0)
    probe = to_date(day_number(first.replace(year=2000, month=(month - 1) % 12 + 1, day=1)) + day - 1)
    return same_day_in(year, day_number(probe)) - span.sim_start


def simulate_block(
    block: Block, taxa: Sequence[Taxon], *, with_water: bool, keep_members: bool
) -> Iterator[ChunkResult]:
    """Yield the results of a block, some lakes at a time so that memory stays flat.

    Parameters
    ----------
    block
        Inputs.
    taxa
        Taxa in the order of ``forecast.field.by_heat``.
    with_water
        Whether quantiles of water and the chance of ice are wanted.
    keep_members
        Whether each member's dates are kept.
    """
    path = surface_path(block)
    depth = _below(block, path)
    opening = spring_opening(path.ice, np.full(len(block.lake_id), winter_end_index(block.span)))
    points = {} if block.past is None else point_classes(block.past, taxa)
    for begin in range(0, len(block.lake_id), CHUNK):
        lakes = np.arange(begin, min(begin + CHUNK, len(block.lake_id)))
        water, suspicious = _chunk_water(block, path, opening, lakes)
        field = _chunk_field(block, water, path, depth, lakes)
        ids = block.lake_id[lakes]
        classes = chunk_classes(points, taxa, field, lakes, lake_ids=ids, seed=block.seed)
        events = turnover_events(field, keep_members=keep_members)
        weighed: list[Weighed] = []
        for taxon in taxa:
            own, told = classes.get(taxon.id), told_of(block, taxon.id, lakes)
            drawn = member_taxon(taxon, field, ids, seed=block.seed, classes=own, told=told)
            weighed += drawn.weighed
            events += taxon_events(
                taxon, field, ids, seed=block.seed, keep_members=keep_members, classes=own, drawn=drawn
            )
        quantiles, ice = _water_summary(water) if with_water else (None, None)
        yield ChunkResult(lakes, block.span.sim_start, events, quantiles, ice, suspicious, weighed)


def told_of(block: Block, taxon: str, lakes: NDArray[np.int64]) -> Told | None:
    """Return what is told of a taxon in some lakes of a block, by index in ``lakes``."""
    told = block.told.get(taxon)
    if told is None:
        return None
    known = None if told.known is None else Known(told.known.mean[lakes], told.known.sd[lakes])
    sighted = {k: told.sighted[int(lake)] for k, lake in enumerate(lakes) if int(lake) in told.sighted}
    unsure = {k: told.unsure[int(lake)] for k, lake in enumerate(lakes) if int(lake) in told.unsure}
    return Told(known, sighted, unsure)


def _chunk_water(
    block: Block, path: WaterPath, opening: NDArray[np.int64], lakes: NDArray[np.int64]
) -> tuple[MemberWater, list[Suspicious]]:
    spread = block.spread.take(lakes)
    members = block.slots * block.replicates
    errors = draw_errors(
        spread,
        block.lake_id[lakes],
        block.region[lakes],
        seed=block.seed,
        season=block.span.year,
        members=members,
    )
    part = WaterPath(*(v[:, _together(lakes)] for v in vars(path).values()))
    notes = {k: block.notes[int(lake)] for k, lake in enumerate(lakes) if int(lake) in block.notes}
    chunk = Chunk(
        path=part,
        known=_chunk_features(block, part, lakes),
        opening=opening[lakes],
        later=breakup_shift(opening[lakes] + block.span.sim_start, block.shape.take(lakes)),
        keep=opening_keep(block.shape.take(lakes)),
        spread=spread,
        lake_id=block.lake_id[lakes],
    )
    return noted_water(chunk, errors, notes, bank=block.bank, seed=block.seed, season=block.span.year)


def _together(lakes: NDArray[np.int64]) -> slice:
    """Return neighbouring lakes of a block as a slice, which copies nothing."""
    return slice(int(lakes[0]), int(lakes[-1]) + 1)


def _chunk_features(block: Block, path: WaterPath, lakes: NDArray[np.int64]) -> Features:
    known = block.weather.known_tmean[:, lakes, None]
    ahead = block.weather.ahead_tmean[:, lakes]
    past = np.broadcast_to(known, (len(known), len(lakes), block.slots))
    days = np.arange(block.span.sim_start, block.span.end + 1)
    anomaly = np.concatenate([past, ahead]) - block.usual_c[:, lakes, None]
    return features(day_of_year(days), anomaly.astype(np.float32, copy=False), path.ice)


def block_water(block: Block) -> MemberWater:
    """Return every member's water and ice of a whole block; for few lakes, all are held at once."""
    path = surface_path(block)
    lakes = np.arange(len(block.lake_id))
    opening = spring_opening(path.ice, np.full(len(lakes), winter_end_index(block.span)))
    return _chunk_water(block, path, opening, lakes)[0]


def block_field(block: Block) -> Field:
    """Return what the insects of a whole block live through; for few lakes, all are held at once."""
    path = surface_path(block)
    lakes = np.arange(len(block.lake_id))
    opening = spring_opening(path.ice, np.full(len(lakes), winter_end_index(block.span)))
    water, _ = _chunk_water(block, path, opening, lakes)
    return _chunk_field(block, water, path, _below(block, path), lakes)


def _chunk_field(
    block: Block, water: MemberWater, path: WaterPath, depth: DepthPath, lakes: NDArray[np.int64]
) -> Field:
    weather, span = block.weather, block.span
    days = np.arange(span.sim_start, span.end + 1)

    def whole(known: Floats, ahead: Floats) -> Floats:
        past = np.broadcast_to(known[:, lakes, None], (len(known), len(lakes), block.slots))
        return np.concatenate([past, ahead[:, lakes]]).astype(np.float32, copy=False)

    light = day_length(block.shape.latitude[lakes][None, :], day_of_year(days)[:, None])
    return Field(
        water_c=water.water_c,
        ice=water.ice,
        air_max_c=whole(weather.known_tmax, weather.ahead_tmax),
        air_min_c=whole(weather.known_tmin, weather.ahead_tmin),
        day_length_h=light,
        first=span.start - span.sim_start,
        ahead=block.as_of + 1 - span.sim_start,
        spring_end=winter_end_index(span),
        solstice=month_day_index(span, "06-21"),
        month_day_index=lambda month_day: month_day_index(span, month_day),
        warmest_max_c=block.warmest_max_c[lakes],
        depth=depth.take(_together(lakes)),
        path_ice=path.ice[:, _together(lakes)],
    )


def _water_summary(water: MemberWater) -> tuple[Floats, Floats]:
    n_days, lakes = water.water_c.shape[:2]
    flat = np.sort(water.water_c.reshape(n_days, lakes, -1), axis=2)
    members = flat.shape[2]
    rank = [max(int(np.ceil(p * members)) - 1, 0) for p in (0.1, 0.5, 0.9)]
    ice = water.ice.reshape(n_days, lakes, -1).mean(axis=2)
    return np.stack([flat[:, :, r] for r in rank]), ice

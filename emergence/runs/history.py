"""Past summers of each lake: their water, and the year-classes that they leave for the season to come."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from functools import partial

import numpy as np
from numpy.typing import NDArray

from emergence.dates import SeasonSpan, day_of_year, month_of, season_span
from emergence.forecast.field import Field, layer_of
from emergence.solar import day_length
from emergence.taxa.model import Taxon
from emergence.taxa.yearclass import (
    OLDEST,
    MemberClasses,
    PointClasses,
    SeasonHeat,
    YearClasses,
    autumn_arrest,
    coming,
    member_classes,
    season_heat,
    traits,
    year_classes,
)
from emergence.water.depth import depth_path
from emergence.water.fast import simulate
from emergence.water.shape import LakeShape
from emergence.water.surface import drivers, exchange, first_month_mean, initial_state
from emergence.weather.gaps import CALENDAR, FilledSeries
from emergence.weather.lapse import VARIABLES
from emergence.weather.mix import Counted, Links, mixed

Floats = NDArray[np.floating]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

YEARS = 30  # past seasons that are run; our prior: a few generations of the slowest taxon
POINTS_C = (-3.0, -1.5, 0.0, 1.5, 3.0)  # from the lake's central water; our prior: members seldom lie further off
LEAST_MEASURED = 0.6  # of a season's days, as for traces; other years repeat the measured ones
EVERY = 8  # d between the days on which a member's deviation is read
SPINUP_D = 122  # d before the season from which water is simulated, as in a forecast


@dataclass(frozen=True)
class Air:
    """Daily mean air over lakes in past seasons [°C], (days, lakes, years) float32; ``days`` those of the last one."""

    days: Ints
    tmean: Floats


@dataclass(frozen=True)
class Past:
    """Past seasons of a block of lakes: years stand as skies and points as replicates in ``field``."""

    field: Field
    latitude: Floats
    days_of_year: Ints


def past_air(filled: Sequence[FilledSeries], links: Links, span: SeasonSpan, *, as_of: int) -> Air:
    """Return the air of the seasons before ``span``, at lake height.

    Parameters
    ----------
    filled
        Records filled up to ``as_of``.
    links
        Stations of the lakes.
    span
        The season to come.
    as_of
        Issue date (day number): later days are taken as usual.

    Notes
    -----
    YEARS seasons; in each, a lake's stations count of which LEAST_MEASURED of the days known are measured. Seasons in
    which none of them counts repeat the others in their order, so that a short record goes round; without any the air
    is as usual. All seasons have the days of a common year, so the last day of a leap year is left out.
    """
    spans = [season_span(span.year - YEARS + k, span.southern) for k in range(YEARS)]
    days = spans[-1].sim_start + np.arange(SPINUP_D + 365)
    used = links.in_use
    local = replace(links, station_index=np.searchsorted(used, links.station_index))
    key = ("past seasons", span.sim_start, span.southern, as_of)
    station = [filled[k].kept(key, partial(_station_years, filled[k], spans, len(days), as_of)) for k in used]
    values = np.stack([v for v, _ in station]).astype(np.float32)
    counts = np.stack([c for _, c in station])
    usual = np.stack([_usual(filled[k], days) for k in used]).astype(np.float32)
    weighs = (local.weight > 0.0)[:, :, None]
    truth = weighs & counts[local.station_index]
    partly = np.flatnonzero((weighs & ~truth).any(axis=(1, 2)))
    air = mixed(values, usual, local, Counted(partly, truth[partly][:, :, None]))
    source = _repeated(np.asarray(truth.any(axis=1)))
    if (source != np.arange(YEARS)).any():
        air = np.take_along_axis(air, np.broadcast_to(source[None], air.shape), axis=2)
    moved = links.correction_c[:, VARIABLES.index("tmean")].T.astype(np.float32)[month_of(days) - 1]
    return Air(days, air + moved[:, :, None])


def _station_years(filled: FilledSeries, spans: list[SeasonSpan], n_days: int, as_of: int) -> tuple[Floats, Bools]:
    """Return a station's seasons, (days, years), unmeasured days as usual, and which of them count."""
    values, counts = np.empty((n_days, len(spans))), np.zeros(len(spans), dtype=bool)
    for k, span in enumerate(spans):
        days = span.sim_start + np.arange(n_days)
        at = days - filled.first_day
        known = (at >= 0) & (at < len(filled.tmean_c)) & (days <= as_of)
        inside = np.where(known, at, 0)
        values[:, k] = np.where(known, filled.tmean_c[inside], _usual(filled, days))
        measured = known & (filled.how[inside] != CALENDAR)
        counts[k] = measured.sum() >= LEAST_MEASURED * max(int((days <= as_of).sum()), 1)
    return values, counts


def _usual(filled: FilledSeries, days: Ints) -> Floats:
    return filled.calendar_c[day_of_year(days) - 1]


def _repeated(counts: Bools) -> Ints:
    """Return for each lake and year the year whose weather stands there, (lakes, years)."""
    source = np.tile(np.arange(counts.shape[1]), (len(counts), 1))
    for lake in np.flatnonzero(~counts.all(axis=1) & counts.any(axis=1)):
        own = np.flatnonzero(counts[lake])
        lacking = np.flatnonzero(~counts[lake])
        source[lake, lacking] = own[(lacking - own[0]) % len(own)]
    return source


def past_seasons(
    air: Air, shape: LakeShape, deepest_m: Floats, *, span: SeasonSpan, month_day_index: Callable[[str], int]
) -> Past:
    """Simulate the lakes' central water in past seasons, every season on its own from SPINUP_D before it.

    Parameters
    ----------
    air
        Air of those seasons.
    shape, deepest_m
        The lakes [m].
    span
        The season to come.
    month_day_index
        Finds the day index of a northern "MM-DD" from the first simulated day of ``span``.
    """
    cells = air.tmean
    path, _ = simulate(cells, drivers(air.days, shape), exchange(shape), initial_state(first_month_mean(cells)))
    below = depth_path(path.water_c, path.ice, area_km2=shape.area_km2, deepest_m=deepest_m)
    season = slice(SPINUP_D, None)
    days = air.days[season]
    surface = path.water_c[season]
    offset = np.array(POINTS_C, dtype=np.float32)
    water = surface[..., None] + offset
    np.maximum(water, 0, out=water)
    water[path.ice[season]] = 0
    before = span.start - span.sim_start
    light = day_length(shape.latitude[None, :], day_of_year(days)[:, None])
    nothing = np.zeros((0, 0, 0), dtype=np.float32)
    field = Field(
        water_c=water,
        ice=np.broadcast_to(path.ice[season][..., None], water.shape),
        air_max_c=nothing,
        air_min_c=nothing,
        day_length_h=light,
        first=0,
        ahead=0,
        spring_end=min(month_day_index("08-28") - before, len(days) - 1),
        solstice=month_day_index("06-21") - before,
        month_day_index=lambda month_day: month_day_index(month_day) - before,
        warmest_max_c=np.zeros(0),
        depth=replace(below, below_c=below.below_c[season], surface_c=surface),
        path_ice=path.ice[season],
    )
    return Past(field, np.asarray(shape.latitude, dtype=float), day_of_year(days))


def run_classes(past: Past, taxon: Taxon) -> YearClasses:
    """Run a taxon's year-classes through the past seasons; cells are lakes times points, a lake's points together."""
    return year_classes(_season_heat(past, taxon), traits(taxon))


def _season_heat(past: Past, taxon: Taxon) -> SeasonHeat:
    field, own = past.field, traits(taxon)
    upper = taxon.growth.upper
    heat = field.heat(taxon.growth.lower.value, upper.value if upper else None, layer_of(taxon.depth))
    points = heat.shape[3]
    arrest = autumn_arrest(past.latitude, own.shortest_day, days_of_year=past.days_of_year, solstice=field.solstice)
    return season_heat(heat, own, start=field.start(taxon.start), arrest=np.repeat(arrest, points), axis=1)


def point_classes(past: Past, taxa: Sequence[Taxon]) -> Mapping[str, PointClasses]:
    """Return what past summers leave for the season to come, by taxon; ``taxa`` in the order of ``field.by_heat``."""
    found = {}
    for taxon in taxa:
        if taxon.year_class is None:
            continue
        warmth = _season_heat(past, taxon)
        classes, place = coming(warmth, traits(taxon)), (len(past.latitude), len(POINTS_C))
        annual = np.cumsum(warmth.annual, axis=0)[-1] / len(warmth.annual)
        found[taxon.id] = PointClasses(
            offset_c=np.array(POINTS_C),
            annual=annual.reshape(place),
            strength=classes.strength.reshape(place),
            winter_sd=classes.winter_sd.reshape(place),
            younger=classes.younger.reshape(place),
            ages=classes.ages.T.reshape(*place, OLDEST),
        )
    return found


def chunk_classes(
    points: Mapping[str, PointClasses],
    taxa: Sequence[Taxon],
    field: Field,
    lakes: Ints,
    *,
    lake_ids: NDArray[np.object_],
    seed: int,
) -> dict[str, MemberClasses]:
    """Return the year-classes of every member of some lakes of a block, by taxon.

    Parameters
    ----------
    points
        What past summers left at the points of the block's lakes.
    taxa
        All taxa of the run.
    field
        The members' water and the simulated surface of their skies.
    lakes
        Which lakes of the block these are.
    lake_ids
        Their keys.
    seed
        The run's seed.
    """
    if not points or field.depth is None:
        return {}
    deviation = member_deviation(field.water_c, field.depth.surface_c, first=field.first, solstice=field.solstice)
    return {
        t.id: member_classes(points[t.id].take(lakes), t, deviation, lake_ids, seed=seed)
        for t in taxa
        if t.id in points
    }


def member_deviation(water_c: Floats, surface_c: Floats, *, first: int, solstice: int) -> Floats:
    """Return how far each member's water lies from the simulated one from spring to autumn [°C], (lakes, members).

    Parameters
    ----------
    water_c
        Every member's water [°C], (days, lakes, slots, replicates).
    surface_c
        Simulated surface [°C], (days, lakes, slots).
    first, solstice
        Day indices of the season's start and of midsummer.

    Notes
    -----
    The mean over every EVERY-th day from 50 days before to 90 days after midsummer.
    """
    days = range(max(solstice - 50, first), min(solstice + 90, len(water_c)), EVERY)
    total = np.zeros(water_c.shape[1:], dtype=np.float64)
    for day in days:
        total += water_c[day] - surface_c[day][..., None]
    return np.asarray((total / len(days)).reshape(len(total), -1))

"""Daily air temperatures from monthly normals, for checks against published dates. Normals are from memory."""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache

import numpy as np

from emergence.dates import NEVER, SeasonSpan, day_of_year, season_span
from emergence.forecast.events import brood_passages, day_after
from emergence.forecast.field import Field, layer_of
from emergence.records import Lakes
from emergence.runs.simulate import month_day_index, winter_end_index
from emergence.solar import day_length
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.model import Taxon
from emergence.taxa.population import Milestones, Passage, Requirements, crossing, heat_at, widened
from emergence.water.depth import DepthPath, deepest, depth_path
from emergence.water.shape import LakeShape, lake_shape
from emergence.water.surface import drivers, exchange, initial_state, simulate
from emergence.weather.climate import annual_amplitude

# Monthly mean air temperature [°C], January to December; from memory of the national climate normals 1981-2010.
SASKATOON = (-13.9, -11.4, -4.9, 5.2, 11.8, 16.1, 19.0, 18.2, 12.0, 4.4, -5.2, -12.4)
# A plateau at 50 N, 1,150 m in the dry interior of British Columbia: from memory, one station moved to lake height.
PLATEAU = (-7.0, -4.5, -0.5, 4.0, 8.5, 12.2, 15.0, 14.5, 10.0, 4.0, -2.5, -7.0)
MADISON = (-7.9, -5.6, 0.6, 8.0, 14.1, 19.4, 21.9, 20.8, 16.2, 9.5, 2.6, -5.2)
# Oshkosh, Wisconsin; Land O'Lakes, upper Michigan; Toledo, Ohio; Flin Flon, Manitoba (1 °C cooler, for the 1960s).
WINNEBAGO = (-8.4, -6.0, 0.3, 7.4, 13.7, 19.2, 21.9, 20.9, 16.3, 9.5, 2.2, -5.2)
MICHIGAN = (-12.0, -10.0, -4.0, 3.8, 11.0, 16.2, 18.7, 17.6, 13.0, 6.3, -0.8, -8.8)
ERIE = (-3.3, -1.8, 3.4, 9.9, 16.1, 21.7, 23.8, 22.7, 18.7, 12.2, 5.9, -0.5)
HEMING = (-21.4, -17.1, -10.3, 0.2, 7.8, 13.9, 16.8, 15.5, 8.7, 1.5, -9.9, -18.6)
YEARS = 24


def one_lake(latitude: float, elevation_m: float, area_ha: float, depth_m: float, max_depth_m: float = np.nan) -> Lakes:
    def number(x: float) -> np.ndarray:
        return np.array([x], dtype=float)

    def word(x: str) -> np.ndarray:
        return np.array([x], dtype=object)

    return Lakes(
        word("lake"),
        word("Lake"),
        word(""),
        number(latitude),
        number(0.0),
        number(elevation_m),
        number(area_ha),
        number(depth_m),
        number(max_depth_m),
        number(np.nan),
        word(""),
        word(""),
        word(""),
        word(""),
    )


def daily_normal(monthly: tuple[float, ...], doy: np.ndarray) -> np.ndarray:
    """Periodic straight lines between mid-months."""
    middle = np.array([15.5 + 30.44 * k for k in range(-1, 13)])
    return np.interp(doy, middle, np.array([monthly[-1], *monthly, monthly[0]]))


def weather(monthly: tuple[float, ...], days: np.ndarray, *, seed: int = 5) -> np.ndarray:
    """Normals plus AR(1) weather (0.75 a day, sd 4 °C, a third more in winter), shape (days, 1, YEARS), float32."""
    rng = np.random.default_rng(seed)
    doy = day_of_year(days)
    sd = 4.0 * (1 + 0.33 * np.cos(2 * np.pi * (doy - 15) / 365.25))
    value = rng.standard_normal(YEARS)
    noise = np.empty((len(days), YEARS))
    for k in range(len(days)):
        noise[k] = value
        value = 0.75 * value + np.sqrt(1 - 0.75**2) * rng.standard_normal(YEARS)
    return (daily_normal(monthly, doy)[:, None] + sd[:, None] * noise)[:, None, :].astype(np.float32)


def shape_of(lakes: Lakes, monthly: tuple[float, ...]) -> LakeShape:
    normal = daily_normal(monthly, np.arange(1, 367))
    return lake_shape(lakes, np.array([annual_amplitude(normal)]))


def season_field(
    monthly: tuple[float, ...], lakes: Lakes, *, range_c: float = 6.5, warmer: float = 0.0
) -> tuple[Field, SeasonSpan]:
    """A season's field of one lake under YEARS simulated springs, without any error of the water model."""
    span = season_span(2021, False)
    spin_up = span.sim_start - 243
    days = np.arange(spin_up, span.end + 1)
    air = weather(monthly, days) + np.float32(warmer)
    shape = shape_of(lakes, monthly)
    path, _ = simulate(air, drivers(days, shape), exchange(shape), initial_state(air[:30].mean(axis=0)))
    deep = deepest(lakes.max_depth_m, shape.mean_depth_m)
    below = depth_path(path.water_c, path.ice, area_km2=shape.area_km2, deepest_m=deep)
    part = slice(span.sim_start - spin_up, None)
    below = DepthPath(below.depth_m, below.below_c[part], below.surface_c[part])
    water, ice, air = path.water_c[part], path.ice[part], air[part]
    days = days[part]
    light = day_length(shape.latitude[None, :], day_of_year(days)[:, None])
    field = Field(
        water_c=water[..., None],
        ice=ice[..., None],
        air_max_c=air + np.float32(range_c),
        air_min_c=air - np.float32(range_c),
        day_length_h=light,
        first=span.start - span.sim_start,
        ahead=span.start - span.sim_start,
        spring_end=winter_end_index(span),
        solstice=month_day_index(span, "06-21"),
        month_day_index=lambda month_day: month_day_index(span, month_day),
        warmest_max_c=np.array([max(monthly) + range_c + warmer]),
        depth=below,
        path_ice=ice,
    )
    return field, span


@dataclass(frozen=True)
class Brood:
    """One brood of a taxon under each simulated spring: days of the year (1 = 1 January), NEVER kept.

    ``first``: 5 % ready; ``start`` the biofix; ``passage`` the emergence with its days.
    """

    start: np.ndarray
    first: np.ndarray
    emergence: Milestones
    migration: Milestones | None
    passage: Passage


@dataclass(frozen=True)
class MiddleLake:
    """A lake under YEARS springs, no member draws: ``place`` latitude, elevation, area, mean and greatest depth."""

    monthly: tuple[float, ...]
    place: tuple[float, float, float, float, float]
    half_range_c: float

    def field(self, warmer: float = 0.0) -> Field:
        """Return the season's field."""
        return _field(self, warmer)

    def run(self, taxon: str | Taxon, *, median: float | None = None, warmer: float = 0.0) -> list[Brood]:
        """Return every brood of a taxon; ``median`` [°C·day] takes the place of the first brood's."""
        one = load_catalogue()[taxon] if isinstance(taxon, str) else taxon
        field = self.field(warmer)
        cells, growth = field.water_c.shape[1:], one.growth
        lower, upper, layer = growth.lower.value, growth.upper.value if growth.upper else None, layer_of(one.depth)
        move = None if growth.move_before_dd is None else growth.move_before_dd.value
        medians = [r.median.value for r in one.requirements]
        needs = [
            Requirements(*(None if v is None else np.full(cells, v, np.float32) for v in (m, r.spread.value, move)))
            for m, r in zip([median or medians[0], *medians[1:]], one.requirements, strict=True)
        ]
        still = [np.zeros((1, cells[1]), np.float32) for _ in one.gates]
        heat, start = field.heat(lower, upper, layer), field.start(one.start)
        found = []
        passages = brood_passages(one, field, needs, gates=field.gates(one.gates, still))
        for need, (emergence, migration) in zip(needs, passages, strict=True):
            wide = widened(need, field.uneven_heat(lower, upper, layer, start=start, need=need.median))
            first = crossing(heat, heat_at(heat, start) + wide.median - np.float32(1.62) * wide.spread)
            both = [None if p is None else in_year(p.milestones, field.first) for p in (emergence, migration)]
            found.append(Brood(_in_year(start, field.first), _in_year(first, field.first), both[0], both[1], emergence))
            start = day_after(emergence.milestones.peak)
        return found


@cache
def _field(lake: MiddleLake, warmer: float) -> Field:
    return season_field(lake.monthly, one_lake(*lake.place), range_c=lake.half_range_c, warmer=warmer)[0]


def _in_year(index: np.ndarray, first: int) -> np.ndarray:
    days = np.ravel(index).astype(int)
    return np.where(days == NEVER, NEVER, days - first + 1)


def in_year(found: Milestones, first: int) -> Milestones:
    """Return day indices as days of the year, NEVER kept."""
    return Milestones(*(_in_year(getattr(found, k), first) for k in ("onset", "peak", "end")))

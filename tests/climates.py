"""Daily air temperatures from monthly normals, for checks against published dates. Normals are from memory."""

from __future__ import annotations

import numpy as np

from emergence.dates import SeasonSpan, day_of_year, season_span
from emergence.forecast.field import Field
from emergence.records import Lakes
from emergence.runs.simulate import month_day_index, winter_end_index
from emergence.solar import day_length
from emergence.water.shape import LakeShape, lake_shape
from emergence.water.surface import drivers, exchange, initial_state, simulate
from emergence.weather.climate import annual_amplitude

# Monthly mean air temperature [°C], January to December; from memory of the national climate normals 1981-2010.
SASKATOON = (-13.9, -11.4, -4.9, 5.2, 11.8, 16.1, 19.0, 18.2, 12.0, 4.4, -5.2, -12.4)
# A plateau at 50 N, 1,150 m in the dry interior of British Columbia: from memory, one station moved to lake height.
PLATEAU = (-7.0, -4.5, -0.5, 4.0, 8.5, 12.2, 15.0, 14.5, 10.0, 4.0, -2.5, -7.0)
MADISON = (-7.9, -5.6, 0.6, 8.0, 14.1, 19.4, 21.9, 20.8, 16.2, 9.5, 2.6, -5.2)
YEARS = 24


def one_lake(latitude: float, elevation_m: float, area_ha: float, depth_m: float) -> Lakes:
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
        number(np.nan),
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
    part = slice(span.sim_start - spin_up, None)
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
    )
    return field, span

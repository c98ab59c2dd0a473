"""Surface temperature and ice of many lakes from daily air temperature: two small models that share one ice.

The *heat budget* is a mixed layer with linearised surface exchange and an ice sheet that grows by conduction and melts
by sun and warm air. The *relaxation* follows an equilibrium temperature with one time constant (Kettle et al. 2004,
Limnology and Oceanography 49:271). The prediction is their mean; under ice it is 0 °C.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import YEAR_DAYS, day_of_year, northern_day_of_year
from emergence.solar import extraterrestrial_radiation
from emergence.water.coefficients import load_coefficients
from emergence.water.shape import LakeShape

Floats = NDArray[np.floating]
STEFAN_BOLTZMANN = 5.67e-8  # W m-2 K-4 (CODATA, rounded)
DAY_S = 86400.0
WATER_HEAT = 4.186e6  # J m-3 K-1
MELT_M = DAY_S / (917.0 * 3.34e5)  # m of ice per W m-2 and day: density and latent heat of ice
LONGWAVE = 0.97  # emissivity and absorption of water, from memory


@dataclass
class WaterState:
    """The state of every cell between two days, shape (lakes, slots).

    ``budget_c``, ``relaxed_c`` [°C] the two models; ``free_c`` [°C] the relaxation as if there were no ice;
    ``ice_m``, ``snow_m`` [m of ice] the sheet and the snow on it.
    """

    budget_c: Floats
    relaxed_c: Floats
    free_c: Floats
    ice_m: Floats
    snow_m: Floats

    def spread_over(self, slots: int) -> WaterState:
        """Return a copy with each lake's one cell repeated for ``slots`` skies."""
        return WaterState(**{k: np.repeat(v, slots, axis=1) for k, v in vars(self).items()})


@dataclass(frozen=True)
class Drivers:
    """What sun and calendar do to each lake, shape (days, lakes, 1); see ``drivers``."""

    sun: Floats
    sky: Floats
    deepen: Floats
    target: Floats
    spring: NDArray[np.bool_]


@dataclass(frozen=True)
class Exchange:
    """Constants of each lake, shape (lakes, 1)."""

    wind: Floats
    bowen_wind: Floats
    layer_m: Floats
    depth_m: Floats
    keep: Floats


@dataclass(frozen=True)
class WaterPath:
    """Simulated surface: ``water_c`` [°C], ``free_c`` [°C], ``ice`` (bool), each (days, lakes, slots)."""

    water_c: Floats
    free_c: Floats
    ice: NDArray[np.bool_]


def saturation_pressure(temperature_c: Floats) -> Floats:
    """Return saturation vapour pressure [hPa] over water of air or water temperature [°C] (Tetens form)."""
    return 6.108 * np.exp(17.27 * temperature_c / (temperature_c + 237.3))


def _continental(shape: LakeShape) -> Floats:
    return (shape.amplitude_c - 14.0) / 10.0


def exchange(shape: LakeShape, dtype: type = np.float32) -> Exchange:
    """Return each lake's constants of exchange and mixing, shape (lakes, 1)."""
    c = load_coefficients()
    ex, mix = c["exchange"], c["mixing"]
    fetch = ex["fetch_factor"] * shape.area_km2 ** ex["fetch_area_exponent"]
    wind = np.exp(ex["ln_wind"] + ex["ln_wind_continental"] * _continental(shape)) * fetch ** ex["fetch_exponent"]
    pressure = (1 - 2.2557e-5 * shape.elevation_m) ** 5.256
    layer = np.exp(mix["ln_depth"]) * fetch ** mix["fetch_exponent"]
    layer = layer * (shape.mean_depth_m / 6.0) ** mix["depth_exponent"]
    layer = (layer**-3 + shape.mean_depth_m**-3) ** (-1 / 3)
    tau = relaxation_time(shape)
    columns = (wind, ex["bowen"] * pressure * wind, layer, shape.mean_depth_m, np.exp(-1 / tau))
    return Exchange(*(np.asarray(x, dtype=dtype)[:, None] for x in columns))


def relaxation_time(shape: LakeShape) -> Floats:
    """Return the time constant of the relaxation model [d], shape (lakes,)."""
    rx = load_coefficients()["relaxation"]
    ln_tau = rx["ln_tau"] + rx["tau_depth"] * np.log(shape.mean_depth_m / 6) + rx["tau_area"] * np.log(shape.area_km2)
    return np.exp(ln_tau)


def opening_keep(shape: LakeShape) -> Floats:
    """Return what a day leaves of the disturbance by an ice-off that is not the simulated one [1], shape (lakes, 1)."""
    share = load_coefficients()["relaxation"]["opening_tau_share"]
    return np.asarray(np.exp(-1 / (share * relaxation_time(shape))), dtype=np.float32)[:, None]


def drivers(days: NDArray[np.int64], shape: LakeShape, dtype: type = np.float32) -> Drivers:
    """Return sun, sky, autumn deepening and the relaxation's target without air, for each day and lake.

    Parameters
    ----------
    days
        Day numbers [d], shape (days,).
    shape
        The lakes.
    dtype
        Precision of the result.

    Returns
    -------
    Drivers
        ``sun`` [W m-2] at the surface, ``sky`` [1] emissivity factor of the air's longwave, ``deepen`` [1],
        ``target`` [°C], ``spring`` true in the part of the year in which opening counts as break-up.
    """
    c = load_coefficients()
    sun, rx, air = c["sun"], c["relaxation"], c["air"]
    north = northern_day_of_year(days[:, None], (shape.latitude < 0)[None, :])
    radiation = extraterrestrial_radiation(shape.latitude[None, :], day_of_year(days)[:, None])
    clear = sun["clearness_mean"] + sun["clearness_season"] * np.cos(2 * np.pi * (north - 182) / YEAR_DAYS)
    clear = np.clip(clear + sun["clearness_continental"] * _continental(shape), 0.15, 0.8)
    cloud = np.clip(1.5 * (0.75 - clear), 0.0, 1.0)
    deepen = np.where(north < 60, 1.0, np.clip((north - 213) / 92.0, 0.0, 1.0))
    height_km = np.minimum(shape.elevation_m / 1000.0, rx["height_cap_km"])
    fixed = rx["offset"] + rx["depth"] * np.log(shape.mean_depth_m / 6) + rx["continental"] * _continental(shape)
    fixed = fixed + rx["area"] * np.log(shape.area_km2) + rx["height"] * height_km
    sky = air["emissivity_factor"] * (1 + air["cloud_factor"] * cloud**2)
    target = fixed + rx["sun"] * radiation / 400.0
    deeper = c["mixing"]["deepening"] * deepen + 1.0
    spring = (north >= 20) & (north <= 240)

    def cells(x: Floats) -> Floats:
        return np.asarray(x, dtype=dtype)[:, :, None]

    return Drivers(cells(radiation * clear), cells(sky), cells(deeper), cells(target), spring[:, :, None])


def first_month_mean(air_c: Floats) -> Floats:
    """Return the mean of the first 30 days [°C], (days, lakes, slots) to (lakes, slots).

    Summed day by day: a reduction along the first axis may change its order with the number of lakes.
    """
    days = min(30, len(air_c))
    return np.asarray(np.cumsum(air_c[:days], axis=0)[-1] / air_c.dtype.type(days))


def initial_state(first_air_c: Floats) -> WaterState:
    """Return a start without ice: water 2 °C above the mean air of the first month, at least 4 °C (our prior).

    ``first_air_c`` [°C], shape (lakes, slots).
    """
    start = np.maximum(first_air_c + 2.0, 4.0).astype(first_air_c.dtype)
    zero = np.zeros_like(start)
    return WaterState(start, start.copy(), start.copy(), zero, zero.copy())


def simulate(air_c: Floats, drive: Drivers, lake: Exchange, state: WaterState) -> tuple[WaterPath, WaterState]:
    """Run all cells through the days.

    Parameters
    ----------
    air_c
        Daily mean air at lake height [°C], shape (days, lakes, slots); its dtype rules.
    drive, lake
        Drivers of the same days and constants of the same lakes.
    state
        State before the first day, shape (lakes, slots); not changed.

    Returns
    -------
    WaterPath, WaterState
        Every day's surface and the state after the last day, from which a further call goes on.
    """
    water, free = np.empty_like(air_c), np.empty_like(air_c)
    frozen = np.empty(air_c.shape, dtype=bool)
    for day in range(len(air_c)):
        today = Drivers(*(getattr(drive, k)[day] for k in ("sun", "sky", "deepen", "target", "spring")))
        state = _step(air_c[day], today, lake, state)
        frozen[day] = state.ice_m > 0
        mean = np.maximum(0.5 * (state.budget_c + state.relaxed_c), 0)
        water[day] = np.where(frozen[day], 0, mean)
        free[day] = state.free_c
    return WaterPath(water, free, frozen), state


def _step(air: Floats, drive: Drivers, lake: Exchange, state: WaterState) -> WaterState:
    c = load_coefficients()
    rx, ice = c["relaxation"], c["ice"]
    was_ice = state.ice_m > 0
    warmed = heat_budget(air, drive, lake, state.budget_c)
    sheet, snow = ice_sheet(air, drive.sun, state.ice_m, state.snow_m)
    sheet = np.where(was_ice, sheet, np.where(warmed <= 0, np.float32(ice["first_ice_m"]), 0))
    snow = np.where(was_ice, snow, 0)
    open_now = was_ice & (sheet <= 0)
    is_ice = sheet > 0
    at_open = np.where(drive.spring & (air > 0), np.float32(ice["open_spring_c"]), np.float32(ice["open_other_c"]))
    budget = np.where(is_ice, 0, np.where(open_now, at_open, warmed))
    pull = (1 - lake.keep) * (drive.target + air.dtype.type(rx["air"]) * air)
    relaxed = lake.keep * state.relaxed_c + pull
    relaxed = np.where(is_ice, 0, np.where(open_now, np.float32(rx["reset_c"]), relaxed))
    return WaterState(budget, relaxed, lake.keep * state.free_c + pull, np.maximum(sheet, 0), snow)


def heat_budget(air: Floats, drive: Drivers, lake: Exchange, water: Floats) -> Floats:
    """Return the mixed layer's temperature [°C] after one ice-free day (linearised, implicit, stable).

    Net flux Q = sun + longwave in - longwave out - evaporation - sensible heat [W m-2], its slope K [W m-2 K-1];
    ``T + 86400 Q / (rho c h + 86400 K)``. All shapes broadcast to (lakes, slots).
    """
    c = load_coefficients()
    one = air.dtype.type
    kelvin, air_k = water + one(273.15), air + one(273.15)
    vapour = one(c["air"]["humidity_share"]) * saturation_pressure(air)
    sky = np.minimum(1, drive.sky * (vapour / air_k) ** one(c["air"]["emissivity_exponent"]))
    sigma = one(LONGWAVE * STEFAN_BOLTZMANN)
    at_water = saturation_pressure(water)
    slope_es = at_water * one(17.27 * 237.3) / (water + one(237.3)) ** 2
    cube = sigma * kelvin * kelvin * kelvin
    flux = one(c["sun"]["absorbed"]) * drive.sun + sigma * sky * (air_k * air_k) ** 2 - cube * kelvin
    flux = flux - lake.wind * (at_water - vapour) - lake.bowen_wind * (water - air)
    slope = 4 * cube + lake.wind * slope_es + lake.bowen_wind
    depth = mixed_layer(water, drive.deepen, lake)
    return water + one(DAY_S) * flux / (one(WATER_HEAT) * depth + one(DAY_S) * slope)


def mixed_layer(water: Floats, deepen: Floats, lake: Exchange) -> Floats:
    """Return the depth [m] that shares the day's heat: thin when warm, whole near 4 °C, deeper in autumn."""
    mix = load_coefficients()["mixing"]
    one = water.dtype.type
    below = lake.depth_m - lake.layer_m
    away = water - 4
    scale = np.where(away > 0, one(-1 / mix["warm_scale_c"]), one(1 / mix["cold_scale_c"]))
    depth = lake.layer_m + below * np.exp(away * scale)
    deeper = np.minimum(depth * deepen, np.maximum(lake.depth_m, depth))
    return np.where(away > 0, deeper, depth)


def ice_sheet(air: Floats, sun: Floats, ice_m: Floats, snow_m: Floats) -> tuple[Floats, Floats]:
    """Return ice and snow [m of ice] after one day over a frozen lake.

    Growth by conduction below 0 °C; melt by air and sun above a threshold, snow first (it also halves the sun).
    """
    c = load_coefficients()["ice"]
    one = air.dtype.type
    cold = air < 0
    conduct = one(c["conductivity"] * c["snow_factor"])
    growth = one(MELT_M) * (conduct * -air / (ice_m + conduct / one(c["surface_exchange"])) - one(c["freeze_loss"]))
    grown = np.where(cold, np.maximum(ice_m + growth, one(c["floor_m"])), ice_m)
    snow = np.where(cold, snow_m + one(c["snow_reserve_m"]), snow_m)
    share = np.where(snow > 0, one(c["melt_sun_snow"]), one(c["melt_sun"]))
    melt = one(MELT_M) * np.maximum(one(c["melt_air"]) * air + share * sun - one(c["melt_threshold"]), 0)
    from_snow = np.minimum(melt, snow)
    return grown - (melt - from_snow), snow - from_snow

"""A research copy of emergence/water/surface.py: float64, many coefficient sets side by side, with switches.

Every coefficient is an array over copies; a state is (copies, cells). `simulate` gives what is scored and no more. A
term that is switched off has its coefficient at zero. See WATER.md for what was tried and what was kept.
"""

from __future__ import annotations

from collections import defaultdict

import numpy as np

from emergence.dates import YEAR_DAYS, day_of_year, northern_day_of_year
from emergence.solar import extraterrestrial_radiation
from emergence.water.surface import DAY_S, LONGWAVE, MELT_M, STEFAN_BOLTZMANN, WATER_HEAT
from tests.benchmarks.water_data import Records

Params = dict[str, np.ndarray]
BLOCK = 12_000  # cells x copies worked on at once, to stay in the cache


def weight_of(weight, c):
    return weight[:, c]


def _es(t):
    return 6.108 * np.exp(17.27 * t / (t + 237.3))


ALL_ROWS = slice(0, None)
ICE_ROWS = slice(62, 424)  # September to August, for lake-years without water


class Setup:
    """What does not depend on the coefficients, for a set of lake-years over a slice of their days."""

    def __init__(self, records: Records, cells: np.ndarray, rows: slice = ALL_ROWS) -> None:
        self.first = rows.start
        place = np.full(len(records.cell_lake), -1)
        place[cells] = np.arange(len(cells))
        lake = records.cell_lake[cells]
        s = records.shape.take(lake)
        self.n = len(cells)
        self.air = records.air_c[rows, cells]
        days = records.days[rows, cells]
        self.radiation = extraterrestrial_radiation(s.latitude[None, :], day_of_year(days))
        self.north = northern_day_of_year(days, (s.latitude < 0)[None, :]).astype(float)
        self.season = np.cos(2 * np.pi * (self.north - 182) / YEAR_DAYS)
        self.ln_area, self.depth, self.z = np.log(s.area_km2), s.mean_depth_m, s.elevation_m
        self.ln_depth = np.log(s.mean_depth_m / 6)
        self.amp = (s.amplitude_c - 14.0) / 10.0
        self.lat = np.abs(s.latitude)
        level = np.bincount(records.cell_lake, records.air_c.mean(0)) / np.bincount(records.cell_lake)
        self.level = (level[lake] - 6.0) / 10.0
        self.pressure = (1 - 2.2557e-5 * s.elevation_m) ** 5.256
        keep = place[records.obs_cell] >= 0
        self.obs_id = np.flatnonzero(keep)
        self.obs_cell, self.obs_day = place[records.obs_cell[keep]], records.obs_day[keep] - self.first
        order = np.argsort(self.obs_day, kind="stable")
        self.order, self.bounds = order, np.searchsorted(self.obs_day[order], np.arange(len(days) + 1))
        keep = place[records.ice_cell] >= 0
        self.ice_id = np.flatnonzero(keep)
        self.ice_cell = place[records.ice_cell[keep]]


def setups(records: Records) -> tuple[Setup, Setup]:
    """Lake-years with water over all their days, those with an ice date only from autumn to summer."""
    water = np.zeros(len(records.cell_lake), dtype=bool)
    water[records.obs_cell] = True
    return Setup(records, np.flatnonzero(water)), Setup(records, np.flatnonzero(~water), ICE_ROWS)


def simulate(records: Records, parts: tuple[Setup, Setup], params: Params) -> tuple[np.ndarray, np.ndarray]:
    """Return water at the readings (copies, readings) and fractional row of ice-off (copies, dates), NaN for never."""
    copies = len(next(iter(params.values())))
    water, off = np.empty((copies, len(records.obs_c))), np.empty((copies, len(records.ice_day)))
    for part in parts:
        if len(part.obs_id) + len(part.ice_id) == 0:
            continue
        water[:, part.obs_id], off[:, part.ice_id] = _part(part, params)
    return water, off


def _part(setup: Setup, params: Params) -> tuple[np.ndarray, np.ndarray]:
    copies = len(next(iter(params.values())))
    water = np.empty((copies, len(setup.obs_cell)))
    off = np.empty((copies, len(setup.ice_cell)))
    step = max(1, BLOCK // max(1, setup.n))
    for k in range(0, copies, step):
        part = slice(k, min(copies, k + step))
        water[part], off[part] = _run(setup, {n: v[part, None] for n, v in params.items()})
    return water, off


def _run(u: Setup, p: Params) -> tuple[np.ndarray, np.ndarray]:
    copies = len(p["clearness_mean"])
    p = defaultdict(lambda: 0.0, p)
    ln_fetch = np.log(1.83) + 0.494 * u.ln_area
    wind = np.exp(
        p["ln_wind"] + p["ln_wind_continental"] * u.amp + p["wind_fetch"] * ln_fetch + p["wind_level"] * u.level
    )
    bowen = 0.61 * u.pressure * wind
    layer = np.exp(p["mix_ln_depth"] + p["mix_fetch"] * ln_fetch + p["mix_depth"] * u.ln_depth)
    layer = (layer**-3 + u.depth**-3) ** (-1 / 3)
    keep = np.exp(-np.exp(-(p["ln_tau"] + p["tau_depth"] * u.ln_depth + p["tau_area"] * u.ln_area)))
    height = np.minimum(u.z / 1000, 0.7)
    fixed = p["rx_offset"] + p["rx_depth"] * u.ln_depth + p["rx_continental"] * u.amp + p["rx_area"] * u.ln_area
    fixed = fixed + p["rx_height"] * height + p["rx_level"] * u.level + p["rx_level2"] * u.level**2
    weight = 1 / (1 + np.exp(-(p["w0"] + p["w_area"] * u.ln_area + p["w_depth"] * u.ln_depth))) + np.zeros(
        (copies, u.n)
    )
    share_day = p["rx_season"]
    high = np.clip((u.z - 800) / 1200, 0, 1)
    rate_z = np.clip(u.z - 500, 0, 2000) / 1000
    ln_snow = p["snow_cc"]
    store = np.exp(p["ln_store"] + 0.5 * u.ln_depth) if "ln_store" in p else None
    pack_rate = p["pack_mm"] * (1 + p["pack_z"] * rate_z)
    ratio = np.exp(p["ln_inflow"]) if "ln_inflow" in p else 0.0
    below = u.depth - layer
    warm, cold = -np.exp(-p["ln_warm_scale"]), np.exp(-p["ln_cold_scale"])
    conduct = 2.24 * np.exp(p["ln_snow_factor"])
    resist = conduct / 15.0
    sigma = LONGWAVE * STEFAN_BOLTZMANN
    clear_fixed = p["clearness_mean"] + p["clearness_continental"] * u.amp + p["clearness_level"] * u.level
    melt_fixed = p["melt_threshold"] + p["melt_amp"] * u.amp + p["melt_depth"] * u.ln_depth + p["melt_area"] * u.ln_area
    melt_fixed = melt_fixed + p["melt_lat"] * (u.lat - 45) / 10 + p["melt_level"] * u.level

    start = np.maximum(u.air[:30].mean(0) + 2, 4.0) + np.zeros((copies, 1))
    t, x = start.copy(), start.copy()
    ice, snow = np.zeros_like(t), np.zeros_like(t)
    off = np.full_like(t, np.nan)
    deep, pack = t.copy(), np.zeros_like(t)
    obs = np.empty((copies, len(u.obs_cell)))
    for day in range(len(u.air)):
        air, ra, north = u.air[day] + p["air_shift"], u.radiation[day], u.north[day]
        clear = np.clip(clear_fixed + p["clearness_season"] * u.season[day], 0.15, 0.8)
        cloud = np.clip(1.5 * (0.75 - clear), 0, 1)
        sun = ra * clear
        air_k = air + 273.15
        vapour = 0.90 * _es(air)
        sky = np.minimum(1, 1.24 * (1 + 0.17 * cloud**2) * (vapour / air_k) ** (1 / 7))
        # heat budget
        kelvin = t + 273.15
        at_water = _es(t)
        cube = sigma * kelvin**3
        flux = 0.93 * sun + sigma * sky * air_k**4 - cube * kelvin - wind * (at_water - vapour) - bowen * (t - air)
        slope = 4 * cube + wind * at_water * (17.27 * 237.3) / (t + 237.3) ** 2 + bowen
        rest = 4.0 if store is None else np.maximum(deep, 4.0)
        away = t - rest
        h = layer + below * np.exp(away * np.where(away > 0, warm, cold))
        deepen = np.where(north < 60, 1.0, np.clip((north - 213) / 92, 0, 1))
        if store is not None:
            deep = np.where(away > 0, deep + (t - deep) / store, t)
        h = np.where(away > 0, np.minimum(h * (1 + p["deepening"] * deepen), np.maximum(u.depth, h)), h)
        if "ln_inflow" in p:
            catch = air - 1.5
            snowing = catch < 1
            pack = np.where(snowing, pack + pack_rate, pack)
            thaw = np.minimum(3.0 * np.maximum(catch, 0), pack)
            pack = pack - thaw
            inflow = ratio * high * thaw / 1000  # m of lake water a day
            heat_in = inflow * WATER_HEAT / DAY_S
            pull = heat_in / (heat_in + slope)
            flux = flux - heat_in * (t - 2)
            slope = slope + heat_in
        warmed = t + DAY_S * flux / (WATER_HEAT * h + DAY_S * slope)
        # ice
        was = ice > 0
        freeze = air < 0
        growth = MELT_M * (conduct * -air / (ice + resist) - 2.0)
        grown = np.where(freeze, np.maximum(ice + growth, 0.005), ice)
        snow = np.where(
            freeze, snow + p["snow_reserve_m"] * (1 + p["snow_z"] * rate_z) * np.exp(ln_snow * (air + 5)), snow
        )
        share = np.where(snow > 0, p["melt_sun_snow"], p["melt_sun"])
        melt = MELT_M * np.maximum(p["melt_air"] * air + share * sun - melt_fixed, 0)
        if "ln_ddf" in p:  # snow melts by degree-days; what is left of the day goes to the ice
            thaw = np.exp(p["ln_ddf"]) * 1e-3 / 0.917 * np.maximum(air, 0)
            from_snow = np.minimum(thaw, snow)
            left = np.where(snow > 0, 1 - from_snow / np.maximum(thaw, 1e-9), 1)
            melt = MELT_M * np.maximum(p["melt_air"] * air + p["melt_sun"] * sun - melt_fixed, 0) * left
        else:
            from_snow = np.minimum(melt, snow)
            melt = melt - from_snow
        sheet = grown - melt
        snow = np.where(was, snow - from_snow, 0)
        opened = was & (sheet <= 0)
        if day + u.first < 424 and opened.any():
            off = np.where(opened, u.first + day + grown / np.maximum(melt, 1e-12) - 0.5, off)
        ice = np.maximum(np.where(was, sheet, np.where(warmed <= 0, 0.01, 0)), 0)
        is_ice = ice > 0
        spring = (north >= 20) & (north <= 240) & (air > 0)
        t = np.where(is_ice, 0, np.where(opened, np.where(spring, p["open_spring_c"], 1.0), warmed))
        k_day = (
            keep
            if isinstance(share_day, float)
            else keep ** np.exp(share_day * np.sin(2 * np.pi * (north - 182) / YEAR_DAYS))
        )
        target = fixed + p["rx_sun"] * ra / 400 + p["rx_air"] * air
        if "ln_inflow" in p:
            target = target - pull * (target - 2)
        x = np.where(is_ice, 0, np.where(opened, 3.0, k_day * x + (1 - k_day) * target))
        a, b = u.bounds[day], u.bounds[day + 1]
        if b > a:
            ids = u.order[a:b]
            c = u.obs_cell[ids]
            obs[:, ids] = np.where(is_ice[:, c], 0, np.maximum(x[:, c] + weight_of(weight, c) * (t[:, c] - x[:, c]), 0))
    return obs, off[:, u.ice_cell]


# name: value now, prior standard deviation
BASE = {
    "clearness_mean": (0.462, 0.03),
    "clearness_season": (-0.071, 0.02),
    "clearness_continental": (0.099, 0.03),
    "ln_wind": (2.370, 0.2),
    "ln_wind_continental": (0.626, 0.2),
    "wind_fetch": (0.12, 0.05),
    "mix_ln_depth": (1.454, 0.2),
    "mix_fetch": (0.496, 0.1),
    "mix_depth": (-0.30, 0.1),
    "ln_warm_scale": (float(np.log(5.95)), 0.3),
    "ln_cold_scale": (float(np.log(0.92)), 0.4),
    "deepening": (0.46, 0.25),
    "ln_snow_factor": (float(np.log(0.109)), 0.4),
    "snow_reserve_m": (0.044e-3, 0.1e-3),
    "melt_air": (2.38, 0.8),
    "melt_sun": (0.60, 0.1),
    "melt_threshold": (40.1, 10.0),
    "melt_sun_snow": (0.30, 0.05),
    "open_spring_c": (3.6, 0.4),
    "ln_tau": (2.315, 0.2),
    "tau_depth": (0.574, 0.1),
    "tau_area": (0.031, 0.03),
    "rx_offset": (0.525, 0.5),
    "rx_air": (0.920, 0.05),
    "rx_sun": (4.99, 0.7),
    "rx_depth": (0.337, 0.2),
    "rx_continental": (0.527, 0.3),
    "rx_area": (-0.331, 0.1),
    "rx_height": (-3.11, 1.0),
}


ICE_NAMES = ("ln_snow_factor", "snow_reserve_m", "melt_air", "melt_sun", "melt_threshold", "melt_sun_snow")


def base() -> Params:
    """The values now, one copy."""
    return {k: np.array([v]) for k, (v, _) in BASE.items()}

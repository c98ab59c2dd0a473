"""``surface.simulate`` through the compiled day loop where there is one."""

from __future__ import annotations

import numpy as np

from emergence.water import compiled, surface
from emergence.water.coefficients import load_coefficients
from emergence.water.compiled import Physics
from emergence.water.surface import Drivers, Exchange, Floats, WaterPath, WaterState


def simulate(air_c: Floats, drive: Drivers, lake: Exchange, state: WaterState) -> tuple[WaterPath, WaterState]:
    """Run all cells through the days; arguments, result and numbers as ``surface.simulate``, to rounding."""
    kernel = compiled.surface_kernel
    if kernel is None:
        return surface.simulate(air_c, drive, lake, state)
    air = np.ascontiguousarray(air_c)
    after = [np.array(v, dtype=air.dtype) for v in vars(state).values()]
    path = WaterPath(np.empty_like(air), np.empty_like(air), np.empty(air.shape, dtype=bool))
    sky = tuple(np.ascontiguousarray(v[:, :, 0]) for v in vars(drive).values())
    own = tuple(np.ascontiguousarray(v[:, 0]) for v in vars(lake).values())
    kernel(air, sky, own, tuple(after), tuple(vars(path).values()), physics(air.dtype.type))
    return path, WaterState(*after)


def physics(dtype: type) -> Physics:
    """Return every number of the surface model in one precision."""
    c = load_coefficients()
    ice, mix, air = c["ice"], c["mixing"], c["air"]
    conduct = ice["conductivity"] * ice["snow_factor"]
    values = {
        "zero": 0.0,
        "half": 0.5,
        "one": 1.0,
        "four": 4.0,
        "kelvin": 273.15,
        "es_factor": 6.108,
        "es_slope": 17.27,
        "es_offset": 237.3,
        "es_change": 17.27 * 237.3,
        "humidity": air["humidity_share"],
        "sky_exponent": air["emissivity_exponent"],
        "absorbed": c["sun"]["absorbed"],
        "sigma": surface.LONGWAVE * surface.STEFAN_BOLTZMANN,
        "warm_scale": -1 / mix["warm_scale_c"],
        "cold_scale": 1 / mix["cold_scale_c"],
        "day_s": surface.DAY_S,
        "water_heat": surface.WATER_HEAT,
        "melt_m": surface.MELT_M,
        "conduct": conduct,
        "conduct_skin": conduct / ice["surface_exchange"],
        "relaxed_air": c["relaxation"]["air"],
        "reset_c": c["relaxation"]["reset_c"],
    }
    values |= {name: ice[name] for name in Physics._fields if name in ice}
    return Physics(**{name: dtype(values[name]) for name in Physics._fields})

"""A published alternative to compare with: one heat budget whose coefficients follow from mean depth alone.

The lumped model of Piccolroaz et al. 2013 (Hydrology and Earth System Sciences 17:3323, doi:10.5194/hess-17-3323-2013)
with the coefficients that Toffolon et al. 2014 (Limnology and Oceanography 59:2185, doi:10.4319/lo.2014.59.6.2185)
found over 14 lakes. Forecasts do not use it: it is half a degree to a degree behind (tests/benchmarks/water_lumped.py).
"""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]
DEEP_C = 4.0  # temperature of the deep water of a lake that mixes in spring and autumn [°C]


class Lumped(NamedTuple):
    """Coefficients, shape (lakes,), as in the papers: ``a1``, ``a5`` [°C/d], ``a2``, ``a3`` [1/d], ``a4`` [°C], ``a6``.

    ``a7``, ``a8`` [°C] of the winter layer are NaN where that layer is the whole lake.
    """

    a1: Floats
    a2: Floats
    a3: Floats
    a4: Floats
    a5: Floats
    a6: Floats
    a7: Floats
    a8: Floats


def lumped_four(mean_depth_m: Floats) -> Lumped:
    """Return the coefficients of the form without a season of its own.

    ``mean_depth_m`` [m], shape (lakes,).
    """
    depth = np.asarray(mean_depth_m, dtype=np.float64)
    log, none = np.log(depth), np.full_like(depth, np.nan)
    return Lumped(
        -0.042417 + 0.01745 * log,
        0.222683 * depth**-0.635202,
        0.1753 * depth**-0.540387,
        35.382662 * depth**-0.360257,
        np.zeros_like(depth),
        np.zeros_like(depth),
        none,
        none,
    )


def lumped_eight(mean_depth_m: Floats) -> Lumped:
    """Return the coefficients of the form with a season of its own.

    ``mean_depth_m`` [m], shape (lakes,). The two of the winter layer do not depend on depth; without them the form has
    six coefficients.
    """
    depth = np.asarray(mean_depth_m, dtype=np.float64)
    log, none = np.log(depth), np.full_like(depth, np.nan)
    return Lumped(
        0.487944 - 0.096334 * log,
        0.207095 * depth**-0.67172,
        0.262359 * depth**-0.658578,
        31.331137 * depth**-0.329713,
        0.843294 * depth**-0.731699,
        0.627705 - 0.030032 * log,
        none,
        none,
    )


def mixed_share(water_c: Floats, lake: Lumped, *, deep_c: float = DEEP_C) -> Floats:
    """Return the share of the lake that answers to the air [1], same shape: thin when warm, whole at ``deep_c``.

    Parameters
    ----------
    water_c
        Surface temperature [°C], shape (lakes,).
    lake
        Coefficients.
    deep_c
        Temperature of the deep water [°C].
    """
    warm = np.exp(-np.maximum(water_c - deep_c, 0) / lake.a4)
    below = np.maximum(deep_c - water_c, 0)
    whole = np.isnan(lake.a7)
    reach, skin = np.where(whole, 1.0, lake.a7), np.where(whole, 1.0, lake.a8)
    cold = np.where(whole, 1.0, np.exp(-below / reach) + np.exp(-water_c / skin))
    return np.asarray(np.where(water_c >= deep_c, warm, cold))


def lumped_water(
    air_c: Floats, year_share: Floats, lake: Lumped, start_c: Floats, *, deep_c: float = DEEP_C
) -> NDArray[np.float64]:
    """Return the surface temperature of the days after the first.

    Parameters
    ----------
    air_c
        Daily mean air at lake height [°C], shape (days, lakes).
    year_share
        Time of each day since 1 January as a share of the year [1], shape (days,).
    lake
        Coefficients, shape (lakes,).
    start_c
        Surface on the first day [°C], shape (lakes,).
    deep_c
        Temperature of the deep water [°C].

    Returns
    -------
    numpy.ndarray
        Surface [°C], shape (days, lakes), the start first; never below 0.

    Notes
    -----
    ``dT/dt = (a1 + a2 Ta - a3 T + a5 cos 2 pi (t - a6)) / delta``, daily steps by Crank and Nicolson with the mixed
    share ``delta`` of the day before. Ice is nothing but water held at 0 °C.
    """
    season = np.cos(2 * np.pi * (year_share[:, None] - lake.a6[None, :]))
    push = lake.a1 + lake.a2 * np.asarray(air_c, dtype=np.float64) + lake.a5 * season
    out = np.empty(push.shape)
    out[0] = start_c
    for day in range(len(push) - 1):
        twice = 2 * mixed_share(out[day], lake, deep_c=deep_c)
        total = twice * out[day] + push[day] - lake.a3 * out[day] + push[day + 1]
        out[day + 1] = np.maximum(total / (twice + lake.a3), 0)
    return out

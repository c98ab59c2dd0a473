"""What the simulated break-up lacks: its date varies too little, and deep and high lakes open later than simulated."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.dates import northern_day_of_year
from emergence.water.coefficients import load_coefficients
from emergence.water.shape import LakeShape

Ints = NDArray[np.int64]


def breakup_shift(opening_day: Ints, shape: LakeShape) -> Ints:
    """Return how many days later than simulated a lake opens.

    Parameters
    ----------
    opening_day
        Day number [d] of the simulated break-up, shape (lakes, n); any value where there is none.
    shape
        The lakes.

    Returns
    -------
    numpy.ndarray
        Days [d], shape (lakes, n), negative for earlier.

    Notes
    -----
    Linear in the date (early springs open earlier still, late ones later; fading out towards June), in the logarithm of
    mean depth and in height above ``height_from_m``; fitted to ice dates of 37 lakes on 12 stations (coefficients.toml,
    section breakup). Held within the fitted range: nothing was seen above 2,360 m, nor deeper than 64 m.
    """
    c = load_coefficients()["breakup"]
    north = northern_day_of_year(opening_day, (shape.latitude < 0)[:, None])
    late = (np.clip(north, c["day_low"], c["day_high"]) - c["pivot_day"]) * fading(north)
    depth = np.log(np.clip(shape.mean_depth_m, c["depth_low_m"], c["depth_high_m"]) / 6.0)
    height = np.clip(shape.elevation_m - c["height_from_m"], 0, c["height_high_m"] - c["height_from_m"]) / 1000.0
    fixed = c["depth"] * depth + c["height"] * height
    return np.rint(c["stretch"] * late + fixed[:, None]).astype(np.int64)


def fading(north: Ints) -> NDArray[np.float64]:
    """Return how much of the stretch is left [0..1] at a northern day of the year: all in spring, none in June."""
    c = load_coefficients()["breakup"]
    return np.asarray(np.clip((c["day_none"] - north) / (c["day_none"] - c["day_high"]), 0, 1), dtype=np.float64)


def lay_breakup(ice: NDArray[np.bool_], opening: Ints, later: Ints) -> None:
    """Move the end of the ice, in place; the water stays as it is.

    Parameters
    ----------
    ice
        Ice of each day, shape (days, *cells).
    opening
        Index of each cell's first open day, shape (*cells,), -1 for none.
    later
        Days by which it moves [d], same shape, negative for earlier.

    Notes
    -----
    The margin opens first: in the days that are added the lake still has ice and its shore already warms as simulated.
    Readings bear that out (with water at 0 °C until the corrected date, spring water got worse by 0.1 to 0.5 °C on
    northern lakes).
    """
    frozen = opening >= 0
    if not frozen.any():
        return
    new = np.where(frozen, np.maximum(opening + later, 0), opening)
    first, last = int(np.minimum(opening, new)[frozen].min()), int(np.maximum(opening, new)[frozen].max())
    for day in range(max(first, 0), min(last, len(ice))):
        ice[day] |= frozen & (day >= opening) & (day < new)
        ice[day] &= ~(frozen & (day >= new) & (day < opening))

"""How much warmer the surface is in the afternoon than in the mean of the day."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Floats = NDArray[np.floating]
SMALL_KM2, LARGE_KM2 = 0.01, 3.0  # between them the range falls with size; 3 km2 published, the smaller our prior
SMALL_RANGE_C, LARGE_RANGE_C = 7.0, 2.0  # mean diel range in summer: 7 published for small lakes, 2 our prior
CALM_FACTOR = 1.4  # a calm clear day against the mean day; our prior


def diel_range(area_km2: Floats | float, sun_share: Floats | float) -> Floats:
    """Return the mean diel range of the surface temperature [°C].

    Parameters
    ----------
    area_km2
        Lake area [km2].
    sun_share
        Radiation of the day over that of the longest day [1]: the range goes with it (our prior).

    Notes
    -----
    100 lakes: below 3 km2 the summer range rises sharply with falling area, and most small lakes have 4 to 7 °C. Ours
    is straight in the logarithm of area from 2 °C at 3 km2 to 7 °C at one hectare; lakes of 5 to 40 ha get 4 to 6 °C.

    References
    ----------
    Woolway et al. 2016, PLoS ONE 11(3):e0152466, abstract, doi:10.1371/journal.pone.0152466.

    Examples
    --------
    >>> diel_range(np.array([0.01, 0.2, 5.0]), 1.0).round(1)
    array([7. , 4.4, 2. ])
    """
    decades = np.log10(LARGE_KM2 / np.clip(area_km2, SMALL_KM2, LARGE_KM2))
    slope = (SMALL_RANGE_C - LARGE_RANGE_C) / np.log10(LARGE_KM2 / SMALL_KM2)
    return np.asarray((LARGE_RANGE_C + slope * decades) * np.clip(sun_share, 0.0, 1.0))


def afternoon_excess(area_km2: Floats | float, sun_share: Floats | float) -> tuple[Floats, Floats]:
    """Return by how much the afternoon maximum lies above the mean of the day [°C]: on a mean day, on a calm clear one.

    Half the diel range, as if the day were a sine.
    """
    half = diel_range(area_km2, sun_share) / 2
    return half, CALM_FACTOR * half

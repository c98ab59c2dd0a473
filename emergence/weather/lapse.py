"""From station height to lake height."""

from __future__ import annotations

from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emergence.weather.constants import KUNKEL_LAPSE, LAPSE_SD, LAPSE_TMAX, LAPSE_TMEAN, LAPSE_TMIN

Variable = Literal["tmin", "tmean", "tmax"]

_ANNUAL = {"tmin": LAPSE_TMIN, "tmean": LAPSE_TMEAN, "tmax": LAPSE_TMAX}
_HALF_YEAR_MONTHS = 6


def monthly_lapse(variable: Variable) -> NDArray[np.float64]:
    """Return the fall of air temperature with height by month, January to December in the north.

    Parameters
    ----------
    variable
        ``tmin``, ``tmean`` or ``tmax``.

    Returns
    -------
    numpy.ndarray
        Lapse rates [°C/km], shape (12,), positive where it is colder above.

    Notes
    -----
    The shape over the year is that of Kunkel 1989 (J Climate 2:656), scaled so that the mean of the twelve
    months is the annual rate of each variable (Blandford et al. 2008, J Appl Meteorol Climatol 47:249;
    Minder et al. 2010, J Geophys Res 115 D14122). Putting the two together is our prior; Blandford et al.
    found minima in Idaho steepest in spring, which this shape does not have.
    """
    shape = np.array([q.value for q in KUNKEL_LAPSE])
    return np.asarray(shape / shape.mean() * _ANNUAL[variable].value)


def height_correction(
    dz_m: ArrayLike, month: ArrayLike, variable: Variable, southern: ArrayLike
) -> NDArray[np.float64]:
    """Return what to add to a station's temperature to have it at the lake.

    Parameters
    ----------
    dz_m
        Height of the lake minus height of the station [m].
    month
        Calendar month (1-12).
    variable
        ``tmin``, ``tmean`` or ``tmax``.
    southern
        Truth of "south of the equator": the months are shifted by half a year there.

    Returns
    -------
    numpy.ndarray
        Correction [°C], shape of ``dz_m``, ``month`` and ``southern`` broadcast together.

    Examples
    --------
    >>> round(float(height_correction(1000.0, 6, "tmax", False)), 2)
    -7.76
    """
    shift = np.where(np.asarray(southern, dtype=bool), _HALF_YEAR_MONTHS, 0)
    row = (np.asarray(month, dtype=np.int64) - 1 + shift) % 12
    return np.asarray(-monthly_lapse(variable)[row] * np.asarray(dz_m, dtype=np.float64) / 1000.0)


def height_sd(dz_m: ArrayLike) -> NDArray[np.float64]:
    """Return the standard deviation [°C] of the height correction over ``dz_m`` [m]: 1.5 °C/km, our prior."""
    return np.asarray(LAPSE_SD.value * np.abs(np.asarray(dz_m, dtype=np.float64)) / 1000.0)

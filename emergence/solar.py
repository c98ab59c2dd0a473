"""Day length, sunrise and sunset, radiation at the top of the atmosphere, from latitude and day of the year.

``day_of_year`` is the real calendar's (1-366), also in the south, where latitudes are negative. Every
function broadcasts its arguments against each other and lets NaN through.
"""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.float64]

SUNRISE_ANGLE = 0.8333
"""Sun's centre below the horizon [degrees] when its upper limb appears, refraction included (Forsythe et al.
1995)."""
SOLAR_CONSTANT = 0.0820e6 / 60
"""Solar constant [W m-2]: 0.0820 MJ m-2 min-1 (Allen et al. 1998, eq. 21)."""


def day_length(latitude_deg: ArrayLike, day_of_year: ArrayLike, *, sun_angle_deg: ArrayLike = SUNRISE_ANGLE) -> Floats:
    """Return the length of the day [h] by the CBM model.

    Parameters
    ----------
    latitude_deg
        Latitude [degrees, north positive].
    day_of_year
        Day of the year [1-366].
    sun_angle_deg
        How far the sun's centre is below the horizon at the day's ends [degrees]: 0.8333 sunrise and sunset
        with refraction, 0.26667 upper limb without, 0 centre, 6 civil twilight.

    Returns
    -------
    ndarray
        Hours from 0 (polar night) to 24 (polar day), broadcast shape.

    Raises
    ------
    ValueError
        For a latitude outside -90..90 or a day outside 1..366.

    Notes
    -----
    The paper's L is ``latitude_deg``, J ``day_of_year``, phi the declination, p ``sun_angle_deg``. The cosine
    of the half night is clamped to -1..1 for polar day and night.

    References
    ----------
    Forsythe et al. 1995, Ecological Modelling 80:87-95, eqs. 1-3, doi:10.1016/0304-3800(94)00034-F.

    Examples
    --------
    >>> day_length([45.0, 80.0, -80.0], 172).round(2)
    array([15.62, 24.  ,  0.  ])
    """
    latitude = np.radians(_latitude(latitude_deg))
    tilt = declination_forsythe(day_of_year)
    horizon = np.sin(np.radians(np.asarray(sun_angle_deg, dtype=np.float64)))
    cosine = (horizon + np.sin(latitude) * np.sin(tilt)) / (np.cos(latitude) * np.cos(tilt))
    return np.asarray(24.0 - 24.0 / np.pi * np.arccos(np.clip(cosine, -1.0, 1.0)))


def declination_forsythe(day_of_year: ArrayLike) -> Floats:
    """Return the sun's declination [rad] on days of the year [1-366], same shape.

    References
    ----------
    Forsythe et al. 1995, Ecological Modelling 80:87-95, eqs. 1-2, doi:10.1016/0304-3800(94)00034-F.
    """
    orbit = 0.2163108 + 2.0 * np.arctan(0.9671396 * np.tan(0.00860 * (_day(day_of_year) - 186.0)))
    return np.asarray(np.arcsin(0.39795 * np.cos(orbit)))


def declination(day_of_year: ArrayLike) -> Floats:
    """Return the sun's declination [rad] on days of the year [1-366], same shape.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 24.
    """
    return np.asarray(0.409 * np.sin(2.0 * np.pi / 365.0 * _day(day_of_year) - 1.39))


def inverse_relative_distance(day_of_year: ArrayLike) -> Floats:
    """Return the inverse relative distance earth-sun, squared as radiation needs it [1], same shape.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 23.
    """
    return np.asarray(1.0 + 0.033 * np.cos(2.0 * np.pi / 365.0 * _day(day_of_year)))


def sunset_hour_angle(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> Floats:
    """Return the sunset hour angle [rad], from 0 (polar night) to pi (polar day), broadcast shape.

    It ignores refraction: 24 / pi times the angle is 12 to 16 minutes shorter than `day_length` at 40-50
    degrees.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 25; clamped beyond the polar circles.
    """
    cosine = -np.tan(np.radians(_latitude(latitude_deg))) * np.tan(declination(day_of_year))
    return np.asarray(np.arccos(np.clip(cosine, -1.0, 1.0)))


def extraterrestrial_radiation(latitude_deg: ArrayLike, day_of_year: ArrayLike) -> Floats:
    """Return the daily mean radiation on a horizontal plane above the atmosphere [W m-2].

    Parameters
    ----------
    latitude_deg
        Latitude [degrees, north positive].
    day_of_year
        Day of the year [1-366].

    Returns
    -------
    ndarray
        Daily mean [W m-2], broadcast shape; times 0.0864 it is the paper's Ra [MJ m-2 d-1].

    Raises
    ------
    ValueError
        For a latitude outside -90..90 or a day outside 1..366.

    References
    ----------
    Allen et al. 1998, FAO Irrigation and Drainage Paper 56, eq. 21.

    Examples
    --------
    >>> float((0.0864 * extraterrestrial_radiation(-20.0, 246)).round(1))
    32.2
    """
    latitude = np.radians(_latitude(latitude_deg))
    tilt = declination(day_of_year)
    sunset = sunset_hour_angle(latitude_deg, day_of_year)
    height = sunset * np.sin(latitude) * np.sin(tilt) + np.cos(latitude) * np.cos(tilt) * np.sin(sunset)
    return np.asarray(SOLAR_CONSTANT / np.pi * inverse_relative_distance(day_of_year) * height)


def equation_of_time(day_of_year: ArrayLike) -> Floats:
    """Return by how much the sun is ahead of the mean clock [min] on days of the year [1-366], same shape.

    References
    ----------
    Spencer 1971, Search 2:172.
    """
    turn = 2.0 * np.pi / 365.0 * (_day(day_of_year) - 1.0)
    first = 0.0000075 + 0.001868 * np.cos(turn) - 0.032077 * np.sin(turn)
    return np.asarray(1440 / (2 * np.pi) * (first - 0.014615 * np.cos(2 * turn) - 0.040849 * np.sin(2 * turn)))


def sun_hours(latitude_deg: ArrayLike, longitude_deg: ArrayLike, day_of_year: ArrayLike) -> Floats:
    """Return sunrise, noon and sunset in hours of UTC, first axis 3.

    Parameters
    ----------
    latitude_deg, longitude_deg
        Place [degrees, north and east positive].
    day_of_year
        Day of the year [1-366].

    Notes
    -----
    May lie below 0 or above 24: the hour belongs to the place's own day. Polar day gives noon -12 and +12, polar night
    three times noon.
    """
    noon = 12.0 - np.asarray(longitude_deg, dtype=np.float64) / 15.0 - equation_of_time(day_of_year) / 60.0
    half = day_length(latitude_deg, day_of_year) / 2.0
    return np.stack(np.broadcast_arrays(noon - half, noon, noon + half))


def _latitude(latitude_deg: ArrayLike) -> Floats:
    return _within(np.asarray(latitude_deg, dtype=np.float64), -90.0, 90.0, "latitude_deg")


def _day(day_of_year: ArrayLike) -> Floats:
    return _within(np.asarray(day_of_year, dtype=np.float64), 1.0, 366.0, "day_of_year")


def _within(values: Floats, low: float, high: float, name: str) -> Floats:
    wrong = (values < low) | (values > high)
    if wrong.any():
        index = int(np.flatnonzero(wrong)[0])
        raise ValueError(
            f"{name} must lie within {low:g}..{high:g}: {np.count_nonzero(wrong)} of {values.size} values do "
            f"not, the first is {values.flat[index]:g} at flat index {index}"
        )
    return values

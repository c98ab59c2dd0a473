"""What a place is like on a calendar day: the mean over the years, and the daily range."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emergence.dates import HALF_YEAR, YEAR_DAYS
from emergence.weather import constants as k

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

DAYS_OF_YEAR = np.arange(1, 367)


class _Prior(NamedTuple):
    coefficients: Floats
    sd: Floats
    noise: float


def _basis(day_of_year: Ints, southern: bool) -> Floats:
    """Return level, annual and half-year harmonics, shape (days, 5); the angle is 0 on the coldest day."""
    coldest = k.CALENDAR_COLDEST_DAY.value + (HALF_YEAR if southern else 0)
    angle = 2.0 * np.pi * (day_of_year - coldest) / YEAR_DAYS
    return np.stack(
        [np.ones(len(angle)), np.cos(angle), np.sin(angle), np.cos(2.0 * angle), np.sin(2.0 * angle)], axis=1
    )


def _ridge_harmonics(day_of_year: Ints, values: Floats, *, southern: bool, prior: _Prior) -> Floats:
    """Return the harmonic fit of days of the year 1 to 366, drawn towards the prior where data lack."""
    known = np.isfinite(values)
    count = np.bincount(day_of_year[known], minlength=367)[1:].astype(np.float64)
    total = np.bincount(day_of_year[known], weights=values[known], minlength=367)[1:]
    basis = _basis(DAYS_OF_YEAR, southern)
    weight = 1.0 / prior.noise**2
    precision = np.diag(prior.sd**-2.0)
    left = weight * (basis.T @ (basis * count[:, None])) + precision
    right = weight * (basis.T @ total) + precision @ prior.coefficients
    return np.asarray(basis @ np.linalg.solve(left, right))


def calendar_mean(day_of_year: Ints, values: Floats, *, latitude: float, elevation_m: float) -> Floats:
    """Return the mean daily air temperature of every calendar day.

    Parameters
    ----------
    day_of_year
        Day of the year (1-366) of each value, shape (n,).
    values
        Daily means [°C], shape (n,), NaN where missing; may be empty.
    latitude
        Latitude [degrees north].
    elevation_m
        Height [m above sea].

    Returns
    -------
    numpy.ndarray
        Calendar mean [°C] of days of the year 1 to 366, shape (366,).

    Notes
    -----
    Annual and half-year harmonics by least squares with a ridge towards a prior, so that seasons which were
    never observed come out as the latitude suggests. The prior (ours, from rough zonal means): level 27 -
    0.0080 lat² °C less 5.5 °C/km; amplitude 0.25 °C a degree in the north, 0.13 in the south; coldest on 20
    January, half a year later in the south. Prior standard deviations 5, 4, 1.5 (phase), 0.8 and 0.8 °C
    (half-year terms).
    """
    southern = latitude < 0
    slope = k.CALENDAR_AMPLITUDE_SOUTH if southern else k.CALENDAR_AMPLITUDE_NORTH
    level = (
        k.CALENDAR_MEAN_EQUATOR.value
        - k.CALENDAR_MEAN_FALL.value * latitude**2
        - k.LAPSE_TMEAN.value * elevation_m / 1000.0
    )
    prior = _Prior(
        np.array([level, -slope.value * abs(latitude), 0.0, 0.0, 0.0]),
        np.array([q.value for q in k.CALENDAR_SD]),
        k.CALENDAR_NOISE.value,
    )
    return _ridge_harmonics(day_of_year, values, southern=southern, prior=prior)


def calendar_offset(day_of_year: Ints, differences: Floats, *, southern: bool) -> Floats:
    """Return the mean difference from a neighbour on every calendar day.

    Parameters
    ----------
    day_of_year
        Day of the year (1-366), shape (n,).
    differences
        This station minus the neighbour, both at one height [°C], shape (n,), NaN where one is missing.
    southern
        Truth of "south of the equator".

    Returns
    -------
    numpy.ndarray
        Difference [°C] on days of the year 1 to 366, shape (366,): harmonics with a ridge towards 0 (our
        prior).
    """
    prior = _Prior(np.zeros(5), np.array([q.value for q in k.OFFSET_SD]), k.OFFSET_NOISE.value)
    return _ridge_harmonics(day_of_year, differences, southern=southern, prior=prior)


def annual_amplitude(calendar_c: Floats) -> float:
    """Return the amplitude [°C] of the annual harmonic of a calendar mean [°C], shape (366,)."""
    angle = 2.0 * np.pi * np.arange(365) / 365.0
    year = calendar_c[:365]
    return float(2.0 * np.hypot(np.mean(year * np.cos(angle)), np.mean(year * np.sin(angle))))


def half_range_prior(amplitude_c: float, *, southern: bool) -> Floats:
    """Return half of the daily temperature range where nobody measured it.

    Parameters
    ----------
    amplitude_c
        Amplitude of the annual harmonic of air temperature [°C]: small at the sea, large inland.
    southern
        Truth of "south of the equator".

    Returns
    -------
    numpy.ndarray
        Half range [°C] by calendar month, shape (12,).

    Notes
    -----
    Our prior: the continental table, times 0.45 at an amplitude of 4 °C or less, rising straight to 1 at 12
    °C.
    """
    table = np.array([q.value for q in k.HALF_RANGE])
    sea, inland = (q.value for q in k.HALF_RANGE_AMPLITUDES)
    share = np.interp(amplitude_c, [sea, inland], [k.HALF_RANGE_MARITIME.value, 1.0])
    return np.asarray(share * (np.roll(table, 6) if southern else table))


def half_range_by_month(month: Ints, half_range_c: Floats) -> Floats:
    """Return the mean half range [°C] by calendar month, shape (12,); NaN for months with fewer than 25 days.

    Parameters
    ----------
    month
        Calendar month (1-12), shape (n,).
    half_range_c
        Half of maximum minus minimum [°C], shape (n,), NaN where missing.
    """
    known = np.isfinite(half_range_c)
    count = np.bincount(month[known], minlength=13)[1:]
    total = np.bincount(month[known], weights=half_range_c[known], minlength=13)[1:]
    return np.where(count >= k.LEAST_MONTH_DAYS.value, total / np.maximum(count, 1), np.nan)

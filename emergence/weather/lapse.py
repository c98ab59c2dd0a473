"""From station height to lake height: rates from the literature, and rates learned from the stations themselves."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Literal

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emergence.records import Stations
from emergence.weather import constants as k
from emergence.weather.constants import KUNKEL_LAPSE, LAPSE_SD, LAPSE_TMAX, LAPSE_TMEAN, LAPSE_TMIN
from emergence.weather.neighbours import great_circle_km

Floats = NDArray[np.float64]
Bools = NDArray[np.bool_]
Variable = Literal["tmin", "tmean", "tmax"]

VARIABLES: tuple[Variable, ...] = ("tmin", "tmean", "tmax")
_DEGREE_100KM = 1.11195
_ROUNDS = 3
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


@dataclass(frozen=True)
class Lapse:
    """The fall of temperature with height around each station.

    ``rate_c_km`` [°C/km], shape (stations, 3, 12): `VARIABLES` by calendar month, positive where it is colder above;
    ``sd_c_km`` its standard deviation; ``learned_from`` (stations,) how many stations it was learned from, 0 where
    it is the table.
    """

    rate_c_km: Floats
    sd_c_km: Floats
    learned_from: NDArray[np.int64]


def table_lapse(southern: ArrayLike) -> Lapse:
    """Return the rates of `monthly_lapse` for stations, ``southern`` (stations,) ones half a year apart."""
    south = np.atleast_1d(np.asarray(southern, dtype=bool))
    north = np.stack([monthly_lapse(v) for v in VARIABLES])
    rate = np.where(south[:, None, None], np.roll(north, -_HALF_YEAR_MONTHS, axis=1), north)
    return Lapse(rate, np.full(rate.shape, LAPSE_SD.value), np.zeros(len(south), dtype=np.int64))


def mixed_estimate(
    design: Floats, values: Floats, precision: Floats, *, prior_mean: Floats, prior_sd: Floats
) -> tuple[Floats, Floats]:
    """Return regression coefficients drawn towards what was known before, and their covariance.

    Parameters
    ----------
    design
        Regressors, shape (n, p).
    values
        What is to be explained, shape (..., n).
    precision
        One over the variance of each value, shape (..., n); 0 leaves it out.
    prior_mean
        Mean of each coefficient, shape (..., p).
    prior_sd
        Standard deviation of each coefficient, shape (p,); an infinite one knows nothing.

    Returns
    -------
    tuple
        Coefficients (..., p) and covariance (..., p, p).

    Notes
    -----
    Mixed estimation (Theil & Goldberger 1961, Int Econ Rev 2:65, doi:10.2307/2525589): the prior enters as one more
    observation a coefficient. With one uncertain coefficient this is the mean of estimate and prior weighted by
    their inverse squared standard errors.
    """
    known = 1.0 / np.square(prior_sd)
    left = np.einsum("np,nq,...n->...pq", design, design, precision) + np.diag(known)
    right = np.einsum("np,...n->...p", design, precision * values) + known * prior_mean
    covariance = np.linalg.inv(left)
    return np.einsum("...pq,...q->...p", covariance, right), covariance


def learned_lapse(stations: Stations, normals_c: Floats, *, around: NDArray[np.int64] | None = None) -> Lapse:
    """Return the rates around each station, learned from the stations within 200 km where these allow it.

    Parameters
    ----------
    stations
        Stations, in any order.
    normals_c
        Mean temperature [°C] by `VARIABLES` and calendar month, shape (stations, 3, 12), NaN where unknown.
    around
        Indices of the stations whose rates are wanted, all without it.

    Returns
    -------
    Lapse
        The table where fewer than four stations, or less than 200 m between lowest and highest, have a normal; also for
        a variable whose standard deviation the stations do not bring below 0.8 of the table's, in the mean of the
        months.

    Notes
    -----
    For each variable and month the normals are regressed on height and on distance east and north
    (`mixed_estimate`), stations weighted by the truncated Gaussian of Thornton et al. 1997 (J Hydrol 190:214,
    doi:10.1016/S0022-1694(96)03128-9). Prior: the table ± 1.5 °C/km for height, 0 ± 1 °C/100 km along the ground; so
    the fit is shrunk to the table by its standard error. The scatter of stations about the plane, 0.8 °C worth four
    stations before, is learned with it. One valley may differ from its region: 0.5 °C/km is added in
    quadrature, up to the table's own 1.5. All but the table and its spread is our prior.
    """
    table = table_lapse(stations.latitude < 0)
    rate, sd, count = table.rate_c_km.copy(), table.sd_c_km.copy(), table.learned_from.copy()
    order = np.argsort(stations.station_id.astype(str), kind="stable")
    sorted_stations, normals = stations.take(order), normals_c[order]
    for i in range(len(stations)) if around is None else around:
        taper, design = _around(stations, i, sorted_stations)
        near = taper > 0.0
        design, taper, values = design[near], taper[near], np.moveaxis(normals[near], 0, 2)
        has = np.isfinite(values)
        heights = np.where(has, design[:, 3], np.nan)
        enough = has.sum(axis=2) >= k.LEAST_LAPSE_STATIONS.value
        if not enough.any():
            continue
        enough[enough] = np.ptp(_filled(heights[enough]), axis=1) * 1000.0 >= k.LEAST_LAPSE_HEIGHT.value
        slope, error = _slope(design, values[enough], taper * has[enough], table.rate_c_km[i][enough])
        rate[i][enough] = -slope
        sd[i][enough] = np.minimum(LAPSE_SD.value, np.hypot(error, k.LAPSE_LOCAL_SD.value))
        vague = sd[i].mean(axis=1) > k.LEARNED_SHARE.value * LAPSE_SD.value
        rate[i][vague], sd[i][vague] = table.rate_c_km[i][vague], table.sd_c_km[i][vague]
        enough[vague] = False
        count[i] = has[enough].sum(axis=1).max(initial=0)
    return Lapse(rate, sd, count)


def _filled(rows: Floats) -> Floats:
    """Return rows with each NaN replaced by a known value of its row."""
    known = np.nanmax(rows, axis=1, keepdims=True)
    return np.where(np.isnan(rows), known, rows)


def _around(stations: Stations, i: int, others: Stations) -> tuple[Floats, Floats]:
    """Return weights of the others seen from one station, and the regressors: 1, east, north [100 km], height [km]."""
    lat, lon = stations.latitude[i], stations.longitude[i]
    km = great_circle_km(lat, lon, others.latitude, others.longitude)
    edge = np.exp(-k.LAPSE_TAPER.value)
    taper = np.exp(-k.LAPSE_TAPER.value * (km / k.LAPSE_RADIUS.value) ** 2) - edge
    east = (others.longitude - lon + 180.0) % 360.0 - 180.0
    design = [
        np.ones(len(others)),
        east * np.cos(np.radians(lat)) * _DEGREE_100KM,
        (others.latitude - lat) * _DEGREE_100KM,
        (others.elevation_m - stations.elevation_m[i]) / 1000.0,
    ]
    return np.maximum(taper, 0.0) / (1.0 - edge), np.stack(design, axis=1)


def _slope(design: Floats, values: Floats, weight: Floats, usual_c_km: Floats) -> tuple[Floats, Floats]:
    """Return the rise of temperature with height [°C/km] and its standard error, scatter learned on the way.

    ``values`` and ``weight`` (cases, stations), ``usual_c_km`` (cases,).
    """
    gradient, worth, known = k.GRADIENT_SD.value, k.SITING_WORTH.value, k.SITING_SD.value**2
    prior_mean = np.zeros((len(values), 4))
    prior_mean[:, 3] = -usual_c_km
    prior_sd = np.array([np.inf, gradient, gradient, LAPSE_SD.value])
    values = np.where(weight > 0.0, values, 0.0)
    free = np.maximum(weight.sum(axis=1) - 1.0, 0.0)
    variance = np.full(len(values), known)
    for _ in range(_ROUNDS):
        coefficients, covariance = mixed_estimate(
            design, values, weight / variance[:, None], prior_mean=prior_mean, prior_sd=prior_sd
        )
        rest = values - np.einsum("np,cp->cn", design, coefficients)
        variance = (worth * known + (weight * rest**2).sum(axis=1)) / (worth + free)
    return coefficients[:, 3], np.sqrt(covariance[:, 3, 3])


def lake_height_sd(share: Floats, dz_m: Floats, rate_sd: Floats) -> Floats:
    """Return how far the mean air at each lake may be off for the way from its stations' heights.

    Parameters
    ----------
    share
        Weight of each station [1], shape (lakes, K).
    dz_m
        Height of the lake above each station [m], shape (lakes, K), NaN where there is none.
    rate_sd
        Standard deviation of the rate of each of these stations [°C/km], shape (lakes, K).

    Returns
    -------
    numpy.ndarray
        Standard deviation [°C], shape (lakes,).

    Notes
    -----
    The rate is wrong the same way at all of a lake's stations: those above and below it cancel. Height beyond 1000 m
    counts by the weighted mean of what is beyond, at a further 1.5 °C/km (our prior).
    """
    dz = np.nan_to_num(dz_m)
    common = np.abs(np.cumsum(share * dz * rate_sd / 1000.0, axis=1)[:, -1])
    beyond = np.cumsum(share * np.maximum(np.abs(dz) - k.WIDE_HEIGHT.value, 0.0), axis=1)[:, -1]
    return np.asarray(common + k.LAPSE_BEYOND_SD.value * beyond / 1000.0)

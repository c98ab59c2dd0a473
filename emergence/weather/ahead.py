"""Forecast days: how far they may be trusted, and how they enter the traces."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emergence.dates import day_of_year
from emergence.records import StationSeries
from emergence.weather import constants as k
from emergence.weather.gaps import FilledSeries, observed_means
from emergence.weather.persistence import (
    Persistence,
    departures,
    fit_persistence,
    trace_shift,
    unsaid_covariance,
)

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Traces = tuple[Floats, Floats, Floats]
"""Minima, means, maxima [°C], each (days ahead, slots)."""


@dataclass(frozen=True)
class AheadDays:
    """Forecast days of a station that may be used, N of them.

    ``day`` (N,) day numbers, ascending; ``tmean_c`` (N,) [°C]; ``below_c``, ``above_c`` (N,) from the mean to minimum
    and maximum [°C], NaN where not forecast; ``error_sd_c`` (N,) how far the mean may be off [°C]; ``source`` the
    station they were made for.
    """

    day: Ints
    tmean_c: Floats
    below_c: Floats
    above_c: Floats
    error_sd_c: Floats
    source: str


@dataclass(frozen=True)
class Outlook:
    """What is known of a station's days after the issue date beside its past years.

    ``covariance`` (K, K) [°C²] of the first K days after it (`unsaid_covariance`), wherever there are forecast days.
    """

    persistence: Persistence
    ahead: AheadDays | None = None
    covariance: Floats | None = None


def ahead_error_sd(leads: ArrayLike) -> Floats:
    """Return how far the daily mean of a forecast may be off, seen as an observation of the day to come.

    Parameters
    ----------
    leads
        Days [d] from the day the forecast was made to the day forecast, at least 1, any shape.

    Returns
    -------
    numpy.ndarray
        Standard deviation [°C], same shape: 1.2 °C on the first day, doubled every three days (our prior).

    Notes
    -----
    With a climate variance V the traces keep the variance 1 / (1 / V + 1 / error²). It follows the logistic law
    dE/dt = a E (1 - E / V) by which forecast errors grow and saturate (Lorenz 1982 Tellus 34:505,
    doi:10.1111/j.2153-3490.1982.tb01839.x; Dalcher & Kalnay 1987 Tellus 39A:474), here a = 2 ln 2 / 3 d, that is
    0.23 a day for the error itself. Small errors of a global model grow by 0.32 to 0.41 a day (Bednář et al. 2021
    Geosci Model Dev 14:7377, abstract); the local part of a first-day error does not grow. With V = (4.5 °C)² the
    traces' standard deviation is 1.2, 1.8, 2.5, 3.3 and 4.1 °C on days 1, 3, 5, 7 and 10.
    """
    lead = np.asarray(leads, dtype=np.float64)
    return np.asarray(k.AHEAD_SD.value * 2.0 ** ((lead - 1.0) / k.AHEAD_DOUBLING.value))


def usable_ahead(series: StationSeries, *, as_of: int, last_weather_day: int) -> AheadDays | None:
    """Return the days of a forecast that may enter a run, or None without any.

    Parameters
    ----------
    series
        Forecast days of a station as read.
    as_of
        Issue date (day number).
    last_weather_day
        Last day number with weather in the season folder.

    Notes
    -----
    A forecast was made on the folder's last weather day, or on the day before its own first day if that is
    earlier: leads count from there. With an issue date before the last weather day it was not there yet, and nothing
    of it is used. Days up to the issue date and beyond a lead of 15 days are left out.
    """
    if as_of < last_weather_day:
        return None
    mean = observed_means(series)
    given = np.flatnonzero(np.isfinite(mean))
    if len(given) == 0:
        return None
    day = series.first_day + given
    lead = day - min(last_weather_day, int(day[0]) - 1)
    keep = (day > as_of) & (lead <= k.LONGEST_LEAD.value)
    if not keep.any():
        return None
    at = given[keep]
    below, above = mean[at] - series.tmin_c[at], series.tmax_c[at] - mean[at]
    return AheadDays(day[keep], mean[at], below, above, ahead_error_sd(lead[keep]), series.station_id)


def moved_ahead(ahead: AheadDays, source: FilledSeries, filled: FilledSeries) -> AheadDays:
    """Return another station's forecast days moved to this one.

    Parameters
    ----------
    ahead
        Forecast days made for ``source``.
    source, filled
        Records of the station they were made for and of this one, both ending on the issue date.

    Returns
    -------
    AheadDays
        This station's calendar mean plus the forecast's departure from that of ``source``; the error grows by the
        standard deviation between the departures of the two on measured days of the last ten years. Ranges are
        not moved.
    """
    n = min(len(source.tmean_c), len(filled.tmean_c), 3653)
    both = source.measured[-n:] & filled.measured[-n:]
    gap = (departures(filled)[0][-n:] - departures(source)[0][-n:])[both]
    apart = float(np.std(gap)) if len(gap) >= k.LEAST_COMMON_DAYS.value else k.AHEAD_APART.value
    at = day_of_year(ahead.day) - 1
    none = np.full(len(ahead.day), np.nan)
    moved = ahead.tmean_c - source.calendar_c[at] + filled.calendar_c[at]
    return replace(ahead, tmean_c=moved, below_c=none, above_c=none, error_sd_c=np.hypot(ahead.error_sd_c, apart))


def station_outlooks(
    filled_by_station: Sequence[FilledSeries],
    ahead_by_station: Mapping[str, StationSeries],
    near: Sequence[Sequence[int]],
    *,
    last_weather_day: int,
) -> tuple[Outlook, ...]:
    """Return what is known of each station's days after the issue date.

    Parameters
    ----------
    filled_by_station
        Records filled up to the issue date and no further.
    ahead_by_station
        Forecast days as read, by station_id.
    near
        For each record the indices of its neighbours' records, nearest first: a station without forecast days
        takes those of the nearest that has them.
    last_weather_day
        Last day number with weather in the season folder.
    """
    own = [
        usable_ahead(ahead_by_station[f.station_id], as_of=f.last_day, last_weather_day=last_weather_day)
        if f.station_id in ahead_by_station
        else None
        for f in filled_by_station
    ]
    out = []
    for row, filled in enumerate(filled_by_station):
        ahead = own[row]
        giver = next((j for j in near[row] if own[j] is not None), None)
        other = own[giver] if giver is not None else None
        if ahead is None and giver is not None and other is not None:
            ahead = moved_ahead(other, filled_by_station[giver], filled)
        fit = fit_persistence(filled)
        out.append(Outlook(fit, ahead, None if ahead is None else unsaid_covariance(filled, fit)))
    return tuple(out)


def shifted_traces(filled: FilledSeries, outlook: Outlook, traces: Traces, years: ArrayLike) -> Traces:
    """Return traces that go on from this year's last days and heed the forecast days.

    Parameters
    ----------
    filled
        The station's record, ending on the issue date.
    outlook
        What is known of the days after it.
    traces
        Minima, means, maxima [°C] of past years, each (days ahead, slots).
    years
        Year of each slot, shape (S,).

    Returns
    -------
    tuple
        The same, minima, means and maxima moved together.
    """
    n_days = len(traces[1])
    shift = trace_shift(filled, outlook.persistence, n_days=n_days, years=years)
    moved = (traces[0] + shift, traces[1] + shift, traces[2] + shift)
    if outlook.ahead is None or outlook.covariance is None or n_days == 0:
        return moved
    return blend_ahead(moved, outlook.ahead, as_of=filled.last_day, covariance=outlook.covariance)


def blend_ahead(traces: Traces, ahead: AheadDays, *, as_of: int, covariance: Floats) -> Traces:
    """Return traces drawn towards forecast days, each day by what the forecast is worth.

    Parameters
    ----------
    traces
        Minima, means, maxima [°C], each (days ahead, slots).
    ahead
        Forecast days after ``as_of``.
    as_of
        Issue date (day number).
    covariance
        Covariance of daily means between the first K days after the issue date [°C²], shape (K, K).

    Returns
    -------
    tuple
        Traces of the same shape, minimum <= mean <= maximum.

    Notes
    -----
    The forecast days are observations f = y + e of the days y to come, e with the standard deviation of `AheadDays`
    and a lag-one correlation of 0.7 (our prior). With S the covariance of those days, R that of e and C that of all K
    days with them, the slots' mean moves by C (S + R)^-1 (f - mean), which for one day is the weight S / (S + R);
    their departures d from it become d - C A^-1 (A + R^1/2)^-1 d_f, A = (S + R)^1/2, the deterministic form that
    leaves exactly the right covariance without random numbers (Andrews 1968, as in Whitaker & Hamill 2002 Mon Weather
    Rev 130:1913, eq. 10). So each slot keeps its own weather, on a smaller scale while the forecast is good. The
    daily range of forecast days is drawn likewise, day by day.
    """
    n_days = min(len(traces[1]), len(covariance))
    inside = ahead.day <= as_of + n_days
    if not inside.any():
        return traces
    at = ahead.day[inside] - as_of - 1
    sd = ahead.error_sd_c[inside]
    s = covariance[np.ix_(at, at)]
    r = sd[:, None] * sd * k.AHEAD_CORRELATION.value ** np.abs(at[:, None] - at)
    cross = covariance[:n_days, at]
    root, root_r = _square_root(s + r), _square_root(r)
    gain = np.linalg.solve(s + r, cross.T).T
    shrink = np.linalg.solve((root + root_r).T, np.linalg.solve(root, cross.T)).T
    tmean = traces[1].copy()
    mean = _slot_mean(tmean[:n_days])
    apart = tmean[:n_days] - mean[:, None]
    centre = mean + _applied(gain, (ahead.tmean_c[inside] - mean[at])[:, None])[:, 0]
    tmean[:n_days] = centre[:, None] + apart - _applied(shrink, apart[at])
    below, above = traces[1] - traces[0], traces[2] - traces[1]
    weight = np.diag(s) / np.diag(s + r)
    for part, told in ((below, ahead.below_c[inside]), (above, ahead.above_c[inside])):
        given = np.isfinite(told)
        part[at[given]] = _drawn(part[at[given]], told[given], weight[given])
    return tmean - below, tmean, tmean + above


def _slot_mean(values: Floats) -> Floats:
    return np.asarray(values.mean(axis=1))


def _applied(matrix: Floats, values: Floats) -> Floats:
    """Return matrix (n, f) times values (f, S), summed in one fixed order."""
    out = np.zeros((len(matrix), values.shape[1]))
    for column, row in zip(matrix.T, values, strict=True):
        out += column[:, None] * row
    return out


def _drawn(values: Floats, told: Floats, weight: Floats) -> Floats:
    """Return ranges (days, slots) drawn towards what was forecast, not below 0."""
    mean = _slot_mean(values)
    centre = mean + weight * (told - mean)
    return np.maximum(centre[:, None] + np.sqrt(1.0 - weight)[:, None] * (values - mean[:, None]), 0.0)


def _square_root(matrix: Floats) -> Floats:
    """Return the symmetric square root of a covariance."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0.0))) @ vectors.T)

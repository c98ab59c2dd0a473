"""How a station's recent departure from the usual fades, fitted to its own record, and how fast the station warms."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emergence.dates import YEAR_DAYS, day_of_year, same_day_in, year_of
from emergence.weather import constants as k
from emergence.weather.gaps import FilledSeries

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]

FIT_LEADS = 90
COVARIANCE_LEADS = 45


@dataclass(frozen=True)
class Persistence:
    """What the last days say of the days after ``as_of``.

    A *departure* is the daily mean less calendar mean and warming [°C]. ``origin`` (day number) is the last measured
    day, ``middle`` (day number) the mean measured day, ``warming_c`` the warming [°C] a day. ``recent_c`` (3,) are the
    means of the last 1, 5 and 30 departures [°C]; ``response`` (3, 3) how much of each lasts, by `FADE_DAYS`.
    """

    as_of: int
    origin: int
    middle: float
    warming_c: float
    recent_c: Floats
    response: Floats

    def kept(self, leads: ArrayLike) -> Floats:
        """Return the share of each recent mean expected at leads [d] after ``origin``, shape (3, leads)."""
        return np.asarray(self.response @ fade(np.asarray(leads, dtype=np.float64)))


def fade(leads: ArrayLike) -> Floats:
    """Return the curves of fading, exp(-lead / `FADE_DAYS`), shape (3, leads); ``leads`` in days [d]."""
    slow = np.array([q.value for q in k.FADE_DAYS])
    return np.asarray(np.exp(-np.asarray(leads, dtype=np.float64) / slow[:, None]))


def warming(days: Ints, departure_c: Floats) -> float:
    """Return the trend of measured departures from the calendar mean [°C a day], drawn towards 0.

    Parameters
    ----------
    days
        Day numbers [d] of measured days, shape (n,).
    departure_c
        Daily mean less its calendar mean [°C], shape (n,).

    Returns
    -------
    float
        Least-squares slope of the means of years with 300 measured days or more, times sd² / (sd² + error²):
        ``error`` its standard error (year-to-year spread at least 0.5 °C), ``sd`` 0.03 °C a year (our prior). 0 with
        fewer than three such years.
    """
    if len(days) == 0:
        return 0.0
    year = year_of(days)
    count = np.bincount(year - year.min())
    total = np.bincount(year - year.min(), weights=departure_c)
    used = np.flatnonzero(count >= k.LEAST_YEAR_DAYS.value)
    if len(used) < 3:
        return 0.0
    mean = total[used] / count[used]
    at = used - used.mean()
    squares = float(np.sum(at * at))
    slope = float(np.sum(at * mean)) / squares
    left = mean - mean.mean() - slope * at
    spread = max(float(np.sum(left * left)) / (len(used) - 2), k.LEAST_YEAR_SD.value**2)
    sd = k.WARMING_SD.value
    return slope * sd**2 / (sd**2 + spread / squares) / YEAR_DAYS


def departures(filled: FilledSeries) -> tuple[Floats, float, float]:
    """Return departures [°C], shape (days,), 0 where not measured; the warming [°C a day]; the mean measured day."""
    days = np.arange(filled.first_day, filled.last_day + 1)
    raw = filled.tmean_c - filled.calendar_c[day_of_year(days) - 1]
    seen = filled.measured
    if not seen.any():
        return np.zeros(len(days)), 0.0, float(filled.last_day)
    true = filled.true_days(days)
    slope, middle = warming(true[seen], raw[seen]), float(true[seen].mean())
    return np.where(seen, raw - slope * (true - middle), 0.0), slope, middle


def recent_means(departure_c: Floats) -> Floats:
    """Return the means of the last 1, 5 and 30 departures [°C] on every day, shape (days, 3).

    Parameters
    ----------
    departure_c
        Departures [°C], shape (days,); days before the first count as 0.
    """
    sums = np.concatenate([[0.0], np.cumsum(departure_c)])
    last = np.arange(1, len(sums))
    spans = [int(q.value) for q in k.RECENT_DAYS]
    return np.stack([(sums[last] - sums[np.maximum(last - n, 0)]) / n for n in spans], axis=1)


def fit_persistence(filled: FilledSeries) -> Persistence:
    """Fit how departures fade to a record; the record's last day is the issue date.

    Parameters
    ----------
    filled
        A station's record, filled up to the issue date and no further.

    Returns
    -------
    Persistence
        The fit; with a short record it is drawn towards "nothing lasts".

    Notes
    -----
    Regression of the departures of the next 90 days on the means of the last 1, 5 and 30, each coefficient a sum of
    three curves exp(-lead / 2, 7, 30 d). The rows are the days within 45 days of the issue date's day of the year,
    drawn (ridge) towards the fit to all days, and that towards 0; a mean over n days is drawn n times as hard, as it
    has so many fewer independent values. Rows need a measured day, and 80 % of 30 days before and of 90 days after it.
    Trends: see `warming`. All numbers are our prior, chosen on long records (tests/benchmarks/traces.py).
    """
    z, slope, middle = departures(filled)
    recent = recent_means(z)
    seen = np.flatnonzero(filled.measured)
    origin = int(seen[-1]) if len(seen) else len(z) - 1
    rows, near = _rows(filled)
    targets = _targets(z)
    whole = _ridge(recent[rows], targets[rows], np.zeros((recent.shape[1], targets.shape[1])), k.DRAWN_TO_ZERO.value)
    response = _ridge(recent[rows[near]], targets[rows[near]], whole, k.DRAWN_TO_YEAR.value)
    return Persistence(
        as_of=filled.last_day,
        origin=filled.first_day + origin,
        middle=middle,
        warming_c=slope,
        recent_c=recent[origin],
        response=response,
    )


def _rows(filled: FilledSeries) -> tuple[Ints, Bools]:
    """Return the days from which to learn, and which of them lie near the issue date's day of the year."""
    measured = filled.measured
    sums = np.concatenate([[0], np.cumsum(measured)])
    before = int(k.RECENT_DAYS[-1].value)
    day = np.arange(before - 1, len(measured) - FIT_LEADS)
    share = k.LEAST_SHARE.value
    told = sums[day + 1] - sums[day + 1 - before] >= share * before
    follows = sums[day + 1 + FIT_LEADS] - sums[day + 1] >= share * FIT_LEADS
    rows = day[measured[day] & told & follows]
    apart = day_of_year(filled.first_day + rows) - int(day_of_year(filled.last_day))
    return rows, np.abs((apart + 183) % 366 - 183) <= k.SEASON_WINDOW.value


def _targets(z: Floats) -> Floats:
    """Return, for every day, the least-squares amplitudes of the fading curves over the next 90 days, (days, 3)."""
    curves = fade(np.arange(1, FIT_LEADS + 1))
    inverse = np.linalg.pinv(curves)
    out = np.zeros((len(z), len(curves)))
    if len(z) > FIT_LEADS:
        for j in range(len(curves)):
            out[: len(z) - FIT_LEADS, j] = np.correlate(z[1:], inverse[:, j], "valid")
    return out


def _ridge(x: Floats, y: Floats, towards: Floats, days: float) -> Floats:
    """Return the regression of y (n, m) on x (n, p) drawn towards ``towards`` (p, m) as by ``days`` days of data."""
    if len(x) == 0:
        return towards
    square = _products(x, x)
    spans = np.array([q.value for q in k.RECENT_DAYS])
    pull = days * spans * np.diag(square) / len(x) + 1e-9
    return np.asarray(np.linalg.solve(square + np.diag(pull), _products(x, y) + pull[:, None] * towards))


def _products(x: Floats, y: Floats) -> Floats:
    """Return x'y, each sum in one fixed order."""
    return np.array([[np.sum(a * b) for b in y.T] for a in x.T])


def unsaid_covariance(filled: FilledSeries, fit: Persistence) -> Floats:
    """Return the covariance [°C²] of what the recent means leave unsaid, 1 to 45 days after the issue date, (K, K).

    Parameters
    ----------
    filled
        The record that was fitted.
    fit
        Its fit.

    Notes
    -----
    From the days near the issue date's day of the year, drawn towards the covariance of an AR(1) process (daily 5 °C,
    0.75; our prior) as by a season of days; tapered to nothing 45 days apart, so that few years do not tie distant days
    by chance. K is 45 less the days since the last measured one.
    """
    z, rows, since = departures(filled)[0], _rows(filled), fit.as_of - fit.origin
    whole = _covariance(z, recent_means(z), rows[0][rows[1]], fit.response)
    return whole[since:, since:]


def _covariance(z: Floats, recent: Floats, rows: Ints, response: Floats) -> Floats:
    """Return the covariance 1 to 45 days after the last measured day."""
    lead = np.arange(1, COVARIANCE_LEADS + 1)
    apart = np.abs(lead[:, None] - lead)
    daily, lag_one = k.DAILY_SD.value**2, k.LAG_ONE.value
    prior = daily * (lag_one**apart - lag_one ** (lead[:, None] + lead))
    if len(rows) == 0:
        return np.asarray(prior)
    ahead = np.lib.stride_tricks.sliding_window_view(z[1:], COVARIANCE_LEADS)[rows]
    left = ahead - recent[rows] @ (response @ fade(lead))
    told = np.einsum("ti,tj->ij", left, left) * (1.0 - apart / COVARIANCE_LEADS)
    drawn = k.DRAWN_TO_PRIOR.value
    return np.asarray((told + drawn * prior) / (len(rows) + drawn))


def trace_shift(filled: FilledSeries, fit: Persistence, *, n_days: int, years: ArrayLike) -> Floats:
    """Return what to add to the traces of past years so that they go on from this year's last days.

    Parameters
    ----------
    filled
        The record that was fitted.
    fit
        Its fit.
    n_days
        Days ahead.
    years
        Year of each slot, shape (S,); below 0 for the calendar mean.

    Returns
    -------
    numpy.ndarray
        Shift [°C], shape (n_days, S): the warming since the slot's year, plus what this year's recent departures let
        expect, less what that year's did. What a year's recent days left unsaid stays: so the slots spread little on
        the first day and as usual later (residuals dressed on the regression).
    """
    chosen = np.asarray(years, dtype=np.int64)
    day = np.array([same_day_in(int(y), fit.as_of) if y >= 0 else fit.middle for y in chosen])
    past = np.zeros((len(chosen), len(fit.recent_c)))
    laid = np.flatnonzero(chosen >= 0)
    past[laid] = _recent_on(filled, fit, day[laid].astype(np.int64) - (fit.as_of - fit.origin))
    kept = fit.kept(np.arange(1, n_days + 1) + (fit.as_of - fit.origin))
    true = np.where(chosen >= 0, filled.true_days(day.astype(np.int64)), day)
    shift = np.repeat((fit.warming_c * (fit.as_of - true))[None, :], n_days, axis=0)
    for j, now in enumerate(fit.recent_c):
        shift += kept[j][:, None] * (now - past[:, j])[None, :]
    return np.asarray(shift)


def _recent_on(filled: FilledSeries, fit: Persistence, days: Ints) -> Floats:
    """Return `recent_means` on some days of the record (day numbers), shape (days, 3), without working out all."""
    spans = [int(q.value) for q in k.RECENT_DAYS]
    back = days[:, None] - np.arange(spans[-1])
    at = np.clip(back - filled.first_day, 0, len(filled.tmean_c) - 1)
    seen = (back - filled.first_day == at) & filled.measured[at]
    trend = fit.warming_c * (filled.true_days(back) - fit.middle)
    raw = filled.tmean_c[at] - filled.calendar_c[day_of_year(back) - 1] - trend
    z = np.where(seen, raw, 0.0)
    return np.stack([z[:, :n].mean(axis=1) for n in spans], axis=1)

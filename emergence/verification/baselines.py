"""What a forecast of a date must beat, and what stands in where the lake's model does worse: arrays only."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.special import ndtri, stdtrit

from emergence.verification.scores import crps_between, crps_normal

Floats = NDArray[np.float64]
CALENDAR_SD_D = 10.0 / 1.2815515655446004
"""The calendar rule of thumb: the mean date, right to ten days in eight of ten years [d]; our prior."""
RULE_MEMBERS = 999
"""Even quantiles that stand for the calendar rule where only a span of dates is known; our prior."""
LEAST_YEARS = 4
"""Other years without which there is neither a mean date nor a stand-in; our prior."""
LEAST_AIR_YEARS = 6
"""Years of recent air without which no regression is tried; our prior."""


class Reference(NamedTuple):
    """Scores [d] of the two things to beat: ``mean_date`` of other years with their spread, and the ``calendar``."""

    mean_date: float
    calendar: float


def reference_scores(other_date: ArrayLike, truth: float, until: float | None = None) -> Reference:
    """Return the scores of the other years' dates (fair form) and of the calendar rule about their mean.

    Parameters
    ----------
    other_date
        Dates of other years [d], shape (n,), at least two.
    truth
        What came [d].
    until
        The last day on which it can have come [d] where only a span is known.
    """
    dates, last = np.asarray(other_date, dtype=np.float64), truth if until is None else until
    mean_date = float(crps_between(dates, truth, last, fair=True))
    if last == truth:
        return Reference(mean_date, float(crps_normal(dates.mean(), CALENDAR_SD_D, truth)))
    rule = dates.mean() + CALENDAR_SD_D * ndtri((np.arange(RULE_MEMBERS) + 0.5) / RULE_MEMBERS)
    return Reference(mean_date, float(crps_between(rule, truth, last)))


def climatology_members(other_date: ArrayLike, count: int) -> Floats:
    """Return dates that stand for a year of which nothing is known but the other years' dates.

    Parameters
    ----------
    other_date
        Dates of other years [d], shape (n,), at least two.
    count
        How many members.

    Returns
    -------
    numpy.ndarray
        Even quantiles of the normal predictive distribution (Student's t, n - 1 degrees of freedom), shape (count,).
    """
    dates = np.asarray(other_date, dtype=np.float64)
    n = len(dates)
    return np.asarray(dates.mean() + dates.std(ddof=1) * np.sqrt(1.0 + 1.0 / n) * _even_t(n - 1, count))


def regression_members(other_air_c: ArrayLike, other_date: ArrayLike, air_c: float, count: int) -> Floats:
    """Return dates from a linear regression of the date on recent air temperature.

    Parameters
    ----------
    other_air_c
        Mean air before the issue date's day in other years [°C], shape (n,), no NaN, at least `LEAST_AIR_YEARS`.
    other_date
        Their dates [d], shape (n,).
    air_c
        The target year's air [°C].
    count
        How many members.

    Returns
    -------
    numpy.ndarray
        Even quantiles of the predictive t distribution (n - 2 degrees of freedom), shape (count,).
    """
    air, dates = np.asarray(other_air_c, dtype=np.float64), np.asarray(other_date, dtype=np.float64)
    slope, residual, _ = _line(air, dates)
    n, away = len(dates), air_c - air.mean()
    error = np.sqrt((residual**2).sum() / (n - 2) * (1.0 + 1.0 / n + away**2 / ((air - air.mean()) ** 2).sum()))
    return np.asarray(dates.mean() + slope * away + error * _even_t(n - 2, count))


def left_out_errors(other_date: ArrayLike, other_air_c: ArrayLike | None = None) -> Floats:
    """Return each other year's date less what the rest says of it [d]: their mean, or a regression on air.

    Parameters
    ----------
    other_date
        Dates [d], shape (n,).
    other_air_c
        Air [°C], shape (n,); None for the mean.
    """
    dates = np.asarray(other_date, dtype=np.float64)
    if other_air_c is None:
        return np.asarray((dates - dates.mean()) * len(dates) / (len(dates) - 1.0))
    _, residual, leverage = _line(np.asarray(other_air_c, dtype=np.float64), dates)
    return np.asarray(residual / (1.0 - leverage))


def _line(air: Floats, date: Floats) -> tuple[float, Floats, Floats]:
    """Return slope, residuals and leverages of a least-squares line; closed form, because it runs many times."""
    away = air - air.mean()
    squares = float((away**2).sum())
    slope = float((away * (date - date.mean())).sum()) / squares
    return slope, date - date.mean() - slope * away, 1.0 / len(date) + away**2 / squares


def _even_t(freedom: int, count: int) -> Floats:
    return np.asarray(stdtrit(freedom, (np.arange(count) + 0.5) / count))

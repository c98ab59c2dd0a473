"""What the model's error depends on: the few series in which a lake's own deviation is learned.

A lake that is measured shows a steady deviation from the model: a level, a seasonal shape, an answer to warm spells
that is faster or slower than the model's, a colder or warmer start after the ice. Each is one series here, and a
lake's deviation is their sum with coefficients of its own.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.dates import YEAR_DAYS
from emergence.water import compiled
from emergence.water.coefficients import load_coefficients

Floats = NDArray[np.floating]
FEATURES = ("level", "cosine", "sine", "cosine2", "sine2", "fast", "slow", "fresh")
CALENDAR = 5  # the first so many depend on the day of the year alone


@dataclass(frozen=True)
class Features:
    """``calendar`` (days, 5) and ``weather`` (days, lakes, slots, 3), in the order of FEATURES, float32."""

    calendar: Floats
    weather: Floats

    def take(self, lakes: NDArray[np.int64]) -> Features:
        """Return some lakes."""
        return Features(self.calendar, self.weather.take(lakes, axis=1))

    def at(self, days: NDArray[np.int64], lake: int) -> NDArray[np.float64]:
        """Return all features of one lake on some days, first slot, shape (days, 8)."""
        return np.concatenate([self.calendar[days], self.weather[days, lake, 0]], axis=1).astype(np.float64)


def features(day_of_year: NDArray[np.int64], anomaly_c: Floats, ice: NDArray[np.bool_]) -> Features:
    """Return the features of every day and cell.

    Parameters
    ----------
    day_of_year
        Shape (days,).
    anomaly_c
        Air temperature less its calendar mean [°C], shape (days, lakes, slots).
    ice
        Simulated ice, same shape.

    Returns
    -------
    Features
        ``fast``: mean anomaly of about a week less that of six weeks; ``slow``: of two months (exponential means);
        ``fresh``: 1 on the day of ice-off, fading over 15 days.
    """
    c = load_coefficients()["features"]
    angle = 2 * np.pi * day_of_year / YEAR_DAYS
    calendar = [np.ones_like(angle), np.cos(angle), np.sin(angle), np.cos(2 * angle), np.sin(2 * angle)]
    shares = [*(2 / (c[k] + 1) for k in ("week_d", "weeks_d", "months_d")), np.exp(-1 / c["fresh_d"])]
    fixed = np.stack(calendar, axis=1).astype(np.float32)
    return Features(fixed, _weather(anomaly_c, ice, np.array(shares, dtype=np.float32)))


def _weather(anomaly_c: Floats, ice: NDArray[np.bool_], shares: Floats) -> Floats:
    state = np.zeros((4, *anomaly_c.shape[1:]), dtype=np.float32)
    weather = np.empty((*anomaly_c.shape, 3), dtype=np.float32)
    if compiled.features_kernel is not None:
        n = len(anomaly_c)
        air, frozen = np.ascontiguousarray(anomaly_c).reshape(n, -1), np.ascontiguousarray(ice).reshape(n, -1)
        compiled.features_kernel(air, frozen, shares, state.reshape(4, -1), weather.reshape(*air.shape, 3))
        return weather
    *means, fade = shares
    for day, today in enumerate(anomaly_c):
        for k, share in enumerate(means):
            state[k] += share * (today - state[k])
        state[3] = np.where(ice[day], np.float32(1), state[3] * fade)
        weather[day, ..., 0] = state[0] - state[1]
        weather[day, ..., 1] = state[2]
        weather[day, ..., 2] = np.where(ice[day], 0, state[3])
    return weather

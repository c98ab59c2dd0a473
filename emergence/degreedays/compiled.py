"""Degree-day sums cell by cell, compiled where numba is installed; the kernels are None without it."""

from __future__ import annotations

from typing import Any

import numpy as np

from emergence.loops import compiled, kernel

ABREAST = 1024  # cells summed side by side: their sums stay in the fastest cache
SPAN = 16  # days summed in single precision before they join a sum in double precision


def _daily(warm: Any, lower: Any, upper: Any) -> Any:
    """Return a day's degree-days; what is missing stays missing."""
    warm = lower if warm < lower else warm
    return (upper if warm > upper else warm) - lower


_daily = compiled(_daily, lean=True)


def _sums(water: Any, lower: Any, upper: Any, sums: Any) -> None:
    """Fill ``sums`` with degree-days gathered by ``water`` up to each day, both (days, cells) float32.

    Summed in float64, day by day, as ``accumulate`` does.
    """
    n_days, cells = water.shape
    total = np.empty(ABREAST, np.float64)
    for a in range(0, cells, ABREAST):
        n = min(ABREAST, cells - a)
        total[:n] = 0.0
        for day in range(n_days):
            for k in range(n):
                total[k] += _daily(water[day, a + k], lower, upper)
            for k in range(n):
                sums[day, a + k] = total[k]


def _add_days(water: Any, a: Any, lower: Any, upper: Any, part: Any) -> None:
    """Add to ``part`` (n,) the degree-days of ``water`` (days, cells) in the cells from ``a`` on, four days at a time.

    One day at a time, half of the work is fetching and putting back the sums.
    """
    days, n, day = water.shape[0], part.shape[0], 0
    while day + 4 <= days:
        one, two, three, four = water[day], water[day + 1], water[day + 2], water[day + 3]
        for k in range(n):
            early = _daily(one[a + k], lower, upper) + _daily(two[a + k], lower, upper)
            part[k] += early + (_daily(three[a + k], lower, upper) + _daily(four[a + k], lower, upper))
        day += 4
    while day < days:
        for k in range(n):
            part[k] += _daily(water[day, a + k], lower, upper)
        day += 1


_add_days = compiled(_add_days, lean=True)


def _whole_sum(water: Any, lower: Any, upper: Any, whole: Any) -> None:
    """Fill ``whole`` (cells,) with degree-days gathered by ``water`` (days, cells), both float32."""
    n_days, cells = water.shape
    total, part = np.empty(ABREAST, np.float64), np.empty(ABREAST, np.float32)
    for a in range(0, cells, ABREAST):
        n = min(ABREAST, cells - a)
        total[:n] = 0.0
        for first in range(0, n_days, SPAN):
            part[:n] = np.float32(0)
            _add_days(water[first : first + SPAN], a, lower, upper, part[:n])
            for k in range(n):
                total[k] += part[k]
        for k in range(n):
            whole[a + k] = total[k]


sums_kernel = kernel(_sums)
whole_kernel = kernel(_whole_sum)

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


_daily = compiled(_daily)


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


def _whole_sum(water: Any, lower: Any, upper: Any, whole: Any) -> None:
    """Fill ``whole`` (cells,) with degree-days gathered by ``water`` (days, cells), both float32."""
    n_days, cells = water.shape
    total, part = np.empty(ABREAST, np.float64), np.empty(ABREAST, np.float32)
    for a in range(0, cells, ABREAST):
        n = min(ABREAST, cells - a)
        total[:n] = 0.0
        for first in range(0, n_days, SPAN):
            part[:n] = np.float32(0)
            for day in range(first, min(first + SPAN, n_days)):
                for k in range(n):
                    part[k] += _daily(water[day, a + k], lower, upper)
            for k in range(n):
                total[k] += part[k]
        for k in range(n):
            whole[a + k] = total[k]


sums_kernel = kernel(_sums)
whole_kernel = kernel(_whole_sum)

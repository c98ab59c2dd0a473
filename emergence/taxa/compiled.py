"""The same passage as ``population.leave_water``, day by day and member by member, compiled where numba is installed.

``passage_kernel`` is None without numba; the NumPy form then does the work, slower, equal to rounding.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from typing import Any

import numpy as np

MOST_GATES = 3


def _passage(  # kernel  # noqa: C901
    flat: Any,
    need: Any,
    entry: Any,
    frozen: Any,
    gates: Any,
    dates: Any,
    days: Any,
) -> None:
    """Fill the passage of all cells; every argument is a tuple of arrays or numbers of fixed types.

    ``need``: centre, steep, lead (cells,) float32, whether anybody travels. ``gates``: how many, three variables
    (days, n), three shut ends (cells,), widths and cells per column (3,). ``dates``: begin, onset, peak, end, most_day
    (cells,) int16, never until set. ``days``: moving, afoot (days, cells) and their means (days, lakes) float64.
    """
    centre, steep, lead, travels = need
    count, v0, v1, v2, shut0, shut1, shut2, width, share_of = gates
    begin, onset, peak, end, most_day = dates
    moving, mean, afoot, afoot_mean, shown, open_gate, all_gone = days
    n_days, size = flat.shape
    lakes = mean.shape[1]
    members = size // lakes
    one, zero, two = np.float32(1), np.float32(0), np.float32(2)
    gone, most = np.zeros(members, np.float32), np.zeros(members, np.float32)
    for lake in range(lakes):
        first, waiting = n_days, members
        for m in range(members):
            gone[m], most[m] = zero, zero
            first = min(first, entry[lake * members + m])
        for day in range(first, n_days):
            if waiting == 0:
                break
            for m in range(members):
                c = lake * members + m
                if day < entry[c] or gone[m] > all_gone:
                    continue
                opened = zero if frozen[day, c] else one
                for g in range(count):
                    if g == 0:
                        above = v0[day, c // share_of[0]] - shut0[c]
                    elif g == 1:
                        above = v1[day, c // share_of[1]] - shut1[c]
                    else:
                        above = v2[day, c // share_of[2]] - shut2[c]
                    if width[g] == zero:
                        opened *= one if above >= zero else zero
                    else:
                        opened *= min(max(above / width[g], zero), one)
                heat = (flat[day, c] - centre[c]) * steep[c]
                if travels:
                    share = one / (one + np.float32(math.exp(-two * (heat + lead[c]))))
                    if share >= np.float32(0.1) and begin[c] > day:
                        begin[c] = day
                    share -= gone[m]
                    if share > most[m]:
                        most[m], most_day[c] = share, day
                    afoot[day, c] = share >= shown and opened >= open_gate
                    afoot_mean[day, lake] += share * opened
                share = one / (one + np.float32(math.exp(-two * heat)))
                share = max(share - gone[m], zero) * opened
                gone[m] += share
                moving[day, c] = share >= shown
                mean[day, lake] += share
                if gone[m] >= np.float32(0.1) and onset[c] > day:
                    onset[c] = day
                if gone[m] >= np.float32(0.5) and peak[c] > day:
                    peak[c] = day
                if gone[m] >= np.float32(0.9) and end[c] > day:
                    end[c] = day
                if gone[m] > all_gone:
                    waiting -= 1
        for day in range(first, n_days):
            mean[day, lake] /= members
            if travels:
                afoot_mean[day, lake] /= members


def _compiled() -> Callable[..., None] | None:
    try:
        from numba import njit
    except ImportError:
        return None
    compiled: Callable[..., None] = njit(cache=True, nogil=True)(_passage)
    return compiled


passage_kernel = _compiled()

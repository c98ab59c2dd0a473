"""The days of ``stages.stage_numbers``, cell by cell, compiled where numba is installed.

The kernel is None without numba; the NumPy form in ``stages`` then does the work, slower, equal to rounding. A lake's
sums are taken member after member.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from emergence.taxa.compiled import compiled, kernel

ZERO, ONE, HALF = np.float32(0), np.float32(1), np.float32(0.5)
FARTHEST = np.float32(12)  # the share is 0 or 1 to single precision beyond it


def _ready(heat: Any, steep: Any) -> Any:
    """Return the share of the logistic, float32."""
    x = HALF * heat * steep
    if x <= -FARTHEST:
        return ZERO
    if x >= FARTHEST:
        return ONE
    return HALF + HALF * np.float32(math.tanh(x))


_ready = compiled(_ready)


def _follow(heat: Any, scales: Any, days: Any, adult: Any, weights: Any, out: Any, laid: Any) -> None:  # kernel
    """Fill ``out`` (5, days, lakes) and ``laid`` (days, lakes) with sums over members.

    ``heat`` (days, cells) [°C·day]; ``scales`` (4, cells): centre, steepness, how far before it a nymph is mature and
    on the move (negative: no migration); ``days``: openness of the gates (days, cells), hard frosts (days, skies);
    ``adult``: days of maturation, share that lives through a day, share of a day as a soft adult; ``weights`` (2,
    cells): of a member, and of its recruits.
    """
    opened, icy = days
    tender_d, stay, soft_d = adult
    n_days, cells = heat.shape
    sky, lake = cells // icy.shape[1], cells // out.shape[2]
    gone, breeding = np.zeros(cells, np.float32), np.zeros(cells, np.float32)
    tender = np.zeros((max(tender_d, 1), cells), np.float32)
    for day in range(n_days):
        for c in range(cells):
            ready = heat[day, c] - scales[0, c]
            steep, before = scales[1, c], gone[c]
            grown = max(_ready(ready + scales[2, c], steep), before)
            left = max(_ready(ready, steep) - before, ZERO) * opened[day, c]
            moving = ZERO
            if scales[3, c] >= ZERO:
                moving = max(max(_ready(ready + scales[3, c], steep), before) - before - left, ZERO)
            gone[c] = before + left
            dead, frost = breeding[c] * (ONE - stay), icy[day, c // sky]
            breeding[c] *= stay
            if tender_d:
                breeding[c] += tender[tender_d - 1, c]
                for k in range(tender_d - 1, 0, -1):
                    tender[k, c] = tender[k - 1, c]
                tender[0, c] = left
            else:
                breeding[c] += left
            if frost:
                breeding[c] = ZERO
                for k in range(tender_d):
                    tender[k, c] = ZERO
            alive = breeding[c]
            for k in range(tender_d):
                alive += tender[k, c]
            at, weight = c // lake, weights[0, c]
            out[0, day, at] += (ONE - grown) * weight
            out[1, day, at] += max(grown - gone[c] - moving, ZERO) * weight
            out[2, day, at] += moving * weight
            out[3, day, at] += ZERO if frost else left * soft_d * weight
            out[4, day, at] += alive * weight
            laid[day, at] += dead * weights[1, c]


follow = kernel(_follow)

"""The days of ``stages.stage_numbers``, cell by cell, compiled where numba is installed.

The kernel is None without numba; the NumPy form in ``stages`` then does the work, slower, equal to rounding. A cell's
days lie side by side, SPAN of them are worked on at once, and a lake's sums are taken member after member, as in
``taxa.compiled``.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from emergence.loops import compiled, kernel
from emergence.taxa.compiled import SPAN, _go, _lay_gate, _logistic

ZERO, ONE, TWO = np.float32(0), np.float32(1), np.float32(2)
NOBODY = np.float32(-8)  # scaled heat before which under 2e-7 are ready
ALL_OUT = np.float32(1 - 1e-5)  # from here on nobody is left in the water
NO_ADULTS = np.float32(1e-9)
ONE_MORE = np.uintp(1)


def _row(more: int) -> Any:
    """Return room for a span of days, of its own: rows of one array would be taken for strided and go half as fast."""
    return np.zeros(SPAN + more, np.float32)


_row = compiled(_row)


def _live(left: Any, icy: Any, place: Any, adult: Any, about: Any, rows: Any) -> Any:
    """Let a cell's adults live through some days; return those that are still tender and those that breed.

    ``left`` (days,): who left the water, blanked up to a hard frost; ``place``: first day, days; ``about``: tender and
    breeding ones before; ``rows``: soft, alive, died are filled.
    """
    (a, n), (tender_d, stay, soft_d), (tender, breeding) = place, adult, about
    soft, alive, died = rows
    for d in range(n):
        day = a + d
        died[d] = breeding * (ONE - stay)
        grown = left[day - tender_d] if day >= tender_d else ZERO
        breeding = breeding * stay + grown
        tender += np.float64(left[day]) - np.float64(grown)
        if breeding < NO_ADULTS:
            breeding = ZERO
        soft[d] = left[day] * soft_d
        if icy[day]:
            breeding, tender, soft[d] = ZERO, 0.0, ZERO
            for k in range(day - min(day, tender_d), day + ONE_MORE):
                left[k] = ZERO
        alive[d] = breeding + np.float32(tender)
    return tender, breeding


_live = compiled(_live, lean=True)


def _add(total: Any, values: Any, place: Any, weight: Any) -> None:
    """Add weighed values to a lake's days; ``place``: first day, days."""
    a, n = place
    for d in range(n):
        total[a + d] += values[d] * weight


_add = compiled(_add, lean=True)


def _grow(heat: Any, own: Any, opened: Any, gone: Any, n: Any, rows: Any, scratch: Any) -> Any:
    """Fill ``rows``: young, mature, moving, leaving of some days; return what has left the water after them.

    ``heat`` [half steps of the logistic from the median insect] is used up; ``own``: how far before it a nymph is
    mature and on the move, whether there is a migration.
    """
    ahead, lead, travels = own
    young, mature, moving, leaving = rows
    share, after, bits, power = scratch
    _logistic(heat, n, share, bits, power)
    _go(share, opened, n, gone, TWO, leaving, after)
    if travels:
        for d in range(n):
            moving[d] = heat[d] + lead
        _logistic(moving, n, share, bits, power)
        for d in range(n):
            moving[d] = max(share[d] - after[d] - leaving[d], ZERO)
    for d in range(n):
        heat[d] += ahead
    _logistic(heat, n, share, bits, power)
    for d in range(n):
        grown = max(share[d], after[d])
        young[d] = ONE - grown
        mature[d] = max(grown - after[d + ONE_MORE] - moving[d], ZERO)
    return after[n]


_grow = compiled(_grow, lean=True)


def _follow(columns: Any, scales: Any, gates: Any, icy: Any, adult: Any, weights: Any, found: Any) -> None:  # kernel
    """Fill ``found``: the numbers of each stage (5, lakes, days) and the dying (lakes, days), sums over members.

    ``columns`` (cells, days) [°C·day]; ``scales`` (4, cells) float32: centre, half the steepness, how far before it a
    nymph is mature and on the move (scaled; negative: no migration); ``gates``: days on which they are shut (cells,
    days), how many, then variables (columns, days), shut ends (cells,) and widths of MOST_GATES each; ``icy``: hard
    frosts (skies, days); ``adult``: days of maturation, share that lives through a day, share of a day as a soft adult;
    ``weights`` (2, cells): of a member, and of its recruits. Cells are worked on from the day on which the first insect
    is half grown to that on which the last adult is dead.
    """
    (frozen, count, variables, shuts, width), (out, laid) = gates, found
    size, n_days = np.uintp(columns.shape[0]), np.uintp(columns.shape[1])
    members, of_sky = size // np.uintp(out.shape[1]), size // np.uintp(icy.shape[0])
    heat, opened, share, after = _row(0), _row(0), _row(0), _row(1)
    young, mature, moving, leaving = _row(0), _row(0), _row(0), _row(0)
    soft, alive, died = _row(0), _row(0), _row(0)
    bits, left = np.empty(SPAN, np.int32), np.empty(n_days, np.float32)
    scratch = share, after, bits, bits.view(np.float32)
    rows, adults = (young, mature, moving, leaving), (soft, alive, died)
    for c in range(size):
        lake, sky, a = c // members, c // of_sky, np.uintp(0)
        weight, gone, tender, breeding = weights[0, c], ZERO, 0.0, ZERO
        middle, slope = scales[0, c], scales[1, c]
        own = scales[2, c], scales[3, c], scales[3, c] >= ZERO
        left[:] = ZERO
        while a < n_days:
            n = min(np.uintp(SPAN), n_days - a)
            if (columns[c, a + n - ONE_MORE] - middle) * slope + own[0] < NOBODY:
                for d in range(n):
                    out[0, lake, a + d] += weight
                a += n
                continue
            if gone > ALL_OUT:
                if tender + breeding < NO_ADULTS:
                    break
            else:
                for d in range(n):
                    opened[d] = ZERO if frozen[c, a + d] else ONE
                for g in range(count):
                    column = c // (size // np.uintp(variables[g].shape[0]))
                    _lay_gate(opened, variables[g], (column, a, n), shuts[g][c], width[g])
                for d in range(n):
                    heat[d] = (columns[c, a + d] - middle) * slope
                gone = _grow(heat, own, opened, gone, n, rows, scratch)
                for d in range(n):
                    left[a + d] = leaving[d]
                _add(out[0, lake], young, (a, n), weight)
                _add(out[1, lake], mature, (a, n), weight)
                _add(out[2, lake], moving, (a, n), weight)
            tender, breeding = _live(left, icy[sky], (a, n), adult, (tender, breeding), adults)
            _add(out[3, lake], soft, (a, n), weight)
            _add(out[4, lake], alive, (a, n), weight)
            _add(laid[lake], died, (a, n), weights[1, c])
            a += n


follow = kernel(_follow)

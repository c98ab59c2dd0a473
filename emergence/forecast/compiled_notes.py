"""The days of ``evidence.numbers_on``, member by member, compiled where numba is installed.

A member's tries lie side by side in memory, so that several are worked on at once. The kernel is None without numba;
the NumPy form in ``evidence`` then does the work, slower, equal to rounding.
"""

from __future__ import annotations

from typing import Any

import numpy as np

from emergence.loops import compiled, kernel
from emergence.taxa.compiled import _logistic

SPAN = 16  # days worked on at once
ABREAST = 8  # tries worked on at once
ZERO, ONE, HALF = np.float32(0), np.float32(1), np.float32(0.5)


def _centred(heat: Any, far: Any, steep: Any, n: Any, scaled: Any) -> None:
    """Fill ``scaled`` for ``_logistic`` with (heat + far) in units of the spread; ``far`` (n,)."""
    for k in range(n):
        scaled[k] = HALF * (heat + far[k]) * steep[k]


_centred = compiled(_centred, lean=True)


def _ready_on(heat: Any, place: Any, far: Any, steep: Any, scratch: Any) -> None:
    """Fill the first of ``scratch`` (SPAN * tries,) with the ready shares of all tries on some days, day by day.

    ``place``: the member, its first day and how many.
    """
    share, scaled, bits, power = scratch
    m, first, days = place
    n = np.uintp(far.shape[0])
    for day in range(days):
        warm, row = heat[m, first + day], day * n
        for k in range(n):
            scaled[row + k] = HALF * (warm + far[k]) * steep[k]
    _logistic(scaled, days * n, share, bits, power)


_ready_on = compiled(_ready_on, lean=True)


def _pass_day(share: Any, place: Any, opened: Any, keep: Any, state: Any) -> None:
    """Let a day pass: who is ready goes through the gate; skins and adults fade by what is kept of them.

    ``state`` (4, tries): gone, skins, adults, gone before the day; ``place``: where the day's shares begin.
    """
    n = np.uintp(state.shape[1])
    for k in range(n):
        gone = state[0, k]
        left = max(share[place + k] - gone, ZERO) * opened
        state[3, k] = gone
        state[0, k] = gone + left
        state[1, k] = state[1, k] * keep[0] + left
        state[2, k] = state[2, k] * keep[1] + left


_pass_day = compiled(_pass_day, lean=True)


def _tell(warm: Any, gates: Any, need: Any, habits: Any, state: Any, told: Any) -> None:
    """Fill ``told`` (stages, tries) with a day's numbers; ``state``: gone by the day, skins, adults, gone before."""
    less, steep, half, lead, pupal, travels = need
    gate, here = gates
    younger, (later, later_steep), again, shut_share = habits
    n = np.uintp(less.shape[0])
    scaled, share, bits = np.empty(n, np.float32), np.empty(n, np.float32), np.empty(n, np.int32)
    grew, before, far = np.empty(n, np.float32), state[3], np.empty(n, np.float32)
    power = bits.view(np.float32)
    _centred(warm, less + half, steep, n, scaled)
    _logistic(scaled, n, grew, bits, power)
    for k in range(n):
        grew[k] = max(grew[k], before[k])
        told[0, k] = (ONE - grew[k]) * here + younger
    share[:] = before[:n]
    if travels:
        _centred(warm, less + lead, steep, n, scaled)
        _logistic(scaled, n, share, bits, power)
    for k in range(n):
        afoot = max(share[k], before[k])
        told[1, k] = max(grew[k] - afoot, ZERO)
        told[2, k] = (afoot - before[k]) * max(gate, shut_share)
    _centred(warm, less + pupal, steep, n, scaled)
    _logistic(scaled, n, share, bits, power)
    for k in range(n):
        told[3, k] = max(share[k] - before[k], ZERO)
        told[4, k], told[5, k] = state[1, k], state[2, k]
        far[k] = later_steep
    if later > ZERO:
        _centred(warm, less - later, far, n, scaled)
        _logistic(scaled, n, share, bits, power)
        for stage in range(again.shape[0]):
            for k in range(n):
                told[stage, k] += again[stage] * share[k]


_tell = compiled(_tell)


def _numbers(grown: Any, need: Any, habits: Any, days: Any, out: Any) -> None:  # kernel
    """Fill ``out`` (n, stages, members, tries) float32, 0 at first.

    ``grown``: heat and openness (members, days) float32, the biofix (members,). ``need`` (members, tries) float32 each:
    less the median, steepness, what is added to the heat for a mature nymph, one on the move and a pupa; and whether
    anybody moves. ``habits``: share of the skins and adults that is kept through a day, whether younger nymphs are
    about (0 or 1), whether young come at the biofix, degree-days to later broods and their steepness, what they have
    of each stage, share that shows through shut gates. ``days``: the first worked on, the first with insects, those
    wanted.
    """
    heat, opened, start = grown
    less, steep, half, lead, pupal, travels = need
    keep, younger, hatches, later, again, shut_share = habits
    begin, first, wanted = days
    members, tries = less.shape
    n = -(-tries // ABREAST) * ABREAST  # whole groups: what is over would be worked on one by one
    share, scaled, bits = np.empty(SPAN * n, np.float32), np.empty(SPAN * n, np.float32), np.empty(SPAN * n, np.int32)
    state, scratch = np.empty((4, n), np.float32), (share, scaled, bits, bits.view(np.float32))
    far, slope = np.zeros(n, np.float32), np.zeros(n, np.float32)
    for m in range(members):
        state[:], far[:tries], slope[:tries] = ZERO, less[m], steep[m]
        row = 0
        for day in range(begin, wanted[-1] + 1):
            if day >= first:
                k = (day - first) % SPAN
                if k == 0:
                    place = np.uintp(m), np.uintp(day), np.uintp(min(SPAN, wanted[-1] + 1 - day))
                    _ready_on(heat, place, far, slope, scratch)
                _pass_day(share, np.uintp(k * n), opened[m, day], keep, state)
            if day == wanted[row]:
                here = ONE if day >= start[m] or not hatches else ZERO
                own = (less[m], steep[m], half[m], lead[m], pupal[m], travels)
                rest = (younger, later, again, shut_share)
                _tell(heat[m, day], (opened[m, day], here), own, rest, state, out[row, :, m])
                row += 1


numbers_kernel = kernel(_numbers)

"""The passage of ``population.leave_water``, cell by cell, compiled where numba is installed.

A cell's days lie side by side in memory ("columns", (cells, days)), so that what is the same for every day runs on
several of them at once. The kernels are None without numba; the NumPy forms then do the work, slower, equal to
rounding. A lake's sums are taken member after member.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from emergence.dates import NEVER
from emergence.loops import compiled, kernel
from emergence.taxa import shown

MOST_GATES = 3
SPAN = 32  # days worked on at once, no more than fit a word; a cell is left as soon as its insects are gone
WORD, LOW = np.uintp(shown.WORD), np.uint64(2**shown.WORD - 1)
NO_MORE, ONE_MORE, ONE_DAY, NO_DAY = np.uintp(0), np.uintp(1), np.int32(1), np.int32(0)
NONE = np.int16(NEVER)
ZERO, ONE, TWO = np.float32(0), np.float32(1), np.float32(2)
TENTH, HALF, NINE_TENTHS = np.float32(0.1), np.float32(0.5), np.float32(0.9)
LOG2_E = np.float32(math.log2(math.e))
LN2_HIGH = np.float32(0.693359375)  # exact in nine bits, so that its multiples are exact
LN2_LOW = np.float32(math.log(2) - 0.693359375)
ROUNDS = np.float32(1.5 * 2**23)  # added and taken off again, it leaves the nearest whole number
FARTHEST = np.float32(40)  # the share is 0 or 1 beyond it; far from numbers so small that they are slow
C2, C3, C4, C5, C6, C7 = (np.float32(1 / math.factorial(k)) for k in range(2, 8))  # exp on |x| <= ln(2) / 2 to 5e-9


def _logistic(scaled: Any, n: Any, share: Any, bits: Any, power: Any) -> None:
    """Fill ``power`` with exp(-2 scaled) and ``share`` with 1 / (1 + power), float32, for ``n`` days.

    exp(x) = 2^n exp(x - n ln 2), the second factor by its series, the first put together from its bits: ``bits`` are
    those of ``power``.
    """
    for d in range(n):
        x = min(max(-TWO * scaled[d], -FARTHEST), FARTHEST)
        whole = x * LOG2_E + ROUNDS - ROUNDS
        r = (x - whole * LN2_HIGH) - whole * LN2_LOW
        series = ((((C7 * r + C6) * r + C5) * r + C4) * r + C3) * r + C2
        share[d] = (series * r + ONE) * r + ONE
        bits[d] = (np.int32(whole) + np.int32(127)) << np.int32(23)
    for d in range(n):
        power[d] *= share[d]
    for d in range(n):
        share[d] = ONE / (ONE + power[d])


_logistic = compiled(_logistic, lean=True)


def _lay_gate(opened: Any, variable: Any, place: Any, shut: Any, width: Any) -> None:
    """Multiply ``opened`` by how far a gate is open; ``place``: column, first day, days (all unsigned)."""
    column, a, n = place
    if width == ZERO:
        for d in range(n):
            opened[d] *= ONE if variable[column, a + d] - shut >= ZERO else ZERO
        return
    steep = ONE / width
    for d in range(n):
        opened[d] *= min(max((variable[column, a + d] - shut) * steep, ZERO), ONE)


_lay_gate = compiled(_lay_gate, lean=True)


def _go_slowly(share: Any, opened: Any, n: Any, gone: Any, after: Any) -> None:
    """Fill ``after`` from the second on behind gates that are neither wide open nor shut."""
    for d in range(n):
        gone += max(share[d] - gone, ZERO) * opened[d]
        after[d + ONE_MORE] = gone


_go_slowly = compiled(_go_slowly, lean=True)


def _go(share: Any, opened: Any, n: Any, gone: Any, all_gone: Any, leaving: Any, after: Any) -> Any:
    """Let the ready go day by day; return how many days it took, all ``n`` if some are left.

    ``after`` (1 + days,): what has gone before the first day, then after each. Shares never fall, so that behind gates
    that are open all the time whoever has gone is whoever was ready.
    """
    after[0] = gone
    wide, shut = NO_DAY, NO_DAY
    for d in range(n):
        wide += ONE_DAY if opened[d] == ONE else NO_DAY
        shut += ONE_DAY if opened[d] == ZERO else NO_DAY
    if wide == n:
        for d in range(n):
            after[d + ONE_MORE] = max(share[d], gone)
        leaving[0] = max(share[0], gone) - gone
        for d in range(ONE_MORE, n):  # not from ``after``: reading what was just written, one day off, is slow
            leaving[d] = max(share[d], gone) - max(share[d - ONE_MORE], gone)
    elif shut == n:
        for d in range(n):
            after[d + ONE_MORE] = gone
            leaving[d] = ZERO
    else:
        if wide + shut == n:
            for d in range(n):
                leaving[d] = share[d] if opened[d] == ONE else ZERO
            for d in range(n):
                gone = leaving[d] if leaving[d] > gone else gone
                after[d + ONE_MORE] = gone
        else:
            _go_slowly(share, opened, n, gone, after)
        for d in range(n):
            leaving[d] = after[d + ONE_MORE] - after[d]
    while n > ONE_MORE and after[n - ONE_MORE] > all_gone:
        n -= ONE_MORE
    return n


_go = compiled(_go, lean=True)


def _most_of(bits: Any, n: Any) -> Any:
    """Return the largest of the first ``n`` floats, given as their bits: in the same order from 0 upward."""
    most = NO_DAY
    for d in range(n):
        most = max(most, bits[d])
    return most


_most_of = compiled(_most_of, lean=True)


def _note(shows: Any, flags: Any, place: Any) -> None:
    """Note the days on which it shows, a bit a day as in ``shown.ShownDays``; ``flags`` 1 or 0 a day."""
    c, a, n = place
    word = np.uint64(0)
    for d in range(n):
        word |= np.uint64(flags[d]) << d
    word <<= a % WORD
    shows[c, a // WORD] |= np.uint32(word & LOW)
    shows[c, a // WORD + ONE_MORE] |= np.uint32(word >> WORD)


_note = compiled(_note, lean=True)


def _tell(leaving: Any, bits: Any, limit: Any, place: Any, days: Any, lake: Any, flags: Any) -> None:
    """Note the days on which it shows and add them and what leaves to the lake's; ``bits`` of ``leaving``."""
    shows, count, total = days
    _, a, n = place
    if _most_of(bits, n) >= limit:
        for d in range(n):
            flags[d] = ONE_DAY if bits[d] >= limit else NO_DAY
        _note(shows, flags, place)
        for d in range(n):
            count[lake, a + d] += flags[d]
    for d in range(n):
        total[lake, a + d] += leaving[d]


_tell = compiled(_tell, lean=True)


def _tell_afoot(moves: Any, after: Any, gates: Any, place: Any, days: Any, lake: Any, flags: Any) -> None:
    """Turn a share into what is on the move and tell it; ``moves``: the share and its bits.

    ``after``: what has gone up to the day before each.
    """
    (share, bits), (shows, count, total) = moves, days
    _, a, n = place
    opened, open_gate, limit = gates
    for d in range(n):
        share[d] -= after[d]
    if _most_of(bits, n) >= limit:
        for d in range(n):
            flags[d] = ONE_DAY if (bits[d] >= limit) & (opened[d] >= open_gate) else NO_DAY
        _note(shows, flags, place)
        for d in range(n):
            count[lake, a + d] += flags[d]
    for d in range(n):
        total[lake, a + d] += share[d] * opened[d]


_tell_afoot = compiled(_tell_afoot, lean=True)


def _reached(values: Any, n: Any, level: Any, a: Any, known: Any) -> Any:
    """Return the first day on which rising ``values`` reach a level, ``known`` where that was before or is not yet."""
    if known != NONE or values[n] < level:
        return known
    d = n
    while d > ONE_MORE and values[d - ONE_MORE] >= level:
        d -= ONE_MORE
    return np.int16(a + d - ONE_MORE)


_reached = compiled(_reached, lean=True)


def _begun(ahead: Any, n: Any, a: Any, known: Any) -> Any:
    """Return the first day on which a tenth has begun to move, ``known`` where that was before or is not yet."""
    if known != NONE or ahead[n - ONE_MORE] < TENTH:
        return known
    d = n - ONE_MORE
    while d > NO_MORE and ahead[d - ONE_MORE] >= TENTH:
        d -= ONE_MORE
    return np.int16(a + d)


_begun = compiled(_begun, lean=True)


def _most(bits: Any, n: Any, a: Any, most: Any, day: Any) -> Any:
    """Return the most on the move so far, as bits, and its day."""
    top = _most_of(bits, n)
    if top > most:
        for d in range(n):
            if bits[d] == top:
                return top, np.int16(a + d)
    return most, day


_most = compiled(_most, lean=True)


def _pass(columns: Any, need: Any, entry: Any, frozen: Any, gates: Any, found: Any, rows: Any) -> None:  # kernel
    """Do what ``_passage`` does; ``found``: its dates and days, ``rows``: room for SPAN days each and their bits."""
    centre, steep, lead, travels = need
    count, variables, shuts, width = gates
    dates, (leaving, afoot, (limit, open_gate, all_gone)) = found
    (heat, share, ahead, opened, out, after), (bits, power, open_bits, out_bits, ahead_bits) = rows
    size, n_days, lakes = np.uintp(columns.shape[0]), np.uintp(columns.shape[1]), np.uintp(leaving[1].shape[0])
    members = size // lakes
    for c in range(size):
        lake, a = c // members, np.uintp(max(entry[c], 0))
        begin, onset, peak, end = NONE, NONE, NONE, NONE
        most, most_day, gone = NO_DAY, np.int16(0), ZERO
        middle, slope = centre[c], steep[c]
        earlier = np.float32(math.exp(-2.0 * lead[c])) if travels else ONE
        while a < n_days and gone <= all_gone:
            n = min(np.uintp(SPAN), n_days - a)
            for d in range(n):
                opened[d] = ZERO if frozen[c, a + d] else ONE
            for g in range(count):
                column = c // (size // np.uintp(variables[g].shape[0]))
                _lay_gate(opened, variables[g], (column, a, n), shuts[g][c], width[g])
            if not travels and _most_of(open_bits, n) == NO_DAY:
                a += n
                continue
            for d in range(n):
                heat[d] = (columns[c, a + d] - middle) * slope
            _logistic(heat, n, share, bits, power)
            n = _go(share, opened, n, gone, all_gone, out, after)
            if travels:
                for d in range(n):
                    ahead[d] = ONE / (ONE + power[d] * earlier)
                begin = _begun(ahead, n, a, begin)
                _tell_afoot((ahead, ahead_bits), after, (opened, open_gate, limit), (c, a, n), afoot, lake, bits)
                most, most_day = _most(ahead_bits, n, a, most, most_day)
            if after[n] > gone:
                _tell(out, out_bits, limit, (c, a, n), leaving, lake, bits)
            onset = _reached(after, n, TENTH, a, onset)
            peak = _reached(after, n, HALF, a, peak)
            end = _reached(after, n, NINE_TENTHS, a, end)
            gone, a = after[n], a + n
        dates[0][c], dates[1][c], dates[2][c], dates[3][c], dates[4][c] = begin, onset, peak, end, most_day


_pass = compiled(_pass, lean=True)


def _passage(columns: Any, need: Any, entry: Any, frozen: Any, gates: Any, dates: Any, days: Any) -> None:
    """Fill the passage of all cells; every argument is an array or a tuple of fixed types.

    ``columns`` [°C·day] and ``frozen`` (cells, days). ``need``: centre, steep, lead (cells,) float32, whether anybody
    travels. ``gates``: how many, then variables (columns, days), shut ends (cells,) and widths of MOST_GATES each.
    ``dates``: begin, onset, peak, end, most_day (cells,) int16. ``days``: for what leaves and what moves the days on
    which it shows (cells, words), see ``shown.ShownDays``, in how many of a lake's members, and the sum over them
    (lakes, days), all 0; then the limits: a share that shows (its bits), an open gate, all gone. Indices are unsigned:
    no day needs a check for negatives.
    """
    heat, share, ahead = np.empty(SPAN, np.float32), np.empty(SPAN, np.float32), np.empty(SPAN, np.float32)
    opened, out, after = np.empty(SPAN, np.float32), np.empty(SPAN, np.float32), np.empty(SPAN + 1, np.float32)
    bits = np.empty(SPAN, np.int32)
    same = bits, bits.view(np.float32), opened.view(np.int32), out.view(np.int32), ahead.view(np.int32)
    _pass(columns, need, entry, frozen, gates, (dates, days), ((heat, share, ahead, opened, out, after), same))


def _first_day(columns: Any, level: Any, first: Any) -> None:
    """Fill ``first`` (cells,) as ``population.first_day_at`` does; ``columns`` (cells, days)."""
    n_days = columns.shape[1]
    for k in range(level.shape[0]):
        low, high = 0, n_days
        while low < high:
            middle = (low + high) // 2
            if columns[k, middle] < level[k]:
                low = middle + 1
            else:
                high = middle
        first[k] = low


def _water_start(columns: Any, threshold: Any, first: Any, days: Any, start: Any) -> None:
    """Fill ``start`` (cells,) int16 as ``population.water_start`` does; ``columns`` (cells, days)."""
    begin = max(first, days - 1)
    for c in range(columns.shape[0]):
        total = ZERO
        for d in range(begin - days + 1, begin + 1):
            total += columns[c, d]
        start[c] = NONE
        for d in range(begin, columns.shape[1]):
            if d > begin:
                total += columns[c, d] - columns[c, d - days]
            if not total < threshold:
                start[c] = d
                break


def _ice_off_start(columns: Any, first: Any, last: Any, earliest: Any, start: Any) -> None:
    """Fill ``start`` (cells,) int16 as ``population.ice_off_start`` does; ``columns`` (cells, days)."""
    for c in range(columns.shape[0]):
        day = min(last, columns.shape[1] - 1)
        while day >= first and not columns[c, day]:
            day -= 1
        start[c] = max(day + 1, earliest)


def _heat_at(columns: Any, start: Any, heat: Any) -> None:
    """Fill ``heat`` (cells,) float32 as ``population.heat_at`` does; ``columns`` (cells, days)."""
    last = columns.shape[1] - 1
    for c in range(columns.shape[0]):
        if start[c] == NONE:
            heat[c] = np.inf
        else:
            heat[c] = columns[c, min(start[c] - 1, last)] if start[c] > 0 else ZERO


passage_kernel = kernel(_passage)
heat_at_kernel = kernel(_heat_at)
water_start_kernel = kernel(_water_start)
ice_off_start_kernel = kernel(_ice_off_start)
first_day_kernel = kernel(_first_day)

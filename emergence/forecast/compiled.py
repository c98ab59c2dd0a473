"""Heat of a block's members and of its lakes at several depths, compiled where numba is installed.

Arrays hold each cell's days side by side, as in ``taxa.compiled``. The kernels are None without numba; the NumPy forms
in ``field`` then do the work and give the same numbers to the bit.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from emergence.dates import NEVER
from emergence.loops import compiled, kernel
from emergence.taxa.compiled import SPAN, _lay_gate
from emergence.taxa.compiled_classes import _first_at

ZERO, ONE = np.float32(0), np.float32(1)
BILLION = 1e9  # a billionth of a day is lost in sums of chances
ABREAST = 4  # cells summed side by side
WIDE, DAYS = 32, 16  # cells and days turned over together


def _turn(days: Any, begin: Any, columns: Any) -> None:
    """Fill ``columns`` (cells, days) with ``days`` (days, cells) from a first day on."""
    n_days, cells = days.shape
    for d in range(begin, n_days, DAYS):
        for c in range(0, cells, WIDE):
            for k in range(c, min(c + WIDE, cells)):
                for day in range(d, min(d + DAYS, n_days)):
                    columns[k, day] = days[day, k]


def _lay_colder(below: Any, share: Any, begin: Any, colder: Any) -> None:
    """Fill ``colder`` (days from ``begin`` on,) with what a sky's layer is colder than the surface."""
    for d in range(colder.shape[0]):
        colder[d] = ZERO
    for level in range(1, share.shape[0]):
        part = share[level]
        if part != ZERO:
            row = below[level - 1, begin:]
            for d in range(colder.shape[0]):
                colder[d] += part * row[d]


_lay_colder = compiled(_lay_colder, lean=True)


def _gather(a: Any, b: Any, c: Any, d: Any) -> None:
    """Turn daily values into running sums, four cells at a time: a single sum would wait for itself every day."""
    one, two, three, four = 0.0, 0.0, 0.0, 0.0
    for day in range(a.shape[0]):
        one += a[day]
        two += b[day]
        three += c[day]
        four += d[day]
        a[day], b[day], c[day], d[day] = one, two, three, four


_gather = compiled(_gather, lean=True)


def _warm(water: Any, colder: Any, limits: Any, daily: Any) -> None:
    """Fill ``daily`` with a cell's degree-days of each day; all (days,)."""
    lower, upper = limits
    for d in range(daily.shape[0]):
        daily[d] = min(max(max(water[d] - colder[d], ZERO), lower), upper) - lower


_warm = compiled(_warm, lean=True)


def _lay_heat(gathered: Any, begin: Any, heat: Any) -> None:
    """Fill a cell's ``heat`` (days,) with 0 up to a day and what was gathered from then on."""
    for d in range(begin):
        heat[d] = ZERO
    later = heat[begin:]
    for d in range(gathered.shape[0]):
        later[d] = gathered[d]


_lay_heat = compiled(_lay_heat, lean=True)


def _each_heat(water: Any, below: Any, share: Any, limits: Any, heat: Any, rows: Any) -> None:
    """Do what ``_heat`` does; ``rows``: room for a sky's and for ABREAST cells' days that count."""
    lower, upper, begin = limits
    colder, daily = rows
    cells = water.shape[0]
    each = cells // max(below.shape[0], 1)
    skies = below.shape[0] // max(share.shape[1], 1)
    for first in range(0, cells, ABREAST):
        abreast = min(ABREAST, cells - first)
        for k in range(abreast):
            if share.shape[0] and (first + k) % each == 0:
                sky = (first + k) // each
                _lay_colder(below[sky], share[:, sky // skies], begin, colder)
            _warm(water[first + k, begin:], colder, (lower, upper), daily[k])
        _gather(daily[0], daily[1], daily[2], daily[3])
        for k in range(abreast):
            _lay_heat(daily[k], begin, heat[first + k])


_each_heat = compiled(_each_heat, lean=True)


def _heat(water: Any, below: Any, share: Any, limits: Any, heat: Any) -> None:
    """Fill ``heat`` (cells, days) float32 with the degree-days gathered by ``water``, summed in float64.

    ``below`` (skies, levels, days): surface less a level; ``share`` (1 + levels, lakes): what surface and levels
    count, no rows for the surface alone; ``limits``: lower and upper threshold, and the first day that counts.
    """
    n = water.shape[1] - limits[2]
    _each_heat(water, below, share, limits, heat, (np.zeros(n, np.float32), np.zeros((ABREAST, n), np.float64)))


def _level_days(surface: Any, below: Any, level: Any, begin: Any, daily: Any) -> None:
    """Fill ``daily`` with the water of a level in a sky, from ``begin`` on; level 0 is the surface."""
    warm = surface[begin:]
    for d in range(daily.shape[0]):
        daily[d] = warm[d]
    if level:
        row = below[level - 1, begin:]
        for d in range(daily.shape[0]):
            daily[d] -= row[d]


_level_days = compiled(_level_days, lean=True)


def _sum_up(daily: Any, limits: Any, begin: Any, sums: Any) -> None:
    """Fill a level's ``sums`` (days,) with 0 up to a day and the degree-days gathered from then on."""
    lower, upper = limits
    for d in range(daily.shape[0]):
        daily[d] = min(max(daily[d], lower), upper) - lower
    for d in range(begin):
        sums[d] = ZERO
    total, later = ZERO, sums[begin:]
    for d in range(daily.shape[0]):
        total += daily[d]
        later[d] = total


_sum_up = compiled(_sum_up, lean=True)


def _level_heat(surface: Any, below: Any, share: Any, limits: Any, sums: Any) -> None:
    """Fill ``sums`` (skies, 1 + levels, days) float32 with the degree-days of every level that counts.

    ``surface`` (skies, days), ``below`` (skies, levels, days), ``share`` (1 + levels, lakes); ``limits`` as in
    ``_heat``.
    """
    lower, upper, begin = limits
    skies, n_days = surface.shape
    each, daily = skies // share.shape[1], np.empty(n_days - begin, np.float32)
    for sky in range(skies):
        for level in range(share.shape[0]):
            if share[level, sky // each] != ZERO:
                _level_days(surface[sky], below[sky], level, begin, daily)
                _sum_up(daily, (lower, upper), begin, sums[sky, level])


def _middle(values: Any) -> Any:
    """Sort a few values and return the two in the middle, the same one twice where their number is odd."""
    n = values.shape[0]
    for a in range(1, n):
        moved, b = values[a], a
        while b > 0 and values[b - 1] > moved:
            values[b] = values[b - 1]
            b -= 1
        values[b] = moved
    return values[(n - 1) // 2], values[n // 2]


_middle = compiled(_middle, lean=True)


def _mean(sums: Any, share: Any, day: Any) -> Any:
    """Return the mean over levels of the heat gathered up to a day; ``sums`` (levels, days), ``share`` (levels,)."""
    mean = ZERO
    for level in range(share.shape[0]):
        if share[level] != ZERO:
            mean += share[level] * sums[level, day]
    return mean


_mean = compiled(_mean, lean=True)


def _apart(sums: Any, share: Any, before: Any, after: Any) -> Any:
    """Return the standard deviation over levels of what was gathered between two days."""
    mean, square = ZERO, ZERO
    for level in range(share.shape[0]):
        if share[level] != ZERO:
            mean += share[level] * (sums[level, after] - sums[level, before])
    for level in range(share.shape[0]):
        if share[level] != ZERO:
            away = sums[level, after] - sums[level, before] - mean
            square += share[level] * away * away
    return np.float32(math.sqrt(square))


_apart = compiled(_apart, lean=True)


def _uneven(sums: Any, share: Any, start: Any, need: Any, sd: Any) -> None:
    """Fill ``sd`` (skies,) as ``Field.uneven_heat`` does; ``start`` and ``need`` (skies, replicates)."""
    skies, levels, n_days = sums.shape
    each = skies // share.shape[1]
    days, needs, own = (
        np.empty(start.shape[1], np.int64),
        np.empty(start.shape[1], np.float32),
        np.empty(levels, np.float32),
    )
    for sky in range(skies):
        own[:] = share[:, sky // each]
        days[:], needs[:] = start[sky], need[sky]
        early, late = _middle(days)
        if early == NEVER:
            sd[sky] = ZERO
            continue
        one, other = _middle(needs)
        first = min(max((early + late) // 2 - 1, 0), n_days - 1)
        goal = _mean(sums[sky], own, first) + (one + other) / np.float32(2)
        low, high = 0, n_days - 1
        while low < high:
            middle = (low + high) // 2
            if _mean(sums[sky], own, middle) < goal:
                low = middle + 1
            else:
                high = middle
        sd[sky] = _apart(sums[sky], own, first, low)


def _active(onset: Any, end: Any, count: Any) -> None:
    """Fill ``count`` (lakes, days) with the members between onset and end; both (lakes, members) int16."""
    lakes, members = onset.shape
    n_days = count.shape[1]
    for lake in range(lakes):
        for m in range(members):
            if onset[lake, m] != NEVER and onset[lake, m] < n_days:
                count[lake, onset[lake, m]] += 1
                if end[lake, m] + 1 < n_days:
                    count[lake, end[lake, m] + 1] -= 1
        for d in range(1, n_days):
            count[lake, d] += count[lake, d - 1]


def _within(onset: Any, end: Any, shows: Any) -> None:
    """Set ``shows`` (cells, days) between onset and end (cells,) int16, both included."""
    for c in range(onset.shape[0]):
        for d in range(onset[c], min(end[c] + 1, shows.shape[1])):
            shows[c, d] = True


def _open_days(frozen: Any, gates: Any, place: Any, opened: Any) -> None:
    """Fill ``opened`` with how far all gates are open on some days; ``place``: cell, first day, days (unsigned)."""
    count, variables, shuts, widths = gates
    cell, a, n = place
    for d in range(n):
        opened[d] = ZERO if frozen[cell, a + d] else ONE
    for g in range(count):
        column = cell // (np.uintp(frozen.shape[0]) // np.uintp(variables[g].shape[0]))
        _lay_gate(opened, variables[g], (column, a, n), shuts[g][cell], widths[g])


_open_days = compiled(_open_days, lean=True)


def _lasts(heat: Any, frozen: Any, gates: Any, open_gate: Any, begin: Any, opened: Any) -> Any:
    """Return the last day under way of a cell whose event never ends; ``heat`` its sums, ``begin``: cell, onset."""
    cell, onset = begin
    n_days = np.uintp(frozen.shape[1])
    done = np.uintp(max(onset, _first_at(heat, heat[-1])))  # from then on no more heat is gathered
    first = done
    while first < n_days:
        n = min(np.uintp(SPAN), n_days - first)
        _open_days(frozen, gates, (cell, first, n), opened)
        for d in range(n):
            if opened[d] >= open_gate:
                return first + np.uintp(d)
        first += n
    while done > onset:
        n = min(np.uintp(SPAN), done - onset)
        _open_days(frozen, gates, (cell, done - n, n), opened)
        for d in range(n - 1, -1, -1):
            if opened[d] >= open_gate:
                return done - n + np.uintp(d)
        done -= n
    return onset


_lasts = compiled(_lasts, lean=True)


def _under_way(onset: Any, heat: Any, frozen: Any, gates: Any, open_gate: Any, found: Any) -> None:
    """Fill the first of ``found`` (cells,), given as the end, as ``events.under_way_until`` does.

    ``heat`` and ``frozen`` (cells, days); ``gates`` as ``population.Gates.packed`` gives them; the second of ``found``
    is room for SPAN days.
    """
    until, opened = found
    for c in range(onset.shape[0]):
        if onset[c] != NEVER and until[c] == NEVER:
            until[c] = _lasts(heat[c], frozen, gates, open_gate, (np.uintp(c), np.uintp(onset[c])), opened)


def _best_week(chance: Any, first: Any, rows: Any, start: Any, days: Any) -> None:
    """Fill ``start`` and ``days`` (lakes,) as ``windows.best_week`` does; ``chance`` (days, lakes).

    ``rows`` (WEEK + 1, lakes): room for the running sums of a week and the day before it, 0 at first.
    """
    n_days, lakes = chance.shape
    span = rows.shape[0]
    days[:] = -1.0
    for d in range(1, n_days + 1):
        now, before, since = rows[d % span], rows[(d - 1) % span], rows[(d + 1) % span]
        for k in range(lakes):
            now[k] = before[k] + chance[d - 1, k]
        if d >= first + span - 1:
            for k in range(lakes):
                week = np.rint((now[k] - since[k]) * BILLION) / BILLION
                if week > days[k]:
                    days[k], start[k] = week, d - span + 1


def _longest_run(flags: Any, start: Any, end: Any, run: Any) -> None:
    """Fill ``start`` and ``end`` (lakes,), NEVER at first, as ``windows.longest_run`` does; ``run`` (lakes,) of 0."""
    n_days, lakes = flags.shape
    for d in range(n_days):
        for k in range(lakes):
            run[k] = run[k] + 1 if flags[d, k] else 0
            if run[k] > 0 and (end[k] == NEVER or run[k] > end[k] - start[k] + 1):
                start[k], end[k] = d - run[k] + 1, d


turn_kernel = kernel(_turn)
active_kernel = kernel(_active)
within_kernel = kernel(_within)
under_way_kernel = kernel(_under_way, lean=True)
best_week_kernel = kernel(_best_week)
longest_run_kernel = kernel(_longest_run)
heat_kernel = kernel(_heat)
level_heat_kernel = kernel(_level_heat)
uneven_kernel = kernel(_uneven)

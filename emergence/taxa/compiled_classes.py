"""Year-classes cell by cell, compiled where numba is installed: what ``yearclass`` does year by year for all cells.

The kernels are None without numba; the NumPy forms then do the work and give the same numbers to rounding.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np

from emergence.dates import NEVER
from emergence.loops import compiled, kernel

ONE32 = np.float32(1)
ALL_BEYOND = -17.0  # exp of it is lost beside 1 in single precision


def _before(column: Any, day: Any) -> Any:
    """Return the sum gathered before a day index."""
    return np.float64(column[min(day - 1, column.shape[0] - 1)]) if day > 0 else 0.0


_before = compiled(_before, lean=True)


def _first_at(column: Any, level: Any) -> Any:
    """Return the first day index on which a rising sum reaches a level, the number of days if never."""
    low, high = 0, column.shape[0]
    while low < high:
        middle = (low + high) // 2
        if column[middle] < level:
            low = middle + 1
        else:
            high = middle
    return low


_first_at = compiled(_first_at, lean=True)


def _season_heat(columns: Any, start: Any, arrest: Any, own: Any, clutches: Any, found: Any) -> None:
    """Fill ``found``: annual, emerged (years, cells) and after (years, clutches, cells) as ``yearclass.season_heat``.

    ``columns`` [°C·day] (outer, years, inner, days), ``start`` (outer, years, inner), ``arrest`` (cells,), cells being
    outer times inner. ``own``: median, spread, SPRING_SHARE, half the standard logistic's standard deviation, days
    from emergence to egg, whether clutches are laid. ``clutches``: their shares.
    """
    median, spread, spring, scale, lay_after, lays = own
    annual, emerged, after = found
    outer, years, inner, n_days = columns.shape
    for cell in range(outer * inner):
        one, other, stop = cell // inner, cell % inner, arrest[cell]
        usual = 0.0
        for year in range(years):
            annual[year, cell] = _before(columns[one, year, other], stop)
            usual += annual[year, cell]
        usual /= years
        eased = min(1.0, spring * usual / median) if median > 0 else 1.0
        needed, wide = median * eased, spread * max(eased, 0.05)
        for year in range(years):
            column, begin = columns[one, year, other], start[one, year, other]
            if begin == NEVER:
                continue
            offset = 0.0 if begin <= 0 else _before(column, begin)
            out = 0.5 + 0.5 * math.tanh(scale * (annual[year, cell] - offset - needed) / wide)
            emerged[year, cell] = out
            if not lays:
                continue
            for k in range(clutches.shape[0]):
                share = min(max(clutches[k] * out, 1e-12), 1 - 1e-12)
                level = offset + needed + wide / (2 * scale) * math.log(share / (1 - share))
                day = _first_at(column, np.float32(level))
                laid = stop if day >= n_days else min(day + lay_after, stop)
                after[year, k, cell] = annual[year, cell] - _before(column, laid)


def _beyond(heat: Any, level: Any, scale: Any, nobody: Any) -> Any:
    """Return the share of nymphs that have passed a size, as ``yearclass._beyond``; ``nobody``: of how few, how far.

    Where nearly all or next to none have, no exponential is taken: most ages of most years.
    """
    few, far = nobody
    away = scale * (1.0 - heat / level)
    if away < ALL_BEYOND:
        return 1.0
    if away > far:
        return 0.0
    power = np.float32(min(max(away, -60.0), 60.0))
    share = np.float64(ONE32 / (ONE32 + np.float32(math.exp(power))))
    return 0.0 if share < few else share


_beyond = compiled(_beyond, lean=True)


def _mark(heat: Any, cell: Any, levels: Any, marks: Any, total: Any) -> None:
    """Fill ``marks`` (3, years, ages): of each year's clutches those newly marked, F-1 and full-grown, by age.

    ``heat``: annual (years, cells), after (years, clutches, cells); ``levels``: three sizes, scale, least share;
    ``total`` (clutches, 2) is scratch: heat gathered, share marked before.
    """
    annual, after = heat
    critical, half, grown, scale, few = levels
    nobody = few, 0.01 - math.log(few)
    years, ages = marks.shape[1:]
    count = after.shape[1]
    for year in range(years):
        for k in range(count):
            total[k, 0], total[k, 1] = after[year, k, cell], 0.0
        for age in range(ages):
            marks[0, year, age], marks[1, year, age], marks[2, year, age] = 0.0, 0.0, 0.0
        marked = 0
        for age in range(ages):
            if marked == count:
                break  # nobody is left to be marked
            new, some, full, known = 0.0, 0.0, 0.0, 0.0
            marked = 0
            for k in range(count):
                if age:
                    total[k, 0] += annual[(year + age) % years, cell]
                gathered, before = total[k, 0], total[k, 1]
                known += before
                share = _beyond(gathered, critical, scale, nobody)
                new += max(share - before, 0.0)
                some += max(_beyond(gathered, half, scale, nobody) - before, 0.0)
                full += max(_beyond(gathered, grown, scale, nobody) - before, 0.0)
                total[k, 1] = share
                marked += share == 1.0
            rest = max(1.0 - known / count, 1e-12)
            marks[0, year, age] = min(max(new / count / rest, 0.0), 1.0)
            marks[1, year, age] = min(max(some / count / rest, 0.0), 1.0)
            marks[2, year, age] = min(max(full / count / rest, 0.0), 1.0)


_mark = compiled(_mark, lean=True)


def _pass_year(nymphs: Any, marks: Any, leaving: Any, year: Any, own: Any) -> None:
    """Let a year pass over ``nymphs`` (4, ages): young, ripe, half, full, as ``yearclass._season``."""
    survival, density, wintering_eggs = own
    half_year = math.sqrt(survival)
    ages, years = nymphs.shape[1], marks.shape[1]
    emerged = 0.0
    for age in range(ages):
        emerged += leaving * (half_year * nymphs[1, age])
    hatched = emerged**density if emerged > 0 else 0.0
    for age in range(ages - 1, -1, -1):
        if age:
            at_flight = half_year * nymphs[1, age - 1]
            young = survival * nymphs[0, age - 1]
            ripe = 0.0 if wintering_eggs else half_year * (at_flight - leaving * at_flight)
        else:
            young, ripe = half_year * hatched, 0.0
        birth = (year - age) % years
        new = marks[0, birth, age]
        nymphs[2, age] = ripe + young * min(marks[1, birth, age], new)
        nymphs[3, age] = ripe + young * min(marks[2, birth, age], new)
        nymphs[0, age], nymphs[1, age] = young - young * new, ripe + young * new


_pass_year = compiled(_pass_year, lean=True)


def _coming(heat: Any, levels: Any, own: Any, rounds: Any, found: Any) -> None:
    """Fill ``found``: maturing over their mean, F-2 and F-1 of them, younger (cells,), ages (ages, cells).

    ``heat``: annual, emerged (years, cells), after (years, clutches, cells); ``levels`` as in ``_mark``; ``own`` as in
    ``_pass_year``; ``rounds``: how often the record is repeated beforehand.
    """
    annual, emerged, after = heat
    strength, two_short, one_short, younger, shares = found
    years, cells = annual.shape
    ages = shares.shape[0]
    marks, nymphs, total = np.empty((3, years, ages)), np.empty((4, ages)), np.empty((after.shape[1], 2))
    for cell in range(cells):
        if own[2]:
            marks[:] = 0.0
            marks[:, :, 0] = 1.0
        else:
            _mark((annual, after), cell, levels, marks, total)
        nymphs[:] = 1.0
        usual = 0.0
        for turn in range(rounds + 1):
            for year in range(years):
                if turn == rounds:
                    usual += nymphs[1].sum()
                _pass_year(nymphs, marks, emerged[year, cell], year, own)
        young, ripe, half, full = nymphs[0].sum(), nymphs[1].sum(), nymphs[2].sum(), nymphs[3].sum()
        usual /= years
        strength[cell] = ripe / usual if usual > 0 else 0.0
        if ripe > 0:
            two_short[cell], one_short[cell] = (ripe - half) / ripe, (half - full) / ripe
            younger[cell] = young / ripe
            for age in range(ages):
                shares[age, cell] = nymphs[1, age] / ripe


season_heat_kernel = kernel(_season_heat)
coming_kernel = kernel(_coming)

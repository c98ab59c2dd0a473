"""The day loops of water and ice, cell by cell, compiled where numba is installed.

Each mirrors a NumPy form of the same name (``surface.simulate``, ``features.features``, ``members.member_water``) that
stays as its test and does the work, slower, without numba; the kernels are then None.
"""

from __future__ import annotations

import math
from typing import Any, NamedTuple

import numpy as np

from emergence.loops import compiled, kernel

QUIET, STIRRED, ASLEEP = 0, 1, 2  # open and undisturbed; anything else; all members frozen and undisturbed


class Physics(NamedTuple):
    """Every number of the surface model in one precision; names as in ``surface`` and coefficients.toml."""

    zero: Any
    half: Any
    one: Any
    four: Any
    kelvin: Any
    es_factor: Any
    es_slope: Any
    es_offset: Any
    es_change: Any
    humidity: Any
    sky_exponent: Any
    absorbed: Any
    sigma: Any
    warm_scale: Any
    cold_scale: Any
    day_s: Any
    water_heat: Any
    melt_m: Any
    conduct: Any
    conduct_skin: Any
    freeze_loss: Any
    floor_m: Any
    snow_reserve_m: Any
    melt_sun_snow: Any
    melt_sun: Any
    melt_air: Any
    melt_threshold: Any
    first_ice_m: Any
    open_spring_c: Any
    open_other_c: Any
    reset_c: Any
    relaxed_air: Any


def _saturation(t: Any, c: Any) -> Any:
    return c.es_factor * math.exp(c.es_slope * t / (t + c.es_offset))


_saturation = compiled(_saturation, lean=True)


def _layer(water: Any, deepen: Any, layer: Any, depth: Any, c: Any) -> Any:
    away = water - c.four
    if away > c.zero:
        mixed = layer + (depth - layer) * math.exp(away * c.warm_scale)
        return min(mixed * deepen, max(depth, mixed))
    return layer + (depth - layer) * math.exp(away * c.cold_scale)


_layer = compiled(_layer, lean=True)


def _warmed(air: Any, water: Any, sky: Any, lake: Any, c: Any) -> Any:
    """Return the mixed layer after an ice-free day; ``sky``: sun, sky, deepen; ``lake``: wind, bowen, layer, depth."""
    sun, dome, deepen = sky
    wind, bowen_wind, layer, depth = lake
    kelvin, air_k = water + c.kelvin, air + c.kelvin
    vapour = c.humidity * _saturation(air, c)
    dome = min(c.one, dome * (vapour / air_k) ** c.sky_exponent)
    at_water = _saturation(water, c)
    slope_es = at_water * c.es_change / ((water + c.es_offset) * (water + c.es_offset))
    cube = c.sigma * kelvin * kelvin * kelvin
    warm = air_k * air_k
    flux = c.absorbed * sun + c.sigma * dome * (warm * warm) - cube * kelvin
    flux = flux - wind * (at_water - vapour) - bowen_wind * (water - air)
    slope = c.four * cube + wind * slope_es + bowen_wind
    return water + c.day_s * flux / (c.water_heat * _layer(water, deepen, layer, depth, c) + c.day_s * slope)


_warmed = compiled(_warmed, lean=True)


def _sheet(air: Any, sun: Any, ice: Any, snow: Any, c: Any) -> Any:
    """Return ice and snow after a day over a frozen lake."""
    if air < c.zero:
        growth = c.melt_m * (c.conduct * -air / (ice + c.conduct_skin) - c.freeze_loss)
        ice, snow = max(ice + growth, c.floor_m), snow + c.snow_reserve_m
    share = c.melt_sun_snow if snow > c.zero else c.melt_sun
    melt = c.melt_m * max(c.melt_air * air + share * sun - c.melt_threshold, c.zero)
    from_snow = min(melt, snow)
    return ice - (melt - from_snow), snow - from_snow


_sheet = compiled(_sheet, lean=True)


def _surface(air: Any, drive: Any, lake: Any, state: Any, out: Any, c: Any) -> None:  # kernel
    """Fill ``out`` (water, free, frozen: days, lakes, slots) and move ``state`` (five arrays, lakes, slots) on.

    ``drive``: sun, sky, deepen, target, spring (days, lakes); ``lake``: wind, bowen_wind, layer, depth, keep (lakes,).
    """
    sun, sky, deepen, target, spring = drive
    wind, bowen_wind, layer, depth, keep = lake
    budget, relaxed, free, ice, snow = state
    water_out, free_out, frozen = out
    n_days, lakes, slots = air.shape
    for day in range(n_days):
        for k in range(lakes):
            left = c.one - keep[k]
            above = (sun[day, k], sky[day, k], deepen[day, k])
            own = (wind[k], bowen_wind[k], layer[k], depth[k])
            for s in range(slots):
                t = air[day, k, s]
                pull = left * (target[day, k] + c.relaxed_air * t)
                free[k, s] = keep[k] * free[k, s] + pull
                opened = False
                if ice[k, s] > c.zero:
                    sheet, snow[k, s] = _sheet(t, above[0], ice[k, s], snow[k, s], c)
                    opened = sheet <= c.zero
                else:
                    budget[k, s] = _warmed(t, budget[k, s], above, own, c)
                    sheet = c.first_ice_m if budget[k, s] <= c.zero else c.zero
                    snow[k, s] = c.zero
                if sheet > c.zero:
                    budget[k, s], relaxed[k, s] = c.zero, c.zero
                elif opened:
                    budget[k, s] = c.open_spring_c if spring[day, k] and t > c.zero else c.open_other_c
                    relaxed[k, s] = c.reset_c
                else:
                    relaxed[k, s] = keep[k] * relaxed[k, s] + pull
                ice[k, s] = max(sheet, c.zero)
                frozen[day, k, s] = sheet > c.zero
                mean = max(c.half * (budget[k, s] + relaxed[k, s]), c.zero)
                water_out[day, k, s] = c.zero if sheet > c.zero else mean
                free_out[day, k, s] = free[k, s]


def _features(anomaly: Any, ice: Any, shares: Any, state: Any, weather: Any) -> None:
    """Fill ``weather`` (days, cells, 3); ``shares``: week, weeks, months, fade (4,); ``state`` (4, cells)."""
    week, weeks, months, fade = shares[0], shares[1], shares[2], shares[3]
    for day in range(anomaly.shape[0]):
        for k in range(anomaly.shape[1]):
            t = anomaly[day, k]
            state[0, k] += week * (t - state[0, k])
            state[1, k] += weeks * (t - state[1, k])
            state[2, k] += months * (t - state[2, k])
            state[3, k] = np.float32(1) if ice[day, k] else state[3, k] * fade
            weather[day, k, 0] = state[0, k] - state[1, k]
            weather[day, k, 1] = state[2, k]
            weather[day, k, 2] = np.float32(0) if ice[day, k] else state[3, k]


def _lay_errors(row: Any, unit: Any, draw: Any, fixed: Any, own: Any) -> None:
    """Fill ``row`` (members,) with one lake's error of a day.

    ``draw``: size, picked path; ``fixed``: calendar (terms,) and its coefficients (terms, members); ``own``: weather
    (slots, terms) and its coefficients (terms, members).
    """
    sd, picked = draw
    for m in range(row.shape[0]):
        row[m] = sd[m] * unit[picked[m]]
    calendar, steady = fixed
    for k in range(calendar.shape[0]):
        factor, terms = calendar[k], steady[k]
        for m in range(row.shape[0]):
            row[m] += factor * terms[m]
    weather, moving = own
    each = row.shape[0] // weather.shape[0]
    for k in range(weather.shape[1]):
        terms = moving[k]
        for s in range(weather.shape[0]):
            factor = weather[s, k]
            for m in range(s * each, (s + 1) * each):
                row[m] += factor * terms[m]


_lay_errors = compiled(_lay_errors, lean=True)


def _thaw(row: Any, day: Any, sky: Any, member: Any, winter: Any) -> Any:
    """Lay one slot's members of a lake on a day with ice about; return in which state they are.

    ``sky``: water, water without ice, ice, ice yesterday; ``member``: shift, disturbance, ice yesterday, ice (members
    of the slot); ``winter``: break-up, keep, water at the opening and the settled disturbance [°C].
    """
    base, free, is_ice, was_ice = sky
    shift, left, before, frozen = member
    opening, keep, at_opening, settled = winter
    zero = np.float32(0)
    opened = was_ice and not is_ice
    gap = free - base if opened else zero
    base = free if is_ice else base
    iced, disturbed = 0, False
    for m in range(row.shape[0]):
        own = opening + shift[m]
        late = opening >= 0 and opening <= day < own
        ice = (is_ice and not (own <= day < opening)) or late
        rest = left[m] * keep
        rest = (zero if abs(rest) < settled else rest) + gap
        if before[m] and not ice:
            rest = zero if opened else at_opening - base
        row[m] = zero if ice else max(row[m] + rest + base, zero)
        left[m], before[m], frozen[m] = rest, ice, ice
        iced += ice
        disturbed = disturbed or rest != zero
    if iced == row.shape[0] and not disturbed:
        return ASLEEP
    return STIRRED if iced or disturbed else QUIET


_thaw = compiled(_thaw, lean=True)


def _sleeps(state: Any, ice: Any, early: Any, day: Any) -> Any:
    """Return whether a lake stays frozen today in all its skies and members."""
    for s in range(state.shape[0]):
        if state[s] != ASLEEP or not ice[s] or early[s] <= day:
            return False
    return True


_sleeps = compiled(_sleeps, lean=True)


def _members(path: Any, draws: Any, known: Any, pull: Any, winter: Any, out: Any) -> None:  # kernel
    """Fill ``out``: water float32 and frozen bool, (days, lakes, members), members slot by slot.

    ``path``: water, free, ice (days, lakes, slots). ``draws``: bank (days, paths), then (lakes, members) size, picked
    and shift, then coefficients of the calendar and of the weather (lakes, terms, members). ``known``: calendar (days,
    terms), weather (days, lakes, slots, terms). ``pull`` (days, lakes, members), no days for none. ``winter``: opening
    (lakes, slots), keep (lakes,), water at the opening (lakes, slots) and the settled disturbance [°C].
    """
    surface, free, path_ice = path
    bank, day_sd, picked, shift, steady, moving = draws
    calendar, weather = known
    opening, keep, at_opening, settled = winter
    water, frozen = out
    n_days, lakes, slots = surface.shape
    members = water.shape[2]
    each = members // slots
    zero = np.float32(0)
    left, before = np.zeros((lakes, members), np.float32), np.zeros((lakes, members), np.bool_)
    state = np.full((lakes, slots), QUIET)
    early, late = np.full((lakes, slots), n_days), np.full((lakes, slots), -1)
    for k in range(lakes):
        for m in range(members):
            s = m // each
            if opening[k, s] >= 0:
                early[k, s] = min(early[k, s], opening[k, s] + min(shift[k, m], 0))
                late[k, s] = max(late[k, s], opening[k, s] + shift[k, m])
    for day in range(n_days):
        for k in range(lakes):
            row, ice = water[day, k], frozen[day, k]
            if _sleeps(state[k], path_ice[day, k], early[k], day):
                row[:], ice[:] = zero, True
                continue
            own = (weather[day, k], moving[k])
            _lay_errors(row, bank[day], (day_sd[k], picked[k]), (calendar[day], steady[k]), own)
            if pull.shape[0]:
                for m in range(members):
                    row[m] += pull[day, k, m]
            for s in range(slots):
                a, b = s * each, (s + 1) * each
                base, was_ice = surface[day, k, s], day > 0 and path_ice[day - 1, k, s]
                if path_ice[day, k, s] or was_ice or state[k, s] != QUIET or early[k, s] <= day <= late[k, s]:
                    sky = (base, free[day, k, s], path_ice[day, k, s], was_ice)
                    own_state = (shift[k, a:b], left[k, a:b], before[k, a:b], ice[a:b])
                    state[k, s] = _thaw(
                        row[a:b], day, sky, own_state, (opening[k, s], keep[k], at_opening[k, s], settled)
                    )
                    continue
                for m in range(a, b):
                    row[m] = max(row[m] + base, zero)
                    ice[m] = False


surface_kernel = kernel(_surface)
features_kernel = kernel(_features)
members_kernel = kernel(_members)

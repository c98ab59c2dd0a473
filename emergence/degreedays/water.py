"""Degree-days of lake water from its daily mean, on large (days, cells) arrays."""

from __future__ import annotations

import numpy as np
from numpy.typing import ArrayLike

from emergence.degreedays.accumulate import accumulate
from emergence.degreedays.compiled import sums_kernel, whole_kernel
from emergence.degreedays.methods import Floats, check_thresholds

BLOCK = 32768
"""Elements worked on at a time; scratch arrays of larger blocks cost fresh memory pages (measured)."""


def mean_water_degree_days(
    water_c: ArrayLike,
    *,
    lower: ArrayLike,
    upper: ArrayLike | None = None,
    diel_range: ArrayLike = 0.0,
    out: Floats | None = None,
) -> Floats:
    """Return daily degree-days of water with a horizontal cut-off.

    Parameters
    ----------
    water_c
        Daily mean water temperature [°C], any shape, time first; float32 stays float32. NaN gives NaN.
    lower, upper
        Lower and upper threshold [°C], broadcast to the shape of ``water_c``; without ``upper`` no cut-off.
    diel_range
        Warmest less coldest water of a day [°C], broadcast likewise. Above 0 the day is a sine wave of that
        range about its mean, which matters only while the mean is within half the range of a threshold.
    out
        Array of the shape and type of the result to write to; may be ``water_c`` itself.

    Returns
    -------
    ndarray
        Degree-days [°C·day], shape of ``water_c``; ``out`` where given.

    Raises
    ------
    ValueError
        For thresholds that are not finite or not in order, a negative or missing range, an ``out`` that does
        not fit.

    Notes
    -----
    With no range it is clip(T, L, U) - L. With a range of 2a each threshold x adds or takes (horizontal
    cut-off: A(L) - A(U)) a [sqrt(1 - u²) - u arccos u] / pi where u = |T - x| / a < 1: the single sine of
    Baskerville & Emin 1969 (Ecology 50:514-517, doi:10.2307/1933912) less its value for a flat day, the same
    above and below x.

    Examples
    --------
    >>> mean_water_degree_days([5.0, 12.0, 30.0], lower=9.0, upper=26.0)
    array([ 0.,  3., 17.])
    >>> mean_water_degree_days([9.0], lower=9.0, diel_range=2.0).round(3)
    array([0.318])
    """
    given = np.asarray(water_c)
    water = np.atleast_1d(given if np.issubdtype(given.dtype, np.floating) else given.astype(np.float64))
    base, cap, half = _limits(water, lower, upper, diel_range)
    wavy = bool(np.any(diel_range))
    result = np.empty_like(water) if out is None else np.atleast_1d(_checked_out(out, given, water))
    step = max(1, BLOCK // max(1, water[:1].size))
    for first in range(0, len(water), step):
        rows = slice(first, first + step)
        low, high = base[rows], None if cap is None else cap[rows]
        if wavy:
            result[rows] = _wavy(np.ascontiguousarray(water[rows]), low, high, half[rows])
        else:
            np.clip(water[rows], low, high, out=result[rows])
            np.subtract(result[rows], low, out=result[rows])
    return result.reshape(given.shape) if out is None else out


def water_sums(water_c: Floats, *, lower: float, upper: float | None = None, last: bool = False) -> Floats:
    """Return running sums of water's degree-days, `accumulate` of `mean_water_degree_days` in one pass.

    Parameters
    ----------
    water_c
        Daily mean water temperature [°C], time first, shape (days, ...), floating.
    lower, upper
        Lower and upper threshold [°C]; without ``upper`` no cut-off.
    last
        Whether only the sum over all days is wanted.

    Returns
    -------
    ndarray
        Sums up to and with each day [°C·day], shape and type of ``water_c``; with ``last`` of the last day alone,
        shape ``water_c.shape[1:]``.

    Raises
    ------
    ValueError
        For thresholds that are not finite or not in order.

    Notes
    -----
    Compiled for float32 where numba is installed, with one pass over memory. Running sums are those of the two
    functions to the bit; the last alone is summed in single precision for sixteen days at a time, in double precision
    beyond: right to 1e-6 of itself.

    Examples
    --------
    >>> water_sums(np.array([[5.0], [12.0], [30.0]]), lower=9.0, upper=26.0)[:, 0]
    array([ 0.,  3., 20.])
    >>> water_sums(np.array([[5.0], [12.0], [30.0]]), lower=9.0, upper=26.0, last=True)
    array([20.])
    """
    if sums_kernel is None or whole_kernel is None or water_c.dtype != np.float32:
        daily = mean_water_degree_days(water_c, lower=lower, upper=upper)
        sums = accumulate(daily, out=daily)
        return sums[-1] if last else sums
    limits = np.float32(lower), np.float32(np.inf if upper is None else upper)
    check_thresholds(np.asarray(limits[0]), None if upper is None else np.asarray(limits[1]))
    flat = np.ascontiguousarray(water_c).reshape(len(water_c), -1)
    if last:
        whole = np.empty(flat.shape[1], dtype=np.float32)
        whole_kernel(flat, *limits, whole)
        return whole.reshape(water_c.shape[1:])
    out = np.empty_like(flat)
    sums_kernel(flat, *limits, out)
    return out.reshape(water_c.shape)


def _wavy(mean: Floats, lower: Floats, upper: Floats | None, half: Floats) -> Floats:
    total = np.empty_like(mean)
    np.clip(mean, lower, upper, out=total)
    total -= lower
    flat = total.reshape(-1)
    distance = np.empty_like(mean)
    for threshold, sign in ((lower, 1.0), (upper, -1.0)):
        if threshold is None:
            continue
        np.abs(np.subtract(mean, threshold, out=distance), out=distance)
        near = np.flatnonzero(distance < half)
        amplitude = half.flat[near]
        u = distance.reshape(-1)[near] / amplitude
        flat[near] += sign / np.pi * amplitude * (np.sqrt((1.0 - u) * (1.0 + u)) - u * np.arccos(u))
    return total


def _limits(
    water: Floats, lower: ArrayLike, upper: ArrayLike | None, diel_range: ArrayLike
) -> tuple[Floats, Floats | None, Floats]:
    base = np.asarray(lower, dtype=water.dtype)
    cap = None if upper is None else np.asarray(upper, dtype=water.dtype)
    check_thresholds(base, cap)
    span = np.asarray(diel_range, dtype=water.dtype)
    if not (np.isfinite(span) & (span >= 0.0)).all():
        raise ValueError(f"diel_range must be finite and not negative, found {np.min(span):g}")
    full = water.shape
    spread = None if cap is None else np.broadcast_to(cap, full)
    return np.broadcast_to(base, full), spread, np.broadcast_to(span / 2.0, full)


def _checked_out(out: Floats, given: Floats, water: Floats) -> Floats:
    if out.shape != given.shape or out.dtype != water.dtype:
        raise ValueError(f"out must have shape {given.shape} and type {water.dtype}, found {out.shape} and {out.dtype}")
    return out

"""Sums of degree-days from a start, and the day on which a sum is reached."""

from __future__ import annotations

from typing import Any

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emergence.dates import NEVER
from emergence.degreedays.methods import Floats

FAHRENHEIT_SHARE = 5.0 / 9.0
"""Size of a Fahrenheit degree in Celsius degrees [1], by definition."""


def accumulate(daily: ArrayLike, *, start: ArrayLike | None = None, out: Floats | None = None) -> Floats:
    """Return running sums over time.

    Parameters
    ----------
    daily
        Degree-days of each day [°C·day], shape (days, ...). NaN stays NaN from its day on, unless it comes
        before the start.
    start
        Index of the first day that counts, integers, broadcast to the cell shape ``daily.shape[1:]``;
        `dates.NEVER` or an index past the last day leaves the sum at 0. Without it every day counts.
    out
        Array of the shape of ``daily`` to write to, floating; may be ``daily`` itself.

    Returns
    -------
    ndarray
        Sums up to and with each day [°C·day], shape and floating type of ``daily``; ``out`` where given.

    Raises
    ------
    ValueError
        For a start that is no integer or negative (days before the array would be missing from the sum), or
        an ``out`` that does not fit.

    Notes
    -----
    Summed in float64 whatever the type, so a float32 result is wrong by its own rounding only.

    Examples
    --------
    >>> accumulate([[1.0, 1.0], [2.0, 2.0], [3.0, 3.0]], start=[1, 32767])
    array([[0., 0.],
           [2., 0.],
           [5., 0.]])
    """
    values = np.asarray(daily)
    if values.ndim == 0:
        raise ValueError("daily needs a time axis: shape (days, ...)")
    if out is None:
        floating = np.issubdtype(values.dtype, np.floating)
        result: Floats = np.empty(values.shape, dtype=values.dtype if floating else np.float64)
    elif out.shape == values.shape and np.issubdtype(out.dtype, np.floating):
        result = out
    else:
        raise ValueError(f"out must be floating with shape {values.shape}, found {out.dtype} and {out.shape}")
    first = _first_days(start, values.shape[1:])
    last_start = int(first.max(initial=0))
    total = np.zeros(values.shape[1:])
    for day in range(len(values)):
        np.add(total, values[day], out=total)
        if day < last_start:
            np.copyto(total, 0.0, where=first > day)
        result[day] = total
    return result


def first_reach(cumulative: ArrayLike, requirement: ArrayLike, *, start: ArrayLike | None = None) -> NDArray[np.int16]:
    """Return the index of the first day on which a sum is at or above its requirement.

    Parameters
    ----------
    cumulative
        Running sums [°C·day], shape (days, ...), at most 32766 days, without NaN.
    requirement
        Sum to be reached [°C·day], broadcast against the cell shape ``cumulative.shape[1:]``; may add leading
        axes.
    start
        Index of the first day that may be returned, integers, broadcast likewise. It matters for a
        requirement of 0, which every day before the biofix would meet.

    Returns
    -------
    ndarray of int16
        Index of the day, `dates.NEVER` where it is not reached, broadcast shape of cells, requirement and
        start.

    Raises
    ------
    ValueError
        For NaN in ``cumulative`` or ``requirement`` (unknown is not "not reached"), too many days, or a bad
        start.

    Examples
    --------
    >>> first_reach([[1.0, 1.0], [4.0, 2.0]], 3.0)
    array([    1, 32767], dtype=int16)
    """
    sums = np.asarray(cumulative)
    if sums.ndim == 0 or len(sums) >= NEVER:
        raise ValueError(f"cumulative needs a time axis of at most {NEVER - 1} days, found {sums.shape}")
    _refuse_nan(sums, "cumulative")
    goal = np.asarray(requirement)
    _refuse_nan(goal, "requirement")
    if np.issubdtype(sums.dtype, np.floating):
        goal = goal.astype(sums.dtype, copy=False)
    cells = np.broadcast_shapes(sums.shape[1:], goal.shape, np.shape(start) if start is not None else ())
    first = _first_days(start, cells)
    last_start = int(first.max(initial=0))
    found = np.zeros(cells, dtype=np.int16)
    reached = np.zeros(cells, dtype=np.bool_)
    for day in range(len(sums)):
        now = np.greater_equal(sums[day], goal)
        reached |= now & (first <= day) if day < last_start else now
        if reached.all():
            break
        found += ~reached
    found[~reached] = NEVER
    return found


def fahrenheit_sum_to_celsius(dd_f: ArrayLike) -> NDArray[np.float64]:
    """Return Fahrenheit degree-days [°F·day] as Celsius degree-days [°C·day], same shape.

    A sum is made of differences, so it only scales (5/9); the offset of 32 belongs to thresholds.

    Examples
    --------
    >>> float(fahrenheit_sum_to_celsius(360.0))
    200.0
    """
    return np.asarray(np.asarray(dd_f, dtype=np.float64) * FAHRENHEIT_SHARE)


def _first_days(start: ArrayLike | None, cells: tuple[int, ...]) -> NDArray[np.integer[Any]]:
    first = np.zeros((), dtype=np.int16) if start is None else np.asarray(start)
    if not np.issubdtype(first.dtype, np.integer):
        raise ValueError(f"start must hold integers (day indices), found {first.dtype}")
    if first.size and first.min() < 0:
        raise ValueError(
            f"start must not be negative: {np.count_nonzero(first < 0)} cells start before the first day, "
            f"the earliest at {first.min()}; begin the array earlier or start at 0"
        )
    return np.broadcast_to(first, cells)


def _refuse_nan(values: NDArray[Any], name: str) -> None:
    if values.size and np.isnan(values.min()):
        missing = np.argwhere(np.isnan(values))
        raise ValueError(
            f"{name} is missing (NaN) in {len(missing)} of {values.size} values, first at index "
            f"{tuple(int(i) for i in missing[0])}: fill the gap or leave the cell out"
        )

"""Degree-days of one day from its minimum and maximum temperature.

All methods have one form. A day's temperature runs between ``tmin`` and ``tmax`` with some shape; ``p`` is
the part of that range above a threshold x, 0 to 1. Each shape is two functions of p: ``heat``, the mean
excess over x as a share of the range, and ``time``, the share of the day above x. With A(x) the degree-days
above x without a cut-off and f the share of the day above the upper threshold U, every cut-off is A(L) plus
weights times A(U), A(2U - L) and (U - L) f: see `CUTOFFS`. The six cases of Zalom et al. 1983 (Univ.
California Leaflet 21373, Tables 3-6) follow from it.

A requirement is valid only with the method and cut-off that it was fitted with.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any, Literal, NamedTuple, get_args

import numpy as np
from numpy.typing import ArrayLike, NDArray

Floats = NDArray[np.floating[Any]]
Cutoff = Literal["horizontal", "intermediate", "vertical"]


class Weights(NamedTuple):
    """What a cut-off adds to A(L): weights of A(U), of A(2U - L) and of (U - L) f."""

    upper: float
    mirrored: float
    time: float


CUTOFFS: Mapping[Cutoff, Weights] = {
    "horizontal": Weights(-1.0, 0.0, 0.0),
    "intermediate": Weights(-2.0, 1.0, 0.0),
    "vertical": Weights(-1.0, 0.0, -1.0),
}
"""Above U development goes on at the rate of U (horizontal), slows by one degree per degree until it stops at
2U - L (intermediate), or stops at once (vertical)."""


class _Shape(NamedTuple):
    heat: Callable[[Floats], Floats]
    time: Callable[[Floats], Floats]


def simple_average(
    tmin: ArrayLike,
    tmax: ArrayLike,
    *,
    lower: ArrayLike,
    upper: ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> Floats:
    """Return degree-days of days spent wholly at their mean: max(0, m - L), with m at most U.

    Parameters
    ----------
    tmin, tmax
        Daily minimum and maximum [°C], any shapes that broadcast; float32 stays float32. NaN gives NaN.
    lower, upper
        Lower threshold L and upper threshold U [°C], broadcast against the days; without ``upper`` no
        cut-off.
    cutoff
        What happens above ``upper``: see `CUTOFFS`.

    Returns
    -------
    ndarray
        Degree-days [°C·day], broadcast shape.

    Raises
    ------
    ValueError
        Where ``tmax`` is below ``tmin``, ``upper`` is not above ``lower``, a threshold is not finite, or the
        cut-off has no known name.

    Notes
    -----
    The paper's method 1. It knows the horizontal cut-off only; the other two are our extension.

    References
    ----------
    McMaster & Wilhelm 1997, Agricultural and Forest Meteorology 87:291-300,
    doi:10.1016/S0168-1923(97)00027-0.

    Examples
    --------
    >>> simple_average([-2.0, -5.0], [8.0, 5.0], lower=0.0)
    array([3., 0.])
    """
    return _single(_MEAN, tmin, tmax, lower, upper, cutoff)


def floored_average(
    tmin: ArrayLike,
    tmax: ArrayLike,
    *,
    lower: ArrayLike,
    upper: ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> Floats:
    """Return degree-days from the mean of minimum and maximum, each first set to within L and U, less L.

    Parameters, returns and errors are those of `simple_average`.

    Notes
    -----
    The paper's method 2, which is the same as a day spent half at its minimum and half at its maximum. It
    knows the horizontal cut-off only; the other two are our extension in that reading.

    References
    ----------
    McMaster & Wilhelm 1997, Agricultural and Forest Meteorology 87:291-300,
    doi:10.1016/S0168-1923(97)00027-0.

    Examples
    --------
    >>> floored_average([-2.0, -5.0], [8.0, 5.0], lower=0.0)
    array([4. , 2.5])
    """
    return _single(_HALVES, tmin, tmax, lower, upper, cutoff)


def single_triangle(
    tmin: ArrayLike,
    tmax: ArrayLike,
    *,
    lower: ArrayLike,
    upper: ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> Floats:
    """Return degree-days of days that rise and fall in straight lines between ``tmin`` and ``tmax``.

    Parameters, returns and errors are those of `simple_average`.

    References
    ----------
    Zalom et al. 1983, Degree-days: the calculation and use of heat units in pest management, Univ. California
    Div. Agric. Nat. Res. Leaflet 21373, Tables 3-6.

    Examples
    --------
    >>> float(single_triangle(50.0, 82.0, lower=55.0, upper=90.0).round(2))
    11.39
    """
    return _single(_TRIANGLE, tmin, tmax, lower, upper, cutoff)


def double_triangle(
    tmin: ArrayLike,
    tmax: ArrayLike,
    tmin_next: ArrayLike,
    *,
    lower: ArrayLike,
    upper: ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> Floats:
    """Return degree-days of days that rise to ``tmax`` and fall to ``tmin_next`` in straight lines.

    Parameters
    ----------
    tmin, tmax, tmin_next
        Daily minimum and maximum and the next day's minimum [°C], shapes that broadcast. Where only
        ``tmin_next`` is NaN, ``tmin`` stands in for it.
    lower, upper, cutoff
        As in `simple_average`, like returns and errors.

    Notes
    -----
    Each half counts half of the single formula. A next minimum above today's maximum is no error: the second
    half then rises, and its temperatures are those of the fall turned round.

    References
    ----------
    Zalom et al. 1983, Univ. California Div. Agric. Nat. Res. Leaflet 21373, Tables 3-6.

    Examples
    --------
    >>> float(double_triangle(50.0, 82.0, 45.0, lower=55.0, upper=90.0).round(2))
    10.62
    """
    return _double(_TRIANGLE, tmin, tmax, tmin_next, lower, upper, cutoff)


def single_sine(
    tmin: ArrayLike,
    tmax: ArrayLike,
    *,
    lower: ArrayLike,
    upper: ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> Floats:
    """Return degree-days of days that follow one sine wave between ``tmin`` and ``tmax``.

    Parameters, returns and errors are those of `simple_average`.

    References
    ----------
    Baskerville & Emin 1969, Ecology 50:514-517, doi:10.2307/1933912; cut-offs Zalom et al. 1983, Univ.
    California Div. Agric. Nat. Res. Leaflet 21373, Tables 3-6. The intermediate cut-off is from memory.

    Examples
    --------
    >>> float(single_sine(50.0, 82.0, lower=55.0, upper=90.0).round(2))
    11.85
    """
    return _single(_SINE, tmin, tmax, lower, upper, cutoff)


def double_sine(
    tmin: ArrayLike,
    tmax: ArrayLike,
    tmin_next: ArrayLike,
    *,
    lower: ArrayLike,
    upper: ArrayLike | None = None,
    cutoff: Cutoff = "horizontal",
) -> Floats:
    """Return degree-days of days that rise to ``tmax`` and fall to ``tmin_next`` in two half waves.

    Parameters, returns and errors are those of `double_triangle`.

    References
    ----------
    Allen 1976, Environmental Entomology 5:388-396, doi:10.1093/ee/5.3.388; Zalom et al. 1983, Univ.
    California Div. Agric. Nat. Res. Leaflet 21373, Tables 3-6.

    Examples
    --------
    >>> float(double_sine(50.0, 82.0, 45.0, lower=55.0, upper=90.0).round(2))
    11.31
    """
    return _double(_SINE, tmin, tmax, tmin_next, lower, upper, cutoff)


METHODS: Mapping[str, Callable[..., Floats]] = {
    "simple_average": simple_average,
    "floored_average": floored_average,
    "single_triangle": single_triangle,
    "double_triangle": double_triangle,
    "single_sine": single_sine,
    "double_sine": double_sine,
}
"""The methods by name; those called double take ``tmin_next`` as a third array."""


def _sine_heat(part: Floats) -> Floats:
    u = 1.0 - 2.0 * part
    return np.asarray((np.sqrt((1.0 - u) * (1.0 + u)) - u * np.arccos(u)) / (2.0 * np.pi))


_MEAN = _Shape(lambda part: np.maximum(part - 0.5, 0.0), lambda part: np.heaviside(part - 0.5, 1.0))
_HALVES = _Shape(lambda part: part / 2.0, lambda part: np.sign(part) / 2.0)
_TRIANGLE = _Shape(lambda part: part * part / 2.0, lambda part: part)
_SINE = _Shape(_sine_heat, lambda part: np.arccos(1.0 - 2.0 * part) / np.pi)


def _single(
    shape: _Shape, tmin: ArrayLike, tmax: ArrayLike, lower: ArrayLike, upper: ArrayLike | None, cutoff: Cutoff
) -> Floats:
    low, high = _days(tmin, tmax)
    return _degree_days(shape, low, high, *_thresholds(lower, upper, low.dtype), _weights(cutoff))


def _double(
    shape: _Shape,
    tmin: ArrayLike,
    tmax: ArrayLike,
    tmin_next: ArrayLike,
    lower: ArrayLike,
    upper: ArrayLike | None,
    cutoff: Cutoff,
) -> Floats:
    low, high = _days(tmin, tmax)
    following = np.asarray(tmin_next, dtype=low.dtype)
    following = np.where(np.isnan(following), low, following)
    limits, weights = _thresholds(lower, upper, low.dtype), _weights(cutoff)
    rise = _degree_days(shape, low, high, *limits, weights)
    fall = _degree_days(shape, np.minimum(high, following), np.maximum(high, following), *limits, weights)
    return np.asarray((rise + fall) / 2.0)


def _degree_days(
    shape: _Shape, tmin: Floats, tmax: Floats, lower: Floats, upper: Floats | None, weights: Weights
) -> Floats:
    total = _above(shape, tmin, tmax, lower)
    if upper is not None:
        total = total + weights.upper * _above(shape, tmin, tmax, upper)
        if weights.mirrored:
            total = total + weights.mirrored * _above(shape, tmin, tmax, 2.0 * upper - lower)
        if weights.time:
            total = total + weights.time * (upper - lower) * _time_above(shape, tmin, tmax, upper)
    return np.asarray(total)


def _above(shape: _Shape, tmin: Floats, tmax: Floats, threshold: Floats) -> Floats:
    return np.maximum(tmin - threshold, 0.0) + (tmax - tmin) * shape.heat(_part_above(tmin, tmax, threshold))


def _time_above(shape: _Shape, tmin: Floats, tmax: Floats, threshold: Floats) -> Floats:
    return np.where(tmin >= threshold, 1.0, shape.time(_part_above(tmin, tmax, threshold)))


def _part_above(tmin: Floats, tmax: Floats, threshold: Floats) -> Floats:
    span = tmax - tmin
    return (tmax - np.clip(threshold, tmin, tmax)) / np.where(span == 0.0, 1.0, span)


def _days(tmin: ArrayLike, tmax: ArrayLike) -> tuple[Floats, Floats]:
    low, high = np.asarray(tmin), np.asarray(tmax)
    kind = np.result_type(low, high)
    dtype = kind if np.issubdtype(kind, np.floating) else np.dtype(np.float64)
    low, high = np.broadcast_arrays(low.astype(dtype, copy=False), high.astype(dtype, copy=False))
    crossed = high < low
    if crossed.any():
        first = tuple(int(axis[0]) for axis in np.nonzero(np.atleast_1d(crossed)))
        at = first if crossed.ndim else ()
        raise ValueError(
            f"tmax is below tmin on {np.count_nonzero(crossed)} of {crossed.size} days, first at index "
            f"{first} (tmin {low[at]:g}, tmax {high[at]:g}): correct or blank these days before summing"
        )
    return low, high


def _thresholds(lower: ArrayLike, upper: ArrayLike | None, dtype: np.dtype[Any]) -> tuple[Floats, Floats | None]:
    base = np.asarray(lower, dtype=dtype)
    cap = None if upper is None else np.asarray(upper, dtype=dtype)
    check_thresholds(base, cap)
    return base, cap


def check_thresholds(lower: Floats, upper: Floats | None) -> None:
    """Raise ValueError unless the thresholds [°C] are finite and ``upper`` lies above ``lower``."""
    for name, values in (("lower", lower), ("upper", upper)):
        if values is not None and not np.isfinite(values).all():
            missing = np.count_nonzero(~np.isfinite(values))
            raise ValueError(f"{name} must be finite: {missing} of {values.size} thresholds are not")
    if upper is not None and not (upper > lower).all():
        raise ValueError(f"upper must lie above lower: found {np.min(upper):g} with {np.max(lower):g}")


def _weights(cutoff: str) -> Weights:
    for known in get_args(Cutoff):
        if cutoff == known:
            return CUTOFFS[known]
    raise ValueError(f"cutoff must be one of {', '.join(get_args(Cutoff))}, not {cutoff!r}")

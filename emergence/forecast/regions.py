"""Regions side by side: lakes active by week, departures from the normal year, how the season climbs. Arrays only.

Day indices count from one day common to all lakes; ``dates.NEVER`` means "not reached" and counts as +infinity.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from statsmodels.regression.linear_model import OLS

from emergence.dates import NEVER
from emergence.forecast.windows import WEEK

Offsets = NDArray[np.int16]
Floats = NDArray[np.float64]
LEAST_FREE = 3
"""Least lakes beyond the coefficients of a fit; our prior."""
LEAST_RISE_M, LEAST_REACH_DEG = 100.0, 1.0
"""Least spread of heights [m] and of latitudes [degrees] that gives a slope; our prior."""
WANTED_D = 1.0
"""Half width of the interval of days for 100 m that is worth having [d]; our prior."""
MOST_INFLATION = 5.0
"""Variance inflation above which height and latitude cannot be told apart; common practice, no source."""
CONFIDENCE, NORMAL_95 = 0.95, 1.96


@dataclass(frozen=True)
class Slope:
    """Days for one step up or polewards, and the ends of its 95 % confidence interval."""

    days: float
    low: float
    high: float

    @property
    def told(self) -> bool:
        """Whether the interval leaves out 0: whether the lakes tell a slope from none."""
        return self.low > 0.0 or self.high < 0.0


@dataclass(frozen=True)
class Climb:
    """How dates depend on height and latitude over ``lakes`` lakes; a slope is None where the lakes cannot tell it.

    ``within`` tells that the slope of height compares lakes of the same region only, ``together`` that height and
    latitude rise together, so that what latitude does is in the slope of height; ``scatter_days`` [d] is the standard
    deviation of the lakes around the fit; with ``lakes_wanted`` such lakes (0: no slope) the slope of height would be
    known to a day.
    """

    lakes: int
    per_100m: Slope | None
    per_degree: Slope | None
    within: bool
    together: bool
    scatter_days: float
    lakes_wanted: int = 0


def height_band(elevation_m: ArrayLike, band_m: float) -> NDArray[np.int64]:
    """Return the lower edge [m] of the height band of each lake.

    Parameters
    ----------
    elevation_m
        Heights [m], shape (lakes,).
    band_m
        Height of a band [m].
    """
    return np.asarray(np.floor(np.asarray(elevation_m, dtype=float) / band_m) * band_m).astype(np.int64)


def weekly_active(onset: Offsets, end: Offsets, first: int, weeks: int) -> Floats:
    """Return the share of members with onset <= day <= end on any day of each week, shape (lakes, weeks).

    Parameters
    ----------
    onset, end
        Day indices, shape (lakes, members); an end not reached lasts to the horizon.
    first
        Day index on which the first week begins.
    weeks
        Number of weeks.
    """
    begins = first + WEEK * np.arange(weeks)
    under_way = np.stack(
        [((onset <= b + WEEK - 1) & (onset != NEVER) & (end >= b)).mean(axis=1) for b in begins.tolist()], axis=1
    )
    return np.asarray(under_way, dtype=np.float64)


def middle(offsets: Offsets) -> Floats:
    """Return the median over the last axis [d], NaN where it falls among members that never get there."""
    days = np.where(offsets == NEVER, np.inf, offsets.astype(np.float64))
    median = np.median(days, axis=-1)
    return np.where(np.isfinite(median), median, np.nan)


def median_known(days: Floats, *, axis: int = 0) -> Floats:
    """Return the median over an axis [d] of what is known, NaN where nothing is.

    Parameters
    ----------
    days
        Days or differences [d], any shape.
    axis
        The axis that vanishes.
    """
    ordered = np.sort(days, axis=axis)  # NaN last
    last = np.maximum(np.isfinite(ordered).sum(axis=axis, keepdims=True) - 1, 0)
    low, high = (np.take_along_axis(ordered, k, axis=axis) for k in (last // 2, (last + 1) // 2))
    return np.asarray(np.squeeze((low + high) / 2, axis=axis))


def climb(days: ArrayLike, elevation_m: ArrayLike, latitude: ArrayLike, regions: ArrayLike) -> Climb:
    """Return how dates climb with height and towards the pole, by ordinary least squares over lakes.

    Parameters
    ----------
    days
        The lakes' dates [d], shape (lakes,); lakes with NaN do not count.
    elevation_m
        Heights [m], shape (lakes,).
    latitude
        Latitudes [degrees], shape (lakes,); both hemispheres count polewards.
    regions
        Region of each lake, shape (lakes,).

    Notes
    -----
    Regions differ by more than their height (a maritime coast, an inland valley), so each has an intercept of its own
    where enough lakes are left to tell a slope: lakes are then compared with others of their region. Latitude enters
    the same fit where lakes of one region reach over at least a degree, and only while the variance inflation 1 / (1
    - r²) of height and latitude is at most 5. Where they do not reach so far, five regions and more tell it among
    them: their mean dates, brought to one height, on their mean latitudes, a region counting once however many its
    lakes. The interval tells how lakes scatter around the fit (depth, exposure); an error that all lakes share is not
    in it. How many lakes would be enough: the standard error falls with the square root of the lakes beyond the
    coefficients, their heights spread as these. Height and latitude as the regressors of phenology: Hopkins 1920, J
    Wash Acad Sci 10:34 (four days for each degree of latitude and each 400 feet).
    """
    date = np.asarray(days, dtype=np.float64)
    terms = [np.asarray(elevation_m, dtype=np.float64) / 100.0, np.abs(np.asarray(latitude, dtype=np.float64))]
    known = np.isfinite(date) & np.isfinite(terms[0]) & np.isfinite(terms[1])
    date, height, north = date[known], terms[0][known], terms[1][known]
    _, codes = np.unique(np.asarray(regions, dtype=str)[known], return_inverse=True)
    own = _fit(date, height, north, codes)
    every = _fit(date, height, north, np.zeros_like(codes))
    within = own.per_100m is not None and len(set(codes.tolist())) > 1
    used = own if own.per_100m is not None else every
    per_degree = used.per_degree
    if own.per_100m is not None and per_degree is None and not used.together:
        per_degree = _between(date - own.per_100m.days * height, north, codes)
    return Climb(len(date), used.per_100m, per_degree, within, used.together, used.scatter_days, used.lakes_wanted)


def _fit(date: Floats, height: Floats, north: Floats, codes: NDArray[np.integer]) -> Climb:
    """Fit height and latitude with an intercept for each code; regressors that the lakes cannot tell are left out."""
    lakes = len(date)
    none = Climb(lakes, None, None, False, False, float("nan"))
    own = (codes[:, None] == np.unique(codes)).astype(np.float64)
    rises, reaches = (_reach(v, codes) for v in (height, north))
    tells_height, tells_north = rises * 100.0 >= LEAST_RISE_M, reaches >= LEAST_REACH_DEG
    together = tells_height and tells_north and _inflation(height, north, own) > MOST_INFLATION
    used = [v for v, tells in ((height, tells_height), (north, tells_north and not together)) if tells]
    if not used or lakes - own.shape[1] - len(used) < LEAST_FREE:
        return none
    fit = OLS(date, np.column_stack([*used, own])).fit()
    ends = fit.conf_int(alpha=1.0 - CONFIDENCE)
    slopes = [Slope(float(fit.params[k]), float(ends[k][0]), float(ends[k][1])) for k in range(len(used))]
    per_100m = slopes.pop(0) if tells_height else None
    wanted = _lakes_wanted(fit.bse[0], lakes, int(fit.df_resid)) if tells_height else 0
    scatter = float(np.sqrt(fit.scale))
    return Climb(lakes, per_100m, slopes[0] if slopes else None, False, bool(together), scatter, wanted)


def _between(date: Floats, north: Floats, codes: NDArray[np.integer]) -> Slope | None:
    """Return the slope of the regions' mean dates on their mean latitude; None where too few or too near."""
    lakes = np.bincount(codes)
    dates, norths = (np.bincount(codes, weights=v) / lakes for v in (date, north))
    if len(lakes) - 2 < LEAST_FREE or np.ptp(norths) < LEAST_REACH_DEG:
        return None
    fit = OLS(dates, np.column_stack([norths, np.ones(len(lakes))])).fit()
    low, high = fit.conf_int(alpha=1.0 - CONFIDENCE)[0]
    return Slope(float(fit.params[0]), float(low), float(high))


def _lakes_wanted(error: float, lakes: int, free: int) -> int:
    """Return how many lakes bring the 95 % interval of a slope to WANTED_D on either side."""
    return lakes - free + max(int(np.ceil(free * (NORMAL_95 * error / WANTED_D) ** 2)), LEAST_FREE)


def _reach(values: Floats, codes: NDArray[np.integer]) -> float:
    """Return the largest difference between two lakes of the same code."""
    return max((float(np.ptp(values[codes == code])) for code in np.unique(codes)), default=0.0)


def _inflation(height: Floats, north: Floats, own: Floats) -> float:
    """Return the variance inflation of two regressors beside intercepts of their own."""
    left = [v - own @ ((own.T @ v) / own.sum(axis=0)) for v in (height, north)]
    r2 = float((left[0] @ left[1]) ** 2 / ((left[0] @ left[0]) * (left[1] @ left[1])))
    return 1.0 / max(1.0 - r2, 1e-12)


def most_like(now: float, years: NDArray[np.integer], days: Floats) -> int | None:
    """Return the past year whose departure from the normal year is nearest, the latest of equals; None without any.

    Parameters
    ----------
    now
        This year's departure [d].
    years
        Past years, shape (years,).
    days
        Their departures [d], shape (years,).
    """
    known = np.isfinite(days)
    if not np.isfinite(now) or not known.any():
        return None
    off = np.round(np.abs(days[known] - now), 6)
    return int(years[known][off == off.min()].max())


def split_error(first_half: Floats, second_half: Floats) -> float:
    """Return the standard error [d] of what two halves of the members tell together, from how far they differ.

    Parameters
    ----------
    first_half, second_half
        The same quantities by either half [d], shape (years,); NaN where not known.

    Notes
    -----
    The mean of two halves has the variance of half their difference; NaN with fewer than two known pairs.
    """
    off = (first_half - second_half) / 2.0
    known = off[np.isfinite(off)]
    return float(np.sqrt(np.mean(known**2))) if len(known) > 1 else float("nan")

"""What a station's values should be: usual for the day of the year, and told by the days and stations around."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, replace
from functools import cached_property
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emergence.dates import day_of_year
from emergence.records import StationSeries

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

COLUMNS = ("tmin_c", "tmax_c", "tmean_c")
STEP, HALF_WINDOW = 8, 10
"""Days between the knots of the calendar and half the window around each [d]: 21 days (our prior)."""
LEAST_SCALE_C = 1.0
CLIP = 4.0
"""Anomalies are held within so many standard deviations where they explain others (our prior)."""
LEAST_COMMON, LEAST_CORRELATION = 180, 0.5
MOST_NEIGHBOURS = 4
ENOUGH_DAYS = 3000
"""Sizes and correlations of longer records are taken from every second, third, … day (our prior)."""
RIDGE, LEAST_VARIANCE = 0.02, 1e-3
_MAD = 1.4826  # of a Gaussian


@dataclass(frozen=True)
class Anomalies:
    """A record as departures from what is usual: ``value_c`` [°C] and ``z`` [robust standard deviations], (days, 3).

    ``usual_c``, ``scale_c`` [°C], (days, 3), are median and robust standard deviation of the day of the year.
    ``derived`` (days,) is true where the mean is the middle of minimum and maximum.
    """

    station_id: str
    first_day: int
    value_c: Floats
    usual_c: Floats
    scale_c: Floats
    z: Floats
    derived: NDArray[np.bool_]

    def without(self, flagged: NDArray[np.bool_]) -> Anomalies:
        """Return the record with some anomalies missing; ``flagged`` (days, 3)."""
        return replace(self, z=np.where(flagged, np.nan, self.z))

    @property
    def days(self) -> Ints:
        """Day numbers, shape (days,)."""
        return self.first_day + np.arange(len(self.z))

    @cached_property
    def there(self) -> list[int]:
        """Columns with any value."""
        return [c for c in range(3) if np.isfinite(self.value_c[:, c]).any()]

    @cached_property
    def month(self) -> Ints:
        """Twelfth of the year (0-11) of each day, shape (days,)."""
        return np.asarray((day_of_year(self.days) - 1) * 12 // 366, dtype=np.int64)


def anomalies(series: StationSeries) -> Anomalies:
    """Return a record's departures from its own calendar.

    Notes
    -----
    Median and median absolute deviation in windows of 21 days of the year over all years, every eighth day, joined by
    straight lines: half of a window may be wrong before the median breaks. The scale is at least 1 °C and 0.6 of the
    year's median scale, so that a short record does not look quieter than it is (our prior).
    """
    value = np.stack([series.tmin_c, series.tmax_c, series.tmean_c], axis=1)
    middle = (value[:, 0] + value[:, 1]) / 2.0
    derived = np.isnan(value[:, 2]) & np.isfinite(middle)
    value[derived, 2] = middle[derived]
    doy = day_of_year(series.first_day + np.arange(len(value)))
    usual, scale = np.full(value.shape, np.nan), np.full(value.shape, np.nan)
    for c in range(3):
        if np.isfinite(value[:, c]).any():
            usual[:, c], scale[:, c] = (curve[doy - 1] for curve in _calendar(doy, value[:, c]))
    return Anomalies(series.station_id, series.first_day, value, usual, scale, (value - usual) / scale, derived)


def _calendar(doy: Ints, value: Floats) -> tuple[Floats, Floats]:
    """Return median and robust standard deviation [°C] of days of the year 1 to 366, both (366,)."""
    known = np.isfinite(value)
    by_day = np.argsort(doy[known], kind="stable")
    ordered, at = value[known][by_day], doy[known][by_day]
    wide = np.concatenate([ordered, ordered, ordered])
    place = np.concatenate([at - 366, at, at + 366])
    knots = np.arange(1, 367, STEP)
    low = np.searchsorted(place, knots - HALF_WINDOW)
    high = np.searchsorted(place, knots + HALF_WINDOW, side="right")
    middle, spread = np.full(len(knots), np.nan), np.full(len(knots), np.nan)
    for k, (a, b) in enumerate(zip(low, high, strict=True)):
        if b - a > 2 * HALF_WINDOW // 3:
            middle[k] = _median(wide[a:b])
            spread[k] = _MAD * _median(np.abs(wide[a:b] - middle[k]))
    there = np.isfinite(middle)
    if not there.any():
        return np.full(366, np.median(ordered)), np.full(366, max(LEAST_SCALE_C, float(np.std(ordered))))
    spread = np.maximum(spread, max(LEAST_SCALE_C, 0.6 * float(np.median(spread[there]))))
    all_days = np.arange(1, 367)
    return (
        np.interp(all_days, knots[there], middle[there], period=366),
        np.interp(all_days, knots[there], spread[there], period=366),
    )


def _median(values: Floats) -> float:
    """Return the (upper) median, by partition."""
    half = len(values) // 2
    return float(np.partition(values, half)[half])


def aligned(z: Floats, first_day: int, start: int, length: int) -> Floats:
    """Return rows of a record on ``length`` days from day number ``start``, NaN outside it, shape (length, ...)."""
    out = np.full((length, *z.shape[1:]), np.nan)
    low, high = max(first_day, start), min(first_day + len(z), start + length)
    if low < high:
        out[low - start : high - start] = z[low - first_day : high - first_day]
    return out


def thinned(n: int) -> slice:
    """Return the days, out of n, that are enough for sizes and correlations."""
    return slice(None, None, max(1, n // ENOUGH_DAYS))


def told_by_neighbours(own: Anomalies, others: Sequence[Anomalies]) -> tuple[Floats, Floats]:
    """Return what neighbours say of a station's anomalies [sd] and how sure they are [sd], both (days, 3).

    Notes
    -----
    One regression through nought for each neighbour and column, on anomalies held within 4 standard deviations, at
    the lag of -1, 0 or 1 days that explains most (times of observation differ); neighbours with fewer than 180 common
    days or a correlation under 0.5 say nothing. The four best are averaged by inverse error variance (Hubbard et al.
    2005 J Atmos Ocean Technol 22:1105, doi:10.1175/JTECH1748.1, spatial regression). NaN where nobody was measured.
    """
    n = len(own.z)
    said, error = np.full((n, 3), np.nan), np.full((n, 3), np.nan)
    for c in own.there if others else ():
        target = np.clip(own.z[:, c], -CLIP, CLIP)
        guesses = [g for g in (_guess(target, own, other, c) for other in others) if g is not None]
        guesses.sort(key=lambda g: g[0])
        if not guesses:
            continue
        total, weight = np.zeros(n), np.zeros(n)
        for sd, guess in guesses[:MOST_NEIGHBOURS]:
            there = np.isfinite(guess)
            total[there] += guess[there] / sd**2
            weight[there] += 1 / sd**2
        with np.errstate(invalid="ignore", divide="ignore"):
            said[:, c] = np.where(weight > 0, total / weight, np.nan)
        some = thinned(n)
        left = (target[some] - said[some, c]) / guesses[0][0]
        error[:, c] = np.where(weight > 0, guesses[0][0] * season_factor(left, own.month[some])[own.month], np.nan)
    return said, error


def _guess(target: Floats, own: Anomalies, other: Anomalies, c: int) -> tuple[float, Floats] | None:
    """Return one neighbour's error [sd] and what it says (days,), None where it has nothing to say."""
    column = c if c in other.there else 2
    some = thinned(len(target))
    found: tuple[float, Floats] | None = None
    for lag in (0, -1, 1):
        x = np.clip(aligned(other.z[:, column], other.first_day, own.first_day + lag, len(target)), -CLIP, CLIP)
        both = np.isfinite(x[some]) & np.isfinite(target[some])
        if np.count_nonzero(both) * (some.step or 1) < LEAST_COMMON:
            continue
        a, b = x[some][both], target[some][both]
        xx, yy, xy = float(a @ a), float(b @ b), float(a @ b)
        if xx <= 0 or yy <= 0 or xy < LEAST_CORRELATION * np.sqrt(xx * yy):
            continue
        sd = float(np.sqrt(max(yy - xy**2 / xx, 0.0) / len(a)))
        if found is None or sd < 0.9 * found[0]:
            found = (max(sd, 0.1), xy / xx * x)
    return found


@dataclass(frozen=True)
class Told:
    """What everything around says of each value: ``z`` expected [sd] and ``sd`` of the error [sd], (days, 3)."""

    z: Floats
    sd: Floats


class Expectation:
    """Each value told from the days beside it, the day's other columns and the neighbours.

    A Gaussian regression on whichever of these are there that day, its covariances from the record itself with
    anomalies held within 4 standard deviations. Without ``across`` the day's other columns do not count. ``first`` is
    what it says of the record as given.
    """

    def __init__(self, own: Anomalies, neighbours: Floats, *, across: bool = True) -> None:
        z = np.clip(own.z, -CLIP, CLIP)
        self._across, self._derived, self._month = across, own.derived, own.month
        self._said = np.clip(neighbours, -CLIP, CLIP)
        self._there = [c for c in own.there if np.count_nonzero(np.isfinite(z[:, c])) > LEAST_COMMON // 2]
        self._model: dict[int, _Model] = {}
        mean, sd = np.full(z.shape, np.nan), np.full(z.shape, np.nan)
        for c in self._there:
            given = self._predictors(z, c, None)
            some = thinned(len(z))
            covariance, usable = _covariance(z[some, c], given[:, some])
            mean[:, c], sd[:, c] = _conditional(given, covariance, usable)
            factor = season_factor(((z[:, c] - mean[:, c]) / sd[:, c])[some], self._month[some])
            sd[:, c] *= factor[self._month]
            self._model[c] = _Model(covariance, usable, factor)
        self.first = Told(mean, sd)

    def _predictors(self, z: Floats, c: int, rows: Ints | None) -> Floats:
        """Return the predictors of a column, (7, rows): day before and after, two other columns, neighbours x 3."""
        others = [k for k in range(3) if k != c]
        parts = [*_beside(z[:, c], rows), *(self._other(z, k, c, rows) for k in others)]
        return np.stack([*parts, _at(self._said[:, c], rows), *_beside(self._said[:, c], rows)])

    def _other(self, z: Floats, k: int, c: int, rows: Ints | None) -> Floats:
        """Return another column of the same day; a mean derived from minimum and maximum tells nothing of them."""
        if not self._across or k not in self._there:
            return np.full(len(z) if rows is None else len(rows), np.nan)
        other = _at(z[:, k], rows)
        return np.where(_at(self._derived, rows), np.nan, other) if 2 in (k, c) else other

    def told(self, z: Floats, rows: Ints) -> Told:
        """Return the expectation of every value of some days, (rows, 3), NaN where nothing is known.

        ``z`` (days, 3) is the record as it stands now.
        """
        z = np.clip(z, -CLIP, CLIP)
        mean, sd = np.full((len(rows), 3), np.nan), np.full((len(rows), 3), np.nan)
        for c, model in self._model.items():
            mean[:, c], sd[:, c] = _conditional(self._predictors(z, c, rows), model.covariance, model.usable)
            sd[:, c] *= model.factor[self._month[rows]]
        return Told(mean, sd)


@dataclass(frozen=True)
class _Model:
    """Covariance of predictors and target (8, 8), usable predictors as bits, size of the error by month (12,)."""

    covariance: Floats
    usable: int
    factor: Floats


def _at(values: NDArray[Any], rows: Ints | None) -> NDArray[Any]:
    return values if rows is None else values[rows]


def _beside(values: Floats, rows: Ints | None) -> tuple[Floats, Floats]:
    """Return the values of the day before and of the day after, NaN beyond the ends."""
    before = np.concatenate([[np.nan], values[:-1]])
    after = np.concatenate([values[1:], [np.nan]])
    return before if rows is None else before[rows], after if rows is None else after[rows]


def _covariance(target: Floats, given: Floats) -> tuple[Floats, int]:
    """Return the covariance of predictors and target (the last), pairwise over the days that have both, (8, 8)."""
    both = np.concatenate([given, target[None]])
    known = np.isfinite(both)
    filled = np.where(known, both, 0.0)
    weight = known.astype(np.float64)
    pairs = weight @ weight.T
    products = filled @ filled.T
    cov = np.where(pairs >= LEAST_COMMON // 2, products / np.maximum(pairs, 1), 0.0)
    usable = np.diag(cov) > 0
    cov[~usable] = 0.0
    cov[:, ~usable] = 0.0
    return cov, sum(1 << k for k in range(len(given)) if usable[k])


def _conditional(given: Floats, covariance: Floats, usable: int) -> tuple[Floats, Floats]:
    """Return conditional mean and standard deviation, both (rows,), one solve for each pattern of missing ones."""
    p, n = given.shape
    code = np.zeros(n, dtype=np.uint8)
    for k in range(p):
        if usable >> k & 1:
            code |= np.isfinite(given[k]).astype(np.uint8) << np.uint8(k)
    variance = max(float(covariance[p, p]), LEAST_VARIANCE)
    mean, sd = np.zeros(n), np.full(n, np.sqrt(variance))
    for bits in np.flatnonzero(np.bincount(code, minlength=1)).tolist():
        at = [k for k in range(p) if bits >> k & 1]
        if not at:
            continue
        beta = np.linalg.solve(covariance[np.ix_(at, at)] + RIDGE * np.eye(len(at)), covariance[at, p])
        part = np.flatnonzero(code == bits)
        value = np.zeros(len(part))
        for b, k in zip(beta.tolist(), at, strict=True):
            value += b * given[k, part]
        mean[part] = value
        left = float(covariance[p, p]) - float((beta * covariance[at, p]).sum())
        sd[part] = np.sqrt(max(left, 0.01 * variance, LEAST_VARIANCE))
    return mean, sd


def season_factor(z: Floats, month: Ints) -> Floats:
    """Return how the error's robust size varies over the months, shape (12,), smoothed over three."""
    size = np.ones(12)
    for m in range(12):
        mine = np.abs(z[(month == m) & np.isfinite(z)])
        if len(mine) >= 40:
            size[m] = np.clip(_MAD * _median(mine), 0.4, 2.5)
    return (np.roll(size, 1) + 2 * size + np.roll(size, -1)) / 4

"""Months that are not this station's, and records whose dates are shifted."""

from __future__ import annotations

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray

from emergence.dates import month_of, year_of
from emergence.weather.expected import Anomalies, aligned, thinned

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

LEAST_MONTH, LEAST_SCORED = 12, 200
HELD = 5.0
MONTH_EVIDENCE, MONTH_EVIDENCE_SD = 6.0, 4.0
"""Log likelihood ratio, and its robust standard deviations from the station's usual, of a month that does not follow
its neighbours (our prior, set on real records)."""
LIKE, LIKE_SLOPE, LIKE_MOST = 0.3, 0.03, 0.65
"""The correlation with them must be under 0.3 and 0.03 for each unit of evidence, at most 0.65 (our prior)."""
LEVEL_SD = 6.5
LEAST_BESIDE = 24
"""Robust standard deviations of a month's mean, spread or daily range unlike all others (our prior)."""
LAGS = (-3, -2, -1, 0, 1, 2, 3)
LEAST_COMMON, LAG_GAIN, LAG_CORRELATION = 365, 0.15, 0.5
"""A shift is told with a year of common days and a correlation better by 0.15 than without it (our prior)."""


class _Months:
    """Sums over calendar months: their keys (months,) and the month of each day (days,)."""

    def __init__(self, key: Ints, of: Ints) -> None:
        self.key, self.of = key, of

    @classmethod
    def of_record(cls, own: Anomalies) -> _Months:
        """Return the months of a record."""
        return cls(*np.unique(year_of(own.days) * 12 + month_of(own.days) - 1, return_inverse=True))

    def of_days(self, wanted: Mask) -> _Months:
        """Return the same months over some of the days."""
        return _Months(self.key, self.of[wanted])

    def sum(self, values: Floats) -> Floats:
        """Return the sum over each month of (days,), missing ones as nought."""
        return np.bincount(self.of, weights=np.nan_to_num(values), minlength=len(self.key)).astype(np.float64)

    def mean(self, values: Floats) -> Floats:
        """Return the mean over each month of (days,), NaN with fewer than 12 values."""
        n = self.sum(np.isfinite(values).astype(np.float64))
        return np.where(n >= LEAST_MONTH, self.sum(values) / np.maximum(n, 1), np.nan)


def strange_months(own: Anomalies, said: Floats, error: Floats) -> dict[str, Mask]:
    """Return the days (days,) of months that do not follow the neighbours ("month") or any other month ("level").

    Parameters
    ----------
    own
        The record.
    said, error
        What neighbours say [sd] and how sure they are [sd], (days, 3).

    Notes
    -----
    "month": the days are told better by the month's own mean alone than by the neighbours (log likelihood ratio of two
    Gaussians, mean over the columns: 6 and more, and 4 robust standard deviations above the station's usual) and
    their correlation with them, at -1, 0 or 1 days, is under 0.3 to 0.65, the more evidence the higher. "level": mean,
    spread or daily range of the month lies 6.5 robust standard deviations from that of the same season.
    """
    months = _Months.of_record(own)
    evidence, scored = [], []
    for c in own.there:
        z = np.clip(own.z[:, c], -HELD, HELD)
        both = np.isfinite(z) & np.isfinite(said[:, c])
        if both.sum() < LEAST_SCORED:
            continue
        evidence.append(_evidence(months, np.where(both, z, np.nan), said[:, c], error[:, c]))
        scored.append(c)
    out = {"level": _strange_level(months, own)[months.of]}
    if evidence:
        total = _mean(evidence)
        usual = np.nanmedian(total) if np.isfinite(total).any() else np.inf
        spread = 1.4826 * np.nanmedian(np.abs(total - usual)) if np.isfinite(usual) else np.inf
        least = max(MONTH_EVIDENCE, float(usual + MONTH_EVIDENCE_SD * spread))
        far = np.nan_to_num(total, nan=-np.inf) > least
        if far.any():
            alike = _mean([_likeness(months, own.z[:, c], said[:, c], far[months.of]) for c in scored])
            far &= np.nan_to_num(alike, nan=1.0) < np.minimum(LIKE + LIKE_SLOPE * np.nan_to_num(total), LIKE_MOST)
        out = {"month": far[months.of], **out}
    return out


def _mean(parts: list[Floats]) -> Floats:
    """Return the mean over columns (months,) of those that are known, NaN where none is."""
    stacked = np.stack(parts)
    n = np.isfinite(stacked).sum(0)
    return np.where(n > 0, np.nansum(stacked, axis=0) / np.maximum(n, 1), np.nan)


def _evidence(months: _Months, z: Floats, said: Floats, error: Floats) -> Floats:
    own_mean = months.mean(z)
    near = np.clip((z - said) / error, -HELD, HELD) ** 2 + 2 * np.log(error)
    alone = (z - own_mean[months.of]) ** 2
    return np.where(np.isfinite(own_mean), 0.5 * (months.sum(near) - months.sum(alone)), np.nan)


def _likeness(months: _Months, z: Floats, said: Floats, wanted: Mask) -> Floats:
    """Return the best correlation with the neighbours at -1, 0 or 1 days (months,), of the ``wanted`` days' months."""
    best = np.full(len(months.key), np.nan)
    some = months.of_days(wanted)
    x = np.clip(z, -HELD, HELD)[wanted]
    for lag in (-1, 0, 1):
        y = np.roll(said, lag)[wanted]
        both = np.isfinite(x) & np.isfinite(y)
        a, b = np.where(both, x, np.nan), np.where(both, y, np.nan)
        a, b = a - some.mean(a)[some.of], b - some.mean(b)[some.of]
        size = np.sqrt(some.sum(a * a) * some.sum(b * b))
        best = np.fmax(best, np.where(size > 0, some.sum(a * b) / np.maximum(size, 1e-12), np.nan))
    return best


def _strange_level(months: _Months, own: Anomalies) -> Mask:
    """Return the truth of "unlike other months", shape (months,)."""
    out = np.zeros(len(months.key), dtype=bool)
    spans = [np.clip(own.z[:, c], -HELD, HELD) for c in own.there]
    wide = np.where(np.isfinite(own.z[:, :2]).all(1), np.clip(own.value_c[:, 1] - own.value_c[:, 0], 0.0, 30.0), np.nan)
    for value in (*spans, wide):
        if np.isfinite(value).sum() < LEAST_SCORED:
            continue
        mean = months.mean(value)
        out |= _far_out(months, mean)
        if value is not wide:
            spread = np.sqrt(months.mean((value - mean[months.of]) ** 2))
            with np.errstate(divide="ignore", invalid="ignore"):
                out |= _far_out(months, np.log(np.maximum(spread, 1e-3)))
    return out


def _far_out(months: _Months, statistic: Floats) -> Mask:
    """Return the truth of "far from the median of the same calendar month and those beside it"."""
    year = months.key // 12
    table = np.full((int(year[-1] - year[0]) + 1, 12), np.nan)
    table[year - year[0], months.key % 12] = statistic
    beside = np.concatenate([np.roll(table, 1, axis=1), table, np.roll(table, -1, axis=1)]).T
    middle, n = _medians(beside)
    spread, _ = _medians(np.abs(beside - middle[:, None]))
    limit = np.where(n >= LEAST_BESIDE, LEVEL_SD * np.maximum(1.4826 * spread, 0.1), np.inf)
    month = months.key % 12
    return np.asarray(np.nan_to_num(np.abs(statistic - middle[month])) > limit[month])


def _medians(values: Floats) -> tuple[Floats, Ints]:
    """Return the median of what is known in each row (rows,), NaN where nothing is, and its count."""
    n = np.isfinite(values).sum(1)
    ordered = np.sort(values, axis=1)
    return ordered[np.arange(len(values)), np.maximum(n - 1, 0) // 2], n


def lag_behind(own: Anomalies, around: Sequence[Anomalies]) -> tuple[int, tuple[str, ...]]:
    """Return by how many days the whole record seems late against its neighbours, and against which; 0 for none.

    Parameters
    ----------
    own
        The record.
    around
        The neighbours.

    Notes
    -----
    For each neighbour the lag of -3 to 3 days at which daily anomalies correlate best over all common days. A shift
    is told where most of the neighbours that have a clear best lag agree on one that is not 0. Weather itself takes
    a day to cross some hundred kilometres, so far neighbours have no clear lag. With one neighbour alone it cannot be
    known which of the two is shifted.
    """
    best: dict[str, int] = {}
    z = own.z[:, 2] if np.isfinite(own.z[:, 2]).any() else own.z[:, 1]
    for other in around:
        r = {lag: _correlation(z, aligned(other.z[:, 2], other.first_day, own.first_day - lag, len(z))) for lag in LAGS}
        top = max(r, key=lambda lag: (r[lag], -abs(lag)))
        if r[top] >= LAG_CORRELATION and (top == 0 or r[top] - r[0] >= LAG_GAIN):
            best[other.station_id] = top
    if not best:
        return 0, ()
    lags = list(best.values())
    common = max(sorted(set(lags), key=abs), key=lags.count)
    if common == 0 or 2 * lags.count(common) <= len(lags):
        return 0, ()
    return common, tuple(name for name, lag in best.items() if lag == common)


def _correlation(a: Floats, b: Floats) -> float:
    some = thinned(len(a))
    a, b = a[some], b[some]
    both = np.isfinite(a) & np.isfinite(b)
    if both.sum() * (some.step or 1) < LEAST_COMMON:
        return -1.0
    x, y = a[both] - a[both].mean(), b[both] - b[both].mean()
    size = float(np.sqrt((x @ x) * (y @ y)))
    return float(x @ y) / size if size > 0 else -1.0

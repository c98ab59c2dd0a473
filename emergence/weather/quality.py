"""Which values of a station's record cannot be right, and why (after Durre et al. 2010)."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from concurrent.futures import ThreadPoolExecutor
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from emergence.records import StationSeries
from emergence.weather.expected import COLUMNS, Anomalies, aligned, anomalies, told_by_neighbours
from emergence.weather.misread import misread_stretches
from emergence.weather.quality_months import lag_behind, strange_months
from emergence.weather.repeats import copied, frozen, repeated, shared_weeks
from emergence.weather.spikes import Spikes

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]

REASONS: dict[str, str] = {
    "order": "the minimum is above the maximum",
    "nought": "minimum and maximum are both exactly 0",
    "frozen": "the same value comes many days in a row",
    "repeated": "these days repeat other days value for value",
    "copied": "these days are another station's value for value",
    "fahrenheit": "it fits only when read as °F",
    "celsius": "it fits only as a °C value taken for °F",
    "sign": "it fits only with the other sign",
    "decimal": "it fits only with the decimal point one place to the left",
    "tenfold": "it fits only with the decimal point one place to the right",
    "spike": "it stands out from the days and stations around it",
    "outlier": "it lies far outside what this time of the year has seen here",
    "month": "this month does not follow the stations around",
    "level": "this month is unlike any other here",
}
"""Why a value is flagged: code and sentence, in order of precedence."""
_CODE = {reason: k + 1 for k, reason in enumerate(REASONS)}

OUTLIER_SD, OUTLIER_LEAST_C = 6.0, 12.0
"""Robust standard deviations (Durre et al. 2010: 6) and least departure [°C] (our prior) of an outlier."""
SURE_COST, SURE_COPY = 4.0, 12.0
"""How much worse one of two equal stretches must fit for the other to be kept (our prior)."""
LEAST_DAYS = 60
LEAST_ERROR = 0.25
JUMP_SD = 3.0
"""A neighbour's value that jumps so far from the days beside it does not speak of this station (our prior)."""


@dataclass(frozen=True)
class Flags:
    """Values of one record that are doubted, in order of day and column.

    ``day`` [d] day numbers, ``column`` one of tmin_c, tmax_c, tmean_c, ``value_c`` [°C], ``reason`` a key of
    `REASONS`, ``detail`` the other day (ISO) or station of a repeat, else empty; all shape (n,). ``lag_days`` is by
    how many days the whole record seems late against ``lag_to`` (negative: early), 0 for none; lag is only told.
    """

    station_id: str
    day: Ints
    column: NDArray[np.object_]
    value_c: Floats
    reason: NDArray[np.object_]
    detail: NDArray[np.object_]
    lag_days: int = 0
    lag_to: tuple[str, ...] = ()

    def __len__(self) -> int:
        return len(self.day)


def masked(series: StationSeries, flags: Flags, keep: Mask | None = None) -> StationSeries:
    """Return the record without its flagged values; ``keep`` (n,) marks flags that do not count."""
    value = np.stack([getattr(series, c) for c in COLUMNS])
    use = np.ones(len(flags), dtype=bool) if keep is None else ~keep
    row = np.array([COLUMNS.index(c) for c in flags.column[use]], dtype=np.int64)
    value[row, flags.day[use] - series.first_day] = np.nan
    return StationSeries(series.station_id, series.first_day, *value)


def check_series(series: StationSeries, *, neighbours: Sequence[StationSeries] = ()) -> Flags:
    """Return the doubted values of one record.

    Parameters
    ----------
    series
        The record.
    neighbours
        Records of stations around, nearest first; may be empty. Errors in them do not count against this record: they
        are checked by themselves first.

    Returns
    -------
    Flags
        Every doubted value with its reason. Nothing is corrected.

    Notes
    -----
    After the tests of Durre et al. 2010 (J Appl Meteorol Climatol 49:1615, doi:10.1175/2010JAMC2375.1): order of
    minimum and maximum, noughts, streaks, repeated stretches, outliers of the calendar, spikes and spatial regression
    in one Gaussian expectation, and beyond them stretches misread as another unit, sign or decimal. Limits are ours,
    set on real records (``tests/benchmarks/weather_quality.py``).
    """
    others = [_solo(other) for other in neighbours]
    return _Check(series, anomalies(series), others).run()


def check_stations(
    weather: Mapping[str, StationSeries], neighbours: Mapping[str, Sequence[str]], *, threads: int = 1
) -> dict[str, Flags]:
    """Return the doubted values of many records; ``neighbours`` names those around each, nearest first.

    Records are worked on by ``threads`` at once, each for itself: the flags do not depend on it.
    """
    names = list(weather)
    needed = {other for around in neighbours.values() for other in around}

    def spoken(name: str) -> Anomalies:
        return usual[name].without(_Check(weather[name], usual[name]).alone() > 0)

    def checked(name: str) -> Flags:
        around = [alone[other] for other in neighbours.get(name, ())]
        return _Check(weather[name], usual[name], around, shared.get(name, ())).run()

    with ThreadPoolExecutor(threads) as pool:
        usual = dict(zip(names, pool.map(anomalies, weather.values()), strict=True))
        shared: dict[str, list[Anomalies]] = {}
        for i, j in sorted(shared_weeks([usual[n].first_day for n in names], [usual[n].value_c for n in names])):
            shared.setdefault(names[i], []).append(usual[names[j]])
            shared.setdefault(names[j], []).append(usual[names[i]])
        speaking = [name for name in names if name in needed]
        alone = dict(zip(speaking, pool.map(spoken, speaking), strict=True))
        return dict(zip(names, pool.map(checked, names), strict=True))


def _solo(series: StationSeries) -> Anomalies:
    usual = anomalies(series)
    return usual.without(_Check(series, usual).alone() > 0)


class _Check:
    """One record on its way through the tests; ``code`` (days, 3) is the reason of each flag, 0 for none."""

    def __init__(
        self,
        series: StationSeries,
        own: Anomalies,
        around: Sequence[Anomalies] = (),
        twins: Sequence[Anomalies] | None = None,
    ) -> None:
        self.series, self.own, self.around = series, own, around
        self.twins = around if twins is None else twins
        self.value = own.value_c
        self.known = np.isfinite(self.value)
        self.code = np.zeros(self.value.shape, dtype=np.int8)
        self.detail: dict[int, str] = {}
        self.lag, self.lag_to = 0, tuple[str, ...]()
        self.enough = int(self.known.any(1).sum()) >= LEAST_DAYS

    def alone(self) -> NDArray[np.int8]:
        """Run the tests that tell whether this record may speak of its neighbours and return the codes."""
        self._order()
        if self.enough:
            self._frozen()
            self._stretches(*told_by_neighbours(self.own, ()))
            z = self._clean().z
            beside = np.full(z.shape, np.nan)
            beside[1:-1] = (z[2:] + z[:-2]) / 2.0
            self._flag(np.abs(z - beside) > JUMP_SD, "spike")
        return self.code

    def mask(self) -> NDArray[np.int8]:
        """Run all tests and return the codes."""
        self._order()
        if self.enough:
            self._frozen()
            self.lag, self.lag_to = lag_behind(self._clean(), self.around)
            self._copied()
            if self.lag:
                self.around = [replace(other, first_day=other.first_day + self.lag) for other in self.around]
            self._repeated()
            said, error = told_by_neighbours(self._clean(), self.around)
            self._stretches(said, error)
            for reason, days in strange_months(self._clean(), said, error).items():
                self._flag(days[:, None] & self.known, reason)
            for reason, where in Spikes(self._clean(), said).run().items():
                self._flag(where, reason)
        return self.code

    def _frozen(self) -> None:
        for c in self.own.there:
            days = np.zeros(self.code.shape, dtype=bool)
            days[:, c] = frozen(self.value[:, c])
            self._flag(days, "frozen")

    def _stretches(self, said: Floats, error: Floats) -> None:
        """Flag stretches that were misread, and what the calendar rules out."""
        for reason, where in misread_stretches(self._clean(), said, error).items():
            self._flag(where, reason)
        far = np.abs(self._clean().z)
        self._flag((far > OUTLIER_SD) & (far * self.own.scale_c > OUTLIER_LEAST_C), "outlier")

    def run(self) -> Flags:
        """Run all tests and return the flags."""
        code = self.mask()
        told = code > 0
        told[self.own.derived, 2] = False
        row, column = np.nonzero(told)
        names, reasons = np.array(COLUMNS, dtype=object), np.array(["", *REASONS], dtype=object)
        return Flags(
            self.series.station_id,
            self.series.first_day + row,
            names[column],
            self.value[row, column],
            reasons[code[row, column]],
            np.array([self.detail.get(int(r), "") for r in row], dtype=object),
            self.lag,
            self.lag_to,
        )

    def _clean(self) -> Anomalies:
        return self.own.without(self.code > 0)

    def _flag(self, where: Mask, reason: str) -> None:
        """Flag values that are not flagged yet; a mean made of minimum and maximum goes with them, and they with it."""
        if not where.any():
            return
        new = where & (self.code == 0) & self.known
        if not new.any():
            return
        self.code[new] = _CODE[reason]
        derived = self.own.derived
        made = derived & new[:, 2]
        self.code[:, :2] = np.where(made[:, None] & (self.code[:, :2] == 0), _CODE[reason], self.code[:, :2])
        spoilt = derived & new[:, :2].any(1) & (self.code[:, 2] == 0)
        self.code[spoilt, 2] = _CODE[reason]

    def _flag_days(self, first: int, n: int, reason: str) -> None:
        where = np.zeros(self.code.shape, dtype=bool)
        where[first : first + n] = True
        self._flag(where, reason)

    def _order(self) -> None:
        low, high = self.value[:, 0], self.value[:, 1]
        pair = np.array([[True, True, False]])
        self._flag((low > high)[:, None] & pair, "order")
        self._flag(((low == 0) & (high == 0))[:, None] & pair, "nought")

    def _copied(self) -> None:
        n = len(self.value)
        for other in self.twins:
            runs = copied(self.value, aligned(other.value_c, other.first_day, self.series.first_day, n))
            z = aligned(other.z, other.first_day, self.series.first_day, n)
            for first, days in runs:
                if _cost(self.own.z, first, days) > _cost(z, first, days) - SURE_COPY:
                    self._flag_days(first, days, "copied")
                    self.detail |= dict.fromkeys(range(first, first + days), other.station_id)

    def _repeated(self) -> None:
        found = repeated(np.where(self.code > 0, np.nan, self.value))
        if not found:
            return
        said, error = told_by_neighbours(self._clean(), self.around)
        silent = ~np.isfinite(said)
        misfit = (self.own.z - np.where(silent, 0.0, said)) / np.where(silent, 1.0, np.maximum(error, LEAST_ERROR))
        for later, earlier, n in found:
            a, b = _cost(self.own.z, later, n, misfit), _cost(self.own.z, earlier, n, misfit)
            for first, other, mine, theirs in ((later, earlier, a, b), (earlier, later, b, a)):
                if mine > theirs - SURE_COST:
                    self._flag_days(first, n, "repeated")
                    days = (self.series.first_day + other + np.arange(n)).astype("datetime64[D]").astype(str)
                    self.detail |= dict(zip(range(first, first + n), days.tolist(), strict=True))


def _cost(z: Floats, first: int, n: int, misfit: Floats | None = None) -> float:
    """Return how badly a stretch fits: its misfits (held at 4, half counted, weather having memory) and both ends."""
    inside = np.clip((z if misfit is None else misfit)[first : first + n], -4.0, 4.0) ** 2
    ends = [z[k] - z[k - 1] for k in (first, first + n) if 0 < k < len(z)]
    return float(_column_mean(inside).sum() / 2 + sum(_column_mean(e[None] ** 2)[0] for e in ends))


def _column_mean(values: Floats) -> Floats:
    """Return the mean over columns (rows,), 0 where nothing is known."""
    n = np.isfinite(values).sum(1)
    return np.asarray(np.nansum(values, axis=1) / np.maximum(n, 1))

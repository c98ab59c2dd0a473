"""A station's record without gaps, and how each day came about."""

from __future__ import annotations

from collections.abc import Callable, Hashable, Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, TypeVar

import numpy as np
from numpy.typing import NDArray

from emergence.dates import day_number, day_of_year, month_of, to_date
from emergence.errors import NoWeatherError
from emergence.records import Moved, StationSeries
from emergence.weather import constants as k
from emergence.weather.climate import (
    annual_amplitude,
    calendar_mean,
    calendar_offset,
    half_range_by_month,
    half_range_prior,
)
from emergence.weather.lapse import height_correction

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Kept = TypeVar("Kept")
Neighbour = tuple[StationSeries, float]
"""A neighbour's record and the height of this station minus the neighbour's [m]."""

GAP_POLICY = "interpolate-3, neighbour, calendar-mean"
OBSERVED, INTERPOLATED, NEIGHBOUR, CALENDAR = range(4)
HOW_WORDS = ("observed", "interpolated", "neighbour", "calendar mean")


@dataclass(frozen=True)
class FilledSeries:
    """A station's daily air temperature without gaps.

    ``first_day`` is the day number of element 0. ``tmin_c``, ``tmax_c``, ``tmean_c`` [°C], shape (days,),
    hold no NaN and ``tmin_c <= tmean_c <= tmax_c``. ``how`` (days,) says where the mean comes from: 0
    observed, 1 interpolated, 2 neighbour, 3 calendar mean. ``range_estimated`` (days,) is true where minimum
    or maximum was estimated from the mean. ``calendar_c`` (366,) is the calendar mean [°C] by day of the
    year, ``half_range_c`` (12,) half of the usual daily range [°C] by month. ``moved`` says which days stand for
    later ones (hindcasts).
    """

    station_id: str
    first_day: int
    tmin_c: Floats
    tmax_c: Floats
    tmean_c: Floats
    how: NDArray[np.uint8]
    range_estimated: NDArray[np.bool_]
    calendar_c: Floats
    half_range_c: Floats
    moved: Moved | None = None
    _made: dict[Hashable, Any] = field(default_factory=dict, init=False, repr=False, compare=False)

    def kept(self, key: Hashable, make: Callable[[], Kept]) -> Kept:
        """Return what ``make`` made of this record under a key, made once for as long as the record lives."""
        if key not in self._made:
            self._made[key] = make()
        found: Kept = self._made[key]
        return found

    def __getstate__(self) -> dict[str, Any]:
        """Return what is sent to another process: the record, not what was made of it."""
        return {**vars(self), "_made": {}}

    def true_days(self, days: Ints) -> Ints:
        """Return the day numbers for which those of the record stand, same shape."""
        return days if self.moved is None else self.moved.true_days(days)

    @property
    def last_day(self) -> int:
        """Day number of the last element."""
        return self.first_day + len(self.tmean_c) - 1

    @property
    def measured(self) -> NDArray[np.bool_]:
        """Truth of "weather of that very day, here or at a neighbour", shape (days,)."""
        return np.asarray(self.how != CALENDAR)


def truncate(series: StationSeries, last_day: int) -> StationSeries:
    """Return the record up to and with ``last_day``; empty where it begins later."""
    n = max(0, last_day - series.first_day + 1)
    return StationSeries(series.station_id, series.first_day, series.tmin_c[:n], series.tmax_c[:n], series.tmean_c[:n])


def observed_means(series: StationSeries) -> Floats:
    """Return daily means [°C], shape (days,): as given, else between minimum and maximum, else NaN."""
    return np.where(np.isfinite(series.tmean_c), series.tmean_c, (series.tmin_c + series.tmax_c) / 2.0)


def interpolate_short(values: Floats, longest: int) -> tuple[Floats, NDArray[np.bool_]]:
    """Fill gaps of at most ``longest`` days on a straight line between the days around them.

    Parameters
    ----------
    values
        Daily values, shape (days,), NaN where missing.
    longest
        Longest gap that is filled [d]; gaps at the ends stay.

    Returns
    -------
    tuple
        Values with short gaps filled, and the truth of "filled here", both (days,).
    """
    known = np.isfinite(values)
    at = np.arange(len(values))
    before = np.maximum.accumulate(np.where(known, at, -1))
    after = np.minimum.accumulate(np.where(known, at, len(values))[::-1])[::-1]
    short = ~known & (before >= 0) & (after < len(values)) & (after - before - 1 <= longest)
    out = values.copy()
    if short.any():
        out[short] = np.interp(at[short], at[known], values[known])
    return out, short


def first_fill_day(series: StationSeries, neighbours: Sequence[Neighbour], sim_start: int) -> int:
    """Return the day number from which to fill, so that every past year that can be a trace is covered.

    It is 1 January of the first year in which the station or a neighbour has a record, or ``sim_start`` if
    earlier.
    """
    first = min(series.first_day, *(other.first_day for other, _ in neighbours), sim_start)
    return day_number(to_date(first).replace(month=1, day=1))


def fill_record(
    series: StationSeries,
    *,
    neighbours: Sequence[Neighbour],
    first_day: int,
    last_day: int,
    latitude: float,
    elevation_m: float,
) -> FilledSeries:
    """Fill a station's record so that it covers exactly ``first_day`` to ``last_day``.

    Parameters
    ----------
    series
        The record; nothing after ``last_day`` is looked at, here or in the neighbours.
    neighbours
        Records to fill from with this station's height minus theirs [m], nearest first; may be empty.
    first_day, last_day
        Day numbers [d], both included; they may reach beyond the record on either side.
    latitude
        Latitude of the station [degrees north].
    elevation_m
        Height of the station [m above sea].

    Returns
    -------
    FilledSeries
        The record without gaps.

    Raises
    ------
    ValueError
        When ``last_day`` lies before ``first_day``.

    Notes
    -----
    The policy is `GAP_POLICY`. A day without a mean takes the middle of its minimum and maximum. Gaps of up
    to three days are interpolated. Longer ones take the best neighbour's value of the day, moved by the
    height correction and by the mean difference of the two stations on that calendar day; best is the one
    whose difference varies least over at least 90 common days, then the nearest. What is left takes the
    calendar mean of the record (see `emergence.weather.climate.calendar_mean`). Minima and maxima that are
    missing lie half the month's usual range from the mean: the station's own, else the nearest neighbour's
    that has both, else our prior.
    """
    if last_day < first_day:
        raise ValueError(f"last_day {last_day} lies before first_day {first_day}")
    start = min(first_day, series.first_day)
    days = np.arange(start, last_day + 1)
    own = _on_days(series, days)
    others = [(_on_days(other, days), dz_m) for other, dz_m in neighbours]
    mean, calendar, half = _own_climate(own, days, [other for other, _ in others], latitude, elevation_m)
    tmean, how = _fill_means(mean, days, others, calendar, latitude < 0)
    tmin, tmax, estimated = _fill_range(own, mean, tmean, half[month_of(days) - 1])
    keep = slice(first_day - start, None)
    return FilledSeries(
        series.station_id,
        first_day,
        tmin[keep],
        tmax[keep],
        tmean[keep],
        how[keep],
        estimated[keep],
        calendar,
        half,
    )


def _on_days(series: StationSeries, days: Ints) -> StationSeries:
    """Return the record on consecutive days, NaN outside it."""
    out = np.full((3, len(days)), np.nan)
    cut = truncate(series, int(days[-1]))
    skip = max(0, int(days[0]) - cut.first_day)
    at = cut.first_day + skip - int(days[0])
    for row, values in zip(out, (cut.tmin_c, cut.tmax_c, cut.tmean_c), strict=True):
        part = values[skip:]
        row[at : at + len(part)] = part
    return StationSeries(series.station_id, int(days[0]), out[0], out[1], out[2])


def _own_climate(
    own: StationSeries, days: Ints, others: Sequence[StationSeries], latitude: float, elevation_m: float
) -> tuple[Floats, Floats, Floats]:
    """Return daily means (a lone minimum or maximum made one), calendar mean and half range by month."""
    doy, month = day_of_year(days), month_of(days)
    mean = observed_means(own)
    calendar = calendar_mean(doy, mean, latitude=latitude, elevation_m=elevation_m)
    half = np.full(12, np.nan)
    for record in (own, *others):
        measured = half_range_by_month(month, (record.tmax_c - record.tmin_c) / 2.0)
        half = np.where(np.isnan(half), measured, half)
    half = np.where(np.isnan(half), half_range_prior(annual_amplitude(calendar), southern=latitude < 0), half)
    usual = half[month - 1]
    lone = np.where(np.isfinite(own.tmax_c), own.tmax_c - usual, own.tmin_c + usual)
    if np.any(np.isnan(mean) & np.isfinite(lone)):
        mean = np.where(np.isnan(mean), lone, mean)
        calendar = calendar_mean(doy, mean, latitude=latitude, elevation_m=elevation_m)
    return mean, calendar, half


def _fill_means(
    mean: Floats, days: Ints, others: Sequence[Neighbour], calendar: Floats, southern: bool
) -> tuple[Floats, NDArray[np.uint8]]:
    """Return daily means without NaN and how each came about."""
    how = np.zeros(len(days), dtype=np.uint8)
    out, short = interpolate_short(mean, int(k.LONGEST_INTERPOLATED.value))
    how[short] = INTERPOLATED
    for guess in _ranked_guesses(mean, days, others, southern):
        take = np.isnan(out) & np.isfinite(guess)
        out[take] = guess[take]
        how[take] = NEIGHBOUR
    left = np.isnan(out)
    out[left] = calendar[day_of_year(days[left]) - 1]
    how[left] = CALENDAR
    return out, how


def _ranked_guesses(mean: Floats, days: Ints, others: Sequence[Neighbour], southern: bool) -> list[Floats]:
    """Return what each neighbour says of this station [°C], the most trustworthy first."""
    doy, month = day_of_year(days), month_of(days)
    ranked = []
    for place, (other, dz_m) in enumerate(others):
        moved = observed_means(other) + height_correction(dz_m, month, "tmean", southern)
        guess = moved + calendar_offset(doy, mean - moved, southern=southern)[doy - 1]
        error = (mean - guess)[np.isfinite(mean) & np.isfinite(guess)]
        known = len(error) >= k.LEAST_COMMON_DAYS.value
        ranked.append((not known, float(np.std(error)) if known else 0.0, place, guess))
    ranked.sort(key=lambda entry: entry[:3])
    return [entry[3] for entry in ranked]


def _fill_range(
    own: StationSeries, mean: Floats, tmean: Floats, usual: Floats
) -> tuple[Floats, Floats, NDArray[np.bool_]]:
    """Return minima, maxima and where they are estimated."""
    below, above = mean - own.tmin_c, own.tmax_c - mean
    measured = np.isfinite(below) & np.isfinite(above)
    below, above = np.where(np.isnan(below), above, below), np.where(np.isnan(above), below, above)
    longest = int(k.LONGEST_INTERPOLATED.value)
    below, short = interpolate_short(below, longest)
    above, _ = interpolate_short(above, longest)
    below, above = np.where(np.isnan(below), usual, below), np.where(np.isnan(above), usual, above)
    return tmean - np.maximum(below, 0.0), tmean + np.maximum(above, 0.0), ~(measured | short)


def gap_counts(filled: FilledSeries, first: int, last: int) -> dict[str, int]:
    """Return how many days from ``first`` to ``last`` (day numbers, both included) came about in which way.

    Keys are `HOW_WORDS` and ``range estimated``; days outside the series are not counted.
    """
    part = slice(max(0, first - filled.first_day), max(0, last - filled.first_day + 1))
    count = np.bincount(filled.how[part], minlength=len(HOW_WORDS))
    counts = {word: int(n) for word, n in zip(HOW_WORDS, count, strict=True)}
    return counts | {"range estimated": int(np.count_nonzero(filled.range_estimated[part]))}


def too_little(filled: FilledSeries, *, as_of: int) -> str:
    """Return why a station's record cannot carry a forecast, in words; empty when it can.

    Parameters
    ----------
    filled
        The record, filled from its first day or earlier up to ``as_of``.
    as_of
        Issue date (day number).

    Notes
    -----
    A record is refused with fewer than 60 observed days of its own, or when neither it nor a neighbour was
    measured in the last 30 days (our prior).
    """
    part = slice(0, max(0, as_of - filled.first_day + 1))
    own = int(np.count_nonzero(filled.how[part] == OBSERVED))
    if own < k.LEAST_RECORD_DAYS.value:
        return f"{own} observed days up to {to_date(as_of)}; {k.LEAST_RECORD_DAYS.value:.0f} are needed"
    last = filled.first_day + int(np.flatnonzero(filled.measured[part])[-1])
    if as_of - last >= k.LONGEST_SILENCE.value:
        return f"last measured day is {to_date(last)}, {as_of - last} days before the issue date"
    return ""


def last_weather_day(weather: Mapping[str, StationSeries]) -> int:
    """Return the last day number on which any station has a measured mean.

    Raises
    ------
    NoWeatherError
        When no station has a single value.
    """
    ends = []
    for series in weather.values():
        seen = np.flatnonzero(np.isfinite(observed_means(series)))
        if len(seen):
            ends.append(series.first_day + int(seen[-1]))
    if not ends:
        raise NoWeatherError(
            "No weather file holds a single usable day. Put daily air temperatures into weather/STATION.csv "
            "(columns date,tmin_c,tmax_c or date,tmean_c) and run again."
        )
    return max(ends)

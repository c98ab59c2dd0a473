"""How the records of several stations make up the air of one lake."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import NamedTuple

import numpy as np
from numpy.typing import NDArray

from emergence.dates import YEAR_DAYS, day_of_year, month_of
from emergence.weather import constants as k
from emergence.weather.gaps import CALENDAR, INTERPOLATED, FilledSeries
from emergence.weather.lapse import VARIABLES, Lapse, Variable, lake_height_sd
from emergence.weather.neighbours import Assignment

Floats32 = NDArray[np.float32]
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Bools = NDArray[np.bool_]


@dataclass(frozen=True)
class Links:
    """The stations of each of L lakes, heaviest first, and the way to lake height.

    ``station_index`` (L, K) into the records (where the weight is 0: the first one's), ``weight`` (L, K) with sum 1,
    ``correction_c`` (L, 3, 12) what to add for height [°C] by `VARIABLES` and calendar month, all stations
    together, ``height_sd_c`` (L,) how far that may be off in the mean [°C].
    """

    station_index: Ints
    weight: Floats
    correction_c: Floats
    height_sd_c: Floats

    def take(self, lakes: Ints | slice) -> Links:
        """Return some lakes."""
        return Links(**{name: part[lakes] for name, part in vars(self).items()})

    @property
    def in_use(self) -> Ints:
        """The records in use, ascending."""
        return np.unique(self.station_index)


def link_stations(assignment: Assignment, place: Ints, lapse: Lapse) -> Links:
    """Return how records make up lakes.

    Parameters
    ----------
    assignment
        Stations and weights of lakes; every lake has a station.
    place
        Where each station's record is, shape (stations,).
    lapse
        Rates around each record's station, rows as the records.

    Raises
    ------
    ValueError
        When a lake has no station.
    """
    if not assignment.found.all():
        raise ValueError(f"{np.count_nonzero(~assignment.found)} lakes have no station; leave them out before")
    used = assignment.weight > 0.0
    row = place[np.where(used, assignment.station_index, assignment.station_index[:, :1])]
    dz = np.where(used, assignment.dz_m, 0.0)
    share = assignment.weight[:, :, None, None] * (-lapse.rate_c_km[row] * dz[:, :, None, None] / 1000.0)
    correction = np.zeros(share[:, 0].shape)
    for place_k in range(share.shape[1]):
        correction += share[:, place_k]
    sd = lapse.sd_c_km[row, VARIABLES.index("tmean")].mean(axis=2)
    return Links(row, assignment.weight, correction, lake_height_sd(assignment.weight, dz, sd))


def station_normals(filled: FilledSeries) -> Floats:
    """Return a station's mean minima, means and maxima [°C] by calendar month, shape (3, 12).

    Notes
    -----
    Means over the measured days of the last 30 years of the record, those taken from a neighbour (and moved to this
    station) with them, so that records of unequal length compare. NaN where the station itself has fewer than 60
    days of the month; for minima and maxima, where it has fewer with a measured range.
    """
    last = slice(-int(k.NORMAL_YEARS.value * YEAR_DAYS), None)
    days = np.arange(filled.first_day, filled.last_day + 1)[last]
    month, how = month_of(days) - 1, filled.how[last]
    kept, own = how != CALENDAR, how <= INTERPOLATED
    ranged = own & ~filled.range_estimated[last]
    count = np.bincount(month[kept], minlength=12)
    out = np.empty((len(VARIABLES), 12))
    for row, variable in zip(out, VARIABLES, strict=True):
        measured = np.bincount(month[own if variable == "tmean" else ranged], minlength=12)
        total = np.bincount(month[kept], weights=getattr(filled, f"{variable}_c")[last][kept], minlength=12)
        row[:] = np.where(measured >= k.LEAST_NORMAL_DAYS.value, total / np.maximum(count, 1), np.nan)
    return out


def weighted(values: Floats, links: Links) -> Floats:
    """Return the weighted mean over each lake's stations of ``values`` (records, ...), shape (lakes, ...)."""
    out = np.zeros((len(links.weight), *values.shape[1:]))
    tail = (1,) * (values.ndim - 1)
    for place in range(links.weight.shape[1]):
        out += links.weight[:, place].reshape(-1, *tail) * values[links.station_index[:, place]]
    return out


def usual_air(filled: Sequence[FilledSeries], links: Links, days: Ints) -> Floats:
    """Return the calendar mean of the air over each lake, at its height [°C], shape (days, lakes)."""
    calendar = weighted(np.stack([f.calendar_c for f in filled]), links).T
    moved = links.correction_c[:, VARIABLES.index("tmean")].T
    return np.asarray(calendar[day_of_year(days) - 1] + moved[month_of(days) - 1])


def usual_days(filled: Sequence[FilledSeries], days: Ints, variable: Variable) -> Floats32:
    """Return what stations are like on calendar days [°C], shape (stations, days), float32."""
    calendar = np.stack([f.calendar_c for f in filled])[:, day_of_year(days) - 1]
    half = {"tmin": -1.0, "tmean": 0.0, "tmax": 1.0}[variable] * np.stack([f.half_range_c for f in filled])
    return np.asarray(calendar + half[:, month_of(days) - 1], dtype=np.float32)


class Counted(NamedTuple):
    """Lakes of which not all stations count always: their indices (n,), and the truth (n, K, days or 1, slots or 1)."""

    lakes: Ints
    truth: Bools


def mixed(values: Floats32, usual: Floats32, links: Links, counted: Counted) -> Floats32:
    """Return the weighted mean of station temperatures over lakes, height not yet corrected.

    Parameters
    ----------
    values, usual
        Temperature of each record, shape (records, days, slots), and what is usual there on that day (records,
        days) [°C].
    links
        Stations of lakes; ``station_index`` into the records given here.
    counted
        Which of them have weather of their own, and where that matters.

    Returns
    -------
    numpy.ndarray
        Temperature [°C], shape (days, lakes, slots), float32.

    Notes
    -----
    Where only some of a lake's stations count, their departures from the usual stand for all, but all of them
    make up the usual: so the level does not jump when a record begins or ends. The sums run in the order of the
    stations of a lake, whatever other lakes there are.
    """
    weight = links.weight.astype(np.float32)
    out = values[links.station_index[:, 0]]
    out *= weight[:, 0, None, None]
    for place in range(1, weight.shape[1]):
        rows = np.flatnonzero(weight[:, place] > 0.0)
        part = values[links.station_index[rows, place]]
        part *= weight[rows, place, None, None]
        if len(rows) == len(out):
            out += part
        else:
            out[rows] += part
    if len(counted.lakes):
        out[counted.lakes] = _partly(out[counted.lakes], values, usual, links.take(counted.lakes), counted.truth)
    return np.ascontiguousarray(out.transpose(1, 0, 2))


def _partly(plain: Floats32, values: Floats32, usual: Floats32, links: Links, truth: Bools) -> Floats32:
    """Return ``plain`` (lakes, days, slots) with the cells replaced in which some but not all stations count."""
    weight = links.weight.astype(np.float32)[:, :, None, None]
    normal, anomaly, share = (np.zeros((1, 1, 1), dtype=np.float32) for _ in range(3))
    every = np.ones((1, 1, 1), dtype=bool)
    for place in range(weight.shape[1]):
        w, row = weight[:, place], links.station_index[:, place]
        here = usual[row][:, :, None]
        used = w * truth[:, place]
        normal = normal + w * here
        anomaly = anomaly + used * (values[row] - here)
        share = share + used
        every = every & (truth[:, place] | (w <= 0.0))
    some = (share > 0.0) & ~every
    return np.where(some, normal + anomaly / np.where(share > 0.0, share, np.float32(1.0)), plain)


def counted_days(how: NDArray[np.uint8], links: Links) -> Counted:
    """Return where only some of a lake's stations were measured; ``how`` (records, days) as in `FilledSeries`."""
    gaps = (how == CALENDAR).any(axis=1)
    used = links.weight > 0.0
    lakes = np.flatnonzero((used.sum(axis=1) > 1) & (gaps[links.station_index] & used).any(axis=1))
    return Counted(lakes, (how[links.station_index[lakes]] != CALENDAR)[..., None])


def counted_slots(year: Ints, joint: Bools, links: Links) -> Counted:
    """Return where a lake's stations lay different past years in a slot: one sky only may be over one lake.

    Parameters
    ----------
    year, joint
        As in `traces.Slots`, shape (records, S).
    links
        Stations of lakes, ``station_index`` into these records.

    Returns
    -------
    Counted
        Those stations count that lay the slot's own year; where none does, those that lay the first (heaviest)
        one's with any past year.
    """
    used = (links.weight > 0.0)[:, :, None]
    laid = np.where(used, year[links.station_index], np.iinfo(np.int64).min)
    own = used & joint[links.station_index]
    lead = np.where(own.any(axis=1), np.argmax(own, axis=1), np.argmax(used & (laid >= 0), axis=1))
    chosen = np.take_along_axis(laid, lead[:, None], axis=1)
    truth = used & (laid == chosen)
    lakes = np.flatnonzero((used & ~truth).any(axis=(1, 2)))
    return Counted(lakes, truth[lakes][:, :, None])

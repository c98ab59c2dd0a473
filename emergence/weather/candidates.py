"""Which stations of a weather service are worth fetching for each lake."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.dates import YEAR_DAYS
from emergence.records import Days, Floats, Lakes, Stations
from emergence.sources import Quantity
from emergence.weather import constants as k
from emergence.weather.neighbours import great_circle_km


def _prior(value: float, unit: str, low: float, high: float, why: str) -> Quantity:
    return Quantity(value=value, unit=unit, low=low, high=high, source=why, standing="our prior")


RECORD_YEARS = _prior(30, "year", 20, 40, "the usual length of a climate normal")
SHORT_RECORD_COST = _prior(100, "km", 50, 200, "a record of none of the last thirty years")
SILENT_COST = _prior(200, "km", 100, 400, "tells nothing of this spring, but fills past years")
MEAN_ONLY_COST = _prior(30, "km", 10, 60, "without minima and maxima they are estimated")
SILENT_DAYS = _prior(60, "day", 30, 120, "services lag some weeks behind at some stations")
UNKNOWN_SHARE = _prior(0.9, "1", 0.6, 1.0, "completeness of a record where it is not told")
SPARE = 8
"""So many candidates a lake are kept in reserve, for those that turn out to have nothing."""


def record_cost(
    first_day: Days, last_day: Days, completeness: Floats, has_range: NDArray[np.bool_], *, as_of: int
) -> Floats:
    """Return what the lack of a record costs, as a distance.

    Parameters
    ----------
    first_day, last_day
        First and last day of each record, shape (stations,); first above last: no record.
    completeness
        Share of its days that are there [1], NaN where not known.
    has_range
        Truth of "has minima and maxima", shape (stations,).
    as_of
        Today's day number.

    Returns
    -------
    numpy.ndarray
        Cost [km], shape (stations,), infinite where there is no record: 100 km times the share of the last 30
        years that is missing, 200 km more if the record ended over 60 days ago, 30 km more for daily means only (our
        prior).
    """
    begin = as_of - int(RECORD_YEARS.value * YEAR_DAYS)
    days = np.minimum(last_day, as_of) - np.maximum(first_day, begin) + 1
    share = np.clip(days / (as_of - begin + 1), 0.0, 1.0)
    share = share * np.where(np.isfinite(completeness), completeness, UNKNOWN_SHARE.value)
    cost = SHORT_RECORD_COST.value * (1.0 - share)
    cost += SILENT_COST.value * (last_day < as_of - SILENT_DAYS.value)
    cost += MEAN_ONLY_COST.value * ~has_range
    return np.where(share > 0.0, cost, np.inf)


def rank_candidates(lakes: Lakes, stations: Stations, cost_km: Floats, *, most: int) -> list[list[int]]:
    """Return for each lake the stations to fetch, best first.

    Parameters
    ----------
    lakes, stations
        The places.
    cost_km
        What each station costs beside its place [km], shape (stations,), infinite where it is of no use.
    most
        At most so many a lake.

    Returns
    -------
    list
        Indices of stations, ordered by distance [km] plus 0.1 km for each metre of height between them, plus
        ``cost_km``; of equal ones the first by station_id. Those within 200 km, or the best one alone where there is
        none; none beyond 500 km or 2000 m of height (our prior, as in `neighbours`).
    """
    choice = np.flatnonzero(np.isfinite(cost_km))
    choice = choice[np.argsort(stations.station_id[choice].astype(str), kind="stable")]
    at = stations.take(choice)
    found = []
    for lake in range(len(lakes)):
        km = great_circle_km(lakes.latitude[lake], lakes.longitude[lake], at.latitude, at.longitude)
        dz = np.abs(lakes.elevation_m[lake] - at.elevation_m)
        total = km + k.HEIGHT_WEIGHT.value * dz + cost_km[choice]
        total[(km > k.FARTHEST_STATION.value) | (dz > k.HIGHEST_STATION.value)] = np.inf
        order = np.argsort(total, kind="stable")
        order = order[: np.count_nonzero(np.isfinite(total))]
        near = order[km[order] <= k.FARTHEST_NEIGHBOUR.value]
        best = near if len(near) else order[:1]
        found.append([int(choice[j]) for j in best[:most]])
    return found

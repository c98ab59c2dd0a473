"""Which station speaks for which lake, and which stations fill each other's gaps."""

from __future__ import annotations

from typing import NamedTuple

import numpy as np
from numpy.typing import ArrayLike, NDArray

from emergence.records import Lakes, Stations
from emergence.weather import constants as k

Floats = NDArray[np.float64]
Ints = NDArray[np.int64]

EARTH_RADIUS_KM = 6371.0088
"""Mean radius of the GRS 80 ellipsoid (Moritz 2000, J Geod 74:128)."""
NO_STATION = -1
_CHUNK_PAIRS = 100_000


class Assignment(NamedTuple):
    """The station of each lake, all shape (lakes,).

    ``station_index`` into the stations (-1: none), ``distance_km`` [km] and ``dz_m``, lake minus station [m],
    both NaN where there is none.
    """

    station_index: Ints
    distance_km: Floats
    dz_m: Floats


def great_circle_km(lat1: ArrayLike, lon1: ArrayLike, lat2: ArrayLike, lon2: ArrayLike) -> Floats:
    """Return the great-circle distance on a sphere.

    Parameters
    ----------
    lat1, lon1, lat2, lon2
        Latitudes and longitudes [degrees, north and east positive], broadcast together.

    Returns
    -------
    numpy.ndarray
        Distance [km]; within 0.6 % of the distance on the ellipsoid.

    Notes
    -----
    Haversine form (Sinnott 1984, Sky and Telescope 68:158), which keeps its precision at short distances.
    """
    phi1, phi2 = np.radians(lat1), np.radians(lat2)
    half_lat, half_lon = (phi2 - phi1) / 2.0, np.radians(np.subtract(lon2, lon1)) / 2.0
    h = np.sin(half_lat) ** 2 + np.cos(phi1) * np.cos(phi2) * np.sin(half_lon) ** 2
    return np.asarray(2.0 * EARTH_RADIUS_KM * np.arcsin(np.sqrt(np.minimum(h, 1.0))))


def assign_stations(lakes: Lakes, stations: Stations, usable: NDArray[np.bool_]) -> Assignment:
    """Return the station whose air each lake gets.

    Parameters
    ----------
    lakes, stations
        The season's lakes and stations.
    usable
        Truth of "has a record that can be used", shape (stations,).

    Returns
    -------
    Assignment
        A lake that names a station has that one, or none if it is not usable. The others have the usable
        station with the smallest distance [km] plus 0.1 km for each metre of difference in height (our
        prior), if it lies within 500 km; of equal ones the first by station_id.

    Notes
    -----
    The search measures distance as the chord through the earth, which is within 0.1 % of the arc up to 500
    km.
    """
    index = _nearest(lakes, stations, usable)
    named = np.flatnonzero(lakes.station_id != "")
    row = {str(name): i for i, name in enumerate(stations.station_id)}
    for lake in named:
        i = row.get(str(lakes.station_id[lake]), NO_STATION)
        index[lake] = i if i >= 0 and usable[i] else NO_STATION
    found = index >= 0
    at = stations.take(index[found])
    distance, dz = np.full(len(index), np.nan), np.full(len(index), np.nan)
    distance[found] = great_circle_km(lakes.latitude[found], lakes.longitude[found], at.latitude, at.longitude)
    dz[found] = lakes.elevation_m[found] - at.elevation_m
    beyond = found & (lakes.station_id == "") & (np.nan_to_num(distance) > k.FARTHEST_STATION.value)
    index[beyond], distance[beyond], dz[beyond] = NO_STATION, np.nan, np.nan
    return Assignment(index, distance, dz)


def station_neighbours(
    stations: Stations, usable: NDArray[np.bool_], *, most: int = 5
) -> list[list[tuple[int, float]]]:
    """Return for each station the stations that may fill its gaps, nearest first.

    Parameters
    ----------
    stations
        The season's stations.
    usable
        Truth of "has a record", shape (stations,).
    most
        At most so many for each.

    Returns
    -------
    list
        For each station a list of (index, height of this station minus that one [m]): those within 200 km and
        1000 m of height (our prior), ordered as in `assign_stations`.
    """
    order = np.argsort(stations.station_id.astype(str), kind="stable")
    found = []
    for i in range(len(stations)):
        km = great_circle_km(
            stations.latitude[i], stations.longitude[i], stations.latitude[order], stations.longitude[order]
        )
        dz = stations.elevation_m[i] - stations.elevation_m[order]
        fits = usable[order] & (order != i)
        fits &= (km <= k.FARTHEST_NEIGHBOUR.value) & (np.abs(dz) <= k.HIGHEST_NEIGHBOUR.value)
        cost = np.where(fits, km + k.HEIGHT_WEIGHT.value * np.abs(dz), np.inf)
        best = np.argsort(cost, kind="stable")[: min(most, int(fits.sum()))]
        found.append([(int(order[j]), float(dz[j])) for j in best])
    return found


def _unit_vectors(latitude: Floats, longitude: Floats) -> Floats:
    phi, lam = np.radians(latitude), np.radians(longitude)
    return np.stack([np.cos(phi) * np.cos(lam), np.cos(phi) * np.sin(lam), np.sin(phi)], axis=1)


def _nearest(lakes: Lakes, stations: Stations, usable: NDArray[np.bool_]) -> Ints:
    """Return the index of the cheapest usable station of each lake, -1 where there is none at all."""
    index = np.full(len(lakes), NO_STATION, dtype=np.int64)
    choice = np.flatnonzero(usable)
    if len(choice) == 0 or len(lakes) == 0:
        return index
    choice = choice[np.argsort(stations.station_id[choice].astype(str), kind="stable")]
    there = _unit_vectors(stations.latitude[choice], stations.longitude[choice]).T
    here = _unit_vectors(lakes.latitude, lakes.longitude)
    height = stations.elevation_m[choice]
    step = max(1, _CHUNK_PAIRS // len(choice))
    for first in range(0, len(lakes), step):
        part = slice(first, first + step)
        cost = here[part] @ there
        np.subtract(2.0, 2.0 * cost, out=cost)
        np.sqrt(np.maximum(cost, 0.0, out=cost), out=cost)
        cost *= EARTH_RADIUS_KM
        cost += k.HEIGHT_WEIGHT.value * np.abs(lakes.elevation_m[part, None] - height)
        index[part] = choice[np.argmin(cost, axis=1)]
    return index

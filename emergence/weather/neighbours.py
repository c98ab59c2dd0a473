"""Which station speaks for which lake, and which stations fill each other's gaps."""

from __future__ import annotations

from dataclasses import dataclass

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


@dataclass(frozen=True)
class Assignment:
    """The stations of each lake, heaviest first, all shape (lakes, K).

    ``station_index`` into the stations (-1: none), ``weight`` [1] with sum 1 a lake (0: none), ``distance_km`` [km]
    and ``dz_m``, lake minus station [m], both NaN where there is none.
    """

    station_index: Ints
    weight: Floats
    distance_km: Floats
    dz_m: Floats

    @property
    def found(self) -> NDArray[np.bool_]:
        """Truth of "has a station", shape (lakes,)."""
        return np.asarray(self.station_index[:, 0] >= 0)

    def take(self, lakes: Ints | NDArray[np.bool_]) -> Assignment:
        """Return some lakes."""
        return Assignment(**{name: part[lakes] for name, part in vars(self).items()})


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


def assign_stations(
    lakes: Lakes, stations: Stations, usable: NDArray[np.bool_], *, most: int = int(k.MOST_STATIONS.value)
) -> Assignment:
    """Return the stations whose air each lake gets, and their weights.

    Parameters
    ----------
    lakes, stations
        The season's lakes and stations.
    usable
        Truth of "has a record that can be used", shape (stations,).
    most
        At most so many stations a lake.

    Returns
    -------
    Assignment
        A lake that names a station has that one alone, or none if it is not usable. The others have the
        ``most`` usable stations with the smallest cost among those within 500 km and 2000 m of height, less
        those with under a twentieth of the first one's weight. Of equal ones the first by station_id.

    Notes
    -----
    The cost is the distance [km] plus 0.1 km for each metre of difference in height (our prior); the weight is
    1 / (cost² + 10² km²): inverse squared distance (Shepard 1968, Proc 23rd ACM Natl Conf 517,
    doi:10.1145/800186.810616), height counted beside distance as do Daly et al. 2002 (Clim Res 22:99,
    doi:10.3354/cr022099), and 10 km for the siting of any station. A lake's stations depend on no other lake, and a
    station beyond those limits changes nothing. The search measures distance as the chord through the earth, which
    is within 0.1 % of the arc up to 500 km; limits and weights take the arc.
    """
    index = _cheapest(lakes, stations, usable, min(most, max(1, len(stations))))
    row_of = {str(name): i for i, name in enumerate(stations.station_id)}
    named = lakes.station_id != ""
    for mine in np.flatnonzero(named):
        i = row_of.get(str(lakes.station_id[mine]), NO_STATION)
        index[mine] = NO_STATION
        index[mine, 0] = i if i >= 0 and usable[i] else NO_STATION
    lake, place = np.nonzero(index >= 0)
    distance, dz = np.full(index.shape, np.nan), np.full(index.shape, np.nan)
    at = stations.take(index[lake, place])
    distance[lake, place] = great_circle_km(lakes.latitude[lake], lakes.longitude[lake], at.latitude, at.longitude)
    dz[lake, place] = lakes.elevation_m[lake] - at.elevation_m
    within = (distance <= k.FARTHEST_STATION.value) & (np.abs(dz) <= k.HIGHEST_STATION.value)
    keep = (index >= 0) & (within | named[:, None])
    cost = distance + k.HEIGHT_WEIGHT.value * np.abs(dz)
    weight = np.where(keep, 1.0 / (cost**2 + k.SITING_DISTANCE.value**2), 0.0)
    weight[weight < k.LEAST_WEIGHT.value * weight.max(axis=1, keepdims=True)] = 0.0
    return _heaviest_first(index, weight, distance, dz)


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


def _cheapest(lakes: Lakes, stations: Stations, usable: NDArray[np.bool_], most: int) -> Ints:
    """Return the cheapest usable stations of each lake, shape (lakes, most), -1 where there are no more."""
    index = np.full((len(lakes), most), NO_STATION, dtype=np.int64)
    choice = np.flatnonzero(usable)
    if len(choice) == 0 or len(lakes) == 0:
        return index
    choice = choice[np.argsort(stations.station_id[choice].astype(str), kind="stable")]
    there = _unit_vectors(stations.latitude[choice], stations.longitude[choice])
    here = _unit_vectors(lakes.latitude, lakes.longitude)
    height = stations.elevation_m[choice]
    farthest = 2.0 * np.sin(k.FARTHEST_STATION.value / (2.0 * EARTH_RADIUS_KM)) * EARTH_RADIUS_KM * (1.0 + 1e-9)
    step = max(1, _CHUNK_PAIRS // len(choice))
    for first in range(0, len(lakes), step):
        part = slice(first, first + step)
        cost = _chord_km(here[part], there)
        dz = np.abs(lakes.elevation_m[part, None] - height)
        far = (cost > farthest) | (dz > k.HIGHEST_STATION.value)
        cost += k.HEIGHT_WEIGHT.value * dz
        cost[far] = np.inf
        row = np.arange(len(cost))
        for place in range(min(most, len(choice))):
            best = np.argmin(cost, axis=1)
            index[part, place] = np.where(np.isfinite(cost[row, best]), choice[best], NO_STATION)
            cost[row, best] = np.inf
    return index


def _chord_km(here: Floats, there: Floats) -> Floats:
    """Return chords [km], shape (lakes, stations), by elementwise sums alone: equal whatever the number of lakes."""
    square = np.zeros((len(here), len(there)))
    for axis in range(3):
        step = here[:, axis, None] - there[:, axis]
        square += step * step
    return np.asarray(EARTH_RADIUS_KM * np.sqrt(square))


def _heaviest_first(index: Ints, weight: Floats, distance: Floats, dz: Floats) -> Assignment:
    """Return the assignment in order of weight, what has none blanked and the rest scaled to a sum of 1."""
    order = np.argsort(-weight, axis=1, kind="stable")
    index, weight = np.take_along_axis(index, order, axis=1), np.take_along_axis(weight, order, axis=1)
    distance, dz = np.take_along_axis(distance, order, axis=1), np.take_along_axis(dz, order, axis=1)
    none = weight <= 0.0
    total = np.cumsum(weight, axis=1)[:, -1:]
    weight = weight / np.where(total > 0.0, total, 1.0)
    index[none], distance[none], dz[none] = NO_STATION, np.nan, np.nan
    return Assignment(index, weight, distance, dz)

"""Distances and the choice of stations."""

import numpy as np
import pytest

from emergence.records import Lakes, Stations
from emergence.weather.neighbours import assign_stations, great_circle_km, station_neighbours


def _words(*values: str) -> np.ndarray:
    return np.array(values, dtype=object)


def _stations(*rows: tuple[str, float, float, float]) -> Stations:
    ids, lat, lon, z = zip(*rows, strict=True)
    return Stations(_words(*ids), _words(*ids), np.array(lat), np.array(lon), np.array(z))


def _lakes(*rows: tuple[str, float, float, float]) -> Lakes:
    """Lakes from (station_id, latitude, longitude, elevation)."""
    named, lat, lon, z = zip(*rows, strict=True)
    ids = _words(*(f"lake{i}" for i in range(len(rows))))
    blank, nan = _words(*[""] * len(rows)), np.full(len(rows), np.nan)
    place = np.array(lat), np.array(lon), np.array(z)
    return Lakes(ids, ids, blank, *place, nan, nan, nan, nan, _words(*named), blank, blank, blank)


@pytest.mark.parametrize(
    ("lat1", "lon1", "lat2", "lon2", "km"),
    [
        # GeographicLib's own example, New York JFK to London Heathrow (Karney 2013 J Geod 87:43)
        (40.6, -73.8, 51.6, -0.5, 5551.759),
        # meridian quadrant and a quarter of the equator of WGS 84
        (0.0, 0.0, 90.0, 0.0, 10001.966),
        (0.0, 0.0, 0.0, 90.0, 10018.754),
        # geodesics on WGS 84 by PROJ 9 (pyproj.Geod.inv): over the date line, and a short one
        (-45.0, 170.0, -44.0, -179.0, 881.156),
        (43.13, -89.34, 46.01, -89.70, 321.309),
    ],
)
def test_distance_is_within_the_sphere_s_error(lat1: float, lon1: float, lat2: float, lon2: float, km: float) -> None:
    # a sphere departs from the ellipsoid (flattening 1/298) by at most 0.56 %
    assert great_circle_km(lat1, lon1, lat2, lon2) == pytest.approx(km, rel=0.006)


def test_distance_on_the_sphere_is_exact() -> None:
    # Nashville to Los Angeles airport: 2887.2600 km on a radius of 6372.8 km, a common worked example
    km = great_circle_km(36.12, -86.67, 33.94, -118.40)
    assert km == pytest.approx(2887.2600 * 6371.0088 / 6372.8, abs=0.001)
    assert great_circle_km(10.0, 20.0, 10.0, 20.0) == 0.0
    assert great_circle_km(0.0, 0.0, 0.0, 180.0) == pytest.approx(np.pi * 6371.0088)


HERE = ("", 46.0, -89.0, 500.0)
NEAR_LOW = ("near", 46.09, -89.0, 300.0)  # 10.0 km, 200 m lower: costs 30
FAR_LEVEL = ("far", 46.225, -89.0, 500.0)  # 25.0 km: costs 25


def _first(lakes: Lakes, stations: Stations, usable: np.ndarray | None = None) -> list[int]:
    every = np.ones(len(stations), bool)
    return assign_stations(lakes, stations, every if usable is None else usable).station_index[:, 0].tolist()


def test_height_counts_against_distance() -> None:
    stations = _stations(NEAR_LOW, FAR_LEVEL)
    out = assign_stations(_lakes(HERE, ("", 46.0, -89.0, 300.0)), stations, np.array([True, True]))
    assert out.station_index.tolist() == [[1, 0], [0, 1]]
    assert out.distance_km[:, 0] == pytest.approx([25.02, 10.01], abs=0.01)
    assert out.dz_m.tolist() == [[0.0, 200.0], [0.0, -200.0]]


def test_weights_are_inverse_squares() -> None:
    # 1 / (25.019² + 10²) against 1 / (30.008² + 10²), by hand: 725.95 and 1000.45 km²
    out = assign_stations(_lakes(HERE), _stations(NEAR_LOW, FAR_LEVEL), np.ones(2, bool))
    assert out.weight[0] == pytest.approx([1000.45 / 1726.40, 725.95 / 1726.40], abs=1e-4)


@pytest.mark.parametrize(("height", "chosen"), [(355.0, 0), (345.0, 1)])
def test_hundred_metres_cost_ten_kilometres(height: float, chosen: int) -> None:
    # 10.01 km + 0.1 km/m * 145 or 155 m against 25.02 km
    assert _first(_lakes(HERE), _stations(("near", 46.09, -89.0, height), FAR_LEVEL)) == [chosen]


def test_a_named_station_is_used_alone_or_nothing() -> None:
    stations = _stations(NEAR_LOW, FAR_LEVEL, ("away", 10.0, 30.0, 20.0), ("peak", 46.0, -89.0, 3000.0))
    lakes = _lakes(*((name, 46.0, -89.0, 500.0) for name in ("away", "far", "stranger", "peak")))
    out = assign_stations(lakes, stations, np.array([True, False, True, True]))
    assert out.station_index.tolist() == [[2, -1, -1, -1], [-1] * 4, [-1] * 4, [3, -1, -1, -1]]
    assert out.weight[[0, 3]].tolist() == [[1.0, 0.0, 0.0, 0.0]] * 2
    assert out.weight[[1, 2]].sum() == 0.0
    assert out.dz_m[[0, 3], 0].tolist() == [480.0, -2500.0]
    assert np.isnan(out.dz_m[1:3]).all() and np.isnan(out.distance_km[1:3]).all()
    assert out.found.tolist() == [True, False, False, True]


def test_none_where_nothing_is_usable_or_near() -> None:
    stations = _stations(("away", 10.0, 30.0, 20.0))
    assert _first(_lakes(HERE), stations) == [-1]
    assert _first(_lakes(HERE), stations, np.array([False])) == [-1]


@pytest.mark.parametrize(
    ("degrees", "dz", "index"), [(4.48, 0.0, 0), (4.51, 0.0, -1), (0.1, 1990.0, 0), (0.1, 2010.0, -1)]
)
def test_stations_beyond_500_km_or_2000_m_are_too_far(degrees: float, dz: float, index: int) -> None:
    # a degree of latitude is 111.195 km on the sphere: 498.2 and 501.5 km
    assert _first(_lakes(HERE), _stations(("only", 46.0 + degrees, -89.0, 500.0 + dz))) == [index]


def test_a_light_station_is_left_out_and_leaves_no_trace() -> None:
    # beside the lake 1/10²; under a twentieth of it beyond sqrt(19)*10 = 43.6 km
    near, edge, light = ("a", 46.0, -89.0, 500.0), ("b", 46.38, -89.0, 500.0), ("c", 46.40, -89.0, 500.0)
    two = assign_stations(_lakes(HERE), _stations(near, edge), np.ones(2, bool))
    three = assign_stations(_lakes(HERE), _stations(light, near, edge), np.ones(3, bool))
    assert (two.weight[0] > 0).tolist() == [True, True]
    assert three.station_index.tolist() == [[1, 2, -1]]
    assert three.weight[0, :2].tolist() == two.weight[0].tolist()


@pytest.mark.parametrize(("degrees", "dz", "fits"), [(1.79, 990.0, 1), (1.81, 0.0, 0), (0.0, 1010.0, 0)])
def test_neighbours_end_at_200_km_and_1000_m(degrees: float, dz: float, fits: int) -> None:
    stations = _stations(("a", 46.0, -89.0, 500.0), ("b", 46.0 + degrees, -89.0, 500.0 + dz))
    assert len(station_neighbours(stations, np.ones(2, bool))[0]) == fits


def test_order_of_lakes_and_stations_does_not_matter() -> None:
    rng = np.random.default_rng(8)
    rows = [
        (f"s{i:03d}", *map(float, row)) for i, row in enumerate(rng.uniform((44, -95, 0), (50, -85, 1500), (60, 3)))
    ]
    rows += [(f"t{i:03d}", *row[1:]) for i, row in enumerate(rows)]
    lakes = _lakes(*(("", *map(float, r)) for r in rng.uniform((44, -95, 0), (50, -85, 1500), (300, 3))))
    usable = np.ones(len(rows), bool)
    first = assign_stations(lakes, _stations(*rows), usable)
    shuffled = rng.permutation(len(rows))
    second = assign_stations(lakes.take(slice(None, None, -1)), _stations(*(rows[i] for i in shuffled)), usable)
    found = second.station_index[::-1]
    assert np.array_equal(np.where(found >= 0, shuffled[found], -1), first.station_index)
    assert np.array_equal(second.weight[::-1], first.weight)
    alone = [assign_stations(lakes.take(np.array([i])), _stations(*rows), usable) for i in range(0, 300, 50)]
    assert all(np.array_equal(one.weight[0], first.weight[50 * i]) for i, one in enumerate(alone))
    place = tuple(np.array([r[j] for r in rows]) for j in (1, 2, 3))
    for i, (lat, lon, z) in enumerate(zip(lakes.latitude, lakes.longitude, lakes.elevation_m, strict=True)):
        cost = great_circle_km(lat, lon, place[0], place[1]) + 0.1 * np.abs(z - place[2])
        raw = np.where(np.abs(z - place[2]) <= 2000.0, 1.0 / (cost**2 + 100.0), 0.0)
        best = np.argsort(-raw, kind="stable")[:5]
        best = best[raw[best] >= 0.05 * raw[best[0]]]
        assert set(first.station_index[i][first.weight[i] > 0]) == set(best.tolist())
        assert first.weight[i][: len(best)] == pytest.approx(raw[best] / raw[best].sum(), rel=1e-9)


def test_neighbours_of_a_station() -> None:
    stations = _stations(
        ("b", 46.0, -89.0, 500.0),
        ("a", 46.9, -89.0, 500.0),  # 100 km
        ("c", 46.45, -89.0, 1200.0),  # 50 km and 700 m: costs 120
        ("high", 46.0, -89.1, 1600.0),  # 1100 m above
        ("away", 48.0, -89.0, 500.0),  # 222 km
        ("mute", 46.0, -89.0, 500.0),
    )
    found = station_neighbours(stations, np.array([True] * 5 + [False]))
    assert found[0] == [(1, 0.0), (2, -700.0)]
    assert found[5] == [(0, 0.0), (1, 0.0), (2, -700.0)]
    assert station_neighbours(stations, np.ones(6, bool), most=1)[0] == [(5, 0.0)]

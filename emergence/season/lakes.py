"""lakes.csv, stations.csv and residents.csv: any error in them stops the run."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.records import RESIDENCES, STEMS, Floats, Lakes, Residents, Stations, Words
from emergence.season.columns import Bounds, choices, ids, numbers, references, text
from emergence.season.intake import shorten
from emergence.season.names import Names
from emergence.season.tables import Rules, Sheet, no_rows

LAKE_RULES = Rules(
    required=("lake_id", "latitude", "longitude", "elevation_m"),
    optional=(
        *("name", "region", "area_ha", "mean_depth_m", "max_depth_m"),
        *("secchi_m", "station_id", "stems", "share", "notes"),
    ),
)
STATION_RULES = Rules(required=("station_id", "latitude", "longitude", "elevation_m"), optional=("name",))
TAXON_REMEDY = "Write a taxon id; `emergence taxa` lists them."
RESIDENT_RULES = Rules(required=("lake_id", "taxon", "residence"))

LATITUDE = Bounds(
    -90.0, 90.0, "Write decimal degrees such as 46.21, south negative; check that it is not swapped with longitude."
)
LONGITUDE = Bounds(-180.0, 180.0, "Write decimal degrees such as -89.47, west negative.")
LAKE_ELEVATION = Bounds(-450.0, 6500.0, "Write metres above sea level; for feet name the column elevation_ft.")
STATION_ELEVATION = Bounds(-450.0, 9000.0, LAKE_ELEVATION.hint)
AREA = Bounds(0.001, 40e6, "Write hectares; for acres name the column area_ac.")
MEAN_DEPTH = Bounds(0.05, 800.0, "Write metres; for feet name the column mean_depth_ft.")
MAX_DEPTH = Bounds(0.05, 1700.0, "Write metres; for feet name the column max_depth_ft.")
SECCHI = Bounds(0.01, 80.0, "Write the Secchi depth in metres; for feet name the column secchi_ft.")
"""The world's extremes, rounded outwards (from memory): Dead Sea shore -430 m, the highest crater lakes
6,400 m, Caspian Sea 37 million ha, Lake Baikal 744 m mean and 1,642 m deep."""
MOST_APART_M = 4000.0
"""Height between a lake and the station it names [m] that only a wrong number explains; our prior."""


def read_lakes(sheet: Sheet | None, stations: Names | None) -> tuple[Lakes, Names | None]:
    """Return the lakes in the file's order and their names; bad rows are flagged in the sheet.

    ``stations`` are the ids of stations.csv, ``None`` where that file is unreadable.
    """
    if sheet is None:
        return no_rows(Lakes), None
    if not len(sheet):
        sheet.fail("the file has a header but no lakes", "Add one row for each lake.")
        return no_rows(Lakes), None
    lake_id = ids(sheet, "lake_id")
    name = text(sheet, "name")
    labels = dict(zip(name, lake_id, strict=True))
    name = np.where(name == "", lake_id, name)
    latitude, longitude = _coordinates(sheet)
    mean_depth = numbers(sheet, "mean_depth_m", MEAN_DEPTH)
    max_depth = numbers(sheet, "max_depth_m", MAX_DEPTH)
    _check_depths(sheet, mean_depth > max_depth * (1 + 1e-9))
    lakes = Lakes(
        lake_id=lake_id,
        name=name,
        region=text(sheet, "region"),
        latitude=latitude,
        longitude=longitude,
        elevation_m=numbers(sheet, "elevation_m", LAKE_ELEVATION, required=True),
        area_ha=numbers(sheet, "area_ha", AREA),
        mean_depth_m=mean_depth,
        max_depth_m=max_depth,
        secchi_m=numbers(sheet, "secchi_m", SECCHI),
        station_id=references(sheet, "station_id", stations, "stations.csv", required=False),
        stems=choices(sheet, "stems", STEMS),
        share=_share(sheet),
        notes=text(sheet, "notes", long=True),
    )
    return lakes, Names(lake_id, labels)


def _share(sheet: Sheet) -> Words:
    share = choices(sheet, "share", ("yes", "no"))
    return np.where(share == "", "no", share)


def _coordinates(sheet: Sheet) -> tuple[Floats, Floats]:
    latitude = numbers(sheet, "latitude", LATITUDE, required=True)
    longitude = numbers(sheet, "longitude", LONGITUDE, required=True)
    nowhere = (latitude == 0) & (longitude == 0)
    rule = "latitude 0 with longitude 0 is a place in the open Atlantic"
    sheet.flag(nowhere, "latitude", rule, "Write the true coordinates in decimal degrees.")
    return latitude, longitude


def _check_depths(sheet: Sheet, wrong: NDArray[np.bool_]) -> None:
    def remedy(i: int) -> str:
        deepest = shorten(sheet.cells["max_depth_m"][i])
        head = sheet.written["max_depth_m"]
        return f"{head} says {deepest}; correct one of the two, or leave blank the one that is not known."

    sheet.flag(wrong, "mean_depth_m", "the mean depth is greater than the maximum depth", remedy)


def check_heights(sheet: Sheet | None, lakes: Lakes, stations: Stations) -> None:
    """Flag lakes whose own station stands too far above or below for its air temperature to be carried over."""
    if sheet is None or not len(lakes):
        return
    low, high = STATION_ELEVATION.low, STATION_ELEVATION.high
    sound = stations.take((low <= stations.elevation_m) & (stations.elevation_m <= high))
    height = dict(zip(sound.station_id, sound.elevation_m, strict=True))
    there = np.array([height.get(name, np.nan) for name in lakes.station_id], dtype=np.float64)
    apart = np.abs(lakes.elevation_m - there) > MOST_APART_M
    rule = f"the lake and its station lie more than {MOST_APART_M:.0f} m apart in height"
    remedy = "Check both heights (for feet name the column elevation_ft), or name another station."
    sheet.flag(apart & ~sheet.bad, "elevation_m", rule, remedy)


def read_stations(sheet: Sheet | None) -> tuple[Stations, Names | None]:
    """Return the stations in the file's order and their names; bad rows are flagged in the sheet."""
    if sheet is None:
        return no_rows(Stations), None
    if not len(sheet):
        remedy = "Add one row for each weather station, or remove the file."
        sheet.fail("the file has a header but no stations", remedy)
        return no_rows(Stations), None
    station_id = ids(sheet, "station_id")
    ahead = np.array([str(name).endswith(".ahead") for name in station_id], dtype=bool)
    rule = "a station_id must not end in '.ahead', which marks files of forecast days"
    sheet.flag(ahead, "station_id", rule, "Give the station another id.")
    name = text(sheet, "name")
    latitude, longitude = _coordinates(sheet)
    stations = Stations(
        station_id=station_id,
        name=np.where(name == "", station_id, name),
        latitude=latitude,
        longitude=longitude,
        elevation_m=numbers(sheet, "elevation_m", STATION_ELEVATION, required=True),
    )
    return stations, Names(station_id, dict(zip(name, station_id, strict=True)))


def read_residents(sheet: Sheet | None, lakes: Names | None) -> Residents:
    """Return which taxa live where; the same line twice counts once, two different answers are a problem."""
    if sheet is None:
        return no_rows(Residents)
    lake_id = references(sheet, "lake_id", lakes, "lakes.csv")
    taxon = text(sheet, "taxon")
    residence = choices(sheet, "residence", RESIDENCES, required=True)
    sheet.flag(taxon == "", "taxon", "the taxon is missing", TAXON_REMEDY)
    first: dict[tuple[str, str], int] = {}
    earlier = [first.setdefault(pair, i) for i, pair in enumerate(zip(lake_id, taxon, strict=True))]
    repeated = np.array([j != i for i, j in enumerate(earlier)], dtype=bool)
    clash = repeated & (residence != residence[earlier] if earlier else repeated) & ~sheet.bad
    rule = "this lake and taxon have another residence in an earlier row"
    sheet.flag(clash, "residence", rule, lambda i: _clash_remedy(sheet, earlier[i]))
    return Residents(lake_id, taxon, residence).take(~repeated)


def _clash_remedy(sheet: Sheet, earlier: int) -> str:
    return f"Row {sheet.rows[earlier]} says {shorten(sheet.cells['residence'][earlier])}; keep one of the two rows."

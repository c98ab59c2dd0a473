"""windows.geojson: one point a lake with its windows as properties (RFC 7946)."""

from __future__ import annotations

import json
from typing import Any

import pandas as pd

from emergence.report import choose
from emergence.report.tables import FORMAT, columns, published
from emergence.report.text import plain
from emergence.report.words import percent, week
from emergence.runs.results import RunResult

DIGITS = 6
"""Decimals of coordinates, a tenth of a metre (RFC 7946, 11.2)."""
LAKE_COLUMNS = ("region", "elevation_m", "area_ha")


def map_text(result: RunResult, *, guest: bool = False) -> str:
    """Return the map of a run: a FeatureCollection with a feature for each lake, in the user's order.

    Parameters
    ----------
    result
        The run; for guests one with the lakes alone that they may see (`board_guest.guest_result`).
    guest
        Whether coordinates stay out; features then have no geometry, which the standard allows.

    Notes
    -----
    Properties: lake_id, name, region, elevation_m [m], area_ha [ha], next (the soonest best week ahead in words, "" for
    none) and windows, a list with the columns of windows.csv; blanks are null. Longitudes lie within -180 to 180.
    """
    info = result.info
    names = choose.lake_names(result)
    windows = _windows(result)
    soonest = _soonest(result)
    features = [
        {
            "type": "Feature",
            "id": str(lake.lake_id),
            "geometry": None if guest else _point(lake),
            "properties": {
                "lake_id": str(lake.lake_id),
                "name": names[str(lake.lake_id)],
                **{column: _value(getattr(lake, column)) for column in LAKE_COLUMNS},
                "next": soonest.get(str(lake.lake_id), ""),
                "windows": windows.get(str(lake.lake_id), []),
            },
        }
        for lake in _rows(info.lakes)
    ]
    collection = {
        "type": "FeatureCollection",
        "format": FORMAT,
        "name": plain(info.name),
        "as_of": info.as_of.isoformat(),
        "features": features,
    }
    return json.dumps(collection, indent=1, ensure_ascii=False, allow_nan=False) + "\n"


def _rows(frame: pd.DataFrame) -> list[Any]:
    return list(frame.itertuples(index=False))


def _point(lake: Any) -> dict[str, Any] | None:
    if pd.isna(lake.latitude) or pd.isna(lake.longitude):
        return None
    longitude = (float(lake.longitude) + 180.0) % 360.0 - 180.0
    return {"type": "Point", "coordinates": [round(longitude, DIGITS), round(float(lake.latitude), DIGITS)]}


def _windows(result: RunResult) -> dict[str, list[dict[str, Any]]]:
    """Return the windows of each lake as published, with the insect's name."""
    names = choose.insect_names(result)
    found: dict[str, list[dict[str, Any]]] = {}
    for row in _rows(published(result.windows, "windows")):
        said = {"insect": names[row.taxon, int(row.brood), row.event]}
        said |= {name: _value(getattr(row, name)) for name in columns("windows") if name != "lake_id"}
        found.setdefault(str(row.lake_id), []).append(said)
    return found


def _soonest(result: RunResult) -> dict[str, str]:
    """Return the best week of each lake that comes next, with its chance."""
    names = choose.insect_names(result)
    said: dict[str, str] = {}
    for row in _rows(choose.coming(result)):
        words = f"{names[row.taxon, int(row.brood), row.event]}: {week(row.ahead_week_start)}"
        said.setdefault(str(row.lake_id), f"{words}, {percent(row.ahead_week_chance)}")
    return said


def _value(value: Any) -> Any:
    if isinstance(value, str):
        return plain(value)
    if value is None or pd.isna(value):
        return None
    if isinstance(value, pd.Timestamp):
        return value.date().isoformat()
    return value.item() if hasattr(value, "item") else value

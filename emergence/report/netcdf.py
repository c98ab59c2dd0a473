"""water.nc and days.nc: time series for scientists (NetCDF classic, CF conventions 1.11)."""

from __future__ import annotations

import io
from collections.abc import Sequence
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray
from scipy.io import netcdf_file

from emergence.dates import day_number
from emergence.report import choose
from emergence.report.tables import columns, published, schema
from emergence.report.text import plain
from emergence.report.words import CAUTIONS
from emergence.runs.results import RunResult

CONVENTIONS = "CF-1.11"
FILL = np.float32(9.96921e36)
"""The fill value of NetCDF for floats."""
EPOCH = "days since 1970-01-01"
UNITS = {"°C": "degree_Celsius", "1": "1"}
PLACES = (
    ("latitude", "latitude", "degrees_north"),
    ("longitude", "longitude", "degrees_east"),
    ("elevation_m", "altitude", "m"),
)
KEYS = ["lake_id", "taxon", "brood", "event"]
Floats = NDArray[np.float32]


def series_files(result: RunResult) -> dict[str, bytes]:
    """Return water.csv and days.csv as NetCDF files by name; what the run has no rows of is left out.

    Notes
    -----
    Discrete sampling geometry ``timeSeries`` in the orthogonal form: one instance a lake (water.nc) or a lake and event
    (days.nc), one common axis of dates. Values are those of the tables; water that has no row is missing, chances
    that have no row (below 0.01) are 0.
    """
    files: dict[str, bytes] = {}
    if len(result.water):
        files["water.nc"] = _written(result, "water", ["lake_id"], missing=FILL)
    if len(result.days):
        files["days.nc"] = _written(result, "days", KEYS, missing=np.float32(0.0))
    return files


def _written(result: RunResult, table: str, keys: list[str], *, missing: np.float32) -> bytes:
    rows = published(getattr(result, table), table)
    series = rows[keys].drop_duplicates().reset_index(drop=True)
    at = pd.MultiIndex.from_frame(series).get_indexer(pd.MultiIndex.from_frame(rows[keys]))
    days = rows["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    first, last = int(days.min()), int(days.max())
    buffer = io.BytesIO()
    with_file = netcdf_file(buffer, "w", version=2)
    _head(with_file, result, table)
    with_file.createDimension("series", len(series))
    with_file.createDimension("time", last - first + 1)
    _variable(with_file, "time", ("time",), np.arange(first, last + 1, dtype=np.int32), **_TIME)
    issue = np.int32(day_number(result.info.as_of))
    _variable(with_file, "issue_date", (), issue, **(_TIME | {"standard_name": "forecast_reference_time"}))
    _series(with_file, result, series)
    for name in columns(table)[len(keys) + 1 :]:
        values = np.full((len(series), last - first + 1), missing, dtype=np.float32)
        values[at, days - first] = rows[name].fillna(FILL).to_numpy(dtype=np.float32)
        _variable(with_file, name, ("series", "time"), values, **_described(table, name), _FillValue=FILL)
    with_file.flush()
    return buffer.getvalue()


_TIME = {"standard_name": "time", "units": EPOCH, "calendar": "standard"}


def _head(file: Any, result: RunResult, table: str) -> None:
    info = result.info
    file.Conventions = CONVENTIONS
    file.featureType = "timeSeries"
    file.title = _bytes(f"{plain(info.name)}: {schema(table)['title']}, as of {info.as_of.isoformat()}")
    file.source = _bytes(f"aquatic-insect-emergence, {info.slots * info.replicates} possible seasons, seed {info.seed}")
    file.comment = _bytes(" ".join([schema(table)["description"], *CAUTIONS]))


def _series(file: Any, result: RunResult, series: pd.DataFrame) -> None:
    """Write what each time series is and where it lies."""
    lakes = result.info.lakes.set_index("lake_id").loc[series["lake_id"]]
    ids = ["/".join(str(v) for v in row) for row in series.itertuples(index=False)]
    _words(file, "series_id", ids, cf_role="timeseries_id", long_name="identifier of the series")
    _words(file, "lake_id", series["lake_id"].tolist(), long_name="identifier of the lake")
    names = choose.lake_names(result)
    _words(file, "lake_name", [names[str(k)] for k in series["lake_id"]], long_name="name of the lake")
    for name in (name for name in ("taxon", "event") if name in series):
        _words(file, name, series[name].tolist(), long_name=name)
    if "brood" in series:
        _variable(file, "brood", ("series",), series["brood"].to_numpy(np.int32), long_name="brood", units="1")
    for column, standard, units in PLACES:
        values = lakes[column].fillna(float(FILL)).to_numpy(np.float64)
        said = {"standard_name": standard, "units": units, "_FillValue": np.float64(FILL)}
        _variable(file, column, ("series",), values, **said)


def _described(table: str, name: str) -> dict[str, Any]:
    (field,) = (f for f in schema(table)["fields"] if f["name"] == name)
    places = "series_id lake_name latitude longitude elevation_m issue_date"
    return {"long_name": field["title"], "units": UNITS[field["unit"]], "coordinates": places}


def _words(file: Any, name: str, words: Sequence[object], **said: str) -> None:
    """Write a variable of texts as characters, each text ended by zeros."""
    texts = [str(word).encode("utf-8", "replace") for word in words]
    width = max(1, *(len(text) for text in texts))
    file.createDimension(f"{name}_length", width)
    block = np.array([list(text.ljust(width, b"\0")) for text in texts], dtype=np.uint8).view("S1")
    _variable(file, name, ("series", f"{name}_length"), block, **said, _Encoding="utf-8")


def _variable(file: Any, name: str, dimensions: tuple[str, ...], values: Any, **said: Any) -> None:
    values = np.asarray(values)
    variable = file.createVariable(name, values.dtype, dimensions)
    variable.data[...] = values
    for key, value in said.items():
        setattr(variable, key, _bytes(value) if isinstance(value, str) else value)


def _bytes(text: str) -> bytes:
    return text.encode("utf-8", "replace")

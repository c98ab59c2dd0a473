"""water.nc and days.nc, read back by the NetCDF library of Unidata and its own calendar."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator
from dataclasses import replace
from pathlib import Path
from typing import Any

import netCDF4
import numpy as np
import pandas as pd
import pytest
from run_result import AS_OF, make_result

from emergence.report.netcdf import series_files
from emergence.report.tables import published
from emergence.runs.results import RunResult

NAMES = ("Alder Mere", "\u202eבריכת השחר", "<script>alert(1)</script>" + "x" * 300)


@pytest.fixture(scope="module")
def result() -> RunResult:
    made = make_result(NAMES)
    lakes = made.info.lakes.assign(latitude=[54.0, 55.5, float("nan")])
    return replace(made, info=replace(made.info, lakes=lakes))


@pytest.fixture(params=["water", "days"])
def table(request: pytest.FixtureRequest) -> str:
    return str(request.param)


@pytest.fixture
def read(result: RunResult, table: str, tmp_path: Path) -> Iterator[Any]:
    path = tmp_path / f"{table}.nc"
    path.write_bytes(series_files(result)[path.name])
    with netCDF4.Dataset(path) as data:
        yield data


def words(variable: Any) -> list[str]:
    """Return texts: characters are joined by the library, by the encoding that the file names."""
    return [str(word) for word in variable[:].tolist()]


def dates(variable: Any) -> list[dt.date]:
    """Return what the file's units and calendar say."""
    found = netCDF4.num2date(variable[:], variable.units, variable.calendar, only_use_cftime_datetimes=False)
    return [moment.date() for moment in np.atleast_1d(np.ma.getdata(found)).tolist()]


def test_values_are_those_of_the_table(result: RunResult, table: str, read: Any) -> None:
    rows = published(getattr(result, table), table)
    keys = ["lake_id"] if table == "water" else ["lake_id", "taxon", "brood", "event"]
    series = {name: k for k, name in enumerate(words(read["series_id"]))}
    column = {day: k for k, day in enumerate(dates(read["time"]))}
    at = [series["/".join(str(v) for v in key)] for key in rows[keys].itertuples(index=False)]
    on = [column[day] for day in rows["date"].dt.date]
    for name in rows.columns[len(keys) + 1 :]:
        block = read[name][:]
        # single precision holds seven digits, the tables five at most
        assert np.ma.getdata(block[at, on]) == pytest.approx(rows[name].to_numpy(), abs=1e-6)
        if table == "water":
            assert block.count() == rows[name].notna().sum()  # all else is missing
        else:
            assert np.count_nonzero(block) == (rows[name] > 0).sum()  # all else is below what the table holds


def test_conventions_are_kept(table: str, read: Any) -> None:
    """CF 1.11: 2.6.1, 4.1-4.4, 5 (coordinates attribute), 9 and appendix A (time series, orthogonal form)."""
    assert read.Conventions == "CF-1.11" and read.featureType == "timeSeries"
    assert [v.name for v in read.variables.values() if getattr(v, "cf_role", "") == "timeseries_id"] == ["series_id"]
    assert len(set(words(read["series_id"]))) == len(read.dimensions["series"])
    standard = {v.standard_name: v.units for v in read.variables.values() if hasattr(v, "standard_name")}
    assert standard == {
        "time": "days since 1970-01-01",
        "forecast_reference_time": "days since 1970-01-01",
        "latitude": "degrees_north",
        "longitude": "degrees_east",
        "altitude": "m",
    }
    assert (np.diff(read["time"][:]) == 1).all()
    assert dates(read["issue_date"]) == [AS_OF]
    for variable in read.variables.values():
        if variable.dimensions == ("series", "time"):
            assert variable.units in ("1", "degree_Celsius") and variable.long_name
            assert set(variable.coordinates.split()) <= set(read.variables)


def test_places_and_names_of_any_text(result: RunResult, read: Any) -> None:
    names = dict(zip(words(read["lake_id"]), words(read["lake_name"]), strict=True))
    assert names["L1"] == "בריכת השחר" and names["L2"].startswith("<script>") and len(names["L2"]) > 300
    latitude = dict(zip(words(read["lake_id"]), read["latitude"][:].tolist(), strict=True))
    assert latitude == {"L0": 54.0, "L1": 55.5, "L2": None}


def test_same_run_same_bytes_and_no_rows_no_file(result: RunResult) -> None:
    assert series_files(result) == series_files(result)
    bare = replace(result, water=pd.DataFrame())
    assert set(series_files(bare)) == {"days.nc"}

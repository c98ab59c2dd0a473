"""The published tables: their schemas, and how their values become text, JSON and Parquet, and are read back."""

from __future__ import annotations

import importlib.util
import json
from functools import cache
from importlib import resources
from io import BytesIO
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from emergence.errors import WrongUseError
from emergence.runs.results import RunResult

FORMAT = 1
TABLES = ("windows", "days", "water", "members")
COMPRESSION = "zstd"  # of Parquet files
LEAST_CHANCE = 0.01
"""Dates below this chance_active are left out of days.csv."""


@cache
def schema(table: str) -> dict[str, Any]:
    """Return the published Table Schema of a table (datapackage.org/standard/table-schema).

    ``unit`` and ``decimals`` of a field are additions that the standard allows.
    """
    text = resources.files("emergence.report").joinpath("schemas", f"{table}.json").read_text(encoding="utf-8")
    return dict(json.loads(text))


def columns(table: str) -> tuple[str, ...]:
    """Return the column names of a table in their order."""
    return tuple(field["name"] for field in schema(table)["fields"])


def published(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return the rows and columns that are written, values rounded as published, dates as datetime64.

    Raises
    ------
    ValueError
        The frame's columns are not those of the schema.
    """
    if list(frame.columns) != list(columns(table)):
        raise ValueError(f"{table}: columns are {list(frame.columns)}, the schema says {list(columns(table))}")
    if table == "days":
        frame = frame[frame["chance_active"] >= LEAST_CHANCE]
    return _typed_frame(frame, table)


def _typed_frame(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    return pd.DataFrame({f["name"]: _typed(frame[f["name"]], f) for f in schema(table)["fields"]}, copy=False)


def _typed(column: pd.Series[Any], field: dict[str, Any]) -> pd.Series[Any]:
    column = column.reset_index(drop=True)
    if field["type"] == "date":
        return pd.to_datetime(column).astype("datetime64[s]")
    if field["type"] in ("integer", "year"):
        return column.astype("int64")
    if field["type"] == "number":
        return column.astype("float64").round(field["decimals"]) + 0.0
    return column.astype(object)


def as_text(frame: pd.DataFrame, table: str) -> pd.DataFrame:
    """Return the published rows as text: ISO dates, fixed decimals, blanks as empty text."""
    return _text_frame(published(frame, table), table)


def _text_frame(rows: pd.DataFrame, table: str) -> pd.DataFrame:
    return pd.DataFrame({f["name"]: _texts(rows[f["name"]], f) for f in schema(table)["fields"]}, dtype=object)


def _texts(column: pd.Series[Any], field: dict[str, Any]) -> pd.Series[Any] | np.ndarray[Any, Any]:
    """Format each distinct value once: long tables repeat few dates and rounded chances."""
    if field["type"] == "string":
        return column
    codes, values = pd.factorize(column)
    words = [_text(value, field) for value in values]
    return np.array([*words, ""], dtype=object)[codes]


def _text(value: Any, field: dict[str, Any]) -> str:
    if field["type"] == "date":
        return pd.Timestamp(value).date().isoformat()
    return f"{value:.{field['decimals']}f}" if field["type"] == "number" else str(int(value))


def write_table(frame: pd.DataFrame, table: str, folder: Path, *, table_format: str = "csv") -> tuple[str, int]:
    """Write one table into a folder as ``csv`` or ``parquet``; return its file name and number of rows."""
    path, rows = folder / f"{table}.{table_format}", published(frame, table)
    header = b"" if table_format == "parquet" else (",".join(columns(table)) + "\n").encode()
    path.write_bytes(header + _encoded(rows, table, table_format))
    return path.name, len(rows)


def encoded(frame: pd.DataFrame, table: str, table_format: str) -> bytes:
    """Return the published rows of a block as bytes: CSV text without its header, or a Parquet file of its own."""
    return _encoded(published(frame, table), table, table_format)


def _encoded(rows: pd.DataFrame, table: str, table_format: str) -> bytes:
    if table_format != "parquet":
        return _text_frame(rows, table).to_csv(index=False, header=False, lineterminator="\n").encode("utf-8")
    import pyarrow as pa
    import pyarrow.parquet as pq

    out = BytesIO()
    typed = pa.Table.from_pandas(rows, schema=arrow_schema(table), preserve_index=False)
    pq.write_table(typed, out, compression=COMPRESSION)
    return out.getvalue()


def arrow_schema(table: str) -> Any:
    """Return the table's schema in the types of Parquet's library."""
    import pyarrow as pa

    types = {"string": pa.string(), "date": pa.timestamp("ms"), "number": pa.float64()}
    return pa.schema([(f["name"], types.get(f["type"], pa.int64())) for f in schema(table)["fields"]])


def check_format(table_format: str) -> None:
    """Refuse a table format that is unknown or cannot be written here.

    Raises
    ------
    WrongUseError
        Neither csv nor parquet, or parquet without the library that writes it.
    """
    if table_format not in ("csv", "parquet"):
        raise WrongUseError(f"table format {table_format!r} is unknown; use csv or parquet")
    if table_format == "parquet" and importlib.util.find_spec("pyarrow") is None:
        raise WrongUseError("parquet needs the package pyarrow: install aquatic-insect-emergence[parquet], or use csv")


def read_table(folder: Path, table: str) -> pd.DataFrame:
    """Return a written table with its types: dates as datetime64, numbers as float64, blanks as NaT and NaN.

    Columns that an older version did not write are blank.

    Raises
    ------
    ValueError
        A cell, or a whole column of the keys, is not what the table holds.
    """
    parquet = folder / f"{table}.parquet"
    fields = schema(table)["fields"]
    if parquet.exists():
        rows = pd.read_parquet(parquet)
    else:
        rows = pd.read_csv(folder / f"{table}.csv", dtype=str, keep_default_na=False, encoding="utf-8")
        for field in fields:
            if field["type"] != "string" and field["name"] in rows:
                rows[field["name"]] = rows[field["name"]].replace("", None)
            if field["type"] == "date" and field["name"] in rows:
                rows[field["name"]] = pd.to_datetime(rows[field["name"]], format="%Y-%m-%d")
    return _typed_frame(rows.reindex(columns=list(columns(table))), table)


def table_json(result: RunResult, table: str) -> str:
    """Return a table as JSON: one object with ``format`` and what was run, the rows under the table's name.

    Dates are ISO text, blanks are null, numbers are rounded as in the CSV file; the text is ASCII and ends in a line
    break.
    """
    info = result.info
    rows = published(getattr(result, table), table)
    fields = schema(table)["fields"]
    values = [[_json(value, f) for value in rows[f["name"]]] for f in fields]
    names = columns(table)
    head = {
        "format": FORMAT,
        "table": table,
        "name": info.name,
        "as_of": info.as_of.isoformat(),
        "seed": info.seed,
        table: [dict(zip(names, row, strict=True)) for row in zip(*values, strict=True)],
    }
    return json.dumps(head, indent=1, allow_nan=False) + "\n"


def windows_json(result: RunResult) -> str:
    """Return windows.csv's twin in JSON, see `table_json`."""
    return table_json(result, "windows")


def _json(value: Any, field: dict[str, Any]) -> Any:
    if field["type"] == "string":
        return str(value)
    if pd.isna(value):
        return None
    if field["type"] == "date":
        return pd.Timestamp(value).date().isoformat()
    return float(value) if field["type"] == "number" else int(value)

"""The published tables: the schema files and what is written agree; the same result gives the same bytes."""

from __future__ import annotations

import csv
import importlib.util
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from run_result import NAMES, make_result, without_dates

from emergence.errors import WrongUseError
from emergence.report.tables import (
    TABLES,
    check_format,
    columns,
    read_table,
    schema,
    table_json,
    windows_json,
    write_table,
)
from emergence.runs.results import RunResult

QUANTILES = [f"{m}_p{q}" for m in ("onset", "peak", "end") for q in ("05", "10", "25", "50", "75", "90", "95")]
CONTRACT = {
    "windows": [
        "lake_id", "taxon", "brood", "event", "season", "best_week_start", "best_week_days", "best_week_chance",
        "even_start", "even_end", "outer_start", "outer_end", *QUANTILES, "chance_not_this_season", "chance_no_end",
        "strength_p10", "strength_p50", "strength_p90", "residence",
        "ahead_week_start", "ahead_week_days", "ahead_week_chance",
    ],
    "days": ["lake_id", "taxon", "brood", "event", "date", "chance_active", "chance_moving", "intensity"],
    "members": ["lake_id", "taxon", "brood", "event", "season", "member", "slot_year", "onset", "peak", "end"],
    "water": ["lake_id", "date", "water_p10", "water_p50", "water_p90", "ice_chance"],
}  # fmt: skip
"""The columns of the file formats, in their order."""
TYPES = {"string", "integer", "year", "date", "number"}
PATTERNS = {
    "date": r"\d{4}-\d\d-\d\d",
    "year": r"\d{4}",
    "integer": r"\d+",
}


@pytest.fixture(scope="module")
def result() -> RunResult:
    return make_result()


def written(result: RunResult, table: str, folder: Path) -> list[dict[str, str]]:
    write_table(getattr(result, table), table, folder)
    with (folder / f"{table}.csv").open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


@pytest.mark.parametrize("table", TABLES)
def test_schema_has_the_contract_columns_and_is_complete(table: str) -> None:
    described = schema(table)
    assert [field["name"] for field in described["fields"]] == CONTRACT[table] == list(columns(table))
    assert described["missingValues"] == [""]
    assert set(described["primaryKey"]) <= set(columns(table))
    for field in described["fields"]:
        assert field["type"] in TYPES
        assert len(field["title"]) > 2 and len(field["description"]) >= 20
        assert (field["type"] == "number") == ("decimals" in field) == ("unit" in field)


def test_ice_never_appears_without_its_caution() -> None:
    (ice,) = (field for field in schema("water")["fields"] if field["name"] == "ice_chance")
    assert "not for standing on" in ice["description"]


@pytest.mark.parametrize("table", TABLES)
def test_written_values_obey_the_schema(result: RunResult, table: str, tmp_path: Path) -> None:
    rows = written(result, table, tmp_path)
    assert rows and list(rows[0]) == CONTRACT[table]
    for field in schema(table)["fields"]:
        values = [row[field["name"]] for row in rows]
        rules = field.get("constraints", {})
        filled = [value for value in values if value]
        assert len(filled) == len(values) or not rules.get("required")
        pattern = PATTERNS.get(field["type"]) or (
            rf"-?\d+\.\d{{{field.get('decimals')}}}" if "decimals" in field else ".*"
        )
        assert all(re.fullmatch(pattern, value) for value in filled)
        if "enum" in rules:
            assert set(filled) <= set(rules["enum"])
        if "minimum" in rules:
            assert all(float(value) >= rules["minimum"] for value in filled)
        if "maximum" in rules:
            assert all(float(value) <= rules["maximum"] for value in filled)
    keys = [tuple(row[key] for key in schema(table)["primaryKey"]) for row in rows]
    assert len(set(keys)) == len(keys)


def test_decimals_of_each_kind_of_number(result: RunResult, tmp_path: Path) -> None:
    (window, *_) = written(result, "windows", tmp_path)
    exact = result.windows.iloc[0]
    assert window["best_week_days"] == f"{exact['best_week_days']:.1f}"
    assert window["best_week_chance"] == f"{exact['best_week_chance']:.3f}"
    assert window["strength_p50"] == ""
    (water, *_) = written(result, "water", tmp_path)
    assert water["water_p90"] == f"{result.water['water_p90'].iloc[0]:.2f}"


def test_days_below_one_per_cent_are_left_out(result: RunResult, tmp_path: Path) -> None:
    assert (result.days["chance_active"] < 0.01).any()
    rows = written(result, "days", tmp_path)
    assert len(rows) == (result.days["chance_active"] >= 0.01).sum()
    assert min(float(row["chance_active"]) for row in rows) >= 0.01


def test_minus_zero_is_written_as_zero(result: RunResult, tmp_path: Path) -> None:
    water = result.water.assign(water_p10=-0.001)
    assert {row["water_p10"] for row in written(replace(result, water=water), "water", tmp_path)} == {"0.00"}


@pytest.mark.parametrize("table", TABLES)
def test_lines_end_in_a_bare_line_feed_and_bytes_repeat(table: str, tmp_path: Path) -> None:
    folders = [tmp_path / "a", tmp_path / "b"]
    for folder in folders:
        folder.mkdir()
        write_table(getattr(make_result(), table), table, folder)
    first, second = ((folder / f"{table}.csv").read_bytes() for folder in folders)
    assert first == second
    assert b"\r" not in first and first.endswith(b"\n")


def test_one_lake_more_changes_no_other_row(tmp_path: Path) -> None:
    few, more = (written(make_result(NAMES[:n]), "windows", tmp_path) for n in (2, 3))
    assert few == [row for row in more if row["lake_id"] != "L2"]


def test_wrong_columns_are_refused(result: RunResult, tmp_path: Path) -> None:
    with pytest.raises(ValueError, match=r"water: columns are \['lake_id'"):
        write_table(result.water.drop(columns="ice_chance"), "water", tmp_path)


@pytest.mark.parametrize("table", TABLES)
def test_what_is_read_back_is_what_was_written(result: RunResult, table: str, tmp_path: Path) -> None:
    frame = getattr(result, table)
    write_table(frame, table, tmp_path)
    back = read_table(tmp_path, table)
    if table == "days":
        frame = frame[frame["chance_active"] >= 0.01]
    assert len(back) == len(frame)
    for field in schema(table)["fields"]:
        got, want = back[field["name"]].to_numpy(), frame[field["name"]].to_numpy()
        if field["type"] == "number":
            # half a unit of the last printed decimal
            np.testing.assert_allclose(got, want.astype(float), atol=0.5001 * 10 ** -field["decimals"], rtol=0)
        elif field["type"] == "date":
            pd.testing.assert_series_equal(
                pd.Series(pd.to_datetime(got)), pd.Series(pd.to_datetime(want)), check_dtype=False
            )
        else:
            assert list(got) == list(want)


@pytest.mark.parametrize("key", ["NA", "null", "007", 'a "quoted", id', "zwei\nzeilen", "=1+1", "שלום", "🦋"])
def test_any_identifier_survives(result: RunResult, key: str, tmp_path: Path) -> None:
    water = result.water.assign(lake_id=key)
    write_table(water, "water", tmp_path)
    assert set(read_table(tmp_path, "water")["lake_id"]) == {key}


def test_all_blank_windows_are_written_and_read(result: RunResult, tmp_path: Path) -> None:
    blank = without_dates(result)
    assert blank.days.empty and blank.water.empty
    for table in TABLES:
        rows = written(blank, table, tmp_path)
        assert len(rows) == len(getattr(blank, table))
        assert len(read_table(tmp_path, table)) == len(rows)
    assert read_table(tmp_path, "windows")["onset_p50"].isna().all()


def test_json_twin_says_the_same_as_the_file(result: RunResult, tmp_path: Path) -> None:
    text = windows_json(result)
    twin = json.loads(text)
    assert text.isascii() and text.endswith("}\n")
    assert (twin["format"], twin["as_of"], twin["name"]) == (1, "2023-05-28", "Northern waters")
    rows = written(result, "windows", tmp_path)
    assert len(twin["windows"]) == len(rows)
    for record, row in zip(twin["windows"], rows, strict=True):
        assert list(record) == list(row)
        for field in schema("windows")["fields"]:
            value, printed = record[field["name"]], row[field["name"]]
            if value is None:
                assert printed == ""
            elif field["type"] == "number":
                assert value == float(printed)
            else:
                assert str(value) == printed


def test_json_of_blank_windows_has_nulls_and_no_nan(result: RunResult) -> None:
    twin = json.loads(windows_json(without_dates(result)))
    assert {record["onset_p50"] for record in twin["windows"]} == {None}
    assert json.loads(table_json(without_dates(result), "days"))["days"] == []


def test_file_without_the_later_columns_can_be_read(result: RunResult, tmp_path: Path) -> None:
    write_table(result.windows, "windows", tmp_path)
    path = tmp_path / "windows.csv"
    older = pd.read_csv(path, dtype=str, keep_default_na=False).iloc[:, :-3]
    older.to_csv(path, index=False)
    back = read_table(tmp_path, "windows")
    assert back["ahead_week_start"].isna().all()
    assert list(back["peak_p50"]) == list(read_table(tmp_path, "windows")["peak_p50"])


def test_unknown_format_is_refused() -> None:
    with pytest.raises(WrongUseError, match="use csv or parquet"):
        check_format("xlsx")


def test_parquet_without_its_library_says_what_to_install(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(importlib.util, "find_spec", lambda name: None)
    with pytest.raises(WrongUseError, match=r"aquatic-insect-emergence\[parquet\]"):
        check_format("parquet")
    check_format("csv")

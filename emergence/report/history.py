"""Since last time: the run before this one, and what moved."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path
from typing import Any

import pandas as pd

from emergence.report.folders import RUN_FILE
from emergence.report.tables import FORMAT, read_table
from emergence.report.write import run_home
from emergence.runs.results import RunResult

KEYS = ["lake_id", "taxon", "brood", "event", "season"]
MOVED_DAYS = 2
"""Least shift [d] that is told."""
DATES = {"best_week": "best_week_start", "onset": "onset_p50", "peak": "peak_p50"}
ISO_DATE = re.compile(r"\d{4}-\d\d-\d\d")


def previous_run(reports_root: Path, name: str, as_of: dt.date) -> Path | None:
    """Return the newest run folder of an earlier issue date that holds windows, or None."""
    home = run_home(reports_root, name)
    if not home.is_dir():
        return None
    earlier = [p for p in home.iterdir() if ISO_DATE.fullmatch(p.name) and p.name < as_of.isoformat()]
    return next((p for p in sorted(earlier, reverse=True) if _has_windows(p)), None)


def _has_windows(folder: Path) -> bool:
    try:
        record = json.loads((folder / RUN_FILE).read_text(encoding="utf-8"))
        known = record["format"] <= FORMAT
    except (OSError, ValueError, TypeError, KeyError):
        return False
    return known and any((folder / f"windows.{ending}").is_file() for ending in ("csv", "parquet"))


def read_windows(folder: Path) -> pd.DataFrame:
    """Return the windows of a written run, typed as in `RunResult`."""
    return read_table(folder, "windows")


def changes(result: RunResult, previous_windows: pd.DataFrame) -> pd.DataFrame:
    """Return the windows that moved since the previous run, the largest shift first, then the soonest.

    A row moved when its best week, median onset or median peak shifted by at least ``MOVED_DAYS`` or came into being
    or vanished. Rows that only one of the runs has are not compared.

    Returns
    -------
    DataFrame
        lake_id, taxon, brood, event, season, then for best_week, onset and peak ``_before``, ``_now`` (datetime64)
        and ``_shift`` [d, positive: later, NaN: no date in one of the runs].
    """
    now, before = (_dates(frame) for frame in (result.windows, previous_windows))
    both = now.merge(before, on=KEYS, how="inner", suffixes=("_now", "_before"))
    out = both[KEYS].copy()
    told = pd.Series(False, index=both.index)
    largest = pd.Series(0.0, index=both.index)
    for name in DATES:
        old, new = both[f"{name}_before"], both[f"{name}_now"]
        shift = (new - old).dt.days.astype("float64")
        out[f"{name}_before"], out[f"{name}_now"], out[f"{name}_shift"] = old, new, shift
        told |= (shift.abs() >= MOVED_DAYS) | (old.isna() != new.isna())
        largest = largest.combine(shift.abs().fillna(0.0), max)
    out = out.assign(largest=largest)[told]
    out = out.sort_values(["largest", "best_week_now"], ascending=[False, True], kind="stable")
    return out.drop(columns="largest").reset_index(drop=True)


def _dates(windows: pd.DataFrame) -> pd.DataFrame:
    keys: dict[str, Any] = {key: windows[key] for key in KEYS}
    dates = {name: pd.to_datetime(windows[column]).astype("datetime64[s]") for name, column in DATES.items()}
    return pd.DataFrame(keys | dates)

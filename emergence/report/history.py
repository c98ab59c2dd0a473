"""Since last time: the run before this one, what moved, and what it may have moved by."""

from __future__ import annotations

import datetime as dt
import json
import re
from pathlib import Path
from typing import Any

import pandas as pd

from emergence.report import choose
from emergence.report.dates_shown import Dates
from emergence.report.folders import RUN_FILE
from emergence.report.tables import FORMAT, read_table
from emergence.report.write import DISTRIBUTION, installed_versions, run_home
from emergence.runs.results import RunInfo, RunResult

KEYS = ["lake_id", "taxon", "brood", "event", "season"]
MOVED_DAYS = 2
"""Least shift [d] that is told."""
DATES = {"best_week": "best_week_start", "onset": "onset_p50", "peak": "peak_p50"}
ISO_DATE = re.compile(r"\d{4}-\d\d-\d\d")
NOTE_FILES = ("readings.csv", "ice.csv", "sightings.csv", "journal.sqlite")
LEARNED = "learned.json"
PLAN_FILES = ("trips.csv", "guides.csv", "closures.csv", "access.csv", "travel.csv")
"""Files of the trips: they move no window."""
LAKE = "-"
"""Taxon of what concerns the lake itself: its turnover."""
CAUSES = {
    "weather": "weather",
    "note": "notes",
    "fit": "fits",
    "setting": "settings or lakes",
    "program": "the program",
}
"""What may move a date between two runs, and its word in a list."""


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
    or vanished. A thin brood has no best week. Rows that only one of the runs has are not compared.

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
    dates["best_week"] = dates["best_week"].mask(choose.is_thin(windows))
    return pd.DataFrame(keys | dates)


def read_record(folder: Path) -> dict[str, Any]:
    """Return what run.json says of a written run."""
    return dict(json.loads((folder / RUN_FILE).read_text(encoding="utf-8")))


def causes(info: RunInfo, record: dict[str, Any]) -> tuple[str, ...]:
    """Return which of CAUSES changed between an earlier run and this one, in that order.

    Parameters
    ----------
    info
        This run.
    record
        What run.json says of the earlier one: files are compared by their checksums, whatever their packing.
    """
    kinds = {_kind(name) for name in _differing(info, record)}
    if str(record.get("last_weather_day", "")) != info.last_weather_day.isoformat() or issue_date(record) != info.as_of:
        kinds.add("weather")
    if any(effect.latest_date > issue_date(record) for effect in info.note_effects):
        kinds.add("note")
    if record.get("packages", {}).get(DISTRIBUTION) != installed_versions().get(DISTRIBUTION):
        kinds.add("program")
    return tuple(cause for cause in CAUSES if cause in kinds)


def with_causes(moved: pd.DataFrame, info: RunInfo, record: dict[str, Any]) -> pd.DataFrame:
    """Return what moved (`changes`) with a column ``cause``: which of the changes since the earlier run act on a row.

    Weather, fits, settings and the program act on every row; notes on the insects of the lake they were made on, where
    they are newer than the earlier run or the notes' files changed, and moved the first brood's middle date: every
    brood counts from the middle of the one before, so what moved the first moves all. Readings and ice dates that moved
    an insect moved the lake's water, and so its turnover.
    """
    common = causes(info, record)
    edited = any(_kind(name) == "note" for name in _differing(info, record))
    acted = [e for e in info.note_effects if e.before != e.after and (edited or e.latest_date > issue_date(record))]
    noted = {(e.lake_id, e.taxon, e.season) for e in acted}
    noted |= {(e.lake_id, LAKE, e.season) for e in acted if e.kind == "water"}
    words = []
    row: Any
    for row in moved.itertuples(index=False):
        here = (str(row.lake_id), str(row.taxon), int(row.season)) in noted
        words.append(", ".join(cause for cause in common if cause != "note" or here))
    return moved.assign(cause=pd.Series(words, index=moved.index, dtype=object))


def since_words(info: RunInfo, record: dict[str, Any]) -> str:
    """Return one sentence on what changed since the earlier run."""
    found = [CAUSES[cause] for cause in causes(info, record)]
    when = f"since the forecast as of {Dates.of(info).day_and_year(issue_date(record))}"
    if not found:
        return f"Nothing changed {when}."
    if len(found) == 1:
        return f"Changed {when}: {found[0]} only."
    return f"Changed {when}: {', '.join(found[:-1])} and {found[-1]}."


def _differing(info: RunInfo, record: dict[str, Any]) -> set[str]:
    before = {_file(name): entry["sha256"] for name, entry in record.get("inputs", {}).items()}
    now = {_file(name): digest for name, digest in info.checksums.items()}
    names = (before.keys() | now.keys()) - set(PLAN_FILES)
    return {name for name in names if before.get(name) != now.get(name)}


def _file(name: str) -> str:
    return name.removesuffix(".gz")


def issue_date(record: dict[str, Any]) -> dt.date:
    """Return the issue date of a written run."""
    return dt.date.fromisoformat(str(record["as_of"]))


def _kind(file: str) -> str:
    """Return which cause a changed input file is."""
    if file.startswith("weather/"):
        return "weather"
    if file in NOTE_FILES:
        return "note"
    return "fit" if file == LEARNED else "setting"

"""Run folders: tables, pictures and the run file that is enough to repeat the run."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import math
import platform
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import dataclass, field
from importlib import metadata
from pathlib import Path, PurePath
from typing import Any

import numpy as np

from emergence.errors import Problem, WrongUseError
from emergence.report.folders import RUN_FILE, atomic_text, point_latest, replaced_folder, safe_name
from emergence.report.pieces import Pieces, write_pieces
from emergence.report.tables import FORMAT, TABLES, check_format, write_table
from emergence.runs.results import RunInfo, RunResult

__all__ = [
    "PARTS", "RunNotes", "atomic_text", "installed_versions", "run_home", "run_record", "write_dated_run", "write_run",
    "write_run_of_blocks",
]  # fmt: skip
PARTS = (*TABLES, "pictures")
"""What a run folder can be asked to hold beside its run file."""
DISTRIBUTION = "aquatic-insect-emergence"
PACKAGES = ("numpy", "pandas", "scipy", "statsmodels", "pydantic", "meteostat", "vl-convert-python", "pyarrow", "numba")


@dataclass(frozen=True)
class RunNotes:
    """What only the caller knows.

    Package ``versions`` (default: those installed), ``warnings`` raised on the way, and ``files`` to be written beside
    the tables, by name (``pictures/NAME`` too): texts as UTF-8, bytes as they are.
    """

    versions: Mapping[str, str] | None = None
    warnings: Sequence[str] = ()
    files: Mapping[str, str | bytes] = field(default_factory=dict)


def write_run(
    result: RunResult, out: Path, *, what: set[str], table_format: str = "csv", notes: RunNotes | None = None
) -> Path:
    """Write a run folder and return its path; an earlier run there is replaced whole.

    Parameters
    ----------
    result
        The run.
    out
        The folder; it must be new, empty or an earlier run.
    what
        Parts to write, of ``PARTS``; the run file always is.
    table_format
        csv or parquet.
    notes
        Versions and warnings for the run file.

    Raises
    ------
    WrongUseError
        An unknown part or format, or a folder that is not ours to replace.
    WriteError
        The file system refused; an earlier run still stands.
    """
    _check_parts(what, PARTS)
    check_format(table_format)
    out = out.resolve()
    with replaced_folder(out) as folder:
        tables = {}
        for table in (table for table in TABLES if table in what):
            name, rows = write_table(getattr(result, table), table, folder, table_format=table_format)
            tables[name] = {"rows": rows, "schema": f"{table}.json"}
        pictures = _write_pictures(result, folder / "pictures") if "pictures" in what else []
        files = notes.files if notes else {}
        for name, content in files.items():
            path = folder / name
            path.parent.mkdir(exist_ok=True)
            path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        record = run_record(result.info, notes or RunNotes())
        record |= {"tables": tables, "pictures": pictures, "files": sorted(files)}
        _write_record(folder, record)
    return out


def write_run_of_blocks(
    info: RunInfo, blocks: Iterable[Pieces], out: Path, *, what: set[str], table_format: str = "csv"
) -> Path:
    """Write a run folder from the pieces of its blocks (`tables.encoded`), in the order of the lakes; see `write_run`.

    No table is held as a whole, so there are no pictures.
    """
    _check_parts(what, TABLES)
    check_format(table_format)
    out = out.resolve()
    with replaced_folder(out) as folder:
        tables = write_pieces(blocks, [t for t in TABLES if t in what], folder, table_format=table_format)
        _write_record(folder, run_record(info, RunNotes()) | {"tables": tables, "pictures": [], "files": []})
    return out


def _check_parts(what: set[str], parts: Sequence[str]) -> None:
    if unknown := sorted(what - set(parts)):
        raise WrongUseError(f"cannot write {', '.join(unknown)}; parts are {', '.join(parts)}")


def _write_record(folder: Path, record: Mapping[str, Any]) -> None:
    text = json.dumps(record, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
    (folder / RUN_FILE).write_text(text, encoding="utf-8", newline="\n")


def write_dated_run(
    result: RunResult,
    reports_root: Path,
    *,
    what: set[str],
    table_format: str = "csv",
    notes: RunNotes | None = None,
) -> Path:
    """Write ``reports_root/<name>/<as_of>``, let ``latest`` beside it lead there, and return the run folder."""
    out = run_home(reports_root, result.info.name) / result.info.as_of.isoformat()
    folder = write_run(result, out, what=what, table_format=table_format, notes=notes)
    point_latest(folder)
    return folder


def run_home(reports_root: Path, name: str) -> Path:
    """Return the folder that holds all runs of a season name; it lies in ``reports_root`` whatever the name."""
    return reports_root / safe_name(name)


def _write_pictures(result: RunResult, folder: Path) -> list[str]:
    from emergence.report.charts import headline_pictures, render_svg, svg_to_png

    folder.mkdir()
    written = []
    for title, spec in headline_pictures(result).items():
        name = safe_name(title, fallback="picture")
        svg = render_svg(spec)
        (folder / f"{name}.svg").write_text(svg, encoding="utf-8", newline="\n")
        (folder / f"{name}.png").write_bytes(svg_to_png(svg))
        written += [f"pictures/{name}.png", f"pictures/{name}.svg"]
    return written


def run_record(info: RunInfo, notes: RunNotes) -> dict[str, Any]:
    """Return what run.json says of a run: no clock, no machine, the same for the same inputs."""
    versions = installed_versions() if notes.versions is None else dict(notes.versions)
    left_out = [p for p in sorted(info.problems) if p.severity != "note"]
    record = {
        "format": FORMAT,
        "name": info.name,
        "as_of": info.as_of,
        "last_weather_day": info.last_weather_day,
        "season_years": info.season_years,
        "seed": info.seed,
        "slots": info.slots,
        "replicates": info.replicates,
        "members": info.slots * info.replicates,
        "slot_years": info.slot_years,
        "units_shown": {"temperature": info.temperature_unit, "length": info.length_unit},
        "packages": versions,
        "inputs": {file: {"sha256": digest} for file, digest in info.checksums.items()},
        "settings": info.settings,
        "assumptions": info.assumptions,
        "left_out": [_problem(p) for p in left_out],
        "notes": [_problem(p) for p in sorted(info.problems) if p.severity == "note"],
        "warnings": notes.warnings,
        "dropped_lakes": info.dropped,
        "gap_counts": info.gap_counts,
        "lake_stations": info.lake_stations,
        "note_effects": [dataclasses.asdict(effect) for effect in info.note_effects],
        "lakes": info.lakes["lake_id"],
        "taxa": {key: label.name for key, label in info.taxa.items()},
    }
    return dict(_plain(record))


def installed_versions() -> dict[str, str]:
    """Return the versions of Python, of this package and of what its numbers depend on."""
    found = {"python": platform.python_version()}
    for package in (DISTRIBUTION, *PACKAGES):
        try:
            found[package] = metadata.version(package)
        except metadata.PackageNotFoundError:
            continue
    return found


def _problem(problem: Problem) -> dict[str, Any]:
    return dataclasses.asdict(problem)


def _plain(value: Any) -> Any:
    """Return a value as JSON knows it: sets sorted, dates ISO, paths with forward slashes, NaN as null."""
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, set | frozenset):
        return sorted(_plain(item) for item in value)
    if isinstance(value, np.generic):
        return _plain(value.item())
    if isinstance(value, str) or value is None:
        return value
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, int):
        return value
    if isinstance(value, dt.datetime | dt.date):
        return value.isoformat()
    if isinstance(value, PurePath):
        return value.as_posix()
    return [_plain(item) for item in value]

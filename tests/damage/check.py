"""Run a command on a season folder in this process, and judge what came of it."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import hashlib
import json
import os
import re
import traceback
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np
from click.testing import CliRunner

from emergence.cli.main import main
from emergence.report.tables import columns

CODES = {0: "done", 1: "data failed", 2: "wrong use", 3: "some lakes dropped out", 4: "no weather"}
INTERNAL = "an error of the program itself"
LONGEST_LINE = 1000
NAMES = re.compile(r"\.csv|\.toml|\.json|weather|taxa\b|--[a-z]|\b(?:alder|birch|cedar|low|high)\b")
"""A file, a lake or station of the small season, or an option."""
QUANTILES = ("p05", "p10", "p25", "p50", "p75", "p90", "p95")
EARLIER = {"run.json": "{}\n", "windows.csv": "from an earlier run\n"}
COMMANDS = {
    "forecast": 12, "forecast --members --json": 2, "forecast --as-of 2024-04-15": 1, "forecast --as-of 2023-11-02": 1,
    "forecast --lake alder --taxon buzzer": 1, "forecast --as-of 1990-01-01": 0.3, "forecast --write windows": 1,
    "forecast dated": 2, "forecast --no-learned": 0.5, "water": 3, "water --from 2024-02-01 --lake birch": 0.5,
    "water --readings none": 0.5, "learn": 1, "learn --before 2024-05-20": 1,
}  # fmt: skip


@dataclass
class Outcome:
    """What a run did; ``faults`` is empty when all was as it must be."""

    command: str
    exit_code: int
    output: str
    faults: list[str] = field(default_factory=list)
    trace: str = ""


def draw_command(seed: int) -> str:
    """Return a command with its options, the weekly run most often."""
    weights = np.array(list(COMMANDS.values()))
    return str(np.random.default_rng([7, seed]).choice(list(COMMANDS), p=weights / weights.sum()))


def run_and_judge(season: Path, work: Path, command: str, *, charset: str = "utf-8") -> Outcome:
    """Run a command on the folder ``season`` with results in the new folder ``work``; say what is wrong with it."""
    out = work / "out"
    verb, *options = command.split()
    dated = "dated" in options
    arguments = [verb, str(season), *(o for o in options if o != "dated")]
    if verb != "learn" and not dated:
        arguments += ["--out", str(out / "water.csv" if verb == "water" else out)]
    if verb == "forecast" and not dated:
        _write(out, EARLIER)
    before = snapshot(season)
    code, output, trace = _invoke(arguments, work, charset)
    outcome = Outcome(command, code, output, trace=trace)
    faults = outcome.faults
    after = snapshot(season)
    changed = {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}
    if changed - ({".", "learned.json"} if verb == "learn" and code == 0 else set()):
        faults.append(f"the season folder was changed: {sorted(changed)}")
    try:
        if verb == "forecast":
            faults += judge_run_folder(_dated_folder(work) if dated else out, code, command)
        elif code in (0, 3):
            faults += judge_learned(season / "learned.json") if verb == "learn" else judge_water(out / "water.csv")
    except (ValueError, KeyError) as error:
        faults.append(f"a result cannot be read: {error!r}")
    faults += judge_words(code, output)
    faults += [f"left behind: {name}" for name in _strangers(work, out, dated)]
    return outcome


def _invoke(arguments: list[str], work: Path, charset: str) -> tuple[int, str, str]:
    work.mkdir(exist_ok=True)
    runner = CliRunner(charset=charset)
    with contextlib.chdir(work):
        result = runner.invoke(main, arguments)
        trace = ""
        if INTERNAL in result.output or (result.exception and not isinstance(result.exception, SystemExit)):
            again = runner.invoke(main, arguments, env={"EMERGENCE_DEBUG": "1"})
            trace = "".join(traceback.format_exception(again.exception)) if again.exception else "not seen again"
    return result.exit_code, result.output, trace


def _write(folder: Path, files: dict[str, str]) -> None:
    folder.mkdir(parents=True)
    for name, text in files.items():
        (folder / name).write_text(text, encoding="utf-8")


def snapshot(folder: Path) -> dict[str, tuple[object, ...]]:
    """Return what a folder holds by name: kind, time of change, and bytes or target of each entry."""
    found: dict[str, tuple[object, ...]] = {}
    for where, folders, files in os.walk(folder):
        for name in (".", *folders, *files):
            path = Path(where, name)
            status = path.lstat()
            content: object = ""
            if path.is_symlink():
                content = os.readlink(path)
            elif path.is_file():
                with contextlib.suppress(PermissionError):
                    content = hashlib.sha256(path.read_bytes()).hexdigest()
            found[path.relative_to(folder).as_posix()] = (status.st_mode, status.st_mtime_ns, content)
    return found


def _dated_folder(work: Path) -> Path:
    latest = list(work.glob("reports/*/latest"))
    return latest[0].resolve() if latest else work / "reports" / "none"


def _strangers(work: Path, out: Path, dated: bool) -> list[str]:
    """Return what lies in the work folder beside the result: half-written folders above all."""
    names = [p.relative_to(work).as_posix() for p in work.rglob("*")]
    partial = [name for name in names if re.search(r"(^|/)\.", name)]
    allowed = "reports" if dated else out.name
    return partial + [name for name in names if name.split("/")[0] != allowed]


def judge_words(code: int, output: str) -> list[str]:
    """Return what is wrong with the exit code and the message."""
    faults = []
    if code not in CODES:
        faults.append(f"exit code {code}")
    if INTERNAL in output:
        faults.append("an internal error reached the user")
    if "Traceback" in output:
        faults.append("a traceback reached the user")
    if code and not output.strip():
        faults.append("no message")
    if code and output.strip() and not NAMES.search(output):
        faults.append("the message names no file, lake or option")
    odd = sorted({c for c in output if (ord(c) < 32 and c != "\n") or 127 <= ord(c) < 160})
    if odd:
        faults.append(f"control characters in the output: {odd}")
    longest = max(map(len, output.split("\n")), default=0)
    if longest > LONGEST_LINE:
        faults.append(f"a line of {longest} characters")
    return faults


def judge_run_folder(folder: Path, code: int, command: str) -> list[str]:
    """Return what is wrong with a run folder, which is whole after a result and untouched without one."""
    if code not in (0, 3):
        there = {p.name: p.read_text(encoding="utf-8") for p in folder.iterdir()} if folder.exists() else {}
        return [] if there in ({}, EARLIER) else [f"no result, yet there is {sorted(there)}"]
    parts = ("windows",) if "--write" in command else ("windows", "days", "water")
    parts += ("members",) if "--members" in command else ()
    expected = {"run.json", *(f"{part}.csv" for part in parts), *(() if "--write" in command else ("board.html",))}
    names = {p.name for p in folder.iterdir()} if folder.exists() else set()
    if names != expected:
        return [f"the run folder holds {sorted(names)}"]
    run = json.loads((folder / "run.json").read_text(encoding="utf-8"), parse_constant=_no_constant)
    faults = []
    for part in parts:
        rows, head = read_rows(folder / f"{part}.csv")
        if head != list(columns(part)):
            faults.append(f"{part}.csv has other columns: {head}")
        if len(rows) != run["tables"][f"{part}.csv"]["rows"]:
            faults.append(f"{part}.csv has {len(rows)} rows, run.json says otherwise")
        strange = {row["lake_id"] for row in rows} - set(run["lakes"])
        faults += [f"{part}.csv has lakes of nowhere: {sorted(strange)}"] if strange else []
        faults += [fault for row in rows for fault in judge_row(part, row)][:3]
    lost = bool(run["dropped_lakes"]) or any(p["severity"] == "file" for p in run["left_out"])
    if lost != (code == 3):
        faults.append(f"exit {code}, yet dropped out: {run['dropped_lakes']}")
    return faults


def _no_constant(word: str) -> float:
    raise ValueError(f"JSON holds {word}")


def read_rows(path: Path) -> tuple[list[dict[str, str]], list[str]]:
    with path.open(encoding="utf-8", newline="") as file:
        reader = csv.DictReader(file, strict=True)
        return list(reader), list(reader.fieldnames or [])


def judge_row(part: str, row: dict[str, str]) -> list[str]:
    """Return what is wrong with a row: chances outside 0 to 1, quantiles out of order, dates that are none."""
    where = f"{part}.csv {row['lake_id']} {row.get('taxon', '')} {row.get('date', '')}"
    faults = []
    for name, value in row.items():
        if "chance" in name or name == "intensity":
            faults += [f"{where}: {name} is {value}"] if value and not 0.0 <= float(value) <= 1.0 else []
        elif value and (
            name == "date" or name.endswith(("_start", "_end")) or name.startswith(("onset", "peak_", "end_"))
        ):
            dt.date.fromisoformat(value)
    if part == "windows":
        for event in ("onset", "peak", "end"):
            dates = [row[f"{event}_{q}"] or "9999" for q in QUANTILES]
            faults += [f"{where}: {event} out of order {dates}"] if dates != sorted(dates) else []
        if float(row["chance_not_this_season"]) + float(row["chance_no_end"]) > 1.001:
            faults.append(f"{where}: chances of no season and no end add up to more than 1")
    if part == "water":
        water = [float(row[f"water_{q}"]) for q in ("p10", "p50", "p90")]
        faults += [] if -0.5 <= water[0] <= water[1] <= water[2] <= 60 else [f"{where}: water {water}"]
    return faults


def judge_learned(path: Path) -> list[str]:
    """Return what is wrong with the file of ``emergence learn``."""
    learned = json.loads(path.read_text(encoding="utf-8"), parse_constant=_no_constant)
    return [] if learned["format"] == 1 and isinstance(learned["lakes"], dict) else ["learned.json is incomplete"]


def judge_water(path: Path) -> list[str]:
    """Return what is wrong with the file of ``emergence water``."""
    rows, head = read_rows(path)
    faults = [] if head == ["lake_id", "date", "water_c", "ice"] else [f"columns {head}"]
    for row in rows:
        if not (-0.5 <= float(row["water_c"]) <= 60 and 0.0 <= float(row["ice"]) <= 1.0):
            faults.append(f"water {row}")
    return faults[:3]

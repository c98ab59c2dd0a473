"""Kills at random moments while notes and runs are written: nothing acknowledged may be lost, no run may be half.

Run: ``python -m tests.benchmarks.journal_kills [--kills 200] [--seed N]``. Three fifths of the kills hit a process that
writes notes one after another (and copies the journal daily), one fifth the command ``emergence note reading``, one
fifth a process that writes run folders over each other. After each kill everything acknowledged must be there, and
the run folder must be one whole run (or stand aside, where the kill fell between the two renames that replace it).
Prints a table and the losses; exit code 1 if there are any.
"""

from __future__ import annotations

import argparse
import csv
import functools
import json
import random
import shutil
import subprocess
import sys
import tempfile
import time
from collections.abc import Callable
from dataclasses import dataclass, field
from pathlib import Path

from emergence.journal.notes import read_notes
from emergence.journal.store import snapshot
from tests.journal_writer import numbers
from tests.season_folder import write_season

ROOT = Path(__file__).resolve().parents[2]
RUN_WRITER = """
import datetime as dt, sys
from pathlib import Path
from emergence.report.write import RunNotes, write_run
from tests.run_result import make_result
results = [make_result(as_of=dt.date(2023, 5, d)) for d in (20, 27)]
print("ready", flush=True)
for k in range(100000):
    write_run(results[k % 2], Path(sys.argv[1]), what={"windows", "days", "water"}, notes=RunNotes(versions={}))
    print(results[k % 2].info.as_of, flush=True)
"""


@dataclass
class Tally:
    """What one kind of kill led to."""

    kills: int = 0
    acknowledged: int = 0
    written_only: int = 0
    hot: int = 0
    moved: int = 0
    faults: list[str] = field(default_factory=list)


def kill_after(words: list[str], wait: float, *, ready: bool) -> list[str]:
    """Start a process, kill it ``wait`` seconds after it is ready, and return the whole lines it had said."""
    process = subprocess.Popen([sys.executable, *words], stdout=subprocess.PIPE, stderr=subprocess.DEVNULL, cwd=ROOT)
    assert process.stdout is not None
    if ready:
        process.stdout.readline()
    time.sleep(wait)
    process.kill()
    out = process.stdout.read().decode()  # not communicate(): what readline() read ahead would be lost
    process.wait()
    return [line for line in out.split("\n")[:-1] if line]


def notes_one_by_one(folder: Path, draw: random.Random, tally: Tally, kill: int, said: set[int]) -> None:
    words = ["-m", "tests.journal_writer", str(folder), "mara", "1000", str(1000 * kill)]
    lines = kill_after(words, draw.uniform(0.0, 0.3), ready=True)
    new = {int(line) for line in lines if line.isdecimal()}
    said |= new
    tally.acknowledged += len(new)
    judge_notes(folder, "mara", said, tally, kill)


@functools.cache
def usual_time() -> float:
    """Return how long [s] one note by command takes here and now, the median of five."""
    times = []
    with tempfile.TemporaryDirectory() as place:
        folder = write_season(Path(place), {"taxa/coenagrion.toml": None})
        for k in range(5):
            began = time.monotonic()
            words = ["-m", "emergence", "note", "reading", str(folder), str(50 + k), "--lake", "alder"]
            subprocess.run([sys.executable, *words, "--date", "2024-04-20"], cwd=ROOT, check=True, capture_output=True)
            times.append(time.monotonic() - began)
    return sorted(times)[2]


def notes_by_command(folder: Path, draw: random.Random, tally: Tally, kill: int, said: set[int]) -> None:
    date = f"{2000 + kill // 300}-{kill // 25 % 12 + 1:02d}-{kill % 25 + 1:02d}"
    words = ["-m", "emergence", "note", "reading", str(folder), "50F", "--lake", "alder", "--date", date]
    lines = kill_after(words, draw.uniform(0.5, 1.3) * usual_time(), ready=False)
    new = {int(line.split()[1].rstrip(":")) for line in lines if line.startswith("note ")}
    said |= new
    tally.acknowledged += len(new)
    there = {note.id for note in read_notes(folder)}
    if lost := said - there:
        tally.faults.append(f"command kill {kill}: acknowledged and missing {sorted(lost)}")
    tally.written_only = len(there - said)
    tally.hot += (folder / "journal.sqlite-wal").exists()


def judge_notes(folder: Path, name: str, said: set[int], tally: Tally, kill: int) -> None:
    """Every acknowledged note is there and whole, and the file is sound."""
    if not (folder / "journal.sqlite").exists():
        if said:
            tally.faults.append(f"kill {kill}: the journal is gone")
        return
    there = set(numbers(read_notes(folder), name))
    if lost := said - there:
        tally.faults.append(f"kill {kill}: acknowledged and missing {sorted(lost)}")
    tally.written_only = len(there - said)
    tally.hot += (folder / "journal.sqlite-wal").exists()
    with snapshot(folder) as connection:
        if connection.execute("PRAGMA integrity_check").fetchone() != ("ok",):
            tally.faults.append(f"kill {kill}: the file is not sound")


def runs(folder: Path, draw: random.Random, tally: Tally, kill: int, said: set[int]) -> None:
    out = folder / "run"
    for stale in (path for path in folder.glob(".*-*") if path.is_dir()):
        shutil.rmtree(stale)
    lines = kill_after(["-c", RUN_WRITER, str(out)], draw.uniform(0.0, 1.5), ready=True)
    tally.acknowledged += len(lines)
    tally.hot += any(folder.glob(".*-*"))
    aside = list(folder.glob(".replaced-*"))
    if not out.exists() and aside:
        tally.moved += 1  # killed between the two renames: the earlier run stands under another name
        aside[0].rename(out)
    if not out.exists():
        if said or lines:
            tally.faults.append(f"run kill {kill}: the earlier run is gone")
        return
    said.add(kill)
    record = json.loads((out / "run.json").read_text(encoding="utf-8"))
    for name, table in record["tables"].items():
        with (out / name).open(encoding="utf-8", newline="") as file:
            rows = sum(1 for _ in csv.reader(file)) - 1
        if rows != table["rows"]:
            tally.faults.append(f"run kill {kill}: {name} has {rows} rows, not {table['rows']}")


Work = Callable[[Path, random.Random, Tally, int, set[int]], None]
KINDS: dict[str, tuple[Work, int]] = {
    "notes one by one": (notes_one_by_one, 3),
    "the note command": (notes_by_command, 1),
    "run folders": (runs, 1),
}


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--kills", type=int, default=200)
    parser.add_argument("--seed", type=int, default=1)
    arguments = parser.parse_args()
    draw, failed = random.Random(arguments.seed), False
    head = ("written while killed", "kills", "acknowledged", "written only", "left work behind", "run aside", "lost")
    print(f"| {' | '.join(head)} |")
    print("|---|---|---|---|---|---|---|")
    for name, (work, fifths) in KINDS.items():
        tally, said = Tally(), set[int]()
        with tempfile.TemporaryDirectory() as place:
            folder = write_season(Path(place, "season"), {"taxa/coenagrion.toml": None})
            for kill in range(arguments.kills * fifths // 5):
                work(folder, draw, tally, kill, said)
                tally.kills += 1
        if arguments.kills >= 50 and not tally.acknowledged:
            tally.faults.append("nothing was acknowledged, so nothing was tested")
        faults = len(tally.faults)
        cells = (name, tally.kills, tally.acknowledged, tally.written_only, tally.hot, tally.moved, faults)
        print(f"| {' | '.join(map(str, cells))} |", *tally.faults, sep="\n", flush=True)
        failed |= bool(faults)
    sys.exit(int(failed))


if __name__ == "__main__":
    main()

"""Benchmark of runs of any size: time by stage, memory, growth, beside what a user would write otherwise.

Run: ``python -m tests.benchmarks.scale [--lakes 10,100,1000] [--workers-lakes 1000] [--out reports/examples/FILE.md]``;
10000 and 100000 lakes may be asked for. Lakes are invented (`tests.benchmarks.chain.many_lakes`) under the demo's
stations, 30 past springs x 8 draws, the full catalogue, to Parquet as ``emergence forecast`` writes it. Each size runs
in a process of its own, so that its peak memory is its own. Wall times feel whatever else the machine does; processor
times do so much less, and both are given. One NumPy copy of the temperature array (365, 240 x lakes) float32 is timed
in the same process on one block and scaled.
"""

from __future__ import annotations

import argparse
import json
import os
import resource
import subprocess
import sys
import tempfile
import threading
import time
from collections.abc import Sequence
from functools import partial
from pathlib import Path
from typing import Any

import numpy as np

from emergence.report.tables import encoded
from emergence.report.write import write_run_of_blocks
from emergence.runs.blocks import Wanted, block_tables
from emergence.runs.cluster import on_cluster
from emergence.runs.execute import run_info, told_info
from emergence.runs.plan import RunPlan, prepare
from emergence.runs.store import BlockStore, packed
from emergence.runs.stored import SAID, Encode, _said, on_threads, run_stored, said_by
from tests.benchmarks.chain import COPY_CELLS, demo_season, many_lakes
from tests.benchmarks.scale_beside import degree_day_rows, pandas_seconds

DAYS = 365
WORLD_LAKES = 1_400_000  # of 10 ha and more (Messager et al. 2016, Nature Communications 7:13603)
TABLES = {"windows", "days", "water"}
WANTED = Wanted(effects=True)
PARQUET = partial(encoded, table_format="parquet")


class Clock:
    """Processor time [s] that threads spent in named stages."""

    def __init__(self) -> None:
        self.spent: dict[str, float] = {}
        self._lock = threading.Lock()

    def add(self, stage: str, seconds: float) -> None:
        """Add seconds to a stage."""
        with self._lock:
            self.spent[stage] = self.spent.get(stage, 0.0) + seconds


def clocked_work(plan: RunPlan, lakes: np.ndarray, *, wanted: Wanted, encode: Encode, clock: Clock) -> bytes:
    """Do the work of `stored.block_bytes` with its two stages timed."""
    begin = time.thread_time()
    block = block_tables(plan, lakes, wanted)
    made = time.thread_time()
    out = packed({name: encode(table, name) for name, table in block.tables.items()} | {SAID: _said(block)})
    clock.add("blocks: weather, water, insects, windows", made - begin)
    clock.add("tables to Parquet pieces", time.thread_time() - made)
    return out


def one_size(lakes: int, threads: int) -> dict[str, Any]:
    """Run one size and return its figures."""
    season = demo_season(many_lakes(lakes))
    warm = prepare(demo_season(many_lakes(2)))
    block_tables(warm, np.arange(2), WANTED)  # nothing is compiled on the clock
    clock, wall, cpu = Clock(), time.perf_counter(), time.process_time()
    plan = prepare(season)
    clock.add("plan", time.process_time() - cpu)
    members = len(plan.slots.slot_year) * plan.replicates

    def engine(whole: RunPlan, todo: Sequence[Any], work: object) -> Any:
        mine = partial(clocked_work, wanted=WANTED, encode=PARQUET, clock=clock)
        return on_threads(whole, todo, mine, threads=threads)

    with tempfile.TemporaryDirectory() as name:
        store = BlockStore(Path(name) / "blocks", "k")
        with store.opened():
            blocks = run_stored(plan, WANTED, store, encode=PARQUET, engine=engine)
        begin = time.process_time()
        info = told_info(run_info(plan), plan, [said_by(store.get(k, SAID)) for k in range(blocks)])
        pieces = (store.get(k) for k in range(blocks))
        out = write_run_of_blocks(info, pieces, Path(name) / "run", what=TABLES, table_format="parquet")
        clock.add("files from pieces", time.process_time() - begin)
        size = {p.name: p.stat().st_size for p in sorted(out.iterdir())}
    total_wall, total_cpu = time.perf_counter() - wall, time.process_time() - cpu
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss * 1024
    copy = copy_seconds() * DAYS * members * lakes
    return {
        "lakes": lakes,
        "members": members,
        "taxa": len(plan.taxa),
        "wall": total_wall,
        "cpu": total_cpu,
        "stages": clock.spent,
        "peak": peak,
        "copy": copy,
        "size": size,
    }


def copy_seconds(repeat: int = 7) -> float:
    """Return the least processor time [s] of one copy of (DAYS, COPY_CELLS) float32, per element.

    Processor time, because on a busy machine the wall time of a copy is mostly waiting.
    """
    source = np.random.default_rng(0).random((DAYS, COPY_CELLS), dtype=np.float32)
    target, times = np.empty_like(source), []
    for _ in range(repeat):
        begin = time.thread_time()
        np.copyto(target, source)
        times.append(time.thread_time() - begin)
    return min(times) / source.size


def child(*words: str) -> Any:
    """Run this module in a process of its own and return what it says."""
    command = [sys.executable, "-m", "tests.benchmarks.scale", *words]
    told = subprocess.run(
        command, check=True, capture_output=True, text=True, env=os.environ | {"OMP_NUM_THREADS": "1"}
    )
    return json.loads(told.stdout.splitlines()[-1])


def workers(lakes: int) -> list[tuple[int, float, float]]:
    """Return (workers, wall [s], load of the machine) of the compute stage with one and two Dask workers."""
    plan = prepare(demo_season(many_lakes(lakes)))
    rows = []
    for count in (1, 2):
        with tempfile.TemporaryDirectory() as name, on_cluster("local", workers=count) as engine:
            warm = prepare(demo_season(many_lakes(4 * count)))
            with BlockStore(Path(name) / "warm", "k").opened() as store:
                run_stored(warm, Wanted(block=1), store, encode=PARQUET, engine=engine)
            with BlockStore(Path(name) / "blocks", "k").opened() as store:
                begin = time.perf_counter()
                run_stored(plan, Wanted(block=16), store, encode=PARQUET, engine=engine)
                rows.append((count, time.perf_counter() - begin, float(np.mean(os.getloadavg()[:1]))))
    return rows


def profile(lakes: int = 64) -> list[tuple[str, float, float]]:
    """Return where one block's processor time goes: function, own seconds, share."""
    import cProfile
    import pstats

    plan = prepare(demo_season(many_lakes(lakes)))
    block_tables(plan, np.arange(2), WANTED)
    run = cProfile.Profile(time.process_time)
    run.runcall(lambda: PARQUET(block_tables(plan, np.arange(lakes), WANTED).tables["days"], "days"))
    stats = pstats.Stats(run)
    total = sum(row[2] for row in stats.stats.values())  # type: ignore[attr-defined]
    rows = [
        (f"{Path(file).parent.name}/{Path(file).name} {name}" if "/" in file else name, own, own / total)
        for (file, _, name), (_, _, own, _, _) in stats.stats.items()  # type: ignore[attr-defined]
    ]
    return sorted(rows, key=lambda row: -row[1])[:15]


def exponent(runs: list[dict[str, Any]], what: str) -> tuple[float, int, int]:
    """Return the exponent of growth from 1,000 lakes (the largest size but one where there is none) to the most."""
    sizes = sorted(runs, key=lambda r: int(r["lakes"]))
    least = next((r for r in sizes[:-1] if r["lakes"] >= 1000), sizes[max(len(sizes) - 2, 0)])
    most = sizes[-1]
    if most is least:
        return float("nan"), least["lakes"], most["lakes"]
    grown = np.log(most[what] / least[what]) / np.log(most["lakes"] / least["lakes"])
    return float(grown), least["lakes"], most["lakes"]


def growth_words(runs: list[dict[str, Any]]) -> str:
    """Return how time grows with the number of lakes."""
    (wall, low, high), (cpu, _, _) = exponent(runs, "wall"), exponent(runs, "cpu")
    return f"Exponent of growth from {low:,} to {high:,} lakes: {wall:.2f} (wall), {cpu:.2f} (processor).\n"


def size_table(runs: list[dict[str, Any]]) -> str:
    """Return the table of sizes."""
    stages = list(runs[-1]["stages"])
    head = ["lakes", "wall, s", "processor, s", *(f"{s}, processor s" for s in stages)]
    head += ["ms processor a lake", "one copy, s", "wall / copy", "processor / copy / 2", "peak, GiB", "files, MB"]
    rows = []
    for r in runs:
        row = [str(r["lakes"]), f"{r['wall']:.1f}", f"{r['cpu']:.1f}", *(f"{r['stages'][s]:.1f}" for s in stages)]
        row += [f"{1000 * r['cpu'] / r['lakes']:.1f}", f"{r['copy']:.4f}", f"{r['wall'] / r['copy']:.0f}"]
        row += [f"{r['cpu'] / r['copy'] / 2:.0f}", f"{r['peak'] / 2**30:.2f}", f"{sum(r['size'].values()) / 1e6:.1f}"]
        rows.append(row)
    return "\n".join("| " + " | ".join(row) + " |" for row in [head, ["---"] * len(head), *rows]) + "\n"


def world_words(run: dict[str, Any]) -> str:
    """Return what all lakes of 10 ha and more would cost at this run's pace."""
    times = WORLD_LAKES / run["lakes"]
    return (
        f"At the pace of {run['lakes']} lakes, {WORLD_LAKES / 1e6:.1f} million lakes take "
        f"{run['cpu'] * times / 3600:.0f} core-hours and give {sum(run['size'].values()) * times / 1e9:.0f} GB.\n"
    )


def beside_rows(block: dict[str, Any]) -> list[tuple[str, str]]:
    """Return what a user would write otherwise, on this machine in this run."""
    ours = block["cpu"] / block["lakes"]
    theirs = pandas_seconds()
    rows = [("the chain a lake with pandas (simpler: see code), s", f"{theirs:.2f}")]
    rows += [("the chain a lake here, processor s", f"{ours:.3f}"), ("times", f"{theirs / ours:.0f}")]
    return rows + degree_day_rows()


def plain_table(rows: Sequence[tuple[object, ...]], head: tuple[str, ...]) -> str:
    """Return rows as a Markdown table."""
    lines = [head, ("---",) * len(head), *rows]
    return "\n".join("| " + " | ".join(str(cell) for cell in row) + " |" for row in lines) + "\n"


def main() -> None:
    """Print or write the tables."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", default="10,100,1000")
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--workers-lakes", type=int, default=1000)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--one", type=int, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one:
        print(json.dumps(one_size(args.one, args.threads)))
        return
    runs: list[dict[str, Any]] = []
    for lakes in map(int, args.lakes.split(",")):
        runs.append(child("--one", str(lakes), "--threads", str(args.threads)))
        print(json.dumps(runs[-1]), file=sys.stderr, flush=True)
    parts = [
        "# Runs of any size\n",
        f"{runs[-1]['members']} members, {runs[-1]['taxa']} taxa, {args.threads} threads, Parquet; "
        f"load of the machine {os.getloadavg()[1]:.1f} on {os.cpu_count()} cores.\n",
        size_table(runs),
        growth_words(runs),
        world_words(runs[-1]),
    ]
    _tell(parts, args.out)
    rows = [(n, f"{s:.2f}", f"{100 * p:.0f} %") for n, s, p in profile()]
    parts += ["## Where a block's time goes\n", plain_table(rows, ("function", "own, s", "share"))]
    parts += ["## Beside it\n", plain_table(beside_rows(runs[-1]), ("figure", "value"))]
    _tell(parts, args.out)
    if args.workers_lakes:
        told = [(n, f"{wall:.1f}", f"{load:.1f}") for n, wall, load in workers(args.workers_lakes)]
        parts += [f"## Dask, {args.workers_lakes} lakes\n", plain_table(told, ("workers", "wall, s", "load"))]
    _tell(parts, args.out)
    print("\n".join(parts))


def _tell(parts: list[str], out: Path | None) -> None:
    """Write what is known so far: a long run that is stopped has not been for nothing."""
    if out:
        out.write_text("\n".join(parts), encoding="utf-8")


if __name__ == "__main__":
    main()

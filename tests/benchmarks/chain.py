"""Benchmark of the whole chain: lakes x members x catalogue, against one NumPy copy of the temperature array.

Run: ``python -m tests.benchmarks.chain [--lakes 1000] [--out reports/examples/benchmark_chain.md]``. Lakes are
synthetic (places and shapes drawn with a fixed seed) under the demo's stations. Wall time of the chain is compared in
the same run with copying a float32 array of (days, members) for all lakes: the copy is timed on one block and
scaled, and taken after the chain so that its arrays do not count in the chain's peak memory.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime as dt
import resource
import time
from pathlib import Path

import numpy as np

from emergence.dates import day_number
from emergence.records import Lakes, Season
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.plan import prepare
from emergence.season import read_season

ROOT = Path(__file__).resolve().parents[2]
COPY_CELLS = 256 * 240  # 90 MB: larger than any cache, as the whole array is


def many_lakes(count: int, seed: int = 3) -> Lakes:
    """Return invented lakes of all heights and sizes near the demo's stations."""
    rng = np.random.default_rng(seed)
    words = np.full(count, "", dtype=object)
    depth = np.exp(rng.normal(np.log(4), 0.6, count))
    return Lakes(
        lake_id=np.array([f"lake{k:06d}" for k in range(count)], dtype=object),
        name=np.array([f"Lake {k}" for k in range(count)], dtype=object),
        region=np.array([f"region {k % 20}" for k in range(count)], dtype=object),
        latitude=rng.uniform(49.2, 50.8, count),
        longitude=rng.uniform(-30.8, -29.2, count),
        elevation_m=rng.uniform(5, 1400, count),
        area_ha=np.exp(rng.normal(np.log(20), 1.0, count)),
        mean_depth_m=depth,
        max_depth_m=2.2 * depth,
        secchi_m=np.full(count, np.nan),
        station_id=words,
        stems=words,
        share=words,
        notes=words,
    )


def demo_season(lakes: Lakes) -> Season:
    """Return the demo's weather under other lakes."""
    season = read_season(ROOT / "data_demo", today=day_number(dt.date(2026, 12, 31)))
    nobody = season.residents.take(np.zeros(len(season.residents), dtype=bool))
    return dataclasses.replace(season, lakes=lakes, residents=nobody)


def copy_seconds(days: int, repeat: int = 5) -> float:
    """Return the best time [s] of one copy of (days, COPY_CELLS) float32, per cell-day."""
    source = np.random.default_rng(0).random((days, COPY_CELLS), dtype=np.float32)
    target = np.empty_like(source)
    times = []
    for _ in range(repeat):
        begin = time.perf_counter()
        np.copyto(target, source)
        times.append(time.perf_counter() - begin)
    return min(times) / source.size


def main() -> None:
    """Run the benchmark and print or write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=1000)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    season = demo_season(many_lakes(args.lakes))
    begin = time.perf_counter()
    plan = prepare(season)
    prepared = time.perf_counter() - begin
    span = plan.jobs[0].span
    members = len(plan.slots.slot_year) * plan.replicates
    days = span.end - span.start + 1
    small = dataclasses.replace(season, lakes=many_lakes(2))
    run_plan(prepare(small), Wanted(water=False, days=False))  # so that nothing is compiled on the clock
    begin = time.perf_counter()
    result = run_plan(plan, Wanted(water=False, days=False, threads=args.threads))
    wall = time.perf_counter() - begin
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    copy = copy_seconds(days) * days * members * args.lakes
    rows = [
        ("lakes x members x taxa", f"{args.lakes} x {members} x {len(plan.taxa)}"),
        ("rows of windows", f"{len(result.windows)}"),
        ("preparing (stations, traces), s", f"{prepared:.2f}"),
        ("chain, wall, s", f"{wall:.1f}"),
        (f"one copy of ({days}, {members * args.lakes}) float32, s", f"{copy:.4f}"),
        ("chain / copy", f"{wall / copy:.0f}"),
        ("chain, ns per cell-day", f"{1e9 * wall / (days * members * args.lakes):.0f}"),
        ("peak memory, GiB", f"{peak:.2f}"),
    ]
    table = "\n".join(["| figure | value |", "|---|---|", *(f"| {k} | {v} |" for k, v in rows)]) + "\n"
    print(table)
    if args.out:
        args.out.write_text(f"# The chain against one copy of its temperature array\n\n{table}", encoding="utf-8")


if __name__ == "__main__":
    main()

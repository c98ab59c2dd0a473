"""Benchmark of water and ice of every member, against one NumPy copy of the water array.

Run: ``python -m tests.benchmarks.water_speed [--lakes 1000] [--threads 2] [--plain] [--out FILE]``. Invented lakes
under the demo's stations, 30 skies x 8 members, the last 365 days of the demo's season. Counted is everything from air
at the lakes to each member's water and ice: drivers, simulated surface, features, draws, errors laid on, ice moved. The
copy is of a float32 array of (365, members) for all lakes, timed on one block in the same run and scaled. Beside the
wall times stand processor times, which other work on the machine disturbs less. ``--plain`` measures the NumPy
forms too. Peak memory is that of this process after so many lakes; run with other ``--lakes`` to see it stay flat.
"""

from __future__ import annotations

import argparse
import dataclasses
import os
import resource
import time
from concurrent.futures import ThreadPoolExecutor
from pathlib import Path

import numpy as np

from emergence.runs.blocks import make_block
from emergence.runs.plan import Job, RunPlan, prepare
from emergence.runs.simulate import CHUNK, Block, _chunk_water, surface_path, winter_end_index
from emergence.water import compiled
from emergence.water.members import spring_opening
from emergence.water.spread import error_bank
from tests.benchmarks.chain import COPY_CELLS, demo_season, many_lakes

DAYS = 365
KERNELS = ("surface_kernel", "features_kernel", "members_kernel")


def year(plan: RunPlan) -> Job:
    """Return the plan's first job cut to its last 365 days."""
    job = plan.jobs[0]
    return dataclasses.replace(job, span=dataclasses.replace(job.span, sim_start=job.span.end - DAYS + 1))


def one_block(block: Block) -> float:
    """Simulate a block's lakes and all their members; return a sum so that nothing is left undone."""
    path = surface_path(block)
    lakes = np.arange(len(block.lake_id))
    opening = spring_opening(path.ice, np.full(len(lakes), winter_end_index(block.span)))
    water, _ = _chunk_water(block, path, opening, lakes)
    if water.water_c.shape[0] != DAYS:
        raise ValueError(f"{water.water_c.shape[0]} days simulated instead of {DAYS}")
    return float(water.water_c[-1].sum()) + float(water.ice[0].sum())


def seconds(plan: RunPlan, job: Job, bank: np.ndarray, threads: int) -> tuple[float, float]:
    """Return wall and processor time [s] of all lakes, blocks of 64 over threads, their air laid out beforehand."""
    parts = [job.lakes[k : k + CHUNK] for k in range(0, len(job.lakes), CHUNK)]
    wall, processor, total = 0.0, 0.0, 0.0
    with ThreadPoolExecutor(threads) as pool:
        for k in range(0, len(parts), 2 * threads):
            blocks = [make_block(plan, job, lakes, bank) for lakes in parts[k : k + 2 * threads]]
            begin, used = time.perf_counter(), time.process_time()
            total += sum(pool.map(one_block, blocks))
            wall, processor = wall + time.perf_counter() - begin, processor + time.process_time() - used
    if not np.isfinite(total):
        raise ValueError("water that is no number")
    return wall, processor


def copied(repeat: int = 9) -> tuple[float, float]:
    """Return the best wall and processor time [s] of copying one cell-day of an array larger than any cache."""
    source = np.random.default_rng(0).random((DAYS, COPY_CELLS), dtype=np.float32)
    target, times = np.empty_like(source), []
    for _ in range(repeat):
        begin, used = time.perf_counter(), time.process_time()
        np.copyto(target, source)
        times.append((time.perf_counter() - begin, time.process_time() - used))
    return min(t for t, _ in times) / source.size, min(t for _, t in times) / source.size


def main() -> None:
    """Run the benchmark and print or write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=1000)
    parser.add_argument("--threads", type=int, default=2)
    parser.add_argument("--repeat", type=int, default=3)
    parser.add_argument("--plain", action="store_true")
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    plan = prepare(demo_season(many_lakes(args.lakes)))
    job, bank = year(plan), error_bank(plan.seed, DAYS)
    members = len(plan.slots.slot_year) * plan.replicates
    one_block(make_block(plan, job, job.lakes[:2], bank))  # so that nothing is compiled on the clock
    cells = DAYS * members * args.lakes
    runs = [seconds(plan, job, bank, args.threads) for _ in range(args.repeat)]
    wall, processor = (min(r[k] for r in runs) for k in (0, 1))
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    copy, copy_processor = (t * cells for t in copied())
    rows = [
        ("lakes x members x days", f"{args.lakes} x {members} x {DAYS}"),
        ("threads (cores)", f"{args.threads} ({os.cpu_count()})"),
        (f"water and ice, wall, best of {args.repeat}, s", f"{wall:.2f}"),
        ("one copy of that array, float32, s", f"{copy:.4f}"),
        ("water and ice / copy", f"{wall / copy:.1f}"),
        ("water and ice, ns per cell-day", f"{1e9 * wall / cells:.1f}"),
        ("processor time, all threads, s", f"{processor:.2f}"),
        ("processor time of the copy, s", f"{copy_processor:.4f}"),
        ("processor time / threads / that of the copy", f"{processor / args.threads / copy_processor:.1f}"),
        ("peak memory, GiB", f"{peak:.2f}"),
    ]
    if args.plain:
        for name in KERNELS:
            setattr(compiled, name, None)
        rows.append(("plain NumPy forms / copy", f"{seconds(plan, job, bank, args.threads)[0] / copy:.1f}"))
    table = "\n".join(["| figure | value |", "|---|---|", *(f"| {k} | {v} |" for k, v in rows)]) + "\n"
    print(table)
    if args.out:
        args.out.write_text(f"# Water and ice against one copy of their array\n\n{table}", encoding="utf-8")


if __name__ == "__main__":
    main()

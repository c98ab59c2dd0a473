"""Benchmark of reading and planning at size: lakes.csv of 100,000 rows, thousands of stations.

Run: ``python -m tests.benchmarks.scale_input [--lakes 100000] [--stations 300] [--years 30]``. Everything is
invented (tests/benchmarks/scale_world.py). Processor time beside wall time, because other work on the machine does not
enter it; as a yardstick ``pandas.read_csv`` reads the same files in the same run, without checking anything.
"""

from __future__ import annotations

import argparse
import resource
import tempfile
import time
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

import pandas as pd

from emergence.dates import day_number
from emergence.runs.checked import checked_season
from emergence.runs.plan import prepare
from emergence.season import read_season
from tests.benchmarks.scale_world import LAST, write_world

T = TypeVar("T")
TODAY = day_number(LAST) + 1


class Stages:
    """Wall and processor time [s] of named stages, in order."""

    def __init__(self) -> None:
        self.rows: list[tuple[str, float, float]] = []

    def timed(self, what: str, work: Callable[[], T]) -> T:
        """Return what ``work`` gives, and note its times."""
        wall, cpu = time.perf_counter(), time.process_time()
        out = work()
        self.rows.append((what, time.perf_counter() - wall, time.process_time() - cpu))
        return out

    def table(self) -> str:
        """Return the stages as a Markdown table."""
        rows = [f"| {what} | {wall:.2f} | {cpu:.2f} |" for what, wall, cpu in self.rows]
        return "\n".join(["| stage | wall, s | processor, s |", "|---|---|---|", *rows]) + "\n"


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=100_000)
    parser.add_argument("--stations", type=int, default=300)
    parser.add_argument("--years", type=int, default=30)
    args = parser.parse_args()
    stages = Stages()
    with tempfile.TemporaryDirectory() as name:
        folder = Path(name)
        few = write_world(folder / "few", lakes=args.lakes, stations=1, years=2)
        stages.timed(f"pandas.read_csv, {args.lakes} lakes", lambda: pd.read_csv(few / "lakes.csv"))
        stages.timed(f"read and check, {args.lakes} lakes", lambda: read_season(few, today=TODAY))
        many = write_world(folder / "many", lakes=args.lakes, stations=args.stations, years=args.years)
        files = sorted((many / "weather").iterdir())
        told = f"{args.stations} stations x {args.years} years"
        stages.timed(f"pandas.read_csv, {told}", lambda: [pd.read_csv(f, parse_dates=["date"]) for f in files])
        season = stages.timed(f"read and check lakes and {told}", lambda: read_season(many, today=TODAY))
        checked = stages.timed(f"quality control, {told}", lambda: checked_season(season))
        stages.timed("plan: fill, past years, stations of lakes, insects", lambda: prepare(checked))
    print(stages.table())
    peak = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss / 2**20
    print(f"peak memory {peak:.2f} GiB")


if __name__ == "__main__":
    main()

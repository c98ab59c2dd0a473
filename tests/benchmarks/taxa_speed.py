"""Benchmark of the catalogue of taxa, history included, against the water model alone, by stage.

Run: ``python -m tests.benchmarks.taxa_speed [--lakes 1000] [--out FILE]``. Invented lakes under the demo's stations, 30
skies x 8 members, all days of the demo's season, one thread. Air at the lakes is laid out beforehand. Water alone is
what ``water_speed`` counts: drivers, simulated surface, features, draws, errors laid on, ice moved. The catalogue is
everything after it up to each lake's windows: water at depth, past summers and year-classes, draws, heat, passage,
windows. All times are processor times of this thread, which other work on the machine disturbs less than wall times;
water and taxa of one block follow each other, so that what disturbs one disturbs the other. A stage is all that is
spent within its functions, those it calls included, those of other stages not.
"""

from __future__ import annotations

import argparse
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import Any

import numpy as np

from emergence.forecast import events, field
from emergence.forecast.field import by_heat
from emergence.runs import blocks, simulate
from emergence.runs.plan import Job, RunPlan, prepare
from emergence.water.spread import error_bank
from tests.benchmarks.chain import demo_season, many_lakes

STAGES: dict[str, list[tuple[Any, str]]] = {
    "water: surface, members": [(simulate, "surface_path"), (simulate, "_chunk_water"), (simulate, "spring_opening")],
    "water at depth": [(simulate, "_below")],
    "history: past summers": [(blocks, "past_air"), (blocks, "past_seasons")],
    "history: year-classes at five points": [(simulate, "point_classes")],
    "history: members' year-classes": [(simulate, "chunk_classes")],
    "turnover": [(simulate, "turnover_events")],
    "draws": [(simulate, "member_taxon")],
    "heat at the taxon's depths": [(field.Field, "heat")],
    "spread by depth": [(field.Field, "uneven_heat")],
    "start rules, gates": [(field.Field, "start"), (field.Field, "gates")],
    "passage": [(events, "leave_water")],
    "windows": [(events, "event_result")],
}


class Clock:
    """Processor time of each stage; a stage within another counts for itself alone."""

    def __init__(self) -> None:
        self.seconds: dict[str, float] = {}
        self.open: list[float] = []

    @contextmanager
    def stage(self, name: str) -> Iterator[None]:
        """Count what runs inside under a name."""
        self.open.append(0.0)
        begin = time.thread_time()
        try:
            yield
        finally:
            spent = time.thread_time() - begin
            own = spent - self.open.pop()
            self.seconds[name] = self.seconds.get(name, 0.0) + own
            if self.open:
                self.open[-1] += spent

    def counted(self, name: str, function: Callable[..., Any]) -> Callable[..., Any]:
        """Return the function with its time counted."""

        def run(*args: Any, **kwargs: Any) -> Any:
            with self.stage(name):
                return function(*args, **kwargs)

        return run


def one_block(plan: RunPlan, job: Job, lakes: np.ndarray, bank: np.ndarray, clock: Clock) -> int:
    """Run a block, its air and past air laid out beforehand; return how many events it gave."""
    with clock.stage("air"):
        block = blocks.make_block(plan, job, lakes, bank)
    with clock.stage("the rest"):
        chunks = list(simulate.simulate_block(block, by_heat(dict(plan.taxa)), with_water=False, keep_members=False))
    return sum(len(c.events) for c in chunks)


def main() -> None:
    """Run the benchmark and print or write its table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=1000)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    plan = prepare(demo_season(many_lakes(args.lakes)))
    job = plan.jobs[0]
    days = job.span.end - job.span.sim_start + 1
    bank = error_bank(plan.seed, days)
    one_block(plan, job, job.lakes[:2], bank, Clock())  # so that nothing is compiled on the clock
    clock = Clock()
    for name, places in STAGES.items():
        for owner, function in places:
            setattr(owner, function, clock.counted(name, getattr(owner, function)))
    found = 0
    for k in range(0, len(job.lakes), blocks.BLOCK):
        found += one_block(plan, job, job.lakes[k : k + blocks.BLOCK], bank, clock)
    if not found:
        raise ValueError("no event came out")
    seconds = clock.seconds
    water = seconds["water: surface, members"]
    taxa = sum(s for name, s in seconds.items() if name not in ("air", "water: surface, members"))
    cells = len(plan.slots.slot_year) * plan.replicates * args.lakes
    shape = f"{args.lakes} lakes x {cells // args.lakes} members x {days} days, {len(plan.taxa)} taxa"
    rows = [("water alone", water), ("catalogue of taxa", taxa)]
    rows += [(f"- {name}", seconds.get(name, 0.0)) for name in [*list(STAGES)[1:], "the rest"]]
    lines = [f"| {shape}, processor time | s | / water |", "|---|---|---|"]
    lines += [f"| {name} | {s:.2f} | {s / water:.2f} |" for name, s in rows]
    table = "\n".join(lines) + "\n"
    print(table)
    if args.out:
        args.out.write_text(f"# The catalogue of taxa against the water model alone\n\n{table}", encoding="utf-8")


if __name__ == "__main__":
    main()

"""How long a plan of 40 parties, 30 lakes, 90 days and 240 members takes, and how near to the best it is.

    python -m tests.benchmarks.trips [--parties 40] [--lakes 30] [--days 90] [--members 240] [--guides 5] [--seed 1]

The members are synthetic: at every lake a season whose date is shared between lakes in part, with shut days drawn by
member. Wall clock and processor time of the planning alone, whole process; the target is 60 s to a gap of 2 %.
"""

from __future__ import annotations

import argparse
import time

import numpy as np

from emergence.planning.case import Access, Case, Closure, Guide, Outlook, Party
from emergence.planning.plan import Search, make_plan


def synthetic_case(args: argparse.Namespace) -> Case:
    """Return the case; every number is drawn."""
    rng = np.random.default_rng(args.seed)
    wants, days, lakes, members = 3, args.days, args.lakes, args.members
    sky = rng.normal(0, 6, members)
    day = np.arange(days)[:, None, None]
    moving = np.zeros((wants, days, lakes, members), dtype=bool)
    for want in range(wants):
        middle = rng.uniform(0.15, 0.85, (1, lakes, 1)) * days + sky + rng.normal(0, 5, (1, lakes, members))
        width = rng.uniform(4, 12, (1, lakes, 1))
        moving[want] = (abs(day - middle) < width) & (rng.random((days, lakes, members)) < 0.7)
    poor = np.zeros((3, days, lakes))
    poor[0] = np.linspace(0.6, -0.6, days)[:, None] + rng.uniform(-0.3, 0.3, lakes)
    outlook = Outlook(20_000, tuple(f"L{k}" for k in range(lakes)), (("a", "moving"),) * wants, moving, poor)
    spot = rng.uniform(0, 150, (lakes, 2))
    between = np.linalg.norm(spot[:, None] - spot[None], axis=2) * 1.4 / 60
    guides = tuple(
        Guide(f"G{g}", rng.random(days) < 0.9, 4, np.linalg.norm(spot - rng.uniform(30, 120, 2), axis=1) * 1.4 / 60)
        for g in range(args.guides)
    )
    parties = tuple(_party(rng, k, days, lakes) for k in range(args.parties))
    access = tuple(Access(k, per_day=1, per_week=3, quota=12) for k in range(lakes))
    closures = tuple(Closure(int(k), 0, int(rng.integers(10, 40))) for k in rng.choice(lakes, 5, replace=False))
    return Case(outlook, parties, guides, between, closures, access)


def _party(rng: np.random.Generator, k: int, days: int, lakes: int) -> Party:
    first = int(rng.integers(0, days // 2))
    weights = rng.dirichlet(np.ones(3))
    return Party(
        name=f"P{k}",
        size=int(rng.integers(1, 5)),
        earliest=first if k % 4 else 0,
        latest=min(first + int(rng.integers(days // 4, days // 2)), days - 1) if k % 4 else days - 1,
        days=int(rng.integers(2, 6)),
        weights=weights,
        lakes=rng.random(lakes) < 0.9,
    )


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0] if __doc__ else "")
    for name, value in (("parties", 40), ("lakes", 30), ("days", 90), ("members", 240), ("guides", 5), ("seed", 1)):
        parser.add_argument(f"--{name}", type=int, default=value)
    args = parser.parse_args()
    case = synthetic_case(args)
    print(f"{args.parties} parties, {args.lakes} lakes, {args.days} days, {args.members} members, {args.guides} guides")
    for cautious in (False, True):
        wall, own = time.perf_counter(), time.process_time()
        plan = make_plan(case, Search(gap=0.02, time_limit=60.0, cautious=cautious))
        wall, own = time.perf_counter() - wall, time.process_time() - own
        columns = 0 if plan.columns is None else len(plan.columns.party)
        worst = min((t.chosen.chance / t.best.chance for t in plan.trips if t.best.chance), default=float("nan"))
        print(
            f"{'cautious' if cautious else 'plain':>8}: {columns} columns, {wall:.1f} s wall, {own:.1f} s processor, "
            f"gap {plan.gap:.2%}, score {plan.score:.2f}, worst party {worst:.0%} of its best chance, "
            f"finished: {'yes' if plan.finished else 'no'}"
        )


if __name__ == "__main__":
    main()

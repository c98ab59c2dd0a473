"""Benchmark of precision: the dates of a float32 run against those of the same run in float64.

Run: ``python -m tests.benchmarks.scale_precision [--lakes 6]``. The float64 run is a process of its own in which
``numpy.float32`` means float64 before the package is imported, and numba is hidden: the NumPy forms with every array
twice as wide. Random numbers are drawn as ever and then widened. Invented lakes under the demo's stations.
"""

from __future__ import annotations

import argparse
import subprocess
import sys
import tempfile
from pathlib import Path

import numpy as np
import pandas as pd

DATES = [f"{name}_{q}" for name in ("onset", "peak", "end") for q in ("p10", "p50", "p90")]
DATES += ["best_week_start", "even_start", "even_end", "outer_start", "outer_end"]
KEYS = ["lake_id", "taxon", "brood", "event", "season"]


SINGLE = np.float32


class Widened:
    """A generator whose single-precision numbers are drawn as ever, then widened."""

    def __init__(self, rng: np.random.Generator) -> None:
        self._rng = rng

    def __getattr__(self, name: str) -> object:
        return getattr(self._rng, name)

    def standard_normal(self, size: object = None, dtype: object = None, out: np.ndarray | None = None) -> object:
        """Draw; ``dtype`` is only ever given for single precision."""
        if dtype is None:
            return self._rng.standard_normal(size)  # type: ignore[arg-type]
        np.float32 = SINGLE  # type: ignore[misc]  # the generator asks for it by that name
        try:
            drawn = self._rng.standard_normal(size if out is None else out.shape, dtype=SINGLE)  # type: ignore[arg-type]
        finally:
            np.float32 = np.float64  # type: ignore[misc,assignment]
        if out is None:
            return drawn.astype(np.float64)
        out[...] = drawn
        return out


def widen() -> None:
    """Make the package, not yet imported, work in double precision."""
    sys.modules["numba"] = None  # type: ignore[assignment]
    np.float32 = np.float64  # type: ignore[misc,assignment]
    from emergence import randomness

    one, many = randomness.keyed_generator, randomness.keyed_generators
    randomness.keyed_generator = lambda *a, **k: Widened(one(*a, **k))  # type: ignore[assignment]
    randomness.keyed_generators = lambda *a, **k: map(Widened, many(*a, **k))  # type: ignore[assignment]


def run(double: bool, lakes: int, out: Path) -> None:
    """Write each member's dates and the windows of the demo's first lakes."""
    import pandas  # noqa: F401  (before the type is replaced)
    import scipy.special  # noqa: F401

    if double:
        widen()
    from emergence.runs.blocks import make_block
    from emergence.runs.execute import Wanted, run_plan
    from emergence.runs.plan import prepare
    from emergence.water.spread import error_bank
    from tests.benchmarks.chain import demo_season, many_lakes

    plan = prepare(demo_season(many_lakes(lakes)))
    weather = make_block(plan, plan.jobs[0], np.arange(1), error_bank(1, 800)).weather
    if weather.ahead_tmean.dtype != (np.float64 if double else SINGLE):
        raise TypeError(f"the run is in {weather.ahead_tmean.dtype}")
    result = run_plan(plan, Wanted(water=False, days=False, members=True, threads=1))
    result.windows.to_pickle(out / f"windows{int(double)}.pkl")
    result.members.to_pickle(out / f"members{int(double)}.pkl")


def compared(single: pd.DataFrame, double: pd.DataFrame, keys: list[str], dates: list[str]) -> list[tuple[str, ...]]:
    """Return by date: how many, share equal, share within a day, largest difference [d], blank in one alone."""
    both = single.merge(double, on=keys, suffixes=("_32", "_64"))
    rows = []
    for date in dates:
        one, other = pd.to_datetime(both[f"{date}_32"]), pd.to_datetime(both[f"{date}_64"])
        apart = (one - other).dt.days.abs()
        alone = int((one.isna() != other.isna()).sum())
        known = apart.dropna()
        within = (known <= 1).sum() / max(len(known) + alone, 1)
        rows.append(
            (
                date,
                str(len(known)),
                f"{100 * (known == 0).mean():.3f}",
                f"{100 * within:.3f}",
                f"{known.max():.0f}",
                str(alone),
            )
        )
    return rows


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=6)
    parser.add_argument("--one", choices=("single", "double"), help=argparse.SUPPRESS)
    parser.add_argument("--folder", type=Path, help=argparse.SUPPRESS)
    args = parser.parse_args()
    if args.one:
        run(args.one == "double", args.lakes, args.folder)
        return
    with tempfile.TemporaryDirectory() as name:
        for kind in ("single", "double"):
            words = ["--one", kind, "--lakes", str(args.lakes), "--folder", name]
            subprocess.run([sys.executable, "-m", "tests.benchmarks.scale_precision", *words], check=True)
        read = {f: pd.read_pickle(Path(name) / f"{f}.pkl") for f in ("windows0", "windows1", "members0", "members1")}
    rows = compared(read["windows0"], read["windows1"], KEYS, DATES)
    rows += [
        (f"member's {date}", *rest)
        for date, *rest in compared(read["members0"], read["members1"], [*KEYS, "member"], ["onset", "peak", "end"])
    ]
    head = ("date", "rows", "equal, %", "within a day, %", "largest, d", "blank in one")
    print("\n".join("| " + " | ".join(row) + " |" for row in (head, ("---",) * len(head), *rows)))


if __name__ == "__main__":
    main()

"""Season folders damaged at random, by the hundred: every one must end in a result or a clear message.

Run: ``python -m tests.benchmarks.damage --count 300 [--seed N] [--out FILE] [--show] [--wide]``. With ``--wide`` trips,
regions, day sheets, hindcasts, explanations, checks and notes run on a folder with every file, stored runs and plans
beside it, damaged too; without, the weekly run, water and fits. Seeds N to N + count - 1 are
run in this process; warnings count as errors. Prints the exit codes, the kinds of damage, and each failure with its
seed, which repeats it: ``--count 1 --seed SEED --show``.
"""

from __future__ import annotations

import argparse
import tempfile
import warnings
from collections import Counter
from pathlib import Path

from tests.damage import DAMAGES, Draft, damaged
from tests.damage.check import CODES, Outcome, draw_command, run_and_judge
from tests.damage.wide import run_wide, wide
from tests.season_folder import season_files


def run_wide_seed(seed: int) -> tuple[Draft, Outcome]:
    """Return the damaged folder with everything of a seed and what one of the further commands made of it."""
    draft, stored, command = wide(season_files(), seed)
    with tempfile.TemporaryDirectory() as name, warnings.catch_warnings():
        warnings.simplefilter("error")
        return draft, run_wide(draft.write(Path(name, "season")), Path(name, "work"), stored, command)


def run_seed(seed: int) -> tuple[Draft, Outcome]:
    """Return the damaged folder of a seed and what a command made of it."""
    draft = damaged(season_files(), seed)
    with tempfile.TemporaryDirectory() as name, warnings.catch_warnings():
        warnings.simplefilter("error")
        season = draft.write(Path(name, "season"))
        charset = "cp1252" if seed % 25 == 24 else "utf-8"
        return draft, run_and_judge(season, Path(name, "work"), draw_command(seed), charset=charset)


def report(ran: list[tuple[int, Draft, Outcome]]) -> str:
    """Return the tables of a benchmark run."""
    codes = Counter(outcome.exit_code for _, _, outcome in ran)
    kinds: dict[str, Counter[int]] = {name: Counter() for name in DAMAGES}
    for _, draft, outcome in ran:
        for told in draft.done:
            kinds.setdefault(told.removeprefix("stored ").split(":")[0], Counter())[outcome.exit_code] += 1
    bad = [entry for entry in ran if entry[2].faults]
    lines = [
        f"# {len(ran)} damaged season folders, {len(bad)} failures",
        "",
        "| exit code | meaning | folders |",
        "|---|---|---|",
    ]
    lines += [f"| {code} | {CODES.get(code, '?')} | {codes[code]} |" for code in sorted({*CODES, *codes})]
    lines += ["", "| kind of damage | folders | " + " | ".join(f"exit {code}" for code in CODES) + " |"]
    lines += ["|---" * (2 + len(CODES)) + "|"]
    lines += [
        f"| {k.replace('_', ' ')} | {n.total()} | " + " | ".join(str(n[c]) for c in CODES) + " |"
        for k, n in kinds.items()
    ]
    for seed, draft, outcome in bad:
        lines += ["", f"seed {seed}, {outcome.command}, exit {outcome.exit_code}: {'; '.join(outcome.faults)}"]
        lines += [f"  {told}" for told in draft.done] + outcome.trace.splitlines()[-8:]
    return "\n".join(lines) + "\n"


def main() -> None:
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--count", type=int, default=300)
    parser.add_argument("--seed", type=int, default=0)
    parser.add_argument("--out", type=Path)
    parser.add_argument("--wide", action="store_true", help="The further commands, files and stored runs.")
    parser.add_argument("--show", action="store_true", help="Also print what each run said.")
    asked = parser.parse_args()
    ran = []
    for seed in range(asked.seed, asked.seed + asked.count):
        draft, outcome = run_wide_seed(seed) if asked.wide else run_seed(seed)
        ran.append((seed, draft, outcome))
        if asked.show:
            print(seed, outcome.command, *draft.done, outcome.output, outcome.trace, sep="\n")
    text = report(ran)
    print(text)
    if asked.out:
        asked.out.write_text(text, encoding="utf-8")


if __name__ == "__main__":
    main()

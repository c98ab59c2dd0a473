"""Twin experiments (synthetic): what a guide's notes are worth. Run ``python -m tests.benchmarks.twins [--worlds N]``.

``--jobs J`` runs J worlds at a time, ``--judged K`` prints the worlds from K on once more by themselves: those not
looked at while anything was tuned.

Worlds of 20 invented lakes and five insects with planted needs (tests/twin_world.py). The target season is forecast on
the Monday nearest to four weeks before each population's own mean peak of the three seasons before (as in hindcasts,
the outcome does not choose the day): without notes, with one and three past seasons' notes learned. Then a week before
the mean peak, with the season's own notes, and with one flatly wrong one added. Results: tests/benchmarks/TWINS.md.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
from concurrent.futures import ProcessPoolExecutor
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from twin_world import TAXA, World, guide_notes, joined, make_world, sightings_of, true_season, with_notes

from emergence.dates import season_span
from emergence.learning.population import year_sd
from emergence.records import Readings, Season, Sightings
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.learn import learn_season
from emergence.runs.plan import prepare
from emergence.runs.populations import known_needs
from emergence.runs.taught import Learned
from emergence.taxa.catalogue_io import load_catalogue
from emergence.verification.scores import crps_ensemble

LEAD_D, LATE_D = 28, 7  # days before the mean peak: of past notes' forecasts, of this season's
WRONG_D = 21  # days from a flatly wrong note to the late issue date
MONDAY = 4  # 1970-01-01 was a Thursday
NEVER_D = 200.0
BASES = ("later: no notes", "taught: no notes")
WRONG = (
    ("one past season, one insect", "one, its notes one wrong"),
    ("later: this season's", "later: and a wrong one"),
    ("taught: this season's", "taught: and a wrong one"),
)
YEARS = (2019, 2020, 2021, 2022, 2023, 2024)
Floats = NDArray[np.float64]
Ints = NDArray[np.int64]
Truths = NDArray[np.bool_]


def issue_days(peaks: Floats, lead_d: int) -> Ints:
    """Return the Monday nearest to ``lead_d`` days before the mean past peak, given (seasons, lakes, taxa)."""
    seen = np.isfinite(peaks).any(axis=0)
    mean = np.nanmean(np.where(seen, peaks, 0.0), axis=0)
    monday = np.rint((mean - lead_d - MONDAY) / 7).astype(np.int64) * 7 + MONDAY
    return np.where(seen, monday, -1)


def members(season: Season, as_of: int, lakes: Ints, taxa: tuple[str, ...], learned: Learned | None) -> Floats:
    """Return each member's peak as a day number, (taxa, lakes, members); never is a year late."""
    settings = dataclasses.replace(season.settings, slots=20, replicates=6)
    season = dataclasses.replace(season, settings=settings)
    names = tuple(season.lakes.lake_id[lakes].tolist())
    plan = prepare(season, as_of=as_of, taxa=taxa, lakes=names, learned=learned)
    table = run_plan(plan, Wanted(water=False, days=False, members=True, threads=1)).members
    out = []
    for taxon in taxa:
        mine = table[(table.taxon == taxon) & (table.brood == 1) & (table.event == "emergence")]
        day = mine.peak.to_numpy().astype("datetime64[D]").astype(float)
        out.append(np.where(mine.peak.isna(), as_of + NEVER_D, day).reshape(len(plan.lakes), -1))
    return np.stack(out)


def scores(season: Season, issue: Ints, peak: Floats, learned: Learned | None, only: Truths | None = None) -> Floats:
    """Return CRPS [d] of every population and whether its 80 % interval holds the truth, (2, populations).

    Parameters
    ----------
    season
        The folder with what notes it has.
    issue, peak
        Issue dates and true peaks of the populations, (lakes, taxa).
    learned
        What past seasons taught.
    only
        The populations wanted, same shape.
    """
    wanted = (issue >= 0) if only is None else (issue >= 0) & only
    out = np.full((2, *issue.shape), np.nan)
    for day in np.unique(issue[wanted]).tolist():
        now = wanted & (issue == day)
        lakes, columns = np.flatnonzero(now.any(axis=1)), np.flatnonzero(now.any(axis=0))
        found = members(season, day, lakes, tuple(TAXA[k] for k in columns), learned)
        for row, column in enumerate(columns.tolist()):
            here = now[lakes, column]
            ensemble, true = found[row][here], peak[lakes[here], column]
            true = np.where(np.isnan(true), day + NEVER_D, true)
            low, high = np.quantile(ensemble, [0.1, 0.9], axis=1, method="inverted_cdf")
            out[0, lakes[here], column] = crps_ensemble(ensemble, true)
            out[1, lakes[here], column] = (true >= low) & (true <= high)
    return out[:, wanted]


def experiment(seed: int, lakes: int = 20) -> dict[str, Floats]:
    """Return scores by treatment, and standardised errors of planted needs; each world has a target year of its own."""
    target = YEARS[seed % len(YEARS)]
    world, start = make_world(seed, lakes), season_span(target, False).start
    past = {year: true_season(world, year) for year in range(target - 3, target + 1)}
    notes = {year: guide_notes(world, past[year], year) for year in past}
    peak = {year: np.stack([truth.peak[taxon] for taxon in TAXA], axis=1) for year, truth in past.items()}
    before = np.stack([peak[y] - season_span(y, False).start + start for y in range(target - 3, target)])
    taught = {}
    for count in (1, 3):
        told = with_notes(world.season, *joined([notes[y] for y in range(target - count, target)]))
        taught[count] = learn_season(told, before=start)
    lead, late = issue_days(before, LEAD_D), issue_days(before, LATE_D)
    bare, noted = with_notes(world.season, None, None), with_notes(world.season, *notes[target])
    wrong = with_notes(world.season, *joined([notes[target], flatly_wrong(world, late - WRONG_D)]))
    runs = {
        "no notes": (bare, lead, None),
        "one past season": (bare, lead, taught[1]),
        "three past seasons": (bare, lead, taught[3]),
        "later: no notes": (bare, late, None),
        "later: this season's": (noted, late, None),
        "later: and a wrong one": (wrong, late, None),
        "taught: no notes": (bare, late, taught[3]),
        "taught: this season's": (noted, late, taught[3]),
        "taught: and a wrong one": (wrong, late, taught[3]),
    }
    found = {name: scores(folder, issue, peak[target], fits) for name, (folder, issue, fits) in runs.items()}
    column = seed % len(TAXA)
    only = np.broadcast_to(np.arange(len(TAXA)) == column, lead.shape)
    misled = learned_wrong(world, notes[target - 1], peak[target - 1], column, start)
    found["one past season, one insect"] = found["one past season"][:, only[lead >= 0]]
    found["one, its notes one wrong"] = scores(bare, lead, peak[target], misled, only)
    found |= {f"recovered {count}": recovered(world, fits) for count, fits in taught.items()}
    return found | {"planted": world.deviate.reshape(1, -1)}


def learned_wrong(world: World, notes: tuple[Readings, Sightings], peak: Floats, column: int, start: int) -> Learned:
    """Return what a season teaches with one flatly wrong note about one insect on every lake."""
    day = np.where(np.isfinite(peak), np.nan_to_num(peak).astype(np.int64) - LATE_D - WRONG_D, -1)
    wrong = flatly_wrong(world, np.where(np.arange(len(TAXA)) == column, day, -1))
    return learn_season(with_notes(world.season, *joined([notes, wrong])), before=start)


def flatly_wrong(world: World, day: Ints) -> tuple[Readings, Sightings]:
    """Return one note a population, many adults four weeks before their peak; ``day`` (lakes, taxa), below 0: none."""
    names = world.season.lakes.lake_id
    rows = [(str(names[k]), int(day[k, c]), TAXA[c], "adult", "many", 30.0) for k, c in np.argwhere(day >= 0)]
    return world.season.readings.take(slice(0)), sightings_of(rows)


def recovered(world: World, learned: Learned) -> np.ndarray:
    """Return (truth less estimate) / stated error of every planted need, and the errors, (2, lakes x taxa).

    The error of the lake's own need: a forecast adds how a season differs from it.
    """
    taxa = {k: v for k, v in load_catalogue().items() if k in TAXA}
    known = known_needs(learned, world.season.lakes, taxa)
    z, sd = [], []
    for k, taxon in enumerate(TAXA):
        need = taxa[taxon].growth.requirement
        year = year_sd(need.ln_sd_early.value, need.ln_sd_late.value)
        own = np.sqrt(known[taxon].sd ** 2 - year**2)
        z.append((world.deviate[:, k] - known[taxon].mean) / own)
        sd.append(own)
    return np.stack([np.concatenate(z), np.concatenate(sd)])


def gain(found: dict[str, Floats], name: str) -> float:
    """Return by how much a treatment lowers CRPS [%] against the same issue dates without these notes."""
    base = next((b for b in BASES if name.startswith(b[:6])), "no notes")
    return float(100 * (1 - found[name][0].mean() / found[base][0].mean()))


def cost(found: dict[str, Floats], right: str, wrong: str) -> float:
    """Return what wrong notes add to CRPS [%]."""
    return float(100 * (found[wrong][0].mean() / found[right][0].mean() - 1))


def tables(results: dict[int, dict[str, Floats]]) -> str:
    """Return the tables of TWINS.md, given the results by world."""
    each = list(results.values())
    found = {name: np.concatenate([r[name] for r in each], axis=1) for name in each[0]}
    rows = [
        "| treatment | CRPS [d] | gain | 80 % interval holds | dates |",
        "|---|---|---|---|---|",
    ]
    for name in (n for n in found if not n.startswith(("recovered", "planted"))):
        whole = "" if "one insect" in name or "one wrong" in name else f"{gain(found, name):.1f} %"
        crps, held = found[name][0], [100 * r[name][1].mean() for r in each]
        apart = f" ± {np.std(held, ddof=1) / np.sqrt(len(held)):.1f}" if len(held) > 1 else ""
        share = f"{100 * found[name][1].mean():.1f}{apart} %"
        rows.append(f"| {name} | {crps.mean():.2f} | {whole} | {share} | {len(crps)} |")
    rows += ["", "| a flatly wrong note beside | costs, of CRPS |", "|---|---|"]
    rows += [f"| {right} | {cost(found, right, wrong):.1f} % |" for right, wrong in WRONG]
    rows += ["", "| planted needs after seasons | within 1.28 stated errors | rms error / stated | stated / prior |"]
    rows.append("|---|---|---|---|")
    for count in (1, 3):
        z, sd = found[f"recovered {count}"]
        rows.append(
            f"| {count} | {100 * (np.abs(z) < 1.2816).mean():.0f} % (80 if true) | {np.sqrt((z**2).mean()):.2f} | "
            f"{sd.mean():.2f} |"
        )
    return "\n".join([*rows, "", *by_world(results)])


def by_world(results: dict[int, dict[str, Floats]]) -> list[str]:
    """Return the table of single worlds; the planted mean square is 1 where a world is as varied as the prior says."""
    past = ("no notes", "one past season", "three past seasons")
    rows = [
        "| world (target) | planted, mean square | no notes, CRPS [d] | gain of one season | of three | "
        "80 % holds: no notes, one, three | a wrong note costs, beside this season's alone | after three |",
        "|---|---|---|---|---|---|---|---|",
    ]
    for seed, r in results.items():
        held = ", ".join(f"{100 * r[name][1].mean():.0f}" for name in past)
        rows.append(
            f"| {seed} ({YEARS[seed % len(YEARS)]}) | {(r['planted'] ** 2).mean():.2f} | {r[past[0]][0].mean():.2f} | "
            f"{gain(r, past[1]):.0f} % | {gain(r, past[2]):.0f} % | {held} % | {cost(r, *WRONG[1]):.1f} % | "
            f"{cost(r, *WRONG[2]):.1f} % |"
        )
    return rows


def main() -> None:
    """Print the tables."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--worlds", type=int, default=3)
    parser.add_argument("--jobs", type=int, default=1)
    parser.add_argument("--judged", type=int, help="the first world not looked at while tuning")
    asked, results = parser.parse_args(), dict[int, dict[str, Floats]]()
    seeds = range(1, asked.worlds + 1)
    with ProcessPoolExecutor(asked.jobs) as pool:
        for seed, found in zip(seeds, pool.map(experiment, seeds), strict=True):
            results[seed] = found
            print(f"{seed} worlds of 20 lakes, five insects; synthetic\n\n{tables(results)}\n", flush=True)
    late = {seed: found for seed, found in results.items() if asked.judged is not None and seed >= asked.judged}
    if late:
        print(f"worlds {min(late)} to {max(late)} by themselves; synthetic\n\n{tables(late)}\n")


if __name__ == "__main__":
    main()

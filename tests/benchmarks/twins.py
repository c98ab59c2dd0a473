"""Twin experiments (synthetic): what a guide's notes are worth. Run ``python -m tests.benchmarks.twins [--worlds N]``.

Worlds of 20 invented lakes and five insects with planted needs (tests/twin_world.py). The target season is forecast
four weeks before the true peak of each insect (of a region's middle lake): without notes, with one and three past
seasons' notes learned. Then a week before the peak, with the season's own notes, and with one flatly wrong one added.
"""

from __future__ import annotations

import argparse
import dataclasses
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

sys.path.insert(0, str(Path(__file__).resolve().parents[1]))

from twin_world import TAXA, TrueSeason, World, guide_notes, joined, make_world, sightings_of, true_season, with_notes

from emergence.dates import season_span
from emergence.records import Readings, Season, Sightings
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.learn import learn_season
from emergence.runs.plan import prepare
from emergence.runs.populations import known_needs
from emergence.runs.taught import Learned
from emergence.taxa.catalogue_io import load_catalogue
from emergence.verification.scores import crps_ensemble

LEAD_D, LATE_D = 28, 7  # days before the peak: of past notes' forecasts, of this season's
NEVER_D = 200.0
BASES = ("later: no notes", "taught: no notes")
WRONG = (
    ("one past season", "one, with wrong notes"),
    ("later: this season's", "later: and a wrong one"),
    ("taught: this season's", "taught: and a wrong one"),
)
YEARS = (2019, 2020, 2021, 2022, 2023, 2024)
Words = NDArray[np.object_]


def members(season: Season, as_of: int, taxon: str, lakes: Words, learned: Learned | None = None) -> np.ndarray:
    """Return each member's peak as a day number, (lakes, members); never is a year late."""
    settings = dataclasses.replace(season.settings, slots=20, replicates=6)
    season = dataclasses.replace(season, settings=settings)
    plan = prepare(season, as_of=as_of, taxa=(taxon,), lakes=tuple(lakes.tolist()), learned=learned)
    table = run_plan(plan, Wanted(water=False, days=False, members=True, threads=1)).members
    table = table[(table.taxon == taxon) & (table.brood == 1) & (table.event == "emergence")]
    day = table.peak.to_numpy().astype("datetime64[D]").astype(float)
    return np.where(table.peak.isna(), as_of + NEVER_D, day).reshape(len(plan.lakes), -1)


def score(ensemble: np.ndarray, truth: np.ndarray) -> np.ndarray:
    """Return CRPS [d] of each lake and whether the 80 % interval holds the truth, (2, lakes)."""
    low, high = np.quantile(ensemble, [0.1, 0.9], axis=1, method="inverted_cdf")
    return np.stack([crps_ensemble(ensemble, truth), ((truth >= low) & (truth <= high)).astype(float)])


def groups(world: World, truth: TrueSeason) -> Iterator[tuple[str, np.ndarray, int]]:
    """Yield insect, lakes of one region and the day four weeks before the middle one's true peak."""
    region = world.season.lakes.region
    for taxon in TAXA:
        for name in sorted(set(region.tolist())):
            here = np.flatnonzero(region == name)
            if np.isfinite(truth.peak[taxon][here]).any():
                yield taxon, here, int(np.nanmedian(truth.peak[taxon][here])) - LEAD_D


def experiment(seed: int, lakes: int = 20) -> dict[str, np.ndarray]:
    """Return scores by treatment, and standardised errors of planted needs; each world has a target year of its own."""
    target = YEARS[seed % len(YEARS)]
    world = make_world(seed, lakes)
    past = {year: true_season(world, year) for year in range(target - 3, target + 1)}
    notes = {year: guide_notes(world, past[year], year) for year in past}
    taught, start = {}, season_span(target, False).start
    for count in (1, 3):
        readings, sightings = joined([notes[y] for y in range(target - count, target)])
        taught[count] = learn_season(with_notes(world.season, readings, sightings), before=start)
    misled = {
        t: learn_season(with_notes(world.season, *misread(world, notes[target - 1], past[target - 1], t)), before=start)
        for t in TAXA
    }
    truth, bare, now = past[target], with_notes(world.season, None, None), notes[target]
    out: dict[str, list[np.ndarray]] = {}
    for taxon, here, issue in groups(world, truth):
        peak, names = truth.peak[taxon][here], world.season.lakes.lake_id[here]
        day = np.where(np.isnan(peak), issue + NEVER_D, peak)
        late = issue + LEAD_D - LATE_D
        once = misled[taxon]
        wrong = joined([now, (now[0].take(slice(0)), flatly_wrong(names, taxon, late - 21))])
        noted = with_notes(bare, *now)
        runs = {
            "no notes": (bare, issue, None),
            "one past season": (bare, issue, taught[1]),
            "one, with wrong notes": (bare, issue, once),
            "three past seasons": (bare, issue, taught[3]),
            "later: no notes": (bare, late, None),
            "later: this season's": (noted, late, None),
            "later: and a wrong one": (with_notes(bare, *wrong), late, None),
            "taught: no notes": (bare, late, taught[3]),
            "taught: this season's": (noted, late, taught[3]),
            "taught: and a wrong one": (with_notes(bare, *wrong), late, taught[3]),
        }
        for name, (season, as_of, learned) in runs.items():
            out.setdefault(name, []).append(score(members(season, as_of, taxon, names, learned), day))
    found = {name: np.concatenate(parts, axis=1) for name, parts in out.items()}
    return found | {f"recovered {count}": recovered(world, learned) for count, learned in taught.items()}


def misread(
    world: World, notes: tuple[Readings, Sightings], truth: TrueSeason, taxon: str
) -> tuple[Readings, Sightings]:
    """Return a season's notes with one flatly wrong note a lake about one insect, a month before its peak."""
    parts = [notes]
    for name, here, issue in groups(world, truth):
        if name == taxon:
            parts.append((notes[0].take(slice(0)), flatly_wrong(world.season.lakes.lake_id[here], taxon, issue)))
    return joined(parts)


def flatly_wrong(names: Words, taxon: str, day: int) -> Sightings:
    """Return one note a lake: many adults, three weeks before the issue date and a month before the peak."""
    return sightings_of([(str(i), day, taxon, "adult", "many", 30.0) for i in names])


def recovered(world: World, learned: Learned) -> np.ndarray:
    """Return (truth less estimate) / stated error of every planted need, and the errors, (2, lakes x taxa)."""
    taxa = {k: v for k, v in load_catalogue().items() if k in TAXA}
    known = known_needs(learned, world.season.lakes, taxa)
    z, sd = [], []
    for k, taxon in enumerate(TAXA):
        z.append((world.deviate[:, k] - known[taxon].mean) / known[taxon].sd)
        sd.append(known[taxon].sd)
    return np.stack([np.concatenate(z), np.concatenate(sd)])


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser()
    parser.add_argument("--worlds", type=int, default=3)
    asked = parser.parse_args()
    results = [experiment(seed) for seed in range(1, asked.worlds + 1)]
    found = {name: np.concatenate([r[name] for r in results], axis=1) for name in results[0]}
    print(f"{asked.worlds} worlds of 20 lakes, five insects; synthetic\n")
    print(f"{'treatment':<26}{'CRPS d':>8}{'gain':>8}{'80 % holds':>12}{'dates':>7}")
    scores = {name: value for name, value in found.items() if not name.startswith("recovered")}
    for name, (crps, inside) in scores.items():
        base = found[next((b for b in BASES if name.startswith(b[:6])), "no notes")][0].mean()
        print(
            f"{name:<26}{crps.mean():8.2f}{100 * (1 - crps.mean() / base):7.1f}%"
            f"{100 * inside.mean():11.1f}%{len(crps):7d}"
        )
    for right, wrong in WRONG:
        cost = found[wrong][0].mean() / found[right][0].mean() - 1
        print(f"a flatly wrong note beside {right!r} costs {100 * cost:.1f} % of CRPS")
    for count in (1, 3):
        z, sd = found[f"recovered {count}"]
        print(
            f"planted needs after {count}: |z| < 1.28 in {100 * (np.abs(z) < 1.2816).mean():.0f} % (80 % if true), "
            f"rms z {np.sqrt((z**2).mean()):.2f}, stated error {sd.mean():.2f} of the prior's"
        )


if __name__ == "__main__":
    main()

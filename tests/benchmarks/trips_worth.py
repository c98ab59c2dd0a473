"""What a plan is worth: moving days for each guest-day of six ways to plan, on simulated seasons of the demo.

    python -m tests.benchmarks.trips_worth [--years 2016-2025] [--truths 0,1,2] [--move-cost 1] [--needs-known]

Hidden truth (synthetic, ``trips_world``): the program's own model under the demo's weather of a year, with one draw of
the lakes' water and one of what every population needs, which no forecast sees; needs differ between years. All ways
have the same past, the nine seasons before the one that is planned, and nothing later: (c), (d) and (f) are told their
moving days without error, (a) and (b) have what a guide wrote in them (a reading and two looks on a visit about every
week to every lake), through ``learn``, and of the running season the notes up to the issue date.

(a) the plan of 1 February; (b) the same, re-planned every so many days from 1 April until every booking is fixed, which
is two weeks before; (c) a rule of thumb: for every insect the same week in every year, so many days later for 100 m of
height, fitted to all lakes of the nine seasons; (d) each lake's own mean dates over the nine seasons; (e) perfect
foresight; (f) the nine seasons as the possible seasons. All go through the same program with the same parties, guides
and rules; no lake is closed. ``--needs-known`` adds (g) and (h): (a) and (b) told the planted needs and who lives
where, the most that sightings could ever teach; what (h) lacks to (e) is weather, the year's own need and water.
"""

from __future__ import annotations

import argparse
import contextlib
import dataclasses
import shutil
import tempfile
import time
import warnings
from collections.abc import Iterator, Sequence
from pathlib import Path
from unittest import mock

import numpy as np

from emergence.dates import day_number, same_day_in, season_span, to_date
from emergence.errors import WrongUseError
from emergence.planning.case import Case
from emergence.planning.plan import Search, make_plan
from emergence.records import Lakes, Season, TripSettings
from emergence.runs.learn import learn_season
from emergence.runs.plan import prepare
from emergence.runs.taught import Learned
from emergence.runs.trip_plan import TripRun, plan_trips
from emergence.runs.trips import Kept, make_case
from emergence.season import read_season
from emergence.season.trips import name_key
from emergence.taxa.draws import Known
from emergence.taxa.model import Taxon
from tests.benchmarks.trips_world import (
    SPAN,
    TAXA,
    YEAR_LN,
    TrueYear,
    World,
    day,
    guide_notes,
    joined,
    make_world,
    true_year,
    with_notes,
)

DEMO = Path(__file__).parents[2] / "data_demo"
PAST = 9  # seasons
SEARCH = Search(gap=0.01, time_limit=30.0)
PARTIES = """\
party,size,earliest,latest,days,wants
A,2,2026-05-01,2026-06-15,3,coenagrion:moving
B,2,2026-05-20,2026-07-10,3,coenagrion:moving
C,4,2026-05-10,2026-07-20,4,coenagrion:moving; aeshna:moving
D,1,2026-05-15,2026-07-31,2,aeshna:moving
E,2,2026-05-01,2026-06-30,2,chironomus:hatch
F,2,2026-06-01,2026-07-15,3,coenagrion:moving; chironomus:hatch
"""
GUIDES = """\
guide,boats,guests_per_boat,base,base_latitude,base_longitude
G,2,2,valley,49.95,-30.08
H,2,2,fell,50.49,-29.66
"""
ACCESS = "lake_id,parties_per_day\npellor,1\nsallowby,1\nwendlow,1\nskellan,1\n"
WAYS = (
    "a February",
    "b re-planned",
    "c rule of thumb",
    "d own mean dates",
    "e foresight",
    "f own past seasons",
    "g February, needs known",
    "h re-planned, needs known",
)


WISHES = (("coenagrion", "moving"), ("aeshna", "moving"), ("chironomus", "hatch"))
Cells = tuple[int, Sequence[tuple[int, int]]]


def folder_season(folder: Path) -> Season:
    """Return the demo with the parties of this benchmark and without notes."""
    shutil.copytree(DEMO, folder, ignore=shutil.ignore_patterns("*.py", "sightings*", "readings*", "ice*", "closures*"))
    (folder / "travel.csv").unlink()
    for name, text in (("trips", PARTIES), ("guides", GUIDES), ("access", ACCESS)):
        (folder / f"{name}.csv").write_text(text)
    return read_season(folder, today=day_number(to_date(30_000)))


def season_of(season: Season, year: int) -> Season:
    """Return the season with the parties' dates in another year."""
    booking = season.booking
    assert booking is not None
    moved = {
        name: np.array([same_day_in(year, int(one)) for one in getattr(booking.trips, name)])
        for name in ("earliest", "latest")
    }
    trips = dataclasses.replace(booking.trips, **moved)
    return dataclasses.replace(season, booking=dataclasses.replace(booking, trips=trips))


def middles(moving: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the middle moving day and the number of moving days, (wishes, lakes); NaN where nothing moves."""
    index = np.arange(moving.shape[1])[None, :, None]
    count = moving.sum(axis=1)
    with np.errstate(invalid="ignore"):
        return (moving * index).sum(axis=1) / np.where(count, count, np.nan), count.astype(float)


def calendar(middle: np.ndarray, count: np.ndarray, days: int) -> np.ndarray:
    """Return moving days laid around a middle day, (wishes, days, lakes, 1)."""
    index = np.arange(days)[None, :, None]
    half = np.maximum(count, 1.0)[:, None, :] / 2
    with np.errstate(invalid="ignore"):
        return (np.abs(index - middle[:, None, :]) <= half)[..., None]


def rule_of_thumb(middle: np.ndarray, height_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return dates from height alone, (wishes, lakes), and days later for 100 m (wishes,)."""
    dates, slopes = np.full_like(middle, np.nan), np.full(len(middle), np.nan)
    for wish, own in enumerate(middle):
        known = np.isfinite(own)
        if known.sum() >= 2:
            slope, base = np.polyfit(height_m[known] / 100, own[known], 1)
            dates[wish], slopes[wish] = base + slope * height_m / 100, slope
    return dates, slopes


def score(cells: Sequence[Cells], case: Case, truth: np.ndarray, offset: int) -> float:
    """Return moving days for each guest-day; ``cells`` (party, (lake, day index of the case))."""
    got = total = 0.0
    for p, days in cells:
        party = case.parties[p]
        wanted = np.flatnonzero(party.weights > 0)
        for lake, one in days:
            index = one + offset
            got += party.size * bool(truth[wanted, index, lake].any())
            total += party.size
    return got / total


def foreseen(case: Case, moving: np.ndarray, offset: int) -> list[Cells]:
    """Return the plan made on given members (wishes, days, lakes, members), days aligned to the case."""
    days = case.outlook.days
    own = np.zeros((moving.shape[0], days, *moving.shape[2:]), dtype=bool)
    own[:, max(-offset, 0) : min(moving.shape[1] - offset, days)] = moving[:, max(offset, 0) : days + offset]
    outlook = dataclasses.replace(case.outlook, moving=own, poor=np.zeros((3, days, own.shape[2])))
    plan = make_plan(dataclasses.replace(case, outlook=outlook), SEARCH)
    return [(t.party, t.chosen.cells) for t in plan.trips]


def cells_of(booked: TripRun, case: Case) -> list[Cells]:
    """Return a plan's days as (party, (lake, day index of the case))."""
    place = {lake: k for k, lake in enumerate(case.outlook.lakes)}
    index = {party.name: p for p, party in enumerate(case.parties)}
    return [
        (index[t.party], [(place[d.lake_id], day_number(d.date) - case.outlook.first_day) for d in t.chosen.days])
        for t in booked.result.trips
    ]


def replanned(season: Season, year: int, first: TripRun, learned: Learned, every: int) -> tuple[TripRun, int]:
    """Return the bookings as they were kept, and how many moved."""
    booked, moves = first, 0
    for today in range(day(year, 4, 1), day(year, 7, 31), every):
        kept = {
            name_key(t.party): Kept(tuple((d.lake_id, day_number(d.date)) for d in t.chosen.days), t.chosen.guide)
            for t in booked.result.trips
        }
        try:
            again = plan_trips(prepare(season, as_of=today, taxa=TAXA, learned=learned), kept, SEARCH)
        except WrongUseError:  # every trip is over
            break
        moves += sum(t.status == "moved" for t in again.result.trips)
        done = [t for t in booked.result.trips if t.party not in {o.party for o in again.result.trips}]
        merged = dataclasses.replace(again.result, trips=(*again.result.trips, *done))
        booked = dataclasses.replace(again, result=merged)
        if all(t.status in ("fixed", "done") for t in again.result.trips):
            break
    return booked, moves


@contextlib.contextmanager
def needs_known(world: World) -> Iterator[None]:
    """Let forecasts know the planted needs; how they differ between years stays unknown."""
    row = {lake: k for k, lake in enumerate(world.season.lakes.lake_id.tolist())}

    def known(_: Learned | None, lakes: Lakes, taxa: dict[str, Taxon]) -> dict[str, Known]:
        found = {}
        for k, key in enumerate(key for key in TAXA if key in taxa):
            need, mean = taxa[key].growth.requirement, world.deviate[[row[i] for i in lakes.lake_id.tolist()], k]
            side = np.where(mean < 0, need.ln_sd_early.value, need.ln_sd_late.value)
            found[key] = Known(mean, YEAR_LN / side)
        return found

    with mock.patch("emergence.runs.sightings.known_needs", known):
        yield


def by_the_calendar(past: np.ndarray, height_m: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return moving days by the rule of thumb and on own mean dates, (wishes, days, lakes, 1), and days for 100 m.

    ``past`` (wishes, days, lakes, seasons).
    """
    mean = [middles(past[..., k]) for k in range(past.shape[-1])]
    with warnings.catch_warnings():
        warnings.simplefilter("ignore", RuntimeWarning)  # nothing moves in any year
        middle = np.nanmean([m for m, _ in mean], axis=0)
        count = np.mean([c for _, c in mean], axis=0)
        wide = np.nanmean(np.where(count > 0, count, np.nan), axis=1, keepdims=True) + 0 * count
    thumb, slopes = rule_of_thumb(middle, height_m)
    days = past.shape[1]
    return calendar(np.where(count > 0, thumb, np.nan), wide, days), calendar(middle, count, days), slopes


def one_season(world: World, years: dict[int, TrueYear], year: int, args: argparse.Namespace) -> dict[str, np.ndarray]:
    """Return the scores of the ways, what (a) and (b) promised, how many bookings moved, and days for 100 m."""
    notes = {y: guide_notes(world, years[y], y) for y in range(year - PAST, year + 1)}
    own, before = season_of(world.season, year), season_span(year, False).start
    noted = with_notes(own, *joined(list(notes.values())))
    learned = learn_season(noted, before=before)
    run = prepare(noted, as_of=day(year, 2, 1), taxa=TAXA, learned=learned)
    case, truth = make_case(run, {}).case, years[year].moving
    offset = case.outlook.first_day - day(year, *SPAN[0])
    first = plan_trips(run, {}, SEARCH)
    second, moves = replanned(noted, year, first, learned, args.every)
    past = np.stack([years[y].moving for y in range(year - PAST, year)], axis=-1)
    thumb, dates, slopes = by_the_calendar(past, run.lakes.elevation_m)
    plans = [cells_of(first, case), cells_of(second, case)]
    plans += [foreseen(case, members, offset) for members in (thumb, dates, truth[..., None], past)]
    if args.needs_known:
        told = dataclasses.replace(with_notes(noted, noted.readings, None), residents=world.residents)
        with needs_known(world):
            third = plan_trips(prepare(told, as_of=run.as_of, taxa=TAXA, learned=learned), {}, SEARCH)
            plans += [cells_of(third, case), cells_of(replanned(told, year, third, learned, args.every)[0], case)]
    return {
        "scores": np.array([score(plan, case, truth, offset) for plan in plans]),
        "promised": np.array([promised(first), promised(second)]),
        "moves": np.array(moves),
        "poor": np.array(np.mean([case.poor_day.any(axis=0)[d, lake] for _, cells in plans[4] for lake, d in cells])),
        "slopes": slopes,
    }


def promised(booked: TripRun) -> float:
    """Return the moving days for each guest-day that a plan expects."""
    trips = booked.result.trips
    return sum(t.chosen.expected * t.size for t in trips) / sum(len(t.chosen.days) * t.size for t in trips)


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--years", default="2016-2025")
    parser.add_argument("--truths", default="0,1,2")
    parser.add_argument("--every", type=int, default=7)
    parser.add_argument("--move-cost", type=float, default=TripSettings().move_cost_days)
    parser.add_argument("--needs-known", action="store_true")
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    low, high = map(int, args.years.split("-"))
    began, found = time.process_time(), []
    with tempfile.TemporaryDirectory() as folder:
        season = folder_season(Path(folder) / "demo")
        rules = dataclasses.replace(season.settings.trips, move_cost_days=args.move_cost)
        season = dataclasses.replace(season, settings=dataclasses.replace(season.settings, trips=rules))
        for number in map(int, args.truths.split(",")):
            world = make_world(season, number)
            years = {year: true_year(world, year, WISHES) for year in range(low - PAST, high + 1)}
            for year in range(low, high + 1):
                found.append(one_season(world, years, year, args))
                print(f"truth {number}, {year}: {' '.join(f'{s:.2f}' for s in found[-1]['scores'])}, "
                      f"{found[-1]['moves']} moves, {time.process_time() - began:.0f} s", flush=True)  # fmt: skip
    lines = table({key: np.stack([one[key] for one in found]) for key in found[0]}, args)
    print("\n".join(lines))
    if args.out:
        args.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


def table(found: dict[str, np.ndarray], args: argparse.Namespace) -> list[str]:
    """Return the table in Markdown; every array of ``found`` begins with the seasons."""
    scores = found["scores"]
    mean, root = scores.mean(axis=0), np.sqrt(len(scores))
    error = scores.std(axis=0, ddof=1) / root
    lines = [
        f"{len(scores)} simulated seasons ({args.years}, truths {args.truths}), re-planned every {args.every} days, "
        f"a move costs {args.move_cost:g} moving days.",
        "",
        "| plan | moving days a guest-day | standard error | share of (e) |",
        "|---|---|---|---|",
    ]
    ways = WAYS[: len(mean)]
    lines += [f"| {w} | {m:.3f} | {e:.3f} | {m / mean[4]:.0%} |" for w, m, e in zip(ways, mean, error, strict=True)]
    against = []
    for k in (0, 2, 3, 5):
        apart = scores[:, 1] - scores[:, k]
        spread = f"({apart.mean():+.3f} ± {apart.std(ddof=1) / root:.3f})"
        against.append(f"{mean[1] / mean[k] - 1:+.0%} against ({'abcdef'[k]}) {spread}")
    promises = found["promised"].mean(axis=0)
    slopes = np.nanmean(found["slopes"], axis=0)
    thumb = ", ".join(f"{taxon} {stage} {d:+.1f}" for (taxon, stage), d in zip(WISHES, slopes, strict=True))
    return [
        *lines,
        "",
        f"(b): {', '.join(against)}. (a) promised {promises[0]:.3f}, (b) {promises[1]:.3f}. "
        f"{found['moves'].sum()} bookings moved. Days of (e) that (a) may not book for ice, overturn or heat: "
        f"{found['poor'].mean():.1%}.",
        "",
        f"Rule of thumb, days for 100 m: {thumb}.",
    ]


if __name__ == "__main__":
    main()

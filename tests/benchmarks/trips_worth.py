"""What a plan is worth: moving days for each guest-day of five ways to plan, on simulated seasons of the demo.

    python -m tests.benchmarks.trips_worth [--years 2016-2025] [--truths 3] [--every 7] [--out FILE]

Hidden truth (synthetic): the program's own model under the demo's weather of a year, with one draw of the lakes' and
the insects' uncertain numbers that no forecast sees (seed apart), the same for all years of a truth. Forecasts know the
weather up to their issue date, never that year's spring, and no notes: readings, ice dates and sightings are taken out.

(a) the plan of 1 February; (b) the same, re-planned every so many days from 15 March to 10 July, bookings fixed two
weeks before; (c) a rule of thumb: for every insect the same week in every year, so many days later for 100 m of height,
fitted to all lakes and the other years of the truth; (d) each lake's own mean dates over the other years of the truth;
(e) perfect foresight. All five go through the same program with the same parties, guides and rules. (c) and (d) know
the truth's own means, which a guide learns in years; (a) and (b) do not.
"""

from __future__ import annotations

import argparse
import dataclasses
import shutil
import tempfile
import time
import warnings
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from emergence.dates import day_number, same_day_in, to_date
from emergence.planning.plan import Search, make_plan
from emergence.records import Season, TripSettings
from emergence.runs.plan import prepare
from emergence.runs.trip_members import TripMembers, trip_members
from emergence.runs.trip_plan import plan_trips
from emergence.runs.trips import Kept, make_case, wanted_taxa
from emergence.season import read_season
from emergence.season.trips import name_key

DEMO = Path(__file__).parents[2] / "data_demo"
HIDDEN_SEED = 90_210
SPAN = ((4, 1), (8, 31))
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
WAYS = ("a February", "b re-planned", "c rule of thumb", "d own mean dates", "e foresight")


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
        name: np.array([same_day_in(year, int(day)) for day in getattr(booking.trips, name)])
        for name in ("earliest", "latest")
    }
    trips = dataclasses.replace(booking.trips, **moved)
    return dataclasses.replace(season, booking=dataclasses.replace(booking, trips=trips))


def truth_of(season: Season, year: int, wishes: Sequence[tuple[str, str]], truths: int) -> TripMembers:
    """Return the hidden seasons of a year, one a member."""
    few = dataclasses.replace(season.settings, slots=1, replicates=max(truths, 2))
    run = prepare(
        dataclasses.replace(season, settings=few),
        as_of=_day(year, 12, 31),
        taxa=wanted_taxa(season),
        seed=HIDDEN_SEED,
    )
    rules = season.settings.trips
    return trip_members(
        run,
        wishes,
        first=_day(year, *SPAN[0]),
        last=_day(year, *SPAN[1]),
        heat_stop_c=rules.heat_stop_c,
        unsure_share=rules.unsure_share,
    )


def _day(year: int, month: int, day: int) -> int:
    return day_number(to_date(0).replace(year=year, month=month, day=day))


def middles(moving: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return the middle moving day and the number of moving days, (wishes, lakes); NaN where nothing moves."""
    day = np.arange(moving.shape[1])[None, :, None]
    count = moving.sum(axis=1)
    with np.errstate(invalid="ignore"):
        return (moving * day).sum(axis=1) / np.where(count, count, np.nan), count.astype(float)


def calendar(middle: np.ndarray, count: np.ndarray, days: int) -> np.ndarray:
    """Return moving days laid around a middle day, (wishes, days, lakes, 1)."""
    day = np.arange(days)[None, :, None]
    half = np.maximum(count, 1.0)[:, None, :] / 2
    with np.errstate(invalid="ignore"):
        return (np.abs(day - middle[:, None, :]) <= half)[..., None]


def rule_of_thumb(middle: np.ndarray, height_m: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return dates from height alone, (wishes, lakes), and days later for 100 m (wishes,)."""
    dates, slopes = np.full_like(middle, np.nan), np.full(len(middle), np.nan)
    for wish, own in enumerate(middle):
        known = np.isfinite(own)
        if known.sum() >= 2:
            slope, base = np.polyfit(height_m[known] / 100, own[known], 1)
            dates[wish], slopes[wish] = base + slope * height_m / 100, slope
    return dates, slopes


def score(cells: Sequence[tuple[int, Sequence[tuple[int, int]]]], case, truth: np.ndarray, offset: int) -> float:
    """Return moving days for each guest-day; ``cells`` (party, (lake, day index of the case))."""
    got = total = 0.0
    for p, days in cells:
        party = case.parties[p]
        wanted = np.flatnonzero(party.weights > 0)
        for lake, day in days:
            index = day + offset
            got += party.size * bool(truth[wanted, index, lake].any())
            total += party.size
    return got / total


def foreseen(case, moving: np.ndarray, offset: int):
    """Return the plan made on one member, days aligned to the case."""
    days = case.outlook.days
    own = np.zeros((moving.shape[0], days, *moving.shape[2:]), dtype=bool)
    own[:, max(-offset, 0) : min(moving.shape[1] - offset, days)] = moving[:, max(offset, 0) : days + offset]
    outlook = dataclasses.replace(case.outlook, moving=own, poor=np.zeros((3, days, own.shape[2])))
    plan = make_plan(dataclasses.replace(case, outlook=outlook), SEARCH)
    return [(t.party, t.chosen.cells) for t in plan.trips]


def one_year(season: Season, year: int, truth: TripMembers, past: list[np.ndarray], args: argparse.Namespace):
    """Return the scores of the five ways, (truths, ways), and how many bookings moved."""
    own = season_of(season, year)
    start = _day(year, 2, 1)
    run = prepare(own, as_of=start, taxa=wanted_taxa(own))
    case = make_case(run, {}).case
    offset = case.outlook.first_day - truth.first_day
    first = plan_trips(run, {}, SEARCH)
    plan_a = [(t.party, t.chosen.cells) for t in first.plan.trips]
    booked, moves = first, 0
    for day in range(_day(year, 3, 15), _day(year, 7, 11), args.every):
        kept = {
            name_key(t.party): Kept(tuple((d.lake_id, day_number(d.date)) for d in t.chosen.days), t.chosen.guide)
            for t in booked.result.trips
        }
        try:
            again = plan_trips(prepare(own, as_of=day, taxa=wanted_taxa(own)), kept, SEARCH)
        except Exception as error:
            if "no party" not in str(error):
                raise
            break
        done = [t for t in booked.result.trips if t.party not in {o.party for o in again.result.trips}]
        moves += sum(t.status == "moved" for t in again.result.trips)
        merged = dataclasses.replace(again.result, trips=(*again.result.trips, *done))
        booked = dataclasses.replace(again, result=merged)
    place = {lake: k for k, lake in enumerate(case.outlook.lakes)}
    index = {party.name: p for p, party in enumerate(case.parties)}
    plan_b = [
        (index[t.party], [(place[d.lake_id], day_number(d.date) - case.outlook.first_day) for d in t.chosen.days])
        for t in booked.result.trips
    ]
    scores = []
    for k in range(args.truths):
        hidden = truth.moving[..., k]
        mean = [middles(other[..., k]) for other in past]
        with warnings.catch_warnings():
            warnings.simplefilter("ignore", RuntimeWarning)  # nothing moves in any year
            middle = np.nanmean([m for m, _ in mean], axis=0)
            count = np.mean([c for _, c in mean], axis=0)
        thumb, slopes = rule_of_thumb(middle, run.lakes.elevation_m)
        wide = np.nanmean(np.where(count > 0, count, np.nan), axis=1, keepdims=True) + 0 * count
        days = hidden.shape[1]
        plan_c = foreseen(case, calendar(np.where(count > 0, thumb, np.nan), wide, days), offset)
        plan_d = foreseen(case, calendar(middle, count, days), offset)
        plan_e = foreseen(case, hidden[..., None], offset)
        scores.append([score(p, case, hidden, offset) for p in (plan_a, plan_b, plan_c, plan_d, plan_e)])
    return np.array(scores), moves, slopes


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=(__doc__ or "").splitlines()[0])
    parser.add_argument("--years", default="2016-2025")
    parser.add_argument("--truths", type=int, default=3)
    parser.add_argument("--every", type=int, default=7)
    parser.add_argument("--move-cost", type=float, default=TripSettings().move_cost_days)
    parser.add_argument("--out", type=Path)
    args = parser.parse_args()
    low, high = map(int, args.years.split("-"))
    began = time.monotonic()
    with tempfile.TemporaryDirectory() as folder:
        season = folder_season(Path(folder) / "demo")
        rules = dataclasses.replace(season.settings.trips, move_cost_days=args.move_cost)
        season = dataclasses.replace(season, settings=dataclasses.replace(season.settings, trips=rules))
        sample = season_of(season, low)
        wishes = make_case(prepare(sample, as_of=_day(low, 2, 1), taxa=wanted_taxa(sample)), {}).case.outlook.wants
        truths = {year: truth_of(season, year, wishes, args.truths) for year in range(low, high + 1)}
        found, slopes = [], []
        for year, truth in truths.items():
            past = [t.moving for other, t in truths.items() if other != year]
            scores, moves, slope = one_year(season, year, truth, past, args)
            found.append(scores)
            slopes.append(slope)
            print(f"{year}: {' '.join(f'{s:.2f}' for s in scores.mean(axis=0))}, {moves} moves, "
                  f"{time.monotonic() - began:.0f} s", flush=True)  # fmt: skip
    lines = table(np.concatenate(found), wishes, np.nanmean(slopes, axis=0), args)
    print("\n".join(lines))
    if args.out:
        args.out.write_text("\n".join(lines) + "\n", encoding="utf-8")


def table(
    scores: np.ndarray, wishes: Sequence[tuple[str, str]], slopes: np.ndarray, args: argparse.Namespace
) -> list[str]:
    """Return the table in Markdown."""
    mean = scores.mean(axis=0)
    error = scores.std(axis=0, ddof=1) / np.sqrt(len(scores))
    lines = [
        f"{len(scores)} simulated seasons ({args.years}, {args.truths} truths), re-planned every {args.every} days, "
        f"a move costs {args.move_cost:g} moving days.",
        "",
        "| plan | moving days a guest-day | standard error | share of (e) |",
        "|---|---|---|---|",
    ]
    lines += [f"| {w} | {m:.3f} | {e:.3f} | {m / mean[4]:.0%} |" for w, m, e in zip(WAYS, mean, error, strict=True)]
    b = mean[1]
    against = ", ".join(f"{b / mean[k] - 1:+.0%} against ({'abcd'[k]})" for k in (0, 2, 3))
    lines += ["", f"(b): {against}."]
    thumb = ", ".join(f"{t} {s} {d:+.1f}" for (t, s), d in zip(wishes, slopes, strict=True))
    return [*lines, "", f"Rule of thumb, days for 100 m: {thumb}."]


if __name__ == "__main__":
    main()

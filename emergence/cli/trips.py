"""``emergence trips``: the booked season."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.options import DATE, SEASON, hint_to_fetch, open_season, tell_problems, today

if TYPE_CHECKING:
    from emergence.runs.trip_plan import TripRun
    from emergence.runs.trips import Kept

ROOT = Path("reports")


@click.command("trips")
@click.argument("season", type=SEASON)
@click.option("--as-of", type=DATE, help="Issue date; default: the last day with weather in the folder.")
@click.option("--out", type=click.Path(path_type=Path), help="Write straight into this folder.")
@click.option("--bookings", type=click.Path(path_type=Path), help="The plan.csv whose bookings stand.")
@click.option("--fresh", is_flag=True, help="Leave earlier plans aside; bookings in trips.csv stand.")
@click.option("--cautious", is_flag=True, help="Raise the worst parties' chances rather than the mean.")
@click.option("--why", "party", help="Why this party gets its lake and days, and what another lake would cost.")
@click.option("--gap", type=click.FloatRange(0, 1), default=0.02, show_default=True, help="Gap at which to stop.")
@click.option("--time-limit", type=click.FloatRange(1), default=60.0, show_default=True, help="Seconds to search.")
@click.option("--no-learned", is_flag=True, help="Leave learned.json aside.")
@click.option("--seed", type=click.IntRange(0), help="Seed of the draws; default from season.toml.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of the tables.")
@click.pass_context
def trips_command(
    ctx: click.Context,
    season: Path,
    as_of: int | None,
    out: Path | None,
    bookings: Path | None,
    fresh: bool,
    cautious: bool,
    party: str | None,
    gap: float,
    time_limit: float,
    no_learned: bool,
    seed: int | None,
    as_json: bool,
) -> None:
    """Plan which party fishes which lake on which days.

    Reads trips.csv, guides.csv, closures.csv, access.csv and travel.csv of the season folder, runs the forecast itself
    and chooses lake, days and guide for every party. Bookings of the last plan (or of trips.csv) move only where the
    gain is more than the cost of moving. Writes reports/NAME/trips/DATE/: plan.csv, plan.json and a calendar for each
    guide and party.

    \b
    Examples:
      emergence trips data_demo
      emergence trips data_demo --why "Hollin party"
    """
    from emergence.errors import WrongUseError
    from emergence.planning.plan import Search
    from emergence.report.trip_files import plan_json, write_dated_trips, write_trips
    from emergence.report.trips import trips_text, why_text
    from emergence.runs.learn import read_learned
    from emergence.runs.plan import prepare
    from emergence.runs.trip_plan import explain_trip, plan_trips
    from emergence.runs.trips import wanted_taxa

    if as_of is not None and as_of > today():
        raise WrongUseError("--as-of lies after today: no weather can be known up to then.")
    folder = open_season(season)
    tell_problems(folder, more="")
    learned = None if no_learned else read_learned(season)
    with hint_to_fetch(folder):
        run = prepare(folder, as_of=as_of, taxa=wanted_taxa(folder), seed=seed, learned=learned)
    kept, earlier = _kept(run.as_of, run.season.settings.name or season.resolve().name, bookings, fresh=fresh)
    search = Search(gap=gap, time_limit=time_limit, cautious=cautious)
    made: TripRun = plan_trips(run, kept, search, earlier=earlier)
    result = made.result
    if party is not None and result.trips:
        trip, others = explain_trip(run, made, party, search)
        click.echo(plan_json(result, (trip, others)) if as_json else why_text(trip, others), nl=False)
        return
    click.echo(plan_json(result) if as_json else trips_text(result), nl=False)
    if not result.trips:
        ctx.exit(1)
    private = folder.settings.guests_see_lakes != "all"
    write = (
        write_dated_trips(result, ROOT, private=private) if out is None else write_trips(result, out, private=private)
    )
    click.echo(f"written to {write}", err=True)
    if result.info.dropped:
        ctx.exit(3)


def _kept(as_of: int, name: str, bookings: Path | None, *, fresh: bool) -> tuple[dict[str, Kept], str]:
    """Return the bookings that stand, and where they come from."""
    from emergence.dates import to_date
    from emergence.errors import WrongUseError
    from emergence.report.trip_files import earlier_plan
    from emergence.runs.trips import read_bookings

    if bookings is not None and fresh:
        raise WrongUseError("--bookings and --fresh say opposite things; give one of them.")
    path = bookings if bookings is not None or fresh else earlier_plan(ROOT, name, to_date(as_of))
    return ({}, "") if path is None else (read_bookings(path), path.as_posix())

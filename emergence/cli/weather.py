"""``emergence weather``: fetch weather and look at what there is."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.options import SEASON, open_season, tell_problems, today

if TYPE_CHECKING:
    from emergence.runs.weather import Outcome

SHOWN = 8


@click.group("weather")
def weather_group() -> None:
    """Fetch weather, and check what weather each lake has.

    \b
    Examples:
      emergence weather update my_lakes
      emergence weather check my_lakes
    """


@weather_group.command("update")
@click.argument("season", type=SEASON)
@click.option("--stations", type=click.IntRange(1, 12), default=4, show_default=True, help="Stations for each lake.")
@click.option("--years", type=click.IntRange(1, 80), default=30, show_default=True, help="Past years to fetch.")
@click.option("--timeout", type=click.FloatRange(0.05, 600), default=30, show_default=True, help="Longest silence [s].")
@click.pass_context
def update_command(ctx: click.Context, season: Path, stations: int, years: int, timeout: float) -> None:
    """Fetch the daily air temperature of stations near the lakes.

    Needs [weather] source = "meteostat" or "both" in season.toml. The first run fetches the past years, later ones the
    year that is running (and the one before, while its last 30 days may still be corrected). Writes stations.csv,
    weather/ID.csv and, where the service has forecast days, weather/ID.ahead.csv. Files of your own are never touched.
    It may be stopped at any moment and goes on where it was.

    \b
    Example:
      emergence weather update my_lakes; emergence forecast my_lakes
    """
    from emergence.runs.weather import Wanted, update_weather
    from emergence.weather.meteostat import Limits

    folder = open_season(season)
    tell_problems(folder, more="")
    limits = Limits(read_s=timeout, whole_s=4 * timeout, list_s=20 * timeout)
    wanted = Wanted(today=today(), years=years, stations=stations, limits=limits)
    outcome = update_weather(folder, wanted, lambda words: click.echo(words, err=True))
    _tell_outcome(outcome)
    click.echo(outcome_line(outcome))
    if outcome.attribution:
        click.echo(f"Weather data: {', '.join(outcome.attribution)} ({'; '.join(outcome.licences)}).")
    ctx.exit(outcome.exit_code)


def _tell_outcome(outcome: Outcome) -> None:
    """Tell on stderr what went wrong or was left alone."""
    for station in outcome.own:
        words = "has files of your own, or fetched files changed by hand; left as they are"
        click.echo(f"station {station} {words}", err=True)
    for station in outcome.silent:
        click.echo(f"station {station} has given nothing for two months", err=True)
    for lake in outcome.without[:SHOWN]:
        click.echo(f"no station for {lake}: none with a record within 500 km and 2000 m of its height", err=True)
    for sentence in outcome.damaged[:SHOWN]:
        click.echo(f"damaged, will be asked for again: {sentence}", err=True)
    if outcome.faults:
        kept = "What was fetched is kept; run it again when the network is back."
        click.echo(f"emergence: the network or the service failed: {outcome.faults[-1]}. {kept}", err=True)


def outcome_line(outcome: Outcome) -> str:
    """Return one line for a mail or a chat message."""
    from emergence.dates import to_date
    from emergence.report.words import count, day_and_year

    if outcome.last_day is None:
        return f"Weather: none for {count(outcome.lakes, 'lake')}."
    lakes, stations = count(outcome.lakes - len(outcome.without), "lake"), count(len(outcome.stations), "station")
    line = f"Weather of {lakes} from {stations} up to {day_and_year(to_date(outcome.last_day))}"
    line += f", {count(outcome.new_days, 'new day')}"
    line += f", {count(outcome.ahead_days, 'forecast day')}" if outcome.ahead_days else ""
    left = [count(len(outcome.without), "lake") + " without a station"] if outcome.without else []
    left += ["not complete: the network failed"] if outcome.faults else []
    left += [f"{count(len(outcome.damaged), 'answer')} damaged"] if outcome.damaged else []
    return "; ".join([line, *left]) + "."


@weather_group.command("check")
@click.argument("season", type=SEASON)
@click.option("--lake", "lakes", multiple=True, help="Only this lake_id; repeat for more.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON instead of text.")
def check_command(season: Path, lakes: tuple[str, ...], as_json: bool) -> None:
    """Show the weather each lake has: stations, distance, height, coverage, gaps, last day, suspicious values.

    \b
    Examples:
      emergence weather check data_demo
      emergence weather check data_demo --lake quennaby --json
    """
    import dataclasses
    import json

    from emergence.cli.weather_text import check_text
    from emergence.dates import to_date
    from emergence.runs.checked import checked_season
    from emergence.runs.plan import choose_lakes
    from emergence.runs.weather_check import (
        check_weather,
        doubted_values,
        left_out_errors,
        with_errors,
        with_suspicious,
    )
    from emergence.season.store import read_store

    folder = open_season(season)
    tell_problems(folder, more="")
    folder = checked_season(dataclasses.replace(folder, lakes=choose_lakes(folder.lakes, lakes)))
    check = check_weather(folder, read_store(season))
    check = with_suspicious(with_errors(check, left_out_errors(folder)), doubted_values(folder))
    if as_json:
        click.echo(json.dumps(check.as_json(), ensure_ascii=False, indent=1))
    else:
        click.echo(check_text(check, to_date(today())), nl=False)

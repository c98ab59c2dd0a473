"""``emergence explain``: why one insect's dates on one lake are what they are; which stages of all are about."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.options import DATE, SEASON, hint_to_fetch, open_season, tell_problems, today

if TYPE_CHECKING:
    from emergence.records import Settings
    from emergence.runs.plan import RunPlan


@click.command("explain")
@click.argument("season", type=SEASON)
@click.argument("lake")
@click.argument("taxon", required=False)
@click.option("--date", "date", type=DATE, help="Day of the stage board; default: the issue date.")
@click.option("--as-of", type=DATE, help="Issue date; default: the last day with weather.")
@click.option("--no-learned", is_flag=True, help="Leave learned.json aside.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def explain_command(
    season: Path,
    lake: str,
    taxon: str | None,
    date: int | None,
    as_of: int | None,
    no_learned: bool,
    as_json: bool,
) -> None:
    """Say why one insect's dates on one lake are what they are, or which stages of all insects are about.

    With TAXON (an id or a trade name): when counting starts, the heat gathered against the normal year and against what
    is needed, what ready insects wait for, this year's numbers, the stages of the coming weeks, and which of weather,
    water, ice and insects would move the date most. Without: the stage board of the lake on a day. LAKE is a lake_id or
    a name.

    \b
    Examples:
      emergence explain data_demo quennaby "spring damselflies"
      emergence explain data_demo quennaby --date 2026-07-01
    """
    from emergence.errors import WrongUseError
    from emergence.runs.learn import read_learned
    from emergence.runs.plan import prepare
    from emergence.runs.stage_board import find_lake

    if as_of is not None and as_of > today():
        raise WrongUseError("--as-of lies after today: no weather can be known up to then.")
    folder = open_season(season)
    lake_id = find_lake(folder.lakes, lake)
    tell_problems(folder, more="")
    learned = None if no_learned else read_learned(season)
    taxa = () if taxon is None else (taxon,)
    with hint_to_fetch(folder):
        plan = prepare(folder, as_of=as_of, lakes=(lake_id,), taxa=taxa, learned=learned)
    if taxon is not None and len(plan.taxa) > 1:
        raise WrongUseError(f"{taxon!r} names several insects ({', '.join(plan.taxa)}): choose one.")
    day = plan.as_of if date is None else date
    said = _all(plan, day, folder.settings, as_json) if taxon is None else _one(plan, date, as_json)
    click.echo(said, nl=False)


def _one(plan: RunPlan, day: int | None, as_json: bool) -> str:
    from emergence.report.why import why, why_json
    from emergence.runs.explain import explain

    found = explain(plan, day=day)
    return why_json(found) if as_json else why(found)


def _all(plan: RunPlan, day: int, settings: Settings, as_json: bool) -> str:
    from emergence.report.stage_board import board_json, board_text
    from emergence.report.units import Units
    from emergence.runs.stage_board import lake_day

    board = lake_day(plan, day).board
    units = Units(settings.temperature_unit, settings.length_unit)
    return board_json(board) if as_json else board_text(board, units)

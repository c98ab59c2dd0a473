"""``emergence explain``: why one insect's dates on one lake are what they are."""

from __future__ import annotations

from pathlib import Path

import click

from emergence.cli.options import DATE, SEASON, hint_to_fetch, open_season, tell_problems, today


@click.command("explain")
@click.argument("season", type=SEASON)
@click.argument("lake")
@click.argument("taxon")
@click.option("--as-of", type=DATE, help="Issue date; default: the last day with weather.")
@click.option("--no-learned", is_flag=True, help="Leave learned.json aside.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
def explain_command(season: Path, lake: str, taxon: str, as_of: int | None, no_learned: bool, as_json: bool) -> None:
    """Say why one insect's dates on one lake are what they are.

    When counting starts, the heat gathered against the normal year and against what is needed, what ready insects wait
    for, this year's numbers, and which of weather, water, ice and insects would move the date most. LAKE is a lake_id,
    TAXON an id or a trade name.

    \b
    Example:
      emergence explain data_demo quennaby "spring damselflies"
    """
    from emergence.errors import WrongUseError
    from emergence.report.why import why, why_json
    from emergence.runs.explain import explain
    from emergence.runs.learn import read_learned
    from emergence.runs.plan import prepare

    if as_of is not None and as_of > today():
        raise WrongUseError("--as-of lies after today: no weather can be known up to then.")
    folder = open_season(season)
    tell_problems(folder, more="")
    learned = None if no_learned else read_learned(season)
    with hint_to_fetch(folder):
        plan = prepare(folder, as_of=as_of, lakes=(lake,), taxa=(taxon,), learned=learned)
    if len(plan.taxa) > 1:
        raise WrongUseError(f"{taxon!r} names several insects ({', '.join(plan.taxa)}): choose one.")
    found = explain(plan)
    click.echo(why_json(found) if as_json else why(found), nl=False)

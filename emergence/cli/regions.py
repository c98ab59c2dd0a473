"""``emergence regions``: regions and height bands side by side across the season."""

from __future__ import annotations

import sys
from collections.abc import Callable
from pathlib import Path

import click

from emergence.cli.many import SHOWN_AFTER
from emergence.cli.options import DATE, SEASON, hint_to_fetch, open_season, tell_problems, today


@click.command("regions")
@click.argument("season", type=SEASON)
@click.option("--as-of", type=DATE, help="Issue date; default: the last day with weather in the folder.")
@click.option("--lake", "lakes", multiple=True, help="Only this lake_id; repeat for more.")
@click.option("--taxon", "taxa", multiple=True, help="Only this insect, by id or trade name; repeat for more.")
@click.option("--band", "band_m", type=click.FloatRange(10, 5000), default=300, show_default=True, help="Height [m].")
@click.option("--out", type=click.Path(path_type=Path), help="Write regions.csv to this file; - for stdout.")
@click.option("--picture", type=click.Path(path_type=Path), help="Draw PNG and SVG into this folder.")
@click.option("--no-learned", is_flag=True, help="Leave learned.json aside.")
@click.option("--seed", type=click.IntRange(0), help="Seed of the draws; default from season.toml.")
@click.option("--json", "as_json", is_flag=True, help="Print JSON.")
@click.pass_context
def regions_command(
    ctx: click.Context,
    season: Path,
    as_of: int | None,
    lakes: tuple[str, ...],
    taxa: tuple[str, ...],
    band_m: float,
    out: Path | None,
    picture: Path | None,
    no_learned: bool,
    seed: int | None,
    as_json: bool,
) -> None:
    """Lay regions and height bands side by side across the season.

    Share of lakes active by week and insect, middle onset and peak with their spread, days ahead of or behind the
    normal year and which past year is most like it, how the season climbs with height and latitude, and where it moves
    next. The regions are those of lakes.csv. The normal year is the same forecast as of the season's first day: every
    lake under each of the past springs.

    \b
    Examples:
      emergence regions data_demo
      emergence regions data_demo --taxon damsel --out regions.csv --picture pictures
    """
    from emergence.errors import WrongUseError
    from emergence.report.folders import atomic_text
    from emergence.report.region_chart import write_region_pictures
    from emergence.report.region_words import region_lines, regions_csv, regions_json
    from emergence.runs.learn import read_learned
    from emergence.runs.regions import Ask, compare_regions

    to_stdout = out is not None and str(out) == "-"
    if as_json and to_stdout:
        raise WrongUseError("--json and --out - both want stdout: give --out a file.")
    if as_of is not None and as_of > today():
        raise WrongUseError("--as-of lies after today: no weather can be known up to then.")
    folder = open_season(season)
    tell_problems(folder, more="")
    learned = None if no_learned else read_learned(season)
    with hint_to_fetch(folder):
        ask = Ask(as_of, lakes, taxa, seed, learned, band_m)
        result = compare_regions(folder, ask, progress=_progress(len(folder.lakes)))
    table = regions_csv(result)
    if out is not None and not to_stdout:
        atomic_text(out, table)
        click.echo(f"{len(result.table)} rows in {out}", err=True)
    if picture is not None:
        click.echo(f"{len(write_region_pictures(result, picture))} pictures in {picture}", err=True)
    if as_json or to_stdout:
        click.echo(regions_json(result) if as_json else table, nl=False)
    else:
        most = {"most": len(result.table)} if taxa else {}
        click.echo("\n".join(region_lines(result, **most)))
    for lake, reason in result.dropped.items():
        click.echo(f"no forecast for {lake}: {reason}", err=True)
    if result.dropped or any(p.severity == "file" for p in folder.problems):
        ctx.exit(3)


def _progress(lakes: int) -> Callable[[int, int], None] | None:
    if lakes < SHOWN_AFTER or not sys.stderr.isatty():
        return None

    def show(done: int, total: int) -> None:
        click.echo(f"\r{100 * done // total} % ", err=True, nl=done == total)

    return show

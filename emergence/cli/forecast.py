"""``emergence forecast``: the weekly run."""

from __future__ import annotations

import dataclasses
import sys
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.board import BOARD, boards, guest_lakes, since_last, with_learned
from emergence.cli.further import (
    FURTHER,
    NETCDF,
    PICTURES,
    REGIONS,
    compared,
    further_files,
    lake_and_score_pictures,
    region_files,
)
from emergence.cli.many import MANY_LAKES, Output, forecast_many, progress_line
from emergence.cli.options import DATE, SEASON, hint_to_fetch, open_season, tell_problems, today

if TYPE_CHECKING:
    from emergence.records import Season
    from emergence.report.board_rows import Since
    from emergence.runs.blocks import Wanted
    from emergence.runs.plan import RunPlan
    from emergence.runs.results import RunInfo, RunResult
    from emergence.runs.taught import Learned

ROOT = Path("reports")
PARTS = ("windows", "days", "water", "board", *FURTHER, PICTURES)
PAGES = frozenset(("board", *FURTHER))
USUAL = frozenset(("windows", "days", "water"))


class PartsType(click.ParamType[frozenset[str]]):
    """A comma list of what to write."""

    name = "parts"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> frozenset[str]:
        """Return the parts, or fail naming the strangers."""
        if isinstance(value, frozenset):
            return value
        parts = frozenset(word.strip() for word in str(value).split(",") if word.strip())
        strangers = sorted(parts - set(PARTS))
        if strangers:
            self.fail(f"{', '.join(strangers)}: choose from {', '.join(PARTS)}", param, ctx)
        return parts


@click.command("forecast")
@click.argument("season", type=SEASON)
@click.option("--as-of", type=DATE, help="Issue date; default: the last day with weather in the folder.")
@click.option("--out", type=click.Path(path_type=Path), help="Write straight into this folder.")
@click.option("--lake", "lakes", multiple=True, help="Only this lake_id; repeat for more.")
@click.option("--taxon", "taxa", multiple=True, help="Only this insect, by id or trade name; repeat for more.")
@click.option(
    "--write",
    "parts",
    type=PartsType(),
    show_default="windows,days,water and, up to 300 lakes, board",
    help=f"What to write, from {', '.join(PARTS)}.",
)
@click.option(
    "--format",
    "table_format",
    type=click.Choice(["csv", "parquet"]),
    help="Format of the tables; default csv, above 1,000 lakes parquet where pyarrow is installed.",
)
@click.option("--members", is_flag=True, help="Also write each possible season's dates (members.csv).")
@click.option("--guest", is_flag=True, help="Also write guests' copies, with the lakes alone that they may see.")
@click.option("--open", "show", is_flag=True, help="Show the board in the browser.")
@click.option("--no-learned", is_flag=True, help="Leave learned.json aside.")
@click.option("--seed", type=click.IntRange(0), help="Seed of the draws; default from season.toml.")
@click.option("--dask", metavar="ADDRESS", help="Run on Dask workers: 'local' or a scheduler's tcp://host:port.")
@click.option("--json", "as_json", is_flag=True, help="Print the windows as JSON instead of the tables.")
@click.pass_context
def forecast_command(
    ctx: click.Context,
    season: Path,
    as_of: int | None,
    out: Path | None,
    lakes: tuple[str, ...],
    taxa: tuple[str, ...],
    parts: frozenset[str] | None,
    table_format: str | None,
    members: bool,
    guest: bool,
    show: bool,
    no_learned: bool,
    seed: int | None,
    dask: str | None,
    as_json: bool,
) -> None:
    """Forecast every lake and insect of a season folder.

    Writes reports/NAME/DATE/ (windows.csv, days.csv, water.csv, board.html, run.json) and prints what is on now, what
    comes in the next four weeks, and each lake's dates. The season folder is only read.

    \b
    Examples:
      emergence forecast data_demo
      emergence forecast data_demo --as-of 2025-05-01 --lake quennaby --taxon coenagrion
    """
    from emergence.errors import WrongUseError
    from emergence.report.tables import check_format
    from emergence.runs.execute import Wanted
    from emergence.runs.learn import FILE, read_learned
    from emergence.runs.plan import prepare

    if as_of is not None and as_of > today():
        raise WrongUseError("--as-of lies after today: no weather can be known up to then.")
    check_format(table_format or "csv")
    folder = open_season(season)
    tell_problems(folder)
    learned = None if no_learned else read_learned(season)
    with hint_to_fetch(folder):
        plan = prepare(folder, as_of=as_of, lakes=lakes, taxa=taxa, seed=seed, learned=learned)
    if no_learned and (season / FILE).is_file():
        plan = dataclasses.replace(plan, aside="as asked (--no-learned)")
    many = dask is not None or len(plan.lakes) > MANY_LAKES
    parts = parts_of(USUAL if many and parts is None else parts, len(plan.lakes), guest=guest, show=show)
    water = bool(parts & {"water", "board", PICTURES, NETCDF})
    wanted = Wanted(water=water, days=not many or "days" in parts, members=members, effects=True)
    output = Output(parts | ({"members"} if members else set()), out, table_format, as_json)
    if many:
        info = forecast_many(plan, wanted, output, dask=dask)
    else:
        info = _forecast_few(folder, plan, wanted, output, learned, guest=guest, show=show)
    if info.dropped or any(p.severity == "file" for p in folder.problems):
        for lake, reason in info.dropped.items():
            click.echo(f"no forecast for {lake}: {reason}", err=True)
        ctx.exit(3)


def _forecast_few(
    folder: Season, plan: RunPlan, wanted: Wanted, output: Output, learned: Learned | None, *, guest: bool, show: bool
) -> RunInfo:
    """Run in memory, write the run and its board, and print what is on."""
    from emergence.runs.execute import run_plan

    result = run_plan(plan, wanted, progress=progress_line(len(plan.lakes)))
    result = with_learned(result, plan.season.folder, used=plan.learned is not None)
    since = since_last(result, ROOT) if output.out is None else None
    regions = compared(folder, plan, learned) if REGIONS in output.parts else None
    board = "board" in output.parts
    pages = boards(result, plan, since=since, root=ROOT, guest=guest, regions=regions) if board else {}
    guests = guest_lakes(result, plan) if guest else None
    files = {**pages, **further_files(result, output.parts, ROOT if output.out is None else None, guests)}
    if regions is not None:
        files |= region_files(regions, pictures=PICTURES in output.parts)
    if PICTURES in output.parts:
        files |= lake_and_score_pictures(result, plan, ROOT)
    written = _write(result, output.parts - PAGES, output.out, output.table_format or "csv", files)
    _tell(result, since, as_json=output.as_json)
    click.echo(f"written to {written}", err=True)
    if show:
        click.launch((written / BOARD).as_uri())
    return result.info


def parts_of(parts: frozenset[str] | None, lakes: int, *, guest: bool, show: bool) -> frozenset[str]:
    """Return what to write: what was asked for, else the tables and, up to MANY_LAKES lakes, the board."""
    if parts is None:
        parts = USUAL | {"board"} if lakes <= MANY_LAKES else USUAL
    return parts | {"board"} if guest or show else parts


def _write(
    result: RunResult, what: frozenset[str], out: Path | None, table_format: str, files: dict[str, str | bytes]
) -> Path:
    """Write the run folder and return its path."""
    from emergence.report.write import RunNotes, write_dated_run, write_run

    notes = RunNotes(files=files)
    if out is None:
        return write_dated_run(result, ROOT, what=set(what), table_format=table_format, notes=notes)
    return write_run(result, out, what=set(what), table_format=table_format, notes=notes)


def _tell(result: RunResult, since: Since | None, *, as_json: bool) -> None:
    """Print the run's summary or JSON."""
    from emergence.report.tables import windows_json
    from emergence.report.terminal import summary

    if as_json:
        click.echo(windows_json(result), nl=False)
        return
    moved, sentence = (None, "") if since is None else (since.moved, since.sentence)
    click.echo(summary(with_today(result), color=sys.stdout.isatty(), changes=moved, since=sentence), nl=False)


def with_today(result: RunResult) -> RunResult:
    """Return the result with the clock's date, which is shown and never written."""
    from emergence.dates import to_date

    return dataclasses.replace(result, info=dataclasses.replace(result.info, today=to_date(today())))

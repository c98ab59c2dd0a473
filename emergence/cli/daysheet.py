"""``emergence daysheet``: the sheet that goes in the boat."""

from __future__ import annotations

import re
from pathlib import Path

import click

from emergence.cli.options import DATE, SEASON, hint_to_fetch, open_season, tell_problems, today

INCH_CM = 2.54
SINK_RANGE = (0.1, 100.0)  # cm/s


class SinkType(click.ParamType[float]):
    """A sink rate in cm/s, or in inches a second with "in"."""

    name = "rate"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> float:
        """Return the rate [cm/s]."""
        if isinstance(value, float):
            return value
        found = re.fullmatch(r"\s*(\d+(?:[.,]\d+)?)\s*(cm|cm/s|in|in/s|ips)?\s*", str(value).lower())
        if found is None:
            self.fail(f"{value!r} is no sink rate; write cm/s as 4.5, or inches a second as 1.5in", param, ctx)
        rate = float(found[1].replace(",", "."))
        if found[2] and found[2].startswith("i"):
            rate *= INCH_CM
        if not SINK_RANGE[0] <= rate <= SINK_RANGE[1]:
            self.fail(f"{value!r}: a fly sinks at {SINK_RANGE[0]:g} to {SINK_RANGE[1]:g} cm/s", param, ctx)
        return rate


@click.command("daysheet")
@click.argument("season", type=SEASON)
@click.argument("lake")
@click.argument("date", type=DATE)
@click.option("--sink", type=SinkType(), help="Measured sink rate of your fly: 4.5 (cm/s) or 1.5in (a second).")
@click.option("--html", "as_html", is_flag=True, help="One page to print instead of text.")
@click.option("--output", type=click.Path(path_type=Path, dir_okay=False), help="Write to this file.")
@click.option("--as-of", type=DATE, help="Issue date; default: the last day with weather.")
@click.option("--no-learned", is_flag=True, help="Leave learned.json aside.")
def daysheet_command(
    season: Path,
    lake: str,
    date: int,
    sink: float | None,
    as_html: bool,
    output: Path | None,
    as_of: int | None,
    no_learned: bool,
) -> None:
    """Make the sheet that goes in the boat: one lake and day.

    Cautions, water and hours, near lakes where the same insect moves, which stages of which insects are about, where
    and how to fish them, the counts behind it, and blanks for what you read and see. LAKE is a lake_id or a lake's
    name, DATE a day of a season forecast.

    \b
    Examples:
      emergence daysheet data_demo quennaby 2026-06-13
      emergence daysheet data_demo quennaby 2026-06-13 --sink 4.5 --html --output sheet.html
    """
    from emergence.errors import WrongUseError
    from emergence.report.daysheet import sheet_text
    from emergence.report.daysheet_page import sheet_page
    from emergence.runs.daysheet import day_sheet
    from emergence.runs.elsewhere import with_elsewhere
    from emergence.runs.learn import read_learned
    from emergence.runs.plan import prepare
    from emergence.runs.stage_board import find_lake

    if as_of is not None and as_of > today():
        raise WrongUseError("--as-of lies after today: no weather can be known up to then.")
    folder = open_season(season)
    lake_id = find_lake(folder.lakes, lake)
    tell_problems(folder, more="")
    learned = None if no_learned else read_learned(season)
    with hint_to_fetch(folder):
        plan = prepare(folder, as_of=as_of, lakes=(lake_id,), learned=learned)
    sheet = with_elsewhere(day_sheet(plan, date), folder, date, learned)
    text = sheet_page(sheet, sink_cm_s=sink) if as_html else sheet_text(sheet, sink_cm_s=sink)
    if output is None:
        click.echo(text, nl=False)
    else:
        output.write_text(text, encoding="utf-8", newline="\n")
        click.echo(f"written to {output}", err=True)

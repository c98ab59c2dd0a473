"""``emergence water``: the central estimate of surface temperature and ice, and pictures of it."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.options import DATE, SEASON, open_season, tell_checked, tell_problems

if TYPE_CHECKING:
    import pandas as pd

    from emergence.learning.suspicious import Doubted
    from emergence.records import Lakes, Season
    from emergence.runs.results import LakeYear


@click.command("water")
@click.argument("season", type=SEASON)
@click.option("--from", "first", type=DATE, help="First day written (YYYY-MM-DD).")
@click.option("--to", "last", type=DATE, help="Last day written.")
@click.option("--lake", "lakes", multiple=True, help="Only this lake_id; repeat for more.")
@click.option("--readings", default="all", show_default=True, help="all, none or before:DATE; see above.")
@click.option("--out", type=click.Path(path_type=Path), help="Write to this file instead of stdout.")
@click.option("--picture", type=click.Path(path_type=Path), help="Draw each lake into this folder, PNG and SVG.")
@click.option("--year", "years", type=int, multiple=True, help="Season to draw (start year); repeat for more.")
@click.pass_context
def water_command(
    ctx: click.Context,
    season: Path,
    first: int | None,
    last: int | None,
    lakes: tuple[str, ...],
    readings: str,
    out: Path | None,
    picture: Path | None,
    years: tuple[int, ...],
) -> None:
    """Write surface temperature and ice for every day of the weather record, or draw them.

    Columns lake_id, date, water_c (°C), ice (0 to 1): the central estimate. --readings all (default) fits each lake to
    all its readings and ice dates, before:DATE to those before a date, none to nothing but air temperature and the
    lake's shape. The ice column is for insects, not for standing on.

    --picture draws each lake's year: estimate, its 8-in-10 band, readings, ice. Without --year that is the last
    complete year. The table is then written only where --out asks for it.

    \b
    Examples:
      emergence water data_demo --from 2026-04-01 --out water.csv
      emergence water data_demo --lake odderly --year 2024 --year 2025 --picture pictures
    """
    from emergence.errors import WrongUseError
    from emergence.report.daily import water_csv
    from emergence.report.folders import atomic_text
    from emergence.report.water_chart import write_water_years
    from emergence.report.words import count
    from emergence.runs.plan import choose_lakes

    if first is not None and last is not None and last < first:
        raise WrongUseError("--to lies before --from.")
    if years and picture is None:
        raise WrongUseError("--year is for pictures: add --picture FOLDER, or use --from and --to for the table.")
    before = _before(readings)
    folder = open_season(season)
    tell_problems(folder, more="")
    wanted = choose_lakes(folder.lakes, lakes)
    table, drawn, dropped = _estimate(folder, wanted, before, (first, last), None if picture is None else years)
    if picture is not None:
        written = write_water_years(drawn, picture)
        click.echo(f"{count(len(written) // 2, 'picture')} in {picture}, each as PNG and SVG", err=True)
    if picture is None or out is not None:
        text = water_csv(table)
        if out is None or str(out) == "-":
            click.echo(text, nl=False)
        else:
            atomic_text(out, text)
    if dropped:
        click.echo(f"No weather for: {', '.join(dropped)}", err=True)
        ctx.exit(3)


def _estimate(
    season: Season, wanted: Lakes, before: int, reach: tuple[int | None, int | None], years: tuple[int, ...] | None
) -> tuple[pd.DataFrame, list[LakeYear], list[str]]:
    """Return the table in the order of the lakes, what to draw (``years`` None: nothing), lakes without weather."""
    import pandas as pd

    from emergence.runs.checked import checked_season, doubt_problem
    from emergence.runs.lake_years import chosen_years, lake_year
    from emergence.runs.learn import by_hemisphere, learn_lakes, with_teachers
    from emergence.runs.record import central_water, simulate_record, water_record
    from emergence.runs.taught import with_learned

    tables: list[pd.DataFrame] = []
    drawn: list[LakeYear] = []
    dropped: list[str] = []
    doubted: list[Doubted] = []
    season = checked_season(season)
    asked = set(wanted.lake_id.tolist())
    for group in by_hemisphere(with_teachers(season, wanted, before)):
        record = simulate_record(season, group)
        fits = learn_lakes(season, record, before=before)
        doubted += fits.doubted
        central = central_water(record, with_learned(record.spread, record.lakes, fits))
        found = water_record(record, *central, first=reach[0], last=reach[1])
        tables.append(found.table[found.table["lake_id"].isin(asked)])
        dropped += [lake for lake in found.dropped if lake in asked]
        if years is not None:
            lakes = [k for k, lake in enumerate(record.lakes.lake_id.tolist()) if lake in asked]
            spans = [(k, span) for k in lakes for span in chosen_years(record, k, years)]
            drawn += [lake_year(season, record, fits, central, lake=k, span=span) for k, span in spans]
    tell_checked(season, tuple(map(doubt_problem, doubted)))
    table = pd.concat(tables) if len(tables) > 1 else tables[0]
    if len(tables) > 1:
        place = {lake: k for k, lake in enumerate(wanted.lake_id.tolist())}
        table = table.sort_values("lake_id", key=lambda ids: ids.map(place), kind="stable")
    return table, drawn, dropped


def _before(readings: str) -> int:
    """Return the day number before which notes count: far ahead for all, far back for none."""
    from emergence.errors import WrongUseError

    if readings.startswith("before:"):
        return DATE.convert(readings.removeprefix("before:"), None, None)
    if readings not in ("all", "none"):
        raise WrongUseError(f"--readings {readings!r}: say all, none or before:YYYY-MM-DD.")
    return 10**6 if readings == "all" else -(10**6)

"""``emergence water``: the central estimate of surface temperature and ice."""

from __future__ import annotations

from pathlib import Path

import click

from emergence.cli.options import DATE, SEASON, open_season, tell_problems


@click.command("water")
@click.argument("season", type=SEASON)
@click.option("--from", "first", type=DATE, help="First day written (YYYY-MM-DD).")
@click.option("--to", "last", type=DATE, help="Last day written.")
@click.option("--lake", "lakes", multiple=True, help="Only this lake_id; repeat for more.")
@click.option("--out", type=click.Path(path_type=Path), help="Write to this file instead of stdout.")
@click.pass_context
def water_command(
    ctx: click.Context, season: Path, first: int | None, last: int | None, lakes: tuple[str, ...], out: Path | None
) -> None:
    r"""Write surface temperature and ice for every day of the weather record.

    Columns lake_id, date, water_c (°C), ice (0 to 1): the central estimate from air temperature and the lake's shape
    alone. The ice column is for insects, not for standing on.

    \b
    Example:
      emergence water data_demo --from 2026-04-01 --out water.csv
    """
    from emergence.errors import WrongUseError
    from emergence.report.write import atomic_text
    from emergence.runs.plan import choose_lakes
    from emergence.runs.record import water_record

    if first is not None and last is not None and last < first:
        raise WrongUseError("--to lies before --from.")
    folder = open_season(season)
    tell_problems(folder)
    record = water_record(folder, choose_lakes(folder.lakes, lakes), first=first, last=last)
    text = record.table.to_csv(index=False, float_format="%.2f", lineterminator="\n")
    if out is None or str(out) == "-":
        click.echo(text, nl=False)
    else:
        atomic_text(out, text)
    if record.dropped:
        click.echo(f"No weather for: {', '.join(record.dropped)}", err=True)
        ctx.exit(3)

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
@click.option("--readings", default="none", show_default=True, help="all, none or before:DATE; see below.")
@click.option("--out", type=click.Path(path_type=Path), help="Write to this file instead of stdout.")
@click.pass_context
def water_command(
    ctx: click.Context,
    season: Path,
    first: int | None,
    last: int | None,
    lakes: tuple[str, ...],
    readings: str,
    out: Path | None,
) -> None:
    r"""Write surface temperature and ice for every day of the weather record.

    Columns lake_id, date, water_c (°C), ice (0 to 1): the central estimate from air temperature and the lake's shape
    alone: this version does not yet fit lakes to readings, so --readings all and before:DATE give what none gives, and
    say so. The ice column is for insects, not for standing on.

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
    _check_readings(readings)
    folder = open_season(season)
    tell_problems(folder.problems, more="")
    record = water_record(folder, choose_lakes(folder.lakes, lakes), first=first, last=last)
    text = record.table.to_csv(index=False, float_format="%.2f", lineterminator="\n")
    if out is None or str(out) == "-":
        click.echo(text, nl=False)
    else:
        atomic_text(out, text)
    if record.dropped:
        click.echo(f"No weather for: {', '.join(record.dropped)}", err=True)
        ctx.exit(3)


def _check_readings(readings: str) -> None:
    """Refuse words that mean nothing, and say that readings do not act yet."""
    from emergence.errors import WrongUseError

    if readings.startswith("before:"):
        DATE.convert(readings.removeprefix("before:"), None, None)
    elif readings not in ("all", "none"):
        raise WrongUseError(f"--readings {readings!r}: say all, none or before:YYYY-MM-DD.")
    if readings != "none":
        click.echo("readings do not change the water estimate in this version; as with --readings none", err=True)

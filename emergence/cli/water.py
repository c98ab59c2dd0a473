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
@click.option("--readings", default="all", show_default=True, help="all, none or before:DATE; see above.")
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

    Columns lake_id, date, water_c (°C), ice (0 to 1): the central estimate. --readings all (default) fits each lake to
    all its readings and ice dates, before:DATE to those before a date, none to nothing but air temperature and the
    lake's shape. The ice column is for insects, not for standing on.

    \b
    Example:
      emergence water data_demo --from 2026-04-01 --out water.csv
    """
    import pandas as pd

    from emergence.errors import WrongUseError
    from emergence.report.folders import atomic_text
    from emergence.runs.learn import by_hemisphere, learn_lakes
    from emergence.runs.plan import choose_lakes
    from emergence.runs.record import central_water, simulate_record, water_record

    if first is not None and last is not None and last < first:
        raise WrongUseError("--to lies before --from.")
    before = _before(readings)
    folder = open_season(season)
    tell_problems(folder, more="")
    wanted = choose_lakes(folder.lakes, lakes)
    records = []
    for group in by_hemisphere(wanted):
        simulated = simulate_record(folder, group)
        fits = learn_lakes(folder, simulated, before=before)
        records.append(water_record(simulated, *central_water(simulated, fits.lakes, fits.ice), first=first, last=last))
    table = pd.concat([r.table for r in records]) if len(records) > 1 else records[0].table
    if len(records) > 1:
        place = {lake: k for k, lake in enumerate(wanted.lake_id.tolist())}
        table = table.sort_values("lake_id", key=lambda ids: ids.map(place), kind="stable")
    text = table.to_csv(index=False, float_format="%.2f", lineterminator="\n")
    if out is None or str(out) == "-":
        click.echo(text, nl=False)
    else:
        atomic_text(out, text)
    dropped = [lake for r in records for lake in r.dropped]
    if dropped:
        click.echo(f"No weather for: {', '.join(dropped)}", err=True)
        ctx.exit(3)


def _before(readings: str) -> int:
    """Return the day number before which notes count: far ahead for all, far back for none."""
    from emergence.errors import WrongUseError

    if readings.startswith("before:"):
        return DATE.convert(readings.removeprefix("before:"), None, None)
    if readings not in ("all", "none"):
        raise WrongUseError(f"--readings {readings!r}: say all, none or before:YYYY-MM-DD.")
    return 10**6 if readings == "all" else -(10**6)

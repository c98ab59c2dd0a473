"""``emergence learn``: fit lakes and populations to the notes of completed seasons."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.options import DATE, SEASON, open_season, tell_checked, tell_problems

if TYPE_CHECKING:
    from collections.abc import Sequence

    from emergence.learning.widening import Widening
    from emergence.runs.populations import NeedRow


@click.command("learn")
@click.argument("season", type=SEASON)
@click.option("--before", type=DATE, help="Use notes from before this date; default: completed seasons only.")
def learn_command(season: Path, before: int | None) -> None:
    """Fit lakes and their insects to the readings, ice dates and sightings of past seasons.

    Writes learned.json into the season folder (fitted values only, made anew each time from your notes) and prints what
    was learned. The next forecast uses it and says so; forecast --no-learned leaves it aside.

    Where dates of past years, told without their own year's notes, fell outside the spans too often (or too seldom),
    the water of all possible seasons is made wider (or narrower) by one factor for all fitted lakes.

    \b
    Example:
      emergence learn data_demo
    """
    from emergence.report.folders import atomic_text
    from emergence.runs.checked import checked_season, doubt_problem
    from emergence.runs.learn import FILE, learn_season, to_json
    from emergence.runs.populations import need_rows

    folder = open_season(season)
    tell_problems(folder, more="")
    folder = checked_season(folder)
    learned = learn_season(folder, before=before)
    tell_checked(folder, tuple(map(doubt_problem, learned.doubted)))
    if not learned.lakes and not learned.ice and not learned.needs:
        nothing = "nothing learned: no note of a completed season falls on measured weather"
        click.echo(nothing, err=True)
    needs = need_rows(folder, learned)  # reads the taxa: a fault in them is met before anything is written
    used = {k: v for k, v in folder.checksums.items() if not k.startswith("taxa/")}
    atomic_text(season / FILE, to_json(learned, used))
    click.echo(f"{'lake':<20} readings seasons  level °C        ice-off days (dates)")
    for lake_id in [str(i) for i in folder.lakes.lake_id]:
        fit, ice = learned.lakes.get(lake_id), learned.ice.get(lake_id)
        level = f"{fit.mean[0]:+5.1f} ± {fit.covariance[0, 0] ** 0.5:.1f}" if fit else "-"
        shift = f"{ice.mean_d:+5.1f} ± {ice.sd_d:.1f} ({ice.dates})" if ice else "-"
        counts = f"{fit.readings:>8} {fit.seasons:>7}" if fit else f"{'0':>8} {'0':>7}"
        click.echo(f"{lake_id[:20]:<20} {counts}  {level:<15} {shift}")
    _tell_widening(learned.widening)
    _tell_needs(needs)
    click.echo(f"written to {season / FILE}", err=True)


def _tell_widening(found: Widening) -> None:
    """Print by how much possible seasons are widened, and what that does to the spans of past years."""
    if not found.dates:
        return
    how = "wider" if found.factor >= 1 else "narrower"
    click.echo(
        f"\nwater of possible seasons made {abs(100 * (found.factor - 1)):.0f} % {how}: of {found.dates} dates of past "
        f"years ({found.lakes} lake{'s' if found.lakes > 1 else ''}, {found.lake_years} lake-years),\neach year told "
        f"without its own notes, the 8-in-10 span held {100 * found.held_before:.0f} % before and "
        f"{100 * found.held_after:.0f} % after (factor without that year)"
    )


def _tell_needs(rows: Sequence[NeedRow]) -> None:
    """Print the heat needed by each population with sightings, neighbours and relatives counted in."""
    if not rows:
        return
    click.echo(f"\n{'lake':<20} {'insect':<20} sightings seasons  heat needed °C·day (8 in 10)   catalogue")
    for row in rows:
        between = f"{row.middle:6.0f}  ({row.low:.0f} to {row.high:.0f})"
        click.echo(
            f"{row.lake_id[:20]:<20} {row.taxon[:20]:<20} {row.notes:>9} {row.seasons:>7}  {between:<27} "
            f"{row.catalogue:>10.0f}"
        )

"""``emergence hindcast``: past seasons forecast again as if on a day of theirs, and scored."""

from __future__ import annotations

import re
import sys
from collections.abc import Callable
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.options import SEASON, open_season, tell_problems

if TYPE_CHECKING:
    from emergence.records import Season
    from emergence.runs.hindcast import Ask
    from emergence.runs.results import HindcastResult

ROOT = Path("reports")
LEADS = "10w,8w,6w,4w,2w,0w"
MOST_LEAD_D = 182


class YearsType(click.ParamType[tuple[int, ...]]):
    """Seasons: 2001-2010, 2003,2007 or both kinds mixed."""

    name = "years"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        """Return the years, ascending."""
        if isinstance(value, tuple):
            return value
        years: set[int] = set()
        for word in str(value).split(","):
            found = re.fullmatch(r"\s*(\d{4})(?:\s*-\s*(\d{4}))?\s*", word)
            if not found or int(found[2] or found[1]) < int(found[1]):
                self.fail(f"{value!r}: say 2001-2010 or 2003,2007", param, ctx)
            years |= set(range(int(found[1]), int(found[2] or found[1]) + 1))
        return tuple(sorted(years))


class LeadsType(click.ParamType[tuple[int, ...]]):
    """Leads in weeks or days: 6w,10d."""

    name = "leads"

    def convert(self, value: object, param: click.Parameter | None, ctx: click.Context | None) -> tuple[int, ...]:
        """Return the leads [d], longest first."""
        if isinstance(value, tuple):
            return value
        leads: set[int] = set()
        for word in str(value).split(","):
            found = re.fullmatch(r"\s*(\d{1,3})\s*([wd])\s*", word)
            if not found or int(found[1]) * (7 if found[2] == "w" else 1) > MOST_LEAD_D:
                self.fail(
                    f"{value!r}: say weeks or days before the usual date, such as 6w,10d (26w at most)", param, ctx
                )
            leads.add(int(found[1]) * (7 if found[2] == "w" else 1))
        return tuple(sorted(leads, reverse=True))


@click.command("hindcast")
@click.argument("season", type=SEASON)
@click.option("--years", type=YearsType(), help="Seasons, such as 2001-2010; default: all that readings tell of.")
@click.option("--leads", type=LeadsType(), default=LEADS, show_default=True, help="Weeks (6w) or days (10d) before.")
@click.option("--lake", "lakes", multiple=True, help="Only this lake_id; repeat for more.")
@click.option("--past-only", is_flag=True, help="Earlier years alone serve as skies, for fits and for the mean date.")
@click.option("--readings", type=click.IntRange(0, 3), help="Use at most so many readings of the season; see above.")
@click.option(
    "--unseen", is_flag=True, help="Take each lake as never read before: against the date of the lakes near by."
)
@click.option("--least-years", type=click.IntRange(5), default=8, show_default=True, help="Years that a date needs.")
@click.option("--out", type=click.Path(path_type=Path), help="Write hindcast.csv to this file; - for stdout.")
@click.option("--picture", type=click.Path(path_type=Path), help="Draw hindcast.png and .svg into this folder.")
@click.option("--json", "as_json", is_flag=True, help="Print scores and rows as JSON.")
@click.option("--keep/--no-keep", default=None, help="Keep the scores for the board, or not; see above.")
def hindcast_command(
    season: Path,
    years: tuple[int, ...] | None,
    leads: tuple[int, ...],
    lakes: tuple[str, ...],
    past_only: bool,
    readings: int | None,
    unseen: bool,
    least_years: int,
    out: Path | None,
    picture: Path | None,
    as_json: bool,
    keep: bool | None,
) -> None:
    """Forecast past seasons again as if on a day of theirs, and score the dates.

    The dates are those on which the surface water that was read passed given degree-days (base and sum, such as 8/100),
    and for insects the days between the last look in vain and the first sight of nymphs on the move, skins or adults.
    Each is forecast again some weeks before its usual date, with nothing known of that season after the issue date: no
    weather, no note, no fit. All other years, later ones too, serve as skies and for fits; with --past-only earlier
    ones alone. All of the season's notes up to the issue date act; with --readings N at most N readings, those nearest
    to 3, 14 and 28 days before it, no ice date and no sighting.

    Insects are given as the forecast gives them. The dates of the water are those of the lake's model, moved and
    widened by how it missed the other years, joined with regressions on the air of the last 30, 60 and 90 days, each by
    its expected error (these alone where the model cannot follow the lake; the result says so). The forecast's insects
    live in the model alone, whose skill stands beside.

    With --unseen a lake's own notes of other years are left out, as if it had none: its members as they are against the
    mean date of the lakes within 300 km and 500 m of height.

    Scores of all lakes and seasons with all their notes are kept as reports/NAME/hindcast.csv and hindcast.json, where
    the next forecast's board and pictures find them; those of a narrower question, or with --out or --json, only with
    --keep.

    \b
    Examples:
      emergence hindcast data_demo
      emergence hindcast data_demo --leads 6w,2w --lake pellor
      emergence hindcast data_demo --lake pellor --out hindcast.csv --picture pictures
    """
    from emergence.errors import WrongUseError
    from emergence.report.folders import atomic_text
    from emergence.report.score_chart import write_score_picture
    from emergence.report.score_words import hindcast_json, score_lines
    from emergence.report.tables import as_text
    from emergence.runs.hindcast import Ask

    to_stdout = out is not None and str(out) == "-"
    if as_json and to_stdout:
        raise WrongUseError("--json and --out - both want stdout: give --out a file.")
    folder = open_season(season)
    tell_problems(folder, more="")
    ask = Ask(years or (), leads, lakes, past_only, (readings,), least_years, unseen=unseen)
    result = _scored(folder, ask)
    table = as_text(result.rows, "hindcast").to_csv(index=False, lineterminator="\n")
    narrow = bool(years or lakes or past_only or unseen or readings is not None or out or as_json)
    if keep or (keep is None and not narrow):
        _keep(result, table)
    if out is not None and not to_stdout:
        atomic_text(out, table)
        click.echo(f"{len(result.rows)} rows in {out}", err=True)
    if picture is not None:
        click.echo(f"picture: {write_score_picture(result, picture)[0]}", err=True)
    if as_json or to_stdout:
        click.echo(hindcast_json(result) if as_json else table, nl=False)
    else:
        click.echo("\n".join(score_lines(result)))


def _keep(result: HindcastResult, table: str) -> None:
    """Write hindcast.csv and hindcast.json beside the season's runs."""
    from emergence.cli.further import HINDCAST, HINDCAST_JSON
    from emergence.report.folders import atomic_text
    from emergence.report.score_words import hindcast_json
    from emergence.report.write import run_home

    home = run_home(ROOT, result.name)
    atomic_text(home / HINDCAST, table)
    atomic_text(home / HINDCAST_JSON, hindcast_json(result))
    click.echo(f"kept in {home}: the next forecast's board shows how well past forecasts did", err=True)


def _scored(folder: Season, ask: Ask) -> HindcastResult:
    """Run and score; say on stderr how far it is."""
    from emergence.errors import EmergenceError
    from emergence.runs.hindcast import rerun_all
    from emergence.runs.hindcast_sightings import rerun_sightings
    from emergence.verification.hindcast import hindcast_result

    reruns = list(rerun_all(folder, ask, progress=_progress()))
    if not ask.unseen:
        reruns += rerun_sightings(folder, ask, progress=_progress())
    used = ask.readings[0]
    words = f"at most {used} of its readings, no ice date and no sighting"
    words = "all its notes up to then" if used is None else words
    result = hindcast_result(
        reruns,
        name=folder.settings.name or folder.folder.resolve().name,
        known_years="past" if ask.past_only else "other",
        readings=words if used != 0 else "none of its notes",
        seed=folder.settings.seed,
        unseen=ask.unseen,
    )
    if result.rows.empty:
        raise EmergenceError(
            "Nothing to score: no lake has readings, two weeks apart at most, that tell in at least "
            f"{ask.least_years} years (--least-years) when its water passed any of the sums, with weather for them, "
            "and no insect was looked for in vain and then seen, within three weeks, in five years."
        )
    return result


def _progress() -> Callable[[int, int], None] | None:
    if not sys.stderr.isatty():
        return None
    import time

    began = time.monotonic()

    def show(done: int, total: int) -> None:
        left = (time.monotonic() - began) * (total - done) / max(done, 1)
        click.echo(f"\r{done} of {total} issue dates, about {left:.0f} s left ", err=True, nl=done == total)

    return show

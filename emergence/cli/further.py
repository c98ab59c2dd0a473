"""What ``emergence forecast --write calendar,map,netcdf,regions,pictures`` lays into the run folder."""

from __future__ import annotations

from collections.abc import Collection
from pathlib import Path
from typing import TYPE_CHECKING

import click

if TYPE_CHECKING:
    from emergence.records import Season
    from emergence.runs.plan import RunPlan
    from emergence.runs.results import RegionsResult, RunResult
    from emergence.runs.taught import Learned

CALENDAR, MAP, NETCDF, REGIONS = "calendar", "map", "netcdf", "regions"
FURTHER = (CALENDAR, MAP, NETCDF, REGIONS)
PICTURES = "pictures"
HINDCAST, HINDCAST_JSON = "hindcast.csv", "hindcast.json"
"""Past forecasts as ``emergence hindcast`` keeps them beside the runs."""
MANY_PICTURES = 20
"""More lakes than this are said before they are drawn: each takes about a second."""
FILES = {CALENDAR: "windows.ics", MAP: "windows.geojson"}
GUEST_FILES = {CALENDAR: "windows_guest.ics", MAP: "windows_guest.geojson"}


def compared(season: Season, plan: RunPlan, learned: Learned | None) -> RegionsResult:
    """Return the regions of a run's lakes side by side; it runs them up to three times more."""
    from emergence.runs.regions import Ask, compare_regions

    lakes = tuple(str(key) for key in plan.lakes.lake_id)
    return compare_regions(season, Ask(plan.as_of, lakes, tuple(plan.taxa), plan.seed, learned))


def region_files(regions: RegionsResult, *, pictures: bool) -> dict[str, str | bytes]:
    """Return regions.csv, regions.json and their pictures by file name."""
    from emergence.report.region_chart import picture_files
    from emergence.report.region_words import regions_csv, regions_json

    drawn = {f"{PICTURES}/{name}": content for name, content in picture_files(regions).items()} if pictures else {}
    return {"regions.csv": regions_csv(regions), "regions.json": regions_json(regions), **drawn}


def lake_and_score_pictures(result: RunResult, plan: RunPlan, root: Path) -> dict[str, str | bytes]:
    """Return a picture of each lake, and of past forecasts' scores where they are kept, by file name."""
    from emergence.report.lake_chart import lake_pictures
    from emergence.report.score_chart import score_files
    from emergence.report.score_words import read_hindcast_json
    from emergence.report.write import run_home
    from emergence.runs.lake_pages import notes_until

    if len(plan.lakes) > MANY_PICTURES:
        click.echo(f"drawing {len(plan.lakes)} lakes, PNG and SVG", err=True)
    first = min(job.span.sim_start for job in plan.jobs)
    files = dict(lake_pictures(result, notes_until(plan.season, first, plan.as_of)["readings"]))
    scores = run_home(root, result.info.name) / HINDCAST_JSON
    if scores.is_file():
        try:
            files |= score_files(read_hindcast_json(scores))
        except (OSError, ValueError) as error:
            click.echo(f"no picture of past forecasts: {error}", err=True)
    return {f"{PICTURES}/{name}": content for name, content in files.items()}


def further_files(
    result: RunResult, parts: Collection[str], root: Path | None, guests: Collection[str] | None
) -> dict[str, str | bytes]:
    """Return windows.ics, windows.geojson, water.nc and days.nc as asked for, by file name, and the guests' copies.

    Parameters
    ----------
    result
        The run.
    parts
        What is asked for.
    root
        Folder of all runs, where the run before is looked for; None without one.
    guests
        Ids of the lakes that guests may see, None where no copy is wanted.
    """
    files: dict[str, str | bytes] = {}
    if NETCDF in parts:
        from emergence.report.netcdf import series_files

        files |= series_files(result)
    if {CALENDAR, MAP} & set(parts):
        files |= _calendar_and_map(result, parts, root, guests)
    return files


def _calendar_and_map(
    result: RunResult, parts: Collection[str], root: Path | None, guests: Collection[str] | None
) -> dict[str, str]:
    from emergence.cli.earlier import UNREADABLE, tell_unreadable
    from emergence.report.board_guest import guest_result
    from emergence.report.calendar import calendar_text
    from emergence.report.geojson import map_text
    from emergence.report.history import previous_run, read_windows

    folder = None if root is None else previous_run(root, result.info.name, result.info.as_of)
    earlier = None
    if folder is not None:
        try:
            earlier = read_windows(folder)
        except UNREADABLE as error:
            tell_unreadable(folder, error)
    copies = [(FILES, result, False)]
    if guests is not None:
        copies.append((GUEST_FILES, guest_result(result, guests), True))
    pages = {}
    for names, shown, guest in copies:
        if CALENDAR in parts:
            pages[names[CALENDAR]] = calendar_text(shown, guest=guest, earlier=earlier)
        if MAP in parts:
            pages[names[MAP]] = map_text(shown, guest=guest)
    return pages

"""What ``emergence forecast`` hands to the board: lake pages, the run before, trips, past forecasts."""

from __future__ import annotations

import dataclasses
import hashlib
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.earlier import UNREADABLE, tell_unreadable
from emergence.cli.further import HINDCAST

if TYPE_CHECKING:
    from emergence.report.board_parts import Part
    from emergence.report.board_rows import Since
    from emergence.runs.plan import RunPlan
    from emergence.runs.results import RegionsResult, RunInfo, RunResult

BOARD, GUEST_BOARD = "board.html", "board_guest.html"


def with_learned(result: RunResult, season: Path, *, used: bool) -> RunResult:
    """Return the result with the checksum of the fits that were used, so that the next run can tell them apart."""
    return dataclasses.replace(result, info=learned_info(result.info, season, used=used))


def learned_info(info: RunInfo, season: Path, *, used: bool) -> RunInfo:
    """Return what is said of a run with the checksum of the fits that were used."""
    from emergence.report.history import LEARNED

    path = season / LEARNED
    if not used or not path.is_file():
        return info
    digest = hashlib.sha256(path.read_bytes()).hexdigest()
    return dataclasses.replace(info, checksums=dict(sorted({**info.checksums, LEARNED: digest}.items())))


def since_last(result: RunResult, root: Path) -> Since | None:
    """Return what moved since the newest run folder of an earlier issue date, and by what; None without one."""
    from emergence.report.board_rows import Since
    from emergence.report.history import (
        changes,
        issue_date,
        previous_run,
        read_record,
        read_windows,
        since_words,
        with_causes,
    )

    earlier = previous_run(root, result.info.name, result.info.as_of)
    if earlier is None:
        return None
    try:
        record = read_record(earlier)
        moved = with_causes(changes(result, read_windows(earlier)), result.info, record)
        return Since(moved, issue_date(record), since_words(result.info, record))
    except UNREADABLE as error:
        tell_unreadable(earlier, error)
        return None


def boards(
    result: RunResult,
    plan: RunPlan,
    *,
    since: Since | None,
    root: Path,
    guest: bool,
    regions: RegionsResult | None = None,
) -> dict[str, str]:
    """Return the pages of a run by file name: the guide's board, and the guests' copy where it is wanted."""
    from emergence.report.board import Beside, board_html
    from emergence.runs.lake_pages import lake_pages

    beside = Beside(pages=lake_pages(plan), since=since, parts=_parts(result, plan, root, regions))
    pages = {BOARD: board_html(result, beside)}
    if guest:
        pages[GUEST_BOARD] = board_html(result, beside, guests=guest_lakes(result, plan))
    return pages


def guest_lakes(result: RunResult, plan: RunPlan) -> tuple[str, ...]:
    """Return the ids of the lakes that guests may see."""
    from emergence.report.board_guest import shared_lakes

    return shared_lakes(result, every=plan.season.settings.guests_see_lakes == "all")


def _parts(result: RunResult, plan: RunPlan, root: Path, regions: RegionsResult | None) -> list[Part]:
    """Return the parts whose results are there."""
    return [*_trips(result, plan, root), *_regions(result, regions), *_past(result, root)]


def _trips(result: RunResult, plan: RunPlan, root: Path) -> list[Part]:
    """Return the part on trips where there is a plan of the issue date or before."""
    from emergence.report.board_trips import trips_part
    from emergence.report.trip_stored import newest_plan, read_plan

    info, lakes = result.info, plan.season.lakes
    path = newest_plan(root, info.name, info.as_of)
    if path is None:
        return []
    try:
        stored = read_plan(path, dict(zip(map(str, lakes.lake_id), map(str, lakes.name), strict=True)))
    except (OSError, ValueError) as error:
        click.echo(f"the board goes without trips: {error}", err=True)
        return []
    part = trips_part(stored, info.as_of, month_first=info.date_order == "month-day")
    return [] if part is None else [part]


def _regions(result: RunResult, regions: RegionsResult | None) -> list[Part]:
    """Return the part on regions where they were compared."""
    from emergence.report.board_regions import regions_part

    return [] if regions is None else [regions_part(regions, month_first=result.info.date_order == "month-day")]


def _past(result: RunResult, root: Path) -> list[Part]:
    """Return the part on past forecasts: how they did where they are kept beside the runs, else how to get them."""
    from emergence.report.board_past import no_past_part, past_part, read_hindcast
    from emergence.report.write import run_home

    path = run_home(root, result.info.name) / HINDCAST
    if not path.is_file():
        return [no_past_part()]
    try:
        part = past_part(read_hindcast(path), result.info)
    except (OSError, ValueError) as error:
        click.echo(f"the board goes without past forecasts: {error}", err=True)
        return []
    return [part or no_past_part()]

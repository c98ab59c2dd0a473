"""What closures.csv and access.csv say of a lake and day."""

from __future__ import annotations

from dataclasses import dataclass
from math import isnan

from emergence.dates import to_date
from emergence.records import NO_DAY, Access, Season


@dataclass(frozen=True)
class LakeAccess:
    """One lake and day in words: why it is ``closed``, what else stands against going, and the ``terms`` of going."""

    closed: tuple[str, ...] = ()
    shut: tuple[str, ...] = ()
    terms: tuple[str, ...] = ()


def lake_access(season: Season, lake_id: str, day: int) -> LakeAccess:
    """Return what is said of a lake on a day.

    Parameters
    ----------
    season
        Supplies closures and rules of access.
    lake_id
        The lake.
    day
        Day number.
    """
    closed: list[str] = []
    if (rows := season.closures) is not None:
        on = (rows.lake_id == lake_id) & (rows.first <= day) & (day <= rows.last)
        shown = zip(rows.first[on].tolist(), rows.last[on].tolist(), rows.reason[on].tolist(), strict=True)
        closed += [f"{to_date(a)} to {to_date(b)}{f', {why}' if why else ''} (closures.csv)" for a, b, why in shown]
    if season.access is None or not (season.access.lake_id == lake_id).any():
        return LakeAccess(tuple(closed))
    own = season.access.take(season.access.lake_id == lake_id)
    road, permit = _road(own), str(own.permit[0])
    unreachable = _unreachable(own, day)
    shut = (road if unreachable else "", "the permit is missing" if permit == "missing" else "")
    terms = ("" if unreachable else road, "permit held" if permit == "held" else "", *_counts(own), _note(own))
    return LakeAccess(tuple(closed), tuple(f"{why} (access.csv)" for why in shut if why), tuple(t for t in terms if t))


def shut_lakes(season: Season, day: int) -> set[str]:
    """Return the lakes that are closed, cannot be reached or lack a permit on a day."""
    named = [rows.lake_id for rows in (season.closures, season.access) if rows is not None]
    lakes = {str(lake) for ids in named for lake in ids}
    said = {lake: lake_access(season, lake, day) for lake in lakes}
    return {lake for lake, one in said.items() if one.closed or one.shut}


def _unreachable(own: Access, day: int) -> bool:
    begin, end = int(own.open_from[0]), int(own.open_to[0])
    return bool((begin != NO_DAY and day < begin) or (end != NO_DAY and day > end))


def _road(own: Access) -> str:
    begin, end = int(own.open_from[0]), int(own.open_to[0])
    since = "" if begin == NO_DAY else f" from {to_date(begin)}"
    until = "" if end == NO_DAY else f" to {to_date(end)}"
    return f"road and launch open{since}{until}" if since or until else ""


def _note(own: Access) -> str:
    return " ".join(str(own.note[0]).split())


def _counts(own: Access) -> list[str]:
    """Return how much the lake may be fished, in words."""
    said = (
        (own.quota_days[0], "guided day", "a season"),
        (own.parties_per_day[0], "party", "a day"),
        (own.parties_per_week[0], "party", "a week"),
    )
    many = {"guided day": "guided days", "party": "parties"}
    return [
        f"{int(number)} {word if number == 1 else many[word]} {span}"
        for number, word, span in said
        if not isnan(number)
    ]

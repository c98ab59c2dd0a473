"""``board.html``: the guide's page, one file that needs no network and is readable without scripts."""

from __future__ import annotations

import base64
import dataclasses
import hashlib
import json
import re
from collections.abc import Collection, Sequence
from dataclasses import dataclass
from functools import cache
from importlib import resources
from typing import Any

from jinja2 import DictLoader, Environment, StrictUndefined

from emergence.records import LEVELS, STAGES
from emergence.report.board_guest import guest_result
from emergence.report.board_pack import pack
from emergence.report.board_parts import Part
from emergence.report.board_rows import (
    MOST_LISTED,
    MOST_MOVED,
    MOST_SHOWN,
    RIBBON_DAYS,
    Names,
    Since,
    event_choices,
    lake_rows,
    next_rows,
    now_rows,
    since_rows,
    turning_rows,
)
from emergence.report.board_shades import shade_styles
from emergence.report.choose import tomorrow
from emergence.report.text import plain
from emergence.report.words import STALE_DAYS
from emergence.runs.results import LakePages, RunResult

TEMPLATES = ("page.html", "rows.html", "lake.html", "tools.html")
NOTE_COLUMNS = (
    "kind", "lake_id", "date", "water_c", "depth_m", "hour", "event", "taxon", "stage", "level", "minutes",
    "observer", "note",
)  # fmt: skip
"""Columns of the file of notes that the page gives and ``emergence note import`` takes."""
NOW_RULE = (
    "Under way on {day} with at least an even chance. Insects known to live there first, then by the moving days "
    "expected in the seven days from {day} on."
)
NEXT_RULE = (
    "Best week begins within 28 days; beside it the chance of at least one moving day in it. Insects known to live "
    "there first, the soonest on top."
)
TURNING_RULE = (
    "Lakes that mix from top to bottom tomorrow with at least an even chance, or begin to within 28 days: poor fishing "
    "until it is over (common practice, no source)."
)
SAFETY = (
    ("Weather", "This page knows air temperature only. Wind, thunder, blooms, closures and water levels are not in it. "
                "Read the official forecast, look at the sky, and be off the water at the first thunder."),
    ("Ice", "Never judge ice from this page. Its ice is for insects, not for standing on; an estimated ice-off means "
            "neither safe nor unsafe."),
    ("Fish", "Warm water kills released trout. Your thermometer decides: when the water is warm, leave them alone. "
             "Local closures rule."),
    ("Cold water", "Cold water kills good swimmers: life jacket on."),
    ("Rules", "Local rules, licences and closures come first; carry out what local authorities and licensed practice "
              "ask."),
)  # fmt: skip
LEGEND = (
    ("The strip", "the next 28 days, a field a day from tomorrow on: the fuller the shade, the better the chance of a "
                  "moving day. Outlined: the best week. The ticks part the weeks."),
    ("Best week", "the seven days still ahead with the most expected moving days, and the chance of at least one."),
    ("Middle", "the date of the peak in the middle possible season (turnover: of its start); in 8 of 10 possible "
               "seasons it falls between the two dates below it."),
    ("Even odds", "the dates on which it is under way with at least an even chance."),
    ("A moving day", "at least 2 in 100 of the season's insects leave the water, or are on the move, that day."),
    ("Chances", "of all dates given 70\u00a0%, about 70\u00a0% should be active. 45 to 54\u00a0% is called about even, "
                "65\u00a0% and more likely."),
)  # fmt: skip


@dataclass(frozen=True)
class Beside:
    """What the board shows beside a run's tables, each None where it is not there.

    ``pages`` for the lake pages, ``since`` for what moved, ``parts`` with tabs of their own.
    """

    pages: LakePages | None = None
    since: Since | None = None
    parts: Sequence[Part] = ()


def board_html(result: RunResult, beside: Beside | None = None, *, guests: Collection[str] | None = None) -> str:
    """Return the board as the text of one HTML file.

    Parameters
    ----------
    result
        The run. The clock's date in it is not used: the page itself says how old the weather is when it is opened.
    beside
        What else is known.
    guests
        Ids of the lakes that guests may see: then it is their copy, with those lakes alone, without coordinates,
        notes, left-out rows and assumptions. None: the guide's own.
    """
    beside = beside or Beside()
    guest = guests is not None
    if guests is not None:
        result = guest_result(result, guests)
        parts = [part for part in beside.parts if part.for_guests]
        beside = Beside(pages=_bare(beside.pages, guests), since=beside.since, parts=parts)
    names = Names(result, beside.since)
    style, script = _part("board.css") + shade_styles(), _script()
    data = json.dumps(_data(names, beside.pages, guest=guest), ensure_ascii=False, separators=(",", ":"))
    page = _templates().get_template("page.html")
    return page.render(
        **_said(names, beside, guest=guest),
        policy=policy(style, script),
        style=style,
        script=script,
        data=in_script(data),
    )


def _bare(pages: LakePages | None, lakes: Collection[str]) -> LakePages | None:
    """Return the pages of some lakes without their notes."""
    if pages is None:
        return None
    none = {name: getattr(pages, name).iloc[:0] for name in ("readings", "ice", "sightings")}
    return dataclasses.replace(pages, **none)


def _said(names: Names, beside: Beside, *, guest: bool) -> dict[str, Any]:
    """Return what the templates are filled with."""
    info = names.result.info
    known = min(info.last_weather_day, info.as_of)
    day, day_and_year = names.dates.day, names.dates.day_and_year
    now, soon = now_rows(names), next_rows(names)
    lakes, moved = lake_rows(names, beside.pages), since_rows(names)
    return {
        "title": plain(info.name) or "season",
        "guest": guest,
        "as_of": day_and_year(info.as_of),
        "fresh": day_and_year(known),
        "unused": info.last_weather_day > info.as_of,
        "last_day": known.isoformat(),
        "stale_days": STALE_DAYS,
        "members": info.slots * info.replicates,
        "regions": list(dict.fromkeys(lake["region"] for lake in lakes if lake["region"])),
        "insects": event_choices(names),
        "lists": [
            ("now", "On now", NOW_RULE.format(day=day(tomorrow(names.result))), now),
            ("next", "Next four weeks", NEXT_RULE, soon),
        ],
        "most": MOST_SHOWN,
        "since": beside.since,
        "since_day": day(beside.since.as_of) if beside.since else "",
        "turning": turning_rows(names),
        "turning_rule": TURNING_RULE,
        "moved": moved,
        "bar_days": round(max((r["bar"].full for r in moved if r["bar"]), default=0)),
        "most_listed": MOST_LISTED,
        "most_moved": MOST_MOVED,
        "lakes": lakes,
        "parts": beside.parts,
        "ribbon_days": RIBBON_DAYS,
        "safety": SAFETY,
        "legend": LEGEND,
        **_input(names),
        "stages": STAGES,
        "levels": LEVELS,
        "units": {"t": info.temperature_unit, "l": info.length_unit},
    }


def _input(names: Names) -> dict[str, list[str]]:
    """Return what is said of the input: what was assumed, left out, worth knowing, and which lakes dropped out."""
    info = names.result.info
    return {
        "assumptions": [plain(text) for text in info.assumptions],
        "left_out": [plain(p.sentence()) for p in sorted(info.problems) if p.severity != "note"],
        "worth": [plain(p.sentence()) for p in sorted(info.problems) if p.severity == "note"],
        "dropped": [f"{plain(lake)}: {plain(reason)}" for lake, reason in info.dropped.items()],
    }


def _data(names: Names, pages: LakePages | None, *, guest: bool) -> dict[str, Any]:
    info = names.result.info
    return pack(names.result, pages, private=not guest) | {
        "name": plain(info.name),
        "guest": guest,
        "units": [info.temperature_unit, info.length_unit],
        "month_first": names.dates.month_first,
        "columns": NOTE_COLUMNS,
    }


def in_script(text: str) -> str:
    """Return JSON that cannot end the element it stands in, in any browser."""
    found = {c: f"\\u{ord(c):04x}" for c in "<>&\u2028\u2029"}
    return re.sub("[<>&\u2028\u2029]", lambda m: found[m.group()], text)


def policy(style: str, script: str) -> str:
    """Return the content security policy: our own style and script by their hashes, nothing else, nothing from outside.

    References
    ----------
    W3C (2024) Content Security Policy Level 3.
    """
    sources = {
        "default-src": "'none'",
        "style-src": _hash(style),
        "script-src": _hash(script),
        "img-src": "data:",
        "base-uri": "'none'",
        "form-action": "'none'",
    }
    return "; ".join(f"{name} {value}" for name, value in sources.items())


def _hash(text: str) -> str:
    return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"


@cache
def _part(name: str) -> str:
    """Return a file of the page, style and script without their indentation."""
    text = resources.files("emergence.report").joinpath("board", name).read_text(encoding="utf-8")
    lines = text.splitlines()
    return "\n".join(line if name.endswith(".html") else line.strip() for line in lines) + "\n"


def _script() -> str:
    """Return the page's script: its parts in one closed scope."""
    parts = (_part(f"{name}.js") for name in ("base", "pictures", "places", "lake", "views", "notes", "start"))
    return '(function(){"use strict";\n' + "\n".join(parts) + "})();"


@cache
def _templates() -> Environment:
    return Environment(
        loader=DictLoader({name: _part(name) for name in TEMPLATES}),
        autoescape=True,
        trim_blocks=True,
        lstrip_blocks=True,
        undefined=StrictUndefined,
    )

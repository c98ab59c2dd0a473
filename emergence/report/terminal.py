"""The run in the terminal: what is on, what comes, each lake's dates, what was assumed."""

from __future__ import annotations

from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass
from functools import cached_property
from itertools import product
from typing import Any

import pandas as pd

from emergence.report import choose
from emergence.report.dates_shown import Dates
from emergence.report.effects import effect_size, effect_words
from emergence.report.text import Column, plain, set_line, widths, wrap
from emergence.report.units import FOOT_M
from emergence.report.words import (
    CAUTIONS,
    LEAST_NONE,
    MAY_LIVE_HERE,
    NO_EVEN_DAY,
    NYMPHS_MOVE,
    THIN,
    blank,
    chance_words,
    count,
    percent,
    shift_words,
    weather_age,
)
from emergence.runs.results import RunInfo, RunResult

LEAST_WIDTH = 80
LAKES_IN_FULL = 40
"""Above this many lakes only the summary parts are shown."""
ROWS_NOW, ROWS_SOON, ROWS_UNSURE, ROWS_MOVED, LINES_SAID = 10, 12, 5, 10, 12
ROWS_NOTED, LEAST_EFFECT = 8, 2.0
BOLD, DIM, PLAIN = "\x1b[1m", "\x1b[2m", "\x1b[0m"

HEADINGS = {"migration": NYMPHS_MOVE, "emergence": "leaving the water", "turnover": "turning over: poor fishing"}
LAKE_COLUMN, INSECT_COLUMN = Column("lake", least=10), Column("insect", least=16)
DAYS, CHANCE = Column("days", right=True, gap=1), Column("chance", right=True, gap=1)
UNDER_WAY = Column("under way")
NOW = (Column("next 7", right=True), UNDER_WAY, Column("best week"), LAKE_COLUMN, INSECT_COLUMN)
SOON = (Column("best week"), DAYS, Column("chance"), LAKE_COLUMN, INSECT_COLUMN)
MOVED = (LAKE_COLUMN, INSECT_COLUMN, Column("what"), Column("now"), Column("shift"))
LAKE = (Column("", least=12), Column("best week"), DAYS, CHANCE, Column("middle"), Column("even odds", gap=1))
Line = Callable[[Any], list[str]]
LEGEND = (
    "best week: the best seven days still ahead; days: expected moving days in it; chance: of at least one.",
    "middle: the peak (turnover: its start); in 8 of 10 possible seasons at most so many days",
    "earlier (-) or later (+); ?: beyond this season.",
    f"even odds: under way with at least even chance; none yet: {NO_EVEN_DAY}.",
)


@dataclass(frozen=True)
class _Screen:
    """One result on one screen."""

    result: RunResult
    width: int
    color: bool

    @cached_property
    def dates(self) -> Dates:
        return Dates.of(self.result.info)

    @cached_property
    def lakes(self) -> dict[str, str]:
        return choose.lake_names(self.result)

    @cached_property
    def insects(self) -> dict[tuple[str, int, str], str]:
        return choose.insect_names(self.result)

    def lake(self, row: Any) -> str:
        return self.lakes.get(row.lake_id, plain(row.lake_id))

    def insect(self, row: Any) -> str:
        return self.insects.get((row.taxon, int(row.brood), row.event), plain(row.taxon))

    def short(self, row: Any) -> str:
        """Return the insect without the words that its heading says."""
        name = self.insect(row)
        for words in (f", {NYMPHS_MOVE}", f" {NYMPHS_MOVE}", ", hatch", " hatch"):
            name = name.removesuffix(words)
        return name

    def title(self, words: str, rest: str = "") -> list[str]:
        lines = wrap(f"{words}: {rest}" if rest else words, self.width)
        if self.color and lines:
            lines[0] = lines[0].replace(words, f"{BOLD}{words}{PLAIN}", 1)
        return ["", *lines]

    def note(self, words: str, *, first: str = "  ", rest: str = "  ") -> list[str]:
        lines = wrap(words, self.width, first=first, rest=rest)
        return [f"{DIM}{line}{PLAIN}" for line in lines] if self.color else lines

    def fitted(self, columns: Sequence[Column], rows: Sequence[Sequence[str]]) -> list[int]:
        return widths(columns, rows, self.width)

    def heading(self, columns: Sequence[Column], wide: Sequence[int]) -> list[str]:
        line = set_line([c.title for c in columns], columns, wide)
        return [f"{DIM}{line}{PLAIN}" if self.color else line]


def summary(
    result: RunResult,
    *,
    width: int = 80,
    color: bool = False,
    changes: pd.DataFrame | None = None,
    since: str = "",
) -> str:
    """Return the run as text for a terminal.

    Parameters
    ----------
    result
        The run.
    width
        Cells in a line; at least 80 are used.
    color
        Whether headings may be bold and side remarks dim. Nothing is told by colour.
    changes
        What moved since the previous run (`history.changes`, `history.with_causes`), None where there is none.
    since
        One sentence on what changed since the previous run (`history.since_words`).

    Returns
    -------
    str
        Lines of at most ``width`` cells, the last one ended. Any text of the user's is shown without control
        characters. With more than ``LAKES_IN_FULL`` lakes the tables by lake are left out.
    """
    screen = _Screen(result, max(width, LEAST_WIDTH), color)
    taxa = result.windows.loc[result.windows["taxon"] != "-", "taxon"].nunique()
    lines = [*_header(screen, taxa), *_now(screen), *_soon(screen), *_moved(screen, changes, since), *_noted(screen)]
    if len(result.info.lakes) <= LAKES_IN_FULL:
        lines += _lakes(screen)
    else:
        lines += [
            "",
            *screen.note(f"Each lake's dates: windows.csv ({len(result.info.lakes)} lakes).", first="", rest=""),
        ]
    lines += [*_said(screen), *_cautions(screen)]
    return "\n".join(lines) + "\n"


def summary_of_many(info: RunInfo, *, width: int = 80, color: bool = False) -> str:
    """Return what is said of a run whose tables are too long for a terminal: what was run and what was assumed."""
    empty = pd.DataFrame()
    screen = _Screen(RunResult(info, empty, empty, empty), max(width, LEAST_WIDTH), color)
    return "\n".join([*_header(screen, len(info.taxa)), *_said(screen), *_cautions(screen)]) + "\n"


def _header(screen: _Screen, taxa: int) -> list[str]:
    info = screen.result.info
    known = any(year >= 0 for year in info.slot_years)
    springs = count(info.slots, "past spring") if known else "the calendar's mean weather"
    lines = screen.title(plain(info.name) or "season", f"as of {screen.dates.day_and_year(info.as_of)}")[1:]
    lines += wrap(
        f"{count(len(info.lakes), 'lake')}, {count(taxa, 'insect')}, "
        f"{info.slots * info.replicates} possible seasons each ({springs} x {count(info.replicates, 'draw')}).",
        screen.width,
    )
    age = weather_age(info.as_of, info.last_weather_day, info.today, screen.dates.day_and_year)
    return [*lines, *wrap(age, screen.width)]


def _blocks(rows: Iterable[Any], *, by_season: bool = False) -> Iterable[tuple[str, list[Any]]]:
    """Yield rows under their headings: known residents before unsure ones, all of one season first where asked.

    Within each: nymphs on the move, what leaves the water, the lake itself.
    """
    groups: dict[tuple[int, str, str], list[Any]] = {}
    for row in rows:
        season = int(row.season) if by_season else 0
        groups.setdefault((season, getattr(row, "residence", "yes"), row.event), []).append(row)
    for season, residence, event in product(sorted({key[0] for key in groups}), ("yes", "unsure"), HEADINGS):
        words = [f"season {season}"] if by_season else []
        words += [f"{MAY_LIVE_HERE}: {HEADINGS[event]}" if residence == "unsure" else HEADINGS[event]]
        if part := groups.get((season, residence, event)):
            yield ", ".join(words), part


def _listed(screen: _Screen, columns: Sequence[Column], rows: pd.DataFrame, line: Line, most: int) -> list[str]:
    """Return a table of rows in blocks of at most ``most`` rows, fewer of unsure residents where others are known."""
    parts = list(_blocks(rows.itertuples(index=False)))
    some_known = any(MAY_LIVE_HERE not in name for name, _ in parts)
    limits = [ROWS_UNSURE if MAY_LIVE_HERE in name and some_known else most for name, _ in parts]
    texts = [[line(row) for row in part[:limit]] for (_, part), limit in zip(parts, limits, strict=True)]
    texts = _whole_names(screen, columns, texts)
    wide = screen.fitted(columns, [row for text in texts for row in text])
    lines = screen.heading(columns, wide)
    for (name, part), text in zip(parts, texts, strict=True):
        more = len(part) - len(text)
        lines += [f" {name}", *(set_line(row, columns, wide) for row in text)]
        lines += screen.note(f"and {more} more in windows.csv") if more else []
    return lines


def _whole_names(screen: _Screen, columns: Sequence[Column], texts: list[list[list[str]]]) -> list[list[list[str]]]:
    """Return the rows without the words for their chances where these would cost a name its letters."""
    natural = widths(columns, [row for text in texts for row in text], 10 * screen.width)
    if sum(natural) + sum(column.gap for column in columns) <= screen.width:
        return texts
    worded = [column.title in (UNDER_WAY.title, CHANCE.title) for column in columns]
    return [
        [[cell.partition("%")[0] + "%" if cut else cell for cell, cut in zip(row, worded, strict=True)] for row in text]
        for text in texts
    ]


def _now(screen: _Screen) -> list[str]:
    rows = choose.on_now(screen.result)
    date = screen.dates.day(choose.tomorrow(screen.result))
    head = screen.title("ON NOW", f"even chance and better on {date}; most moving days in the next 7 first")
    if rows.empty:
        return [*head, "  nothing yet"]
    rows = rows.assign(days=choose.moving_days(screen.result, rows).round(6), thin=choose.is_thin(rows))
    rows = rows.sort_values("days", ascending=False, kind="stable")

    def line(row: Any) -> list[str]:
        chance = f"{percent(row.active):>5} {chance_words(row.active)}"
        best = "none, thin" if row.thin else screen.dates.week(row.ahead_week_start)
        return [f"{row.days:.1f} d", chance, best, screen.lake(row), screen.short(row)]

    return [*head, *_listed(screen, NOW, rows, line, ROWS_NOW)]


def _soon(screen: _Screen) -> list[str]:
    rows = choose.coming(screen.result)
    head = screen.title("NEXT FOUR WEEKS", "not on yet, best week begins within 28 days; soonest first")
    if rows.empty:
        return [*head, "  nothing with a chance of 20 % or more"]

    def line(row: Any) -> list[str]:
        chance = f"{percent(row.ahead_week_chance):>5} {chance_words(row.ahead_week_chance)}"
        start, days = screen.dates.week(row.ahead_week_start), f"{row.ahead_week_days:.1f}"
        return [start, days, chance, screen.lake(row), screen.short(row)]

    return [*head, *_listed(screen, SOON, rows, line, ROWS_SOON)]


def _moved(screen: _Screen, changes: pd.DataFrame | None, since: str) -> list[str]:
    if changes is None:
        return []
    said = screen.note(since) if since else []
    if changes.empty:
        return [*screen.title("SINCE LAST TIME"), *said, "  nothing moved by 2 days or more"]
    behind = changes["best_week_now"] + pd.Timedelta(days=6) <= pd.Timestamp(screen.result.info.as_of)
    first = changes.assign(behind=behind).sort_values("behind", kind="stable").head(ROWS_MOVED)
    lines = screen.title("SINCE LAST TIME", f"{count(len(changes), 'window')} moved by 2 days or more")
    lines += said
    lines += _listed(screen, MOVED, first, lambda row: _move(screen, row), ROWS_MOVED)
    more = len(changes) - len(first)
    return [*lines, *(screen.note(f"and {more} more") if more > 0 else [])]


def _move(screen: _Screen, row: Any) -> list[str]:
    """Tell of the milestone that moved furthest; the best week where it did as much."""
    dates = screen.dates
    shown = ("best_week", "best week", dates.week), ("onset", "onset", dates.day), ("peak", "middle", dates.day)
    size = {name: abs(shift) if (shift := getattr(row, f"{name}_shift")) == shift else -1.0 for name, _, _ in shown}
    gone = [s for s in shown if blank(getattr(row, f"{s[0]}_now")) != blank(getattr(row, f"{s[0]}_before"))]
    name, words, phrase = gone[0] if gone else max(shown, key=lambda s: size[s[0]])
    now, before = getattr(row, f"{name}_now"), getattr(row, f"{name}_before")
    if gone:
        shift = f"gone, was {phrase(before)}" if blank(now) else "had no date"
    else:
        shift = shift_words(getattr(row, f"{name}_shift"))
    if "note" in getattr(row, "cause", ""):
        shift += ", note"
    return [screen.lake(row), screen.short(row), words, phrase(now), shift]


def _noted(screen: _Screen) -> list[str]:
    """Tell what this season's notes did to the dates of these weeks, the largest shifts first."""
    info = screen.result.info
    effects = [
        e
        for e in info.note_effects
        if effect_size(e) >= LEAST_EFFECT and e.after is not None and -14 <= (e.after - info.as_of).days <= 60
    ]
    first = sorted(effects, key=effect_size, reverse=True)[:ROWS_NOTED]
    if not first:
        return []
    lines = screen.title("WHAT YOUR NOTES DID", "to the middle date and its 8-in-10 spread; largest first")
    for effect in first:
        lake = screen.lakes.get(effect.lake_id, plain(effect.lake_id))
        insect = screen.insects.get((effect.taxon, 1, effect.event), plain(effect.taxon))
        said = effect_words(effect, screen.dates.day)
        lines += wrap(f"{lake}, {insect}: {said}", screen.width, first="  ", rest="    ")
    more = len(effects) - len(first)
    return [*lines, *(screen.note(f"and {more} more in run.json") if more else [])]


def _lakes(screen: _Screen) -> list[str]:
    rows = choose.soonest_first(screen.result.windows)
    rows = rows.assign(over=choose.is_over(rows, screen.result.info.as_of), dated=choose.has_date(rows))
    rows = rows.assign(thin=choose.is_thin(rows))
    groups: dict[str, list[Any]] = {}
    for row in rows.itertuples(index=False):
        groups.setdefault(str(row.lake_id), []).append(row)
    blocks = {lake: list(_ahead(group)) for lake, group in groups.items()}
    wide = screen.fitted(LAKE, [_dates(screen, row) for parts in blocks.values() for _, part in parts for row in part])
    lines = [*screen.title("LAKE BY LAKE", "soonest first"), *screen.note(" ".join(LEGEND))]
    for lake in screen.result.info.lakes.itertuples(index=False):
        key = str(lake.lake_id)
        lines += _lake_head(screen, lake)
        if key in groups:
            lines += _lake(screen, blocks[key], wide) + _not_ahead(screen, groups[key])
        else:
            lines += ["  no insect is known or likely to live here"]
    return lines


def _ahead(rows: list[Any]) -> Iterable[tuple[str, list[Any]]]:
    """Yield the blocks of what has a date and is not over; seasons are named where a lake has two."""
    ahead = (row for row in rows if row.dated and not row.over)
    return _blocks(ahead, by_season=len({row.season for row in rows}) > 1)


def _lake_head(screen: _Screen, lake: Any) -> list[str]:
    feet = screen.result.info.length_unit == "ft"
    height = (
        "" if blank(lake.elevation_m) else f"{lake.elevation_m / (FOOT_M if feet else 1):.0f} {'ft' if feet else 'm'}"
    )
    region = plain(lake.region) if isinstance(lake.region, str) else ""
    return screen.title(screen.lake(lake), ", ".join(part for part in (region, height) if part))


def _lake(screen: _Screen, blocks: list[tuple[str, list[Any]]], wide: Sequence[int]) -> list[str]:
    lines = screen.heading(LAKE, wide) if blocks else []
    for name, rows in blocks:
        lines += [f" {name}"]
        for row in rows:
            lines += [set_line(_dates(screen, row), LAKE, wide)]
            said = [THIN] if row.thin else []
            if row.chance_not_this_season >= LEAST_NONE:
                said.append(f"{percent(row.chance_not_this_season)} not this season")
            lines += screen.note("; ".join(said), first="      ") if said else []
    return lines


def _not_ahead(screen: _Screen, rows: list[Any]) -> list[str]:
    """Name what is over and what gets no date, without a table."""
    over = [screen.insect(row) for row in rows if row.over]
    none = [_undated(screen, row) for row in rows if not row.over and not row.dated]
    lines = screen.note(f"over: {'; '.join(over)}") if over else []
    return lines + (screen.note(f"no date: {'; '.join(none)}") if none else [])


def _undated(screen: _Screen, row: Any) -> str:
    unsure = f", {MAY_LIVE_HERE}" if row.residence == "unsure" else ""
    return f"{screen.insect(row)} ({percent(row.chance_not_this_season)} not this season{unsure})"


def _dates(screen: _Screen, row: Any) -> list[str]:
    middle = "onset" if row.event == "turnover" else "peak"
    low, mid, high = (getattr(row, f"{middle}_{p}") for p in ("p10", "p50", "p90"))
    late = "?" if blank(high) else str((high - mid).days)
    around = "" if blank(mid) else f"{screen.dates.day(mid):<6} -{(mid - low).days}+{late}"
    ahead = not (blank(row.ahead_week_start) or row.thin)
    return [
        screen.short(row),
        screen.dates.week(row.ahead_week_start) if ahead else "",
        f"{row.ahead_week_days:.1f}" if ahead else "",
        percent(row.ahead_week_chance) if ahead else "",
        around,
        screen.dates.span(row.even_start, row.even_end) or "none yet",
    ]


def _said(screen: _Screen) -> list[str]:
    info = screen.result.info
    lines: list[str] = []
    dropped = [f"{plain(lake)}: {plain(reason)}" for lake, reason in info.dropped.items()]
    left_out = [plain(p.sentence()) for p in sorted(info.problems) if p.severity != "note"]
    notes = [plain(p.sentence()) for p in sorted(info.problems) if p.severity == "note"]
    assumed = [plain(text) for text in info.assumptions]
    for title, texts in (
        (f"NO FORECAST FOR {count(len(dropped), 'LAKE', 'LAKES')}", dropped),
        ("LEFT OUT OF THE INPUT", left_out),
        ("WORTH KNOWING", notes),
        ("ASSUMED", assumed),
    ):
        if texts:
            lines += screen.title(title)
            for text in texts[:LINES_SAID]:
                lines += wrap(text, screen.width, first="  - ", rest="    ")
            more = len(texts) - LINES_SAID
            lines += screen.note(f"and {more} more in run.json") if more > 0 else []
    return lines


def _cautions(screen: _Screen) -> list[str]:
    lines = screen.title("CAUTION")
    return [*lines, *(line for text in CAUTIONS for line in wrap(text, screen.width, first="  ", rest="  "))]

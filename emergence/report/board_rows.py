"""The board's rows that are there without scripts: on now, next, since last time, and each lake's windows."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from functools import cached_property
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.report import choose
from emergence.report.board_pack import rows_of
from emergence.report.board_parts import Bar
from emergence.report.board_shades import step
from emergence.report.dates_shown import Dates
from emergence.report.effects import effect_size, effect_words
from emergence.report.history import CAUSES, KEYS, MOVED_DAYS
from emergence.report.text import plain
from emergence.report.units import FOOT_M
from emergence.report.words import (
    EVENT_ORDER,
    LEAST_NONE,
    MAY_LIVE_HERE,
    NO_EVEN_DAY,
    THIN,
    blank,
    chance_words,
    count,
    event_words,
    percent,
    shift_words,
)
from emergence.runs.results import LakePages, RunResult

ACRES = 0.404686
MOST_SHOWN, MOST_LISTED, MOST_MOVED = 8, 120, 40
"""Rows of a list that are open, that unfold, and of what moved; the rest stands with its lake."""
RIBBON_DAYS, WEEK_DAYS = 28, 7
BAR_DAYS = 14
"""Days at which the bar of a shift is full at least; the farthest shift fills it."""
POOR = "poor fishing while it lasts (common practice, no source)"
MILESTONES = (("best_week", "best week"), ("onset", "begin"), ("peak", "middle"))
Milestones = tuple[tuple[str, str], ...]
Row = dict[str, Any]


@dataclass(frozen=True)
class Since:
    """What is known of the run before: what moved, with causes (`history.with_causes`), its issue date, a sentence."""

    moved: pd.DataFrame
    as_of: dt.date
    sentence: str


@dataclass(frozen=True)
class Names:
    """What lakes and insects are called on one board, and what moved."""

    result: RunResult
    since: Since | None = None

    @cached_property
    def dates(self) -> Dates:
        """Return how dates are written."""
        return Dates.of(self.result.info)

    @cached_property
    def ahead(self) -> dict[tuple[str, str, int, str], NDArray[np.float64]]:
        """Return the chances of a moving day of the RIBBON_DAYS from tomorrow on, by lake, taxon, brood and event."""
        first = pd.Timestamp(choose.tomorrow(self.result))
        days = self.result.days
        date = pd.to_datetime(days["date"])
        near = (date >= first) & (date < first + pd.Timedelta(days=RIBBON_DAYS))
        rows, place = days[near], (date[near] - first).dt.days.to_numpy()
        group = rows.groupby(choose.KEYS, sort=False).ngroup().to_numpy()
        keys = rows_of(rows[choose.KEYS].drop_duplicates())
        chances = np.zeros((len(keys), RIBBON_DAYS))
        chances[group, place] = rows["chance_moving"].to_numpy()
        found = zip(keys, chances, strict=True)
        return {(str(k.lake_id), str(k.taxon), int(k.brood), str(k.event)): own for k, own in found}

    @cached_property
    def lakes(self) -> dict[str, str]:
        """Return each lake's name."""
        return choose.lake_names(self.result)

    @cached_property
    def insects(self) -> dict[tuple[str, int, str], str]:
        """Return the name of each taxon, brood and event."""
        return choose.insect_names(self.result)

    @cached_property
    def order(self) -> dict[str, int]:
        """Return the place of each lake in the list."""
        return {str(key): k for k, key in enumerate(self.result.info.lakes["lake_id"])}

    @cached_property
    def regions(self) -> list[str]:
        """Return each lake's region in the order of the list, "" where it has none."""
        return [plain(region) if isinstance(region, str) else "" for region in self.result.info.lakes["region"]]

    @cached_property
    def unsure(self) -> set[tuple[Any, ...]]:
        """Return the keys of windows whose insect is not known to live there."""
        rows = self.result.windows
        return {_key(r) for r in rows_of(rows[rows["residence"] == "unsure"])}

    @cached_property
    def shifts(self) -> dict[tuple[Any, ...], str]:
        """Return the change of each window that moved, in words."""
        if self.since is None:
            return {}
        told = [(r, self.milestones(r)) for r in rows_of(self.since.moved)]
        return {_key(r): " ".join(move_words(r, self.dates, m)) for r, m in told if _moved(r, m)}

    @cached_property
    def thin(self) -> set[tuple[Any, ...]]:
        """Return the keys of windows so thin that no week is the best."""
        rows = self.result.windows
        return {_key(r) for r in rows_of(rows[choose.is_thin(rows)])}

    def milestones(self, row: Any) -> Milestones:
        """Return what is told of a window when it moves; of the turnover its begin alone."""
        return MILESTONES[1:2] if row.event == "turnover" else MILESTONES

    def insect(self, row: Any) -> str:
        """Return what a row is about."""
        return self.insects.get((row.taxon, int(row.brood), row.event), plain(row.taxon))

    def parts(self, row: Any) -> tuple[str, str]:
        """Return a row's insect and event apart; the lake's own events have no insect."""
        name, comma, event = self.insect(row).rpartition(", ")
        return (name, event) if comma else ("", event)

    def change(self, row: Any) -> str:
        """Return what a window did since the run before; "" where it moved by less than 2 days."""
        return self.shifts.get(_key(row), "")

    def chances_ahead(self, row: Any) -> NDArray[np.float64]:
        """Return the chances of a moving day from tomorrow on, RIBBON_DAYS of them."""
        key = (str(row.lake_id), str(row.taxon), int(row.brood), str(row.event))
        return self.ahead.get(key, np.zeros(RIBBON_DAYS))


def tile(chance: float) -> Row:
    """Return a chance as its number, word and shade."""
    return {"text": share(chance), "word": chance_words(chance), "step": step(chance)}


def share(chance: float) -> str:
    """Return a chance as per cent that no line break parts from its sign."""
    return percent(chance).replace(" ", "\u00a0")


def ribbon(chances: NDArray[np.float64]) -> list[tuple[int, int, int]]:
    """Return runs of days of one shade as (first day, days, shade), the lightest left out."""
    steps = [step(float(c)) for c in chances]
    runs: list[tuple[int, int, int]] = []
    for place, shade in enumerate(steps):
        if runs and runs[-1][2] == shade:
            runs[-1] = (runs[-1][0], runs[-1][1] + 1, shade)
        else:
            runs.append((place, 1, shade))
    return [run for run in runs if run[2] > 0]


def _item(names: Names, row: Any, shown: Row, line: str) -> Row:
    insect, event = names.parts(row)
    place = names.order[str(row.lake_id)]
    week: Any = pd.NaT if row.thin else row.ahead_week_start
    out = None if blank(week) else (pd.Timestamp(week) - pd.Timestamp(choose.tomorrow(names.result))).days
    return {
        "lake": names.lakes[str(row.lake_id)],
        "place": place,
        "region": names.regions[place],
        "insect": insect,
        "event": event,
        "group": "lake" if row.taxon == "-" else row.taxon,
        "key": f"{row.taxon}/{int(row.brood)}/{row.event}",
        "unsure": row.residence == "unsure",
        "tile": shown,
        "week": names.dates.week(week),
        "week_chance": share(row.ahead_week_chance),
        "ribbon": ribbon(names.chances_ahead(row)),
        "best": out if out is not None and 0 <= out < RIBBON_DAYS else None,
        "line": line,
        "change": names.change(row),
    }


def _insects(rows: pd.DataFrame) -> pd.DataFrame:
    return rows[rows["taxon"] != "-"]


def turning_rows(names: Names) -> list[Row]:
    """Return the lakes whose turnover is under way tomorrow with at least an even chance, or begins within four weeks.

    The soonest first; when it begins and ends is told by the middle possible season.
    """
    first = pd.Timestamp(choose.tomorrow(names.result))
    rows = choose.with_tomorrow(names.result)
    rows = rows[(rows["event"] == "turnover") & choose.this_season(names.result).to_numpy()]
    soon = rows["onset_p50"].between(first, first + pd.Timedelta(days=RIBBON_DAYS - 1))
    rows = rows[(rows["active"] >= choose.EVEN) | soon].sort_values("onset_p50", kind="stable")
    out = []
    for row in rows_of(rows):
        place, on = names.order[str(row.lake_id)], row.active >= choose.EVEN
        end = "" if blank(row.end_p50) else f", over by {names.dates.day(row.end_p50)}"
        line = f"under way {share(row.active)}" if on else f"begins {names.dates.day(row.onset_p50)}"
        out.append(
            {
                "lake": names.lakes[str(row.lake_id)],
                "place": place,
                "region": names.regions[place],
                "line": line + end,
            }
        )
    return out


def days_tile(days: float) -> Row:
    """Return the expected moving days of a week as their number, word and shade."""
    return {"text": f"{days:.1f}", "word": "of 7 days", "step": step(days / WEEK_DAYS)}


def now_rows(names: Names) -> list[Row]:
    """Return what is under way tomorrow with at least an even chance.

    Known residents first, then the most moving days expected in the seven days from tomorrow on.
    """
    rows = _insects(choose.on_now(names.result))
    rows = rows.assign(thin=choose.is_thin(rows))
    week = [float(names.chances_ahead(r)[:WEEK_DAYS].sum()) for r in rows_of(rows)]
    rows = rows.assign(unsure=rows["residence"] == "unsure", fewer=[-round(days, 6) for days in week], days=week)
    rows = rows.sort_values(["unsure", "fewer"], kind="stable")
    return [_item(names, r, days_tile(r.days), f"under way {share(r.active)}") for r in rows_of(rows)]


def next_rows(names: Names) -> list[Row]:
    """Return what begins within four weeks: known residents first, the soonest first."""
    rows = _insects(choose.coming(names.result))
    rows = rows.assign(unsure=rows["residence"] == "unsure", thin=choose.is_thin(rows))
    rows = rows.sort_values("unsure", kind="stable")
    return [
        _item(names, r, tile(r.ahead_week_chance), f"{r.ahead_week_days:.1f} of 7 days expected") for r in rows_of(rows)
    ]


def move_words(row: Any, dates: Dates, milestones: Milestones = MILESTONES) -> tuple[str, str]:
    """Return what moved furthest and by how much: ("best week", "3 days earlier")."""
    gone = [m for m in milestones if blank(getattr(row, f"{m[0]}_now")) != blank(getattr(row, f"{m[0]}_before"))]
    if gone:
        name, words = gone[0]
        phrase = dates.week if name == "best_week" else dates.day
        now, before = getattr(row, f"{name}_now"), getattr(row, f"{name}_before")
        return words, f"no longer has a date, was {phrase(before)}" if blank(now) else "now has a date"
    name, words = _farthest(row, milestones)
    return words, shift_words(getattr(row, f"{name}_shift"))


def _farthest(row: Any, milestones: Milestones) -> tuple[str, str]:
    return max(milestones, key=lambda m: _size(row, m[0]))


def _cause_words(causes: str) -> str:
    """Return "weather and notes" for "weather, note"."""
    found = [CAUSES.get(cause, cause) for cause in causes.split(", ") if cause]
    return " and ".join([", ".join(found[:-1]), found[-1]] if len(found) > 1 else found)


def _size(row: Any, name: str) -> float:
    shift = getattr(row, f"{name}_shift")
    return -1.0 if blank(shift) else abs(shift)


def _moved(row: Any, milestones: Milestones) -> bool:
    """Return whether one of the milestones moved far enough to be told, or came or went."""
    gone = any(blank(getattr(row, f"{name}_now")) != blank(getattr(row, f"{name}_before")) for name, _ in milestones)
    return gone or _size(row, _farthest(row, milestones)[0]) >= MOVED_DAYS


def _key(row: Any) -> tuple[Any, ...]:
    return tuple(getattr(row, key) for key in KEYS)


def since_rows(names: Names) -> list[Row]:
    """Return what moved: what lies ahead before what is over, insects known to live there first, then the farthest."""
    if names.since is None:
        return []
    moved, as_of = names.since.moved, pd.Timestamp(names.result.info.as_of)
    moved = moved[moved["lake_id"].isin(names.order)]
    moved = moved.assign(over=moved["best_week_now"] + pd.Timedelta(days=6) <= as_of)
    rows = [(r, names.milestones(r)) for r in rows_of(moved)]
    far = [(r, m, _size(r, _farthest(r, m)[0])) for r, m in rows if _moved(r, m)]
    far.sort(key=lambda told: (told[0].over, _key(told[0]) in names.unsure, _key(told[0]) in names.thin, -told[2]))
    full = max([float(BAR_DAYS), *(size for _, _, size in far)])
    return [_since(names, row, milestones, full) for row, milestones, _ in far]


def _since(names: Names, row: Any, milestones: Milestones, full: float) -> Row:
    shift = getattr(row, f"{_farthest(row, milestones)[0]}_shift")
    insect, event = names.parts(row)
    place = names.order[str(row.lake_id)]
    what, how = move_words(row, names.dates, milestones)
    return {
        "lake": names.lakes[str(row.lake_id)],
        "place": place,
        "region": names.regions[place],
        "group": "lake" if row.taxon == "-" else row.taxon,
        "unsure": _key(row) in names.unsure,
        "insect": insect,
        "event": event,
        "what": what,
        "how": how,
        "cause": _cause_words(getattr(row, "cause", "")),
        "bar": None if blank(shift) else Bar(how, float(shift), full),
    }


def lake_rows(names: Names, pages: LakePages | None) -> list[Row]:
    """Return each lake with its facts, windows, notes of the season and assumptions that name it."""
    rows = choose.soonest_first(names.result.windows)
    rows = rows.assign(over=choose.is_over(rows, names.result.info.as_of), unsure=rows["residence"] != "yes")
    rows = rows.assign(dated=choose.has_date(rows), thin=choose.is_thin(rows))
    order, ascending = ["unsure", "ahead_week_start", "ahead_week_chance"], [True, True, False]
    rows = rows.sort_values(order, ascending=ascending, kind="stable", na_position="last")
    mine: dict[str, list[Any]] = {}
    for row in rows_of(rows):
        mine.setdefault(str(row.lake_id), []).append(row)
    notes = {} if pages is None else note_lines(names, pages)
    return [
        _lake(names, lake, mine.get(str(lake.lake_id), []), notes.get(str(lake.lake_id), []))
        for lake in rows_of(names.result.info.lakes)
    ]


def _lake(names: Names, lake: Any, rows: list[Any], notes: list[str]) -> Row:
    key = str(lake.lake_id)
    several = len({row.season for row in rows}) > 1
    windows = [_window(names, row, several=several) for row in rows]
    return {
        "place": names.order[key],
        "name": names.lakes[key],
        "region": names.regions[names.order[key]],
        "facts": _facts(names, lake),
        "windows": sorted(windows, key=lambda w: w["over"] or not w["dated"]),
        "soonest": next((f"{w['week']}: {w['insect']}, {w['event']}" for w in windows if w["week"] and _told(w)), ""),
        "effects": _effects(names, key),
        "notes": notes,
        "assumed": [plain(t) for t in names.result.info.assumptions if _names(t, key, str(lake.name))],
    }


def _told(window: Row) -> bool:
    return window["dated"] and not (window["over"] or window["unsure"])


def _names(text: str, *keys: str) -> bool:
    words = text.replace(",", " ").replace(":", " ").replace(".", " ")
    return any(key and f" {key} " in f" {words} " for key in keys)


def _facts(names: Names, lake: Any) -> list[str]:
    feet = names.result.info.length_unit == "ft"
    region = plain(lake.region) if isinstance(lake.region, str) else ""
    facts = [region] if region else []
    if not blank(lake.elevation_m):
        facts.append(f"{length(lake.elevation_m, feet=feet)} above the sea")
    if not blank(lake.area_ha):
        facts.append(f"{_three(lake.area_ha / ACRES)}\u00a0acres" if feet else f"{_three(lake.area_ha)}\u00a0ha")
    if not blank(lake.mean_depth_m):
        deep = f"{lake.mean_depth_m / FOOT_M:.0f}\u00a0ft" if feet else f"{lake.mean_depth_m:.2g}\u00a0m"
        facts.append(f"{deep} deep on average")
    return facts


def _three(number: float) -> str:
    """Return a number to three digits, without a power of ten."""
    return f"{float(f'{number:.3g}'):.10g}"


def length(metres: float, *, feet: bool) -> str:
    """Return a height in the units shown."""
    return f"{metres / FOOT_M:.0f}\u00a0ft" if feet else f"{metres:.0f}\u00a0m"


def _window(names: Names, row: Any, *, several: bool) -> Row:
    insect, event = names.parts(row)
    middle = "onset" if row.event == "turnover" else "peak"
    low, mid, high = (getattr(row, f"{middle}_{p}") for p in ("p10", "p50", "p90"))
    dates = names.dates
    reach = "" if blank(low) else f"{dates.day(low)} to {dates.day(high) or 'beyond this season'}"
    ahead = not blank(row.ahead_week_start)
    start = pd.NaT if row.thin or row.event == "turnover" else row.ahead_week_start if ahead else row.best_week_start
    days, chance = (row.ahead_week_days, row.ahead_week_chance) if ahead else (row.best_week_days, row.best_week_chance)
    return {
        "insect": insect,
        "event": event,
        "season": f"season {row.season}" if several else "",
        "unsure": MAY_LIVE_HERE if row.residence == "unsure" else "",
        "over": bool(row.over),
        "dated": bool(row.dated),
        "thin": THIN if row.thin else POOR if row.event == "turnover" else "",
        "week": dates.week(start),
        "days": "" if blank(start) else f"{days:.1f} of 7 days",
        "tile": None if blank(start) else tile(chance),
        "middle": dates.day(mid),
        "reach": reach,
        "even": dates.span(row.even_start, row.even_end) or NO_EVEN_DAY,
        "none": share(row.chance_not_this_season) if row.chance_not_this_season >= LEAST_NONE else "",
        "strength": _strength(row),
        "change": names.change(row),
    }


def _strength(row: Any) -> str:
    if blank(row.strength_p50):
        return ""
    spread = f"{row.strength_p10:.1f} to {row.strength_p90:.1f}"
    return f"numbers: {row.strength_p50:.1f} of a mean year ({spread})"


def _effects(names: Names, lake: str) -> list[str]:
    """Return what this season's notes did on a lake, the largest first; of insects left as they were only how many."""
    mine = [e for e in names.result.info.note_effects if e.lake_id == lake]
    told = sorted((e for e in mine if effect_size(e) > 0), key=effect_size, reverse=True)
    said = []
    for e in told:
        label = names.insects.get((e.taxon, 1, e.event))
        name = label or f"{plain(e.taxon)}, {event_words(e.event)}"
        said.append(f"{name}: {plain(effect_words(e, names.dates.day))}")
    rest = len(mine) - len(told)
    return [*said, *([f"{count(rest, 'date')} not moved by them"] if rest else [])]


def note_lines(names: Names, pages: LakePages) -> dict[str, list[str]]:
    """Return the lakes' notes of the season in words, the newest first."""
    fahrenheit = names.result.info.temperature_unit == "F"
    said: dict[str, list[tuple[Any, str]]] = {}
    for r in rows_of(pages.readings):
        said.setdefault(str(r.lake_id), []).append((r.date, f"water {degrees(r.water_c, fahrenheit=fahrenheit)}"))
    for r in rows_of(pages.ice):
        said.setdefault(str(r.lake_id), []).append((r.date, f"ice {plain(r.event)}"))
    for r in rows_of(pages.sightings):
        label = names.result.info.taxa.get(r.taxon)
        seen = "none seen" if r.level == "none" else str(r.level)
        words = f"{plain(label.name if label else r.taxon)}, {plain(r.stage).replace('_', ' ')}: {seen}"
        said.setdefault(str(r.lake_id), []).append((r.date, words))
    dates = names.dates
    return {
        lake: [f"{dates.day_and_year(pd.Timestamp(date))}: {words}" for date, words in _newest_first(notes)]
        for lake, notes in said.items()
    }


def _newest_first(notes: list[tuple[Any, str]]) -> list[tuple[Any, str]]:
    return sorted(notes, key=lambda note: note[0], reverse=True)


def degrees(celsius: float, *, fahrenheit: bool) -> str:
    """Return a temperature in the units shown."""
    return f"{celsius * 1.8 + 32:.0f} °F" if fahrenheit else f"{celsius:.1f} °C"


def event_choices(names: Names) -> list[Row]:
    """Return the insects and events of the run for a list of choices, nymphs on the move first within an insect."""
    rank = {event: k for k, event in enumerate(EVENT_ORDER)}
    keys = sorted(names.insects, key=lambda key: (key[0] == "-", names.insects[key].lower(), key[1], rank[key[2]]))
    return [{"key": "/".join(map(str, key)), "name": names.insects[key]} for key in keys]

"""Regions side by side on the board: the season against the normal year, each insect by week, climb, where next."""

from __future__ import annotations

from typing import Any

import pandas as pd

from emergence.report.board_parts import Bar, Cell, Part, Shade, Table
from emergence.report.dates_shown import Dates
from emergence.report.region_words import (
    ALL,
    LEAVES,
    WEEKS_SHOWN,
    climb_words,
    event_name,
    event_rows,
    group_words,
    headline_events,
    rows_of,
    signed_days,
    weeks_from,
    whole_first,
)
from emergence.report.words import blank, shift_words
from emergence.runs.results import RegionsResult

LEAST_FULL_D = 7.0
"""A bar is full at this many days at least."""
RULE = (
    "Weeks: per cent of the lakes in which it is under way, from that Monday. Begin and peak: half of the lakes and "
    "possible seasons have come to it; spread: days from the first to the last tenth of the peaks. Bars: days against "
    "the normal year by the weather alone, left for ahead, right for behind; the normal year is each lake under each "
    "of the {springs} past springs. Most like: the past spring nearest to this one; ± what chance alone may make of it."
)
CLIMB_RULE = (
    "In brackets: 95 % confidence interval over the lakes' middle dates; what insects of neighbouring lakes differ in "
    f"beyond them is not in it. Published for leaves in spring: {LEAVES}."
)
GROUP_HEADS = ("Where", "Lakes", "Against the normal year", "Most like")
EVENT_HEADS = ("Where", "Lakes", "Begin", "Peak", "Spread", "Against the normal year")


def regions_part(result: RegionsResult, *, month_first: bool = False) -> Part:
    """Return the board's part on regions; guests do not get it, because it counts private lakes in.

    Parameters
    ----------
    result
        The comparison.
    month_first
        Whether dates are written with the month first.
    """
    dates = Dates(month_first=month_first)
    events = headline_events(result)
    tables = [_season(result), *(_event(result, event, dates) for event in events)]
    going = _moves(result, events, dates)
    climbs = [(event_name(result, *event), climb_words(result, *event)) for event in events]
    return Part(
        key="regions",
        tab="Regions",
        heading="Regions side by side",
        rule=RULE.format(springs=result.past_years),
        tables=[*tables[:1], *([going] if going.rows else []), *tables[1:]],
        curious=[Table("How it climbs", ("What", "Days later with height and towards the pole"), climbs)]
        if climbs
        else [],
        curious_rule=CLIMB_RULE,
    )


def _season(result: RegionsResult) -> Table:
    rows: list[list[Cell]] = []
    groups = whole_first(result.seasons)
    full = _full([row.days_vs_normal for row in groups])
    for row in groups:
        words = (
            ""
            if pd.isna(row.days_vs_normal)
            else shift_words(row.days_vs_normal)
            if round(row.days_vs_normal)
            else "0 days"
        )
        off = f" (± {max(row.noise_days, 1):.0f} d)" if row.like_year and not pd.isna(row.noise_days) else ""
        like = f"{row.like_year}{off}" if row.like_year else ""
        where = group_words(row.region, row.band, result.length_unit)
        rows.append([where, str(row.lakes), _bar(row.days_vs_normal, full, words), like])
    bands = [row.band != ALL and row.region == ALL for row in groups]
    return Table("The season against the normal year", GROUP_HEADS, rows, frozenset({1}), _apart(bands))


def _event(result: RegionsResult, event: tuple[str, int, str], dates: Dates) -> Table:
    found = event_rows(result.table, *event)
    weeks = weeks_from(result, found)
    groups = [(r.region, r.band) for r in whole_first(result.seasons) if r.single]
    parts = [found[(found["region"] == region) & (found["band"] == band)] for region, band in groups]
    parts = [part for part in parts if len(part)]
    full = _full([part["days_vs_normal"].iloc[0] for part in parts])
    rows: list[list[Cell]] = []
    for part in parts:
        one: Any = part.iloc[0]
        share = dict(zip(part["week_start"], part["share_active"], strict=True))
        where = group_words(one["region"], one["band"], result.length_unit)
        days = [_day(one[name], dates) for name in ("onset_p50", "peak_p50")]
        spread = "" if pd.isna(one["spread_days"]) else f"{one['spread_days']:.0f} d"
        bar = _bar(one["days_vs_normal"], full, f"{signed_days(one['days_vs_normal'])} d")
        rows.append([where, str(one["lakes"]), *days, spread, bar, *(_share(share.get(w, 0.0)) for w in weeks)])
    numbers = frozenset({1, 4, *range(len(EVENT_HEADS), len(EVENT_HEADS) + len(weeks))})
    heads = (*EVENT_HEADS, *(dates.day(w) for w in weeks))
    bands = [part["region"].iloc[0] == ALL for part in parts]
    return Table(event_name(result, *event), heads, rows, numbers, _apart(bands), weeks=len(weeks) == WEEKS_SHOWN)


def _moves(result: RegionsResult, events: list[tuple[str, int, str]], dates: Dates) -> Table:
    rows = []
    for event in events:
        found = event_rows(result.moves, *event)
        to = [_stops(result, found[(found["band"] == ALL) == regions], dates) for regions in (True, False)]
        if any(to):
            rows.append((event_name(result, *event), *to))
    return Table("Where it moves next", ("What", "Region", "Height"), rows)


def _stops(result: RegionsResult, found: pd.DataFrame, dates: Dates) -> str:
    """Return the regions or bands in which half of the lakes will be active, the soonest first."""
    unit = result.length_unit
    stops = [
        f"{group_words(r.region, r.band, unit)}, week of {dates.day(r.week_start)}" for r in rows_of(found.head(2))
    ]
    return ", then ".join(stops)


def _apart(bands: list[bool]) -> frozenset[int]:
    """Return the row with which height bands begin below regions; none where there is one kind alone."""
    return frozenset({bands.index(True)}) if any(bands) and not bands[0] else frozenset()


def _share(share: float) -> Cell:
    return Shade(f"{100 * share:.0f}", share)


def _day(date: Any, dates: Dates) -> str:
    return "" if blank(date) else dates.day(date)


def _full(days: list[float]) -> float:
    """Return the days at which a bar is full: the most of any row."""
    return max([LEAST_FULL_D, *(abs(float(d)) for d in days if not pd.isna(d))])


def _bar(days: float, full: float, words: str) -> Cell:
    return "" if pd.isna(days) else Bar(words, float(days) if round(days) else 0.0, full)

"""Pictures of regions: weeks as shade with the number in it, days against the normal year as bars, dates by height."""

from __future__ import annotations

import datetime as dt
from pathlib import Path
from typing import Any

import pandas as pd

from emergence.report.charts import (
    CONFIG,
    DAY_MS,
    GRID,
    INK,
    PAPER,
    PER_CENT,
    RAMP,
    SCHEMA,
    SILENT,
    SOFT,
    Spec,
    render_svg,
    svg_to_png,
)
from emergence.report.folders import WriteError, safe_name
from emergence.report.region_words import (
    EVENT_KEYS,
    climb_words,
    event_name,
    event_rows,
    group_words,
    headline_events,
    move_words,
    rows_of,
    signed_days,
)
from emergence.report.text import clip, plain, wrap
from emergence.report.units import FOOT_M
from emergence.report.words import day, day_and_year
from emergence.runs.results import RegionsResult

CELL, ROW, BAR_WIDTH = 26, 24, 150
MOST_WEEKS, MOST_GROUPS, NAME_CELLS, SUBTITLE_CELLS = 26, 24, 34, 96
LEAST_SHARE = 0.1
"""Weeks begin with the first in which some group has at least this share."""
NEAR_MOST, AFTER_D = 0.75, 21
"""Weeks end three weeks after the last in which some group has three quarters of its greatest share."""
SHAPES = ("circle", "square", "triangle-up", "diamond", "cross", "triangle-down")


def region_picture(result: RegionsResult, taxon: str, brood: int, event: str) -> Spec:
    """Return one event's picture: groups down, weeks across, share of lakes as shade and number; signed days as bars.

    Raises
    ------
    ValueError
        No lake has such an event.
    """
    rows = _shown(result, event_rows(result.table, taxon, brood, event))
    if rows.empty:
        raise ValueError(f"no weeks of {taxon}, {event}, brood {brood} to draw")
    groups = list(dict.fromkeys(rows["label"]))
    title = event_name(result, taxon, brood, event)
    head = f"{plain(result.name)}, as of {day_and_year(result.as_of)}"
    said = [
        "Number and shade: share of the lakes in which it is under way that week, %.",
        "Bars: days against the normal year by the weather, left ahead, right behind.",
        *(words for words in (move_words(result, taxon, brood, event),) if words),
    ]
    y = {
        "field": "label", "type": "nominal", "sort": None, "scale": {"domain": groups, "padding": 0.14},
        "axis": {"title": None, "labelLimit": 300, "ticks": False, "domain": False},
    }  # fmt: skip
    return {
        "$schema": SCHEMA,
        "description": f"{title}, as of {day_and_year(result.as_of)}. {' '.join(said)}",
        "title": {
            "text": title,
            "subtitle": [head, *_lines(said)],
        },
        "hconcat": [_weeks(rows, groups, y, result.as_of), _bars(rows, groups, y)],
        "spacing": 26,
        "config": CONFIG,
    }


def climb_picture(result: RegionsResult, taxon: str, brood: int, event: str) -> Spec:
    """Return one event's dates against height: a mark a lake, its shape by region.

    Raises
    ------
    ValueError
        No lake has a date.
    """
    rows = event_rows(result.dates, taxon, brood, event)
    rows = rows[rows["middle"].notna() & rows["elevation_m"].notna()]
    if rows.empty:
        raise ValueError(f"no dates of {taxon}, {event}, brood {brood} to draw")
    unit = result.length_unit
    height = rows["elevation_m"] / (FOOT_M if unit == "ft" else 1.0)
    points = [
        {"date": _ms(r.middle), "height": round(float(h), 1), "region": clip(plain(r.region) or "-", NAME_CELLS)}
        for r, h in zip(rows_of(rows), height, strict=True)
    ]
    title = f"How it climbs: {event_name(result, taxon, brood, event)}"
    words = climb_words(result, taxon, brood, event)
    place = {
        "x": {
            "field": "date", "type": "temporal", "scale": {"type": "utc", "nice": True},
            "axis": {"title": None, "format": "%-d %b", "grid": True, "tickCount": 7},
        },
        "y": {"field": "height", "type": "quantitative", "title": f"height, {unit}", "axis": {"grid": True}},
    }  # fmt: skip
    mark = {"type": "point", "filled": False, "color": RAMP[4], "size": 90, "strokeWidth": 1.8, "opacity": 1}
    line = _fitted(result, (taxon, brood, event), points, place)
    said = [
        f"{plain(result.name)}, as of {day_and_year(result.as_of)}",
        "A mark a lake: its middle date this season." + (" Dashed: the climb." if line else ""),
    ]
    return {
        "$schema": SCHEMA,
        "description": f"{title}. {' '.join(said)} {words}",
        "title": {"text": title, "subtitle": _lines([*said, *([words] if words else [])])},
        "width": 460,
        "height": 320,
        "layer": [
            *line,
            {"data": {"values": points}, "mark": mark, "encoding": place | {"shape": _shapes(points)}},
        ],
        "config": CONFIG,
    }


def _shapes(points: list[Spec]) -> Spec:
    """Return a shape for each region."""
    regions = list(dict.fromkeys(str(p["region"]) for p in points))
    return {
        "field": "region", "type": "nominal", "sort": None, "title": "region",
        "scale": {"domain": regions, "range": [SHAPES[k % len(SHAPES)] for k in range(len(regions))]},
        "legend": {"symbolStrokeColor": RAMP[4], "symbolFillColor": PAPER, "symbolStrokeWidth": 1.8},
    }  # fmt: skip


def _fitted(result: RegionsResult, event: tuple[str, int, str], points: list[Spec], place: Spec) -> list[Spec]:
    """Return the fitted line through each region's lakes, or through all of them; none where no slope is told."""
    climbs = event_rows(result.climbs, *event)
    if len(climbs) != 1 or not climbs["per_100m_low"].iloc[0] > 0:
        return []
    days = float(climbs["per_100m"].iloc[0]) / 100 * (FOOT_M if result.length_unit == "ft" else 1.0)
    ends: list[Spec] = []
    frame = pd.DataFrame(points)
    for key, lakes in frame.groupby("region" if climbs["within"].iloc[0] else frame["date"] * 0, sort=False):
        middle, height = lakes["date"].mean(), lakes["height"]
        for h in (height.min(), height.max()):
            date = round(middle + (h - height.mean()) * days * DAY_MS)
            ends.append({"line": str(key), "height": float(h), "date": date})
    mark = SILENT | {"type": "line", "color": RAMP[2], "strokeWidth": 1.4, "strokeDash": [5, 3]}
    order = {"detail": {"field": "line"}, "order": {"field": "height"}}
    return [{"data": {"values": ends}, "mark": mark, "encoding": place | order}]


def region_pictures(result: RegionsResult) -> dict[str, Spec]:
    """Return the pictures by name: weeks and climb of what is on or comes, of every event where that is nothing."""
    events = headline_events(result) or [
        (str(t), int(b), str(e)) for t, b, e in result.table[EVENT_KEYS].drop_duplicates().itertuples(index=False)
    ]
    pictures: dict[str, Spec] = {}
    for taxon, brood, event in events:
        name = f"{event}-{taxon}" + (f"-brood-{brood}" if brood > 1 else "")
        pictures[f"regions-{name}"] = region_picture(result, taxon, brood, event)
        if event_rows(result.dates, taxon, brood, event)["middle"].notna().any():
            pictures[f"climb-{name}"] = climb_picture(result, taxon, brood, event)
    return pictures


def picture_files(result: RegionsResult) -> dict[str, str | bytes]:
    """Return every picture as PNG and SVG by file name."""
    files: dict[str, str | bytes] = {}
    for title, spec in region_pictures(result).items():
        name, svg = safe_name(title, fallback="picture"), render_svg(spec)
        files |= {f"{name}.png": svg_to_png(svg), f"{name}.svg": svg}
    return files


def write_region_pictures(result: RegionsResult, folder: Path) -> list[Path]:
    """Write every picture as PNG and SVG into a folder and return their paths.

    Raises
    ------
    WriteError
        The file system refused.
    """
    written = []
    for name, content in picture_files(result).items():
        path = folder / name
        try:
            folder.mkdir(parents=True, exist_ok=True)
            path.write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
        except OSError as error:
            raise WriteError(f"cannot write {path}: {error.strerror or error}") from error
        written.append(path)
    return written


def _shown(result: RegionsResult, rows: pd.DataFrame) -> pd.DataFrame:
    """Return the rows of regions and bands with their labels, regions first."""
    single = result.seasons[result.seasons["single"]].head(MOST_GROUPS)
    order = {(r.region, r.band): k for k, r in enumerate(rows_of(single))}
    place = [order.get(key, -1) for key in zip(rows["region"], rows["band"], strict=True)]
    rows = rows.assign(place=place)
    rows = rows[rows["place"] >= 0].sort_values(["place", "week_start"], kind="stable")
    names = {key: clip(group_words(*key, result.length_unit), NAME_CELLS) for key in order}
    seen: dict[str, int] = {}
    labels = {}
    for key, name in names.items():
        seen[name] = seen.get(name, 0) + 1
        labels[key] = name if seen[name] == 1 else f"{name} #{seen[name]}"
    return rows.assign(label=[labels[key] for key in zip(rows["region"], rows["band"], strict=True)])


def _lines(said: list[str]) -> list[str]:
    """Return sentences as lines of a subtitle."""
    return [line for words in said for line in wrap(words, SUBTITLE_CELLS)]


def _ms(date: Any, plus: int = 0) -> int:
    return ((pd.Timestamp(date) - pd.Timestamp(0)).days + plus) * DAY_MS


def _weeks(rows: pd.DataFrame, groups: list[str], y: Spec, as_of: dt.date) -> Spec:
    """Return the panel of weeks: each group's share as shade and number."""
    some = rows[rows["share_active"] >= LEAST_SHARE]
    first = (rows if some.empty else some)["week_start"].min()
    most = rows.groupby("label")["share_active"].transform("max")
    last = rows.loc[rows["share_active"] >= NEAR_MOST * most, "week_start"].max() + pd.Timedelta(days=AFTER_D)
    last = max(first, min(last, rows["week_start"].max(), first + pd.Timedelta(days=7 * (MOST_WEEKS - 1))))
    weeks = pd.date_range(first, last, freq="7D")
    column = {week: k for k, week in enumerate(weeks)}
    titles = [day(w) if k == 0 or w.day <= 7 else str(w.day) for k, w in enumerate(weeks)]
    within = rows[rows["week_start"].isin(weeks)].assign(share=rows["share_active"].round(3))
    cells = [
        {"label": r.label, "week": column[r.week_start], "share": float(r.share), "said": f"{100 * r.share:.0f}"}
        for r in rows_of(within)
    ]
    heads = [{"week": k, "title": t} for k, t in enumerate(titles)]
    x = {
        "field": "week",
        "type": "ordinal",
        "axis": None,
        "scale": {"domain": list(range(len(weeks))), "padding": 0.06},
    }
    color = {
        "field": "share", "type": "quantitative",
        "scale": {"domain": [0, 0.25, 0.5, 0.75, 1], "range": list(RAMP)},
        "legend": {"title": "share of lakes active", "labelExpr": PER_CENT, "values": [0, 0.25, 0.5, 0.75, 1],
                   "orient": "bottom", "direction": "horizontal", "gradientLength": 240},
    }  # fmt: skip
    pale = {"condition": {"test": "datum.share > 0.56", "value": PAPER}, "value": INK}
    text = {"type": "text", "fontSize": 10}
    place = {"x": x, "y": y}
    layers: list[Spec] = [
        {"data": {"values": cells}, "mark": SILENT | {"type": "rect"}, "encoding": place | {"color": color}},
        {"data": {"values": cells}, "mark": text, "encoding": place | {"text": {"field": "said"}, "color": pale}},
        {
            "data": {"values": heads},
            "mark": text | {"baseline": "bottom", "dy": -4, "color": SOFT, "align": "center"},
            "encoding": {"x": x, "y": {"value": 0}, "text": {"field": "title"}},
        },
        *_issue_week(weeks, x, as_of),
    ]
    return {"width": CELL * len(weeks), "height": ROW * len(groups), "layer": layers}


def _issue_week(weeks: pd.DatetimeIndex, x: Spec, as_of: dt.date) -> list[Spec]:
    """Return the mark above the week that holds the first day to come."""
    ahead = pd.Timestamp(as_of + dt.timedelta(days=1))
    now = [k for k, week in enumerate(weeks) if week <= ahead < week + pd.Timedelta(days=7)]
    mark = {"type": "text", "baseline": "bottom", "dy": -18, "fontSize": 11, "color": INK}
    words = {"text": {"value": "this week"}}
    return [
        {"data": {"values": [{"week": k}]}, "mark": mark, "encoding": {"x": x, "y": {"value": 0}} | words} for k in now
    ]


def _bars(rows: pd.DataFrame, groups: list[str], y: Spec) -> Spec:
    """Return the panel of signed days, each with its number beside the bar."""
    one = rows.drop_duplicates("label")
    days = [
        {"label": r.label, "days": float(r.days_vs_normal), "said": signed_days(r.days_vs_normal)}
        for r in rows_of(one)
        if not pd.isna(r.days_vs_normal)
    ]
    reach = max([6.0, *(abs(d["days"]) for d in days)]) * 1.35
    x = {
        "field": "days", "type": "quantitative", "scale": {"domain": [-reach, reach], "nice": False},
        "axis": {"title": "days against the normal year", "grid": False, "tickCount": 5,
                 "labelExpr": "datum.value > 0 ? '+' + datum.value : datum.value"},
    }  # fmt: skip
    bare = y | {"axis": None}
    zero = {"data": {"values": [{}]}, "mark": SILENT | {"type": "rule", "color": SOFT}, "encoding": {"x": {"datum": 0}}}
    text = {"type": "text", "fontSize": 10, "color": INK}
    sides = [
        {
            "data": {"values": [d for d in days if (d["days"] < 0) == ahead]},
            "mark": text | {"align": "right" if ahead else "left", "dx": -4 if ahead else 4},
            "encoding": {"x": x, "y": bare, "text": {"field": "said"}},
        }
        for ahead in (True, False)
    ]
    bars = {
        "data": {"values": days},
        "mark": SILENT | {"type": "bar", "color": RAMP[2], "height": {"band": 0.62}},
        "encoding": {"x": x, "y": bare},
    }
    tracks = {
        "data": {"values": [{"label": g} for g in groups]},
        "mark": SILENT | {"type": "rule", "color": GRID},
        "encoding": {"y": bare},
    }
    return {"width": BAR_WIDTH, "height": ROW * len(groups), "layer": [tracks, bars, *sides, zero]}

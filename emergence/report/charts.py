"""Charts as Vega-Lite specifications, and their rendering to PNG and SVG.

Look: one hue ramp for chances with the number printed beside it, a dark edge for the best week, a dashed line for the
issue date. Nothing is told by hue alone.
"""

from __future__ import annotations

import datetime as dt
import re
from typing import Any

import pandas as pd
import vl_convert

from emergence.dates import day_number, season_year, to_date
from emergence.report import choose
from emergence.report.dates_shown import Dates
from emergence.report.text import clip, clip_name, plain
from emergence.report.units import FOOT_M
from emergence.report.words import CAUTIONS, MAY_LIVE_HERE, THIN, blank, insect_words, percent
from emergence.runs.results import RunResult

Spec = dict[str, Any]

VEGA_LITE = "5.20"
RAMP = ("#f3eff4", "#d3c1d9", "#a983b6", "#77488a", "#3f1854")
"""Chance 0, 25, 50, 75, 100 %: one hue, lightness falling evenly."""
INK, SOFT, PAPER, GRID = "#241a2b", "#6a6070", "#ffffff", "#e4dfe6"
FONT = "DejaVu Sans, Liberation Sans, Arial, sans-serif"
STRIP_WIDTH, ROW_HEIGHT = 620, 22
MOST_ROWS, MOST_WEEK_ROWS = 60, 30
WEEKS_AHEAD_DAYS = 42
LEAST_SHADE = 0.05
"""Dates of a strip reach from the first to the last with at least this chance."""
NAME_CELLS = 60
NUMBERED = re.compile(r'(?<=[ "#])(?:gradient_|clip)\d+(?=[")])')
SILENT: Spec = {"aria": False}
"""Marks that a screen reader passes over (hundreds of cells); names, chances and weeks are there as text."""
PER_CENT = "format(datum.value * 100, '.0f') + ' %'"
DAY_MS = 86_400_000
SCHEMA = f"https://vega.github.io/schema/vega-lite/v{VEGA_LITE.split('.')[0]}.json"
CONFIG: Spec = {
    "background": PAPER,
    "font": FONT,
    "padding": 14,
    "view": {"stroke": None},
    "axis": {
        "labelColor": INK, "titleColor": SOFT, "titleFontWeight": "normal", "labelFontSize": 11, "titleFontSize": 11,
        "gridColor": GRID, "domainColor": SOFT, "tickColor": SOFT,
    },
    "title": {
        "anchor": "start", "frame": "group", "offset": 24, "color": INK, "fontSize": 15, "fontWeight": "bold",
        "subtitleColor": SOFT, "subtitleFontSize": 11, "subtitlePadding": 5,
    },
    "legend": {"labelColor": INK, "titleColor": SOFT, "titleFontWeight": "normal", "labelFontSize": 11,
               "titleFontSize": 11, "titleLimit": 320},
}  # fmt: skip
Reach = tuple[dt.date, dt.date]
CHANCES = {"chance_moving": "chance of a moving day", "chance_active": "chance that it is under way"}


def season_strip(
    result: RunResult, taxon: str, event: str, *, brood: int = 1, chance: str = "chance_moving", most: int = MOST_ROWS
) -> Spec:
    """Return the season strip of one taxon and event: lakes down, dates across, chance as shade.

    Parameters
    ----------
    result
        The run.
    taxon, event, brood
        What is shown; of two seasons the current one.
    chance
        Column of days that makes the shade: chance_moving or chance_active.
    most
        Most lakes shown, the soonest first.

    Raises
    ------
    ValueError
        No lake has such a window.
    """
    windows = result.windows[choose.this_season(result)]
    here = (windows["taxon"] == taxon) & (windows["event"] == event) & (windows["brood"] == brood)
    rows = choose.soonest_first(windows[here])
    if rows.empty:
        raise ValueError(f"no window of {taxon}, {event}, brood {brood} to draw")
    lakes = choose.lake_names(result)
    title = choose.insect_names(result).get((taxon, brood, event)) or insect_words(None, taxon, event)
    title = title[:1].upper() + title[1:]
    shown = rows.head(most)
    labels = [clip(lakes[key], NAME_CELLS - 8) + height_words(result, key) for key in shown["lake_id"]]
    shown = best_weeks(shown.assign(label=labels), result.info.as_of)
    return strip_of(result, shown, title, chance, more=len(rows) - len(shown))


def weeks_strip(result: RunResult, *, days: int = WEEKS_AHEAD_DAYS, most: int = MOST_WEEK_ROWS) -> Spec:
    """Return the strip of what is on now and what comes in four weeks, every taxon, over the next ``days`` [d].

    Raises
    ------
    ValueError
        Nothing is on and nothing comes.
    """
    rows = pd.concat([choose.on_now(result), choose.coming(result)])
    if rows.empty:
        raise ValueError("nothing is on and nothing comes in four weeks")
    more = max(len(rows) - most, 0)
    known_first = choose.soonest_first(rows).sort_values("residence", ascending=False, kind="stable")
    rows = choose.soonest_first(known_first.head(most))
    lakes, insects = choose.lake_names(result), choose.insect_names(result)
    labels = [
        f"{clip(lakes[lake], NAME_CELLS // 2)}: {insects[taxon, int(brood), event]}"
        for lake, taxon, brood, event in rows[choose.KEYS].itertuples(index=False)
    ]
    as_of = result.info.as_of
    rows = best_weeks(rows.assign(label=labels), as_of)
    reach = (as_of - dt.timedelta(days=7), as_of + dt.timedelta(days=days))
    return strip_of(result, rows, "Now and the next four weeks", "chance_moving", more=more, reach=reach)


def headline_pictures(result: RunResult) -> dict[str, Spec]:
    """Return the pictures of a run by name: what is on and comes, and the migration of each damselfly."""
    pictures: dict[str, Spec] = {}
    if len(choose.on_now(result)) + len(choose.coming(result)):
        pictures["next-weeks"] = weeks_strip(result)
    windows = result.windows[choose.this_season(result)]
    damselflies = [taxon for taxon, label in result.info.taxa.items() if label.group == "damselfly"]
    moving = windows[(windows["event"] == "migration") & windows["taxon"].isin(damselflies)]
    moving = moving[["taxon", "brood"]].drop_duplicates()
    for taxon, brood in moving.itertuples(index=False):
        suffix = f"-brood-{brood}" if brood > 1 else ""
        pictures[f"migration-{taxon}{suffix}"] = season_strip(result, taxon, "migration", brood=int(brood))
    return pictures


def best_weeks(rows: pd.DataFrame, as_of: dt.date) -> pd.DataFrame:
    """Add ``over``, ``thin`` and what is edged: the best week still ahead, of what is over the one that was.

    A thin brood has none.
    """
    over, thin = choose.is_over(rows, as_of), choose.is_thin(rows)
    start = rows["ahead_week_start"].where(~over, rows["best_week_start"]).mask(thin)
    return rows.assign(over=over, thin=thin, week_start=start, week_chance=rows["ahead_week_chance"].where(~over))


def height_words(result: RunResult, lake_id: str) -> str:
    """Return ``, 420 m`` or ``, 1378 ft``, nothing where the height is not known."""
    lakes = result.info.lakes
    metres = float(lakes.loc[lakes["lake_id"] == lake_id, "elevation_m"].iloc[0])
    if pd.isna(metres):
        return ""
    return f", {metres / FOOT_M:.0f} ft" if result.info.length_unit == "ft" else f", {metres:.0f} m"


def strip_of(
    result: RunResult, rows: pd.DataFrame, title: str, chance: str, *, more: int = 0, reach: Reach | None = None
) -> Spec:
    """Return the strip of rows as `best_weeks` leaves them, each with a ``label``.

    It reaches over the dates of ``reach``, by default all with some chance.
    """
    rows = rows.assign(label=_unique([clip_name(plain(label), NAME_CELLS) for label in rows["label"]]))
    shades = _shades(result, rows, chance)
    first, last = reach or _reach(result, rows, shades)
    said = [f"Shade: {CHANCES[chance]} that day. Dark edge and number: best week ahead and its chance."]
    if more:
        said.append(f"The {len(rows)} soonest; {more} more in windows.csv.")
    dates = Dates.of(result.info)
    x, y = _dates_axis(first, last, dates), _rows_axis(rows)
    return {
        "$schema": SCHEMA,
        "description": f"{title}, as of {dates.day_and_year(result.info.as_of)}. {said[0]}",
        "title": {"text": title, "subtitle": said},
        "width": _day_pixels(first, last) * ((last - first).days + 1),
        "height": ROW_HEIGHT * len(rows),
        "layer": [
            _tracks(rows, x, y, (first, last)),
            _shade_layer(shades, x, y, (first, last), chance),
            *_week_layers(rows, x, y, (first, last), dates),
            *_issue_date(result, x),
        ],
        "config": CONFIG,
    }


def _shades(result: RunResult, rows: pd.DataFrame, chance: str) -> pd.DataFrame:
    """Return label, start, end [ms] and chance: neighbouring dates of equal whole per cent made one."""
    days = result.days.merge(rows[[*choose.KEYS, "season", "label"]], on=choose.KEYS, how="inner")
    lakes = result.info.lakes.set_index("lake_id")["latitude"]
    year = pd.Series(
        [
            season_year(int(d), bool(lakes[lake] < 0))
            for d, lake in zip(_days(days["date"]), days["lake_id"], strict=True)
        ],
        index=days.index,
        dtype="int64",
    )
    days = days[year == days["season"]]
    days = pd.DataFrame({"label": days["label"], "day": _days(days["date"]), "chance": days[chance].round(2)})
    days = days.sort_values(["label", "day"], kind="stable")
    before = days.shift()
    same = (
        (days["label"] == before["label"]) & (days["day"] == before["day"] + 1) & (days["chance"] == before["chance"])
    )
    runs = days.groupby((~same).cumsum().rename("run"))
    return pd.DataFrame(
        {
            "label": runs["label"].first(),
            "start": runs["day"].first() * DAY_MS,
            "end": (runs["day"].last() + 1) * DAY_MS,
            "chance": runs["chance"].first(),
        }
    )


def _days(dates: pd.Series[Any]) -> pd.Series[Any]:
    """Return day numbers [d]."""
    return (pd.to_datetime(dates) - pd.Timestamp(0)).dt.days


def _ms(date: dt.date, plus: int = 0) -> int:
    """Return a date as milliseconds from 1970, ``plus`` days [d] later."""
    return (day_number(date) + plus) * DAY_MS


def _reach(result: RunResult, rows: pd.DataFrame, shades: pd.DataFrame) -> Reach:
    """Return first and last date to draw: all with a visible shade, the best weeks and the issue date."""
    seen = shades[shades["chance"] >= LEAST_SHADE]
    weeks = _days(rows["week_start"].dropna())
    issue = day_number(result.info.as_of)
    first = min([issue, *(seen["start"] // DAY_MS), *weeks])
    last = max([issue, *(seen["end"] // DAY_MS - 1), *(weeks + 6)])
    return to_date(int(first) - 3), to_date(int(last) + 3)


def _day_pixels(first: dt.date, last: dt.date) -> int:
    """Return whole pixels for a day, so that neighbouring days meet without a seam."""
    return min(max(STRIP_WIDTH // ((last - first).days + 1), 1), 14)


def _unique(labels: list[str]) -> list[str]:
    """Return labels that differ, so that equal names do not share a row."""
    seen: dict[str, int] = {}
    out = []
    for label in labels:
        seen[label] = seen.get(label, 0) + 1
        out.append(label if seen[label] == 1 else f"{label} #{seen[label]}")
    return out


def _dates_axis(first: dt.date, last: dt.date, dates: Dates) -> Spec:
    return {
        "type": "temporal",
        "scale": {"type": "utc", "domain": [_ms(first), _ms(last, 1)], "nice": False, "clamp": True},
        "axis": {"title": None, "format": dates.axis, "labelFlush": False, "labelOverlap": True, "tickCount": 8},
    }


def _rows_axis(rows: pd.DataFrame) -> Spec:
    return {
        "field": "label",
        "type": "nominal",
        "sort": None,
        "scale": {"domain": list(rows["label"]), "paddingInner": 0.24, "paddingOuter": 0.12},
        "axis": {"title": None, "labelLimit": 460, "ticks": False, "domain": False, "grid": False},
    }


def _span(x: Spec, y: Spec) -> Spec:
    return {"x": {"field": "start", **x}, "x2": {"field": "end"}, "y": y}


def _values(frame: pd.DataFrame) -> Spec:
    return {"values": [dict(zip(frame.columns, row, strict=True)) for row in frame.astype(object).values.tolist()]}


def _tracks(rows: pd.DataFrame, x: Spec, y: Spec, reach: Reach) -> Spec:
    tracks = pd.DataFrame({"label": rows["label"], "start": _ms(reach[0]), "end": _ms(reach[1], 1)})
    return {"data": _values(tracks), "mark": SILENT | {"type": "rect", "color": RAMP[0]}, "encoding": _span(x, y)}


def _clipped(bars: pd.DataFrame, reach: Reach) -> pd.DataFrame:
    """Return the bars that touch the drawn dates, cut to them."""
    low, high = _ms(reach[0]), _ms(reach[1], 1)
    bars = bars[(bars["end"] > low) & (bars["start"] < high)]
    return bars.assign(start=bars["start"].clip(lower=low), end=bars["end"].clip(upper=high))


def _shade_layer(shades: pd.DataFrame, x: Spec, y: Spec, reach: Reach, chance: str) -> Spec:
    color = {
        "field": "chance",
        "type": "quantitative",
        "scale": {"domain": [0, 0.25, 0.5, 0.75, 1], "range": list(RAMP)},
        "legend": {
            "title": CHANCES[chance],
            "labelExpr": PER_CENT,
            "values": [0, 0.25, 0.5, 0.75, 1],
            "orient": "bottom",
            "direction": "horizontal",
            "gradientLength": 240,
        },
    }
    mark = SILENT | {"type": "rect", "strokeWidth": 0.6, "stroke": {"expr": "scale('color', datum.chance)"}}
    return {"data": _values(_clipped(shades, reach)), "mark": mark, "encoding": _span(x, y) | {"color": color}}


def _week_layers(rows: pd.DataFrame, x: Spec, y: Spec, reach: Reach, dates: Dates) -> list[Spec]:
    """Return the edge of each best week and, right of the strip, its chance and dates in print."""
    dated = rows[~rows["week_start"].isna()]
    start = _days(dated["week_start"]) * DAY_MS
    weeks = pd.DataFrame({"label": dated["label"], "start": start, "end": start + 7 * DAY_MS})
    printed = [
        {"label": row.label, "chance": _chance_printed(row), "week": _week_printed(row, dates)}
        for row in rows.itertuples()
    ]
    edge = SILENT | {"type": "rect", "filled": False, "stroke": INK, "strokeWidth": 1.8}
    width = _day_pixels(*reach) * ((reach[1] - reach[0]).days + 1)
    layers: list[Spec] = [{"data": _values(_clipped(weeks, reach)), "mark": edge, "encoding": _span(x, y)}]
    for field, title, align, right in (("chance", "chance", "right", 52), ("week", "best week", "left", 64)):
        mark = {"type": "text", "align": align, "fontSize": 11, "color": INK}
        place = {"x": {"value": width + right}}
        layers.append(
            {"data": {"values": printed}, "mark": mark, "encoding": place | {"y": y, "text": {"field": field}}}
        )
        head = mark | {"baseline": "bottom", "dy": -3, "color": SOFT}
        top = place | {"y": {"value": 0}, "text": {"value": title}}
        layers.append({"data": {"values": [{}]}, "mark": head, "encoding": top})
    return layers


def _chance_printed(row: Any) -> str:
    return "" if row.over or blank(row.week_start) else percent(row.week_chance)


def _week_printed(row: Any, dates: Dates) -> str:
    week = dates.week(row.week_start) or (THIN if row.thin else "no date")
    words = f"over, {week}" if row.over else week
    return words + (f", {MAY_LIVE_HERE}" if row.residence == "unsure" else "")


def _issue_date(result: RunResult, x: Spec) -> list[Spec]:
    """Return the line between what is known and what is forecast: the end of the issue date."""
    as_of = result.info.as_of
    data = {"values": [{"start": _ms(as_of, 1), "label": f"as of {Dates.of(result.info).day_and_year(as_of)}"}]}
    rule = SILENT | {"type": "rule", "color": INK, "strokeDash": [4, 3], "strokeWidth": 1.2}
    text = {"type": "text", "align": "left", "baseline": "bottom", "dx": -2, "dy": -3, "fontSize": 11, "color": INK}
    place = {"x": {"field": "start", **x}}
    return [
        {"data": data, "mark": rule, "encoding": place},
        {"data": data, "mark": text, "encoding": place | {"y": {"value": 0}, "text": {"field": "label"}}},
    ]


def water_fan(result: RunResult, lake_id: str, readings: pd.DataFrame | None = None) -> Spec:
    """Return one lake's surface temperature: band of 8 in 10 possible seasons, median, readings, and chance of ice.

    Parameters
    ----------
    result
        The run.
    lake_id
        The lake.
    readings
        What was measured there: date, water_c [°C].

    Raises
    ------
    ValueError
        The run has no water for the lake.
    """
    water = result.water
    if len(water):
        water = water[water["lake_id"] == lake_id].sort_values("date")
    if water.empty:
        raise ValueError(f"no water of lake {lake_id!r} to draw")
    unit = result.info.temperature_unit
    fan = pd.DataFrame({"start": _days(water["date"]) * DAY_MS, "ice": water["ice_chance"].round(3)})
    for column in ("water_p10", "water_p50", "water_p90"):
        fan[column] = _shown(water[column], unit)
    first, last = pd.Timestamp(water["date"].iloc[0]).date(), pd.Timestamp(water["date"].iloc[-1]).date()
    x = _dates_axis(first, last, Dates.of(result.info))
    points = pd.DataFrame(columns=["start", "water"])
    if readings is not None and len(readings):
        points = pd.DataFrame({"start": _days(readings["date"]) * DAY_MS, "water": _shown(readings["water_c"], unit)})
    title = f"{choose.lake_names(result)[lake_id]}{height_words(result, lake_id)}"
    ice = bool((fan["ice"] > 0).any())
    said = [
        "Surface water. Line: middle; band: 8 in 10 possible seasons" + ("; circles: readings." if len(points) else ".")
    ]
    panels = [_temperature_panel(result, fan, points, x, unit), *([_ice_panel(fan, x)] if ice else [])]
    return {
        "$schema": SCHEMA,
        "description": f"{title}. {said[0]}",
        "title": {"text": clip(title, 60), "subtitle": [*said, *([CAUTIONS[1]] if ice else [])]},
        "vconcat": panels,
        "spacing": 12,
        "config": CONFIG,
    }


def _shown(water_c: pd.Series[Any], unit: str) -> pd.Series[Any]:
    """Return temperatures in the unit shown."""
    return (water_c * 1.8 + 32.0 if unit == "F" else water_c).astype("float64").round(2)


def _temperature_panel(result: RunResult, fan: pd.DataFrame, points: pd.DataFrame, x: Spec, unit: str) -> Spec:
    axis = {"title": f"water, °{unit}", "grid": True}
    y = {"field": "water_p50", "type": "quantitative", "axis": axis, "scale": {"zero": unit == "C"}}
    place = {"x": {"field": "start", **x}}
    band = place | {"y": y | {"field": "water_p10"}, "y2": {"field": "water_p90"}}
    dots = {"type": "point", "filled": False, "color": INK, "size": 46, "strokeWidth": 1.6}
    layers: list[Spec] = [
        {"data": _values(fan), "mark": SILENT | {"type": "area", "color": RAMP[1]}, "encoding": band},
        {
            "data": _values(fan),
            "mark": SILENT | {"type": "line", "color": RAMP[3], "strokeWidth": 2},
            "encoding": place | {"y": y},
        },
    ]
    if len(points):
        layers.append({"data": _values(points), "mark": dots, "encoding": place | {"y": y | {"field": "water"}}})
    return {"width": STRIP_WIDTH, "height": 220, "layer": [*layers, *_issue_date(result, x)]}


def _ice_panel(fan: pd.DataFrame, x: Spec) -> Spec:
    axis = {"title": "ice, chance", "labelExpr": PER_CENT, "values": [0, 0.5, 1], "grid": True}
    y = {"field": "ice", "type": "quantitative", "axis": axis, "scale": {"domain": [0, 1]}}
    mark = SILENT | {"type": "area", "color": SOFT, "opacity": 0.55}
    encoding = {"x": {"field": "start", **x}, "y": y}
    return {"width": STRIP_WIDTH, "height": 44, "data": _values(fan), "mark": mark, "encoding": encoding}


def render_svg(spec: Spec) -> str:
    """Return a specification drawn as SVG text.

    The renderer numbers its gradients and clips through a whole process; here they count from 0 in each picture.
    """
    svg = vl_convert.vegalite_to_svg(spec, vl_version=VEGA_LITE)
    numbers = {name: str(i) for i, name in enumerate(dict.fromkeys(NUMBERED.findall(svg)))}
    return NUMBERED.sub(lambda found: f"mark_{numbers[found[0]]}", svg)


def render_png(spec: Spec, *, scale: float = 2.0) -> bytes:
    """Return a specification drawn as PNG, ``scale`` pixels to the point."""
    return svg_to_png(render_svg(spec), scale=scale)


def svg_to_png(svg: str, *, scale: float = 2.0) -> bytes:
    """Return SVG text as PNG, ``scale`` pixels to the point."""
    return vl_convert.svg_to_png(svg, scale=scale)

"""A picture for each lake and year: the water's band and middle, what was read, ice as estimated and as seen."""

from __future__ import annotations

import dataclasses
import datetime as dt
from collections.abc import Sequence
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd

from emergence.dates import season_span, to_date
from emergence.report.charts import (
    CONFIG,
    DAY_MS,
    INK,
    RAMP,
    SCHEMA,
    SILENT,
    SOFT,
    Spec,
    render_svg,
    svg_to_png,
)
from emergence.report.folders import WriteError, safe_name
from emergence.report.text import clip, plain
from emergence.report.units import FOOT_M
from emergence.report.words import CAUTIONS, count, day_and_year
from emergence.runs.results import LakeYear

WIDTH, HEIGHT = 732, 300  # two points for each day of the longest year
ICE = "#c3ced6"
"""Ice: a grey that stays apart from the band in print without colour too."""
STEP = 0.1
"""Ice chances are drawn in steps of so much."""
MANY = 80
"""More readings than this (a logger's) are drawn as dots."""
EVEN = 0.5
LABEL_POINTS = 74
"""Room of an ice date's label [points]; closer ones stand a line higher."""


def water_year(lake: LakeYear) -> Spec:
    """Return the picture of one lake's water and ice through one season.

    Raises
    ------
    ValueError
        There is no day to draw.
    """
    if lake.days.empty:
        raise ValueError(f"no water of lake {lake.lake_id!r} in {lake.year} to draw")
    span = season_span(lake.year, lake.southern)
    x = _dates(span.start, span.end)
    name, said = _title(lake), _said(lake)
    return {
        "$schema": SCHEMA,
        "description": " ".join([name + ".", *said]),
        "title": {"text": name, "subtitle": said, "offset": _room_above(lake, span.start)},
        "width": WIDTH,
        "height": HEIGHT,
        "layer": [
            *_ice_shade(lake, x),
            *_water(lake, x),
            *_unmeasured(lake, x),
            *_readings(lake, x),
            *_ice_dates(lake, x, span.start),
        ],
        "config": CONFIG,
    }


def write_water_years(lakes: Sequence[LakeYear], folder: Path) -> list[Path]:
    """Write PNG and SVG of each lake and season as ``LAKE-YEAR`` into a folder and return their paths.

    Raises
    ------
    WriteError
        The file system refused.
    """
    written = []
    for lake in lakes:
        svg = render_svg(water_year(lake))
        stem = safe_name(f"{lake.lake_id}-{lake.year}", fallback="lake")
        try:
            folder.mkdir(parents=True, exist_ok=True)
            (folder / f"{stem}.svg").write_text(svg, encoding="utf-8", newline="\n")
            (folder / f"{stem}.png").write_bytes(svg_to_png(svg))
        except OSError as error:
            raise WriteError(f"cannot write {folder / stem}: {error.strerror or error}") from error
        written += [folder / f"{stem}.png", folder / f"{stem}.svg"]
    return written


def _title(lake: LakeYear) -> str:
    name = clip(plain(lake.name) or plain(lake.lake_id), 50)
    height = ""
    if not pd.isna(lake.elevation_m):
        feet = lake.length_unit == "ft"
        height = f", {lake.elevation_m / FOOT_M:.0f} ft" if feet else f", {lake.elevation_m:.0f} m"
    year = f"{lake.year}/{(lake.year + 1) % 100:02d}" if lake.southern else f"{lake.year}"
    return f"{name}{height}: surface water {year}"


def _said(lake: LakeYear) -> list[str]:
    fits = []
    if lake.fitted:
        fits.append(count(lake.fitted, "reading"))
    if lake.fitted_ice:
        fits.append(f"{count(lake.fitted_ice, 'date')} of ice-off")
    fit = f", fitted to {' and '.join(fits)} of this lake" if fits else ", no note of this lake used"
    lines = [f"Line: estimate from air temperature{fit}. Band: where 8 of 10 days should lie."]
    if len(lake.readings):
        used = lake.readings[lake.readings["used"]]
        lines.append(f"{'Dots' if _many(lake) else 'Circles'}: readings{_inside(lake, used)}.")
        far = len(lake.readings) - len(used)
        if far:
            lines[-1] += f" Crosses: {count(far, 'reading')} not believed and not used."
    shade = (
        "Grey: ice as estimated, paler where its end is less sure"
        if (lake.days["ice_chance"] > 0).any()
        else "No ice estimated"
    )
    seen = "; upright lines: as noted" if len(lake.ice) else ""
    return [*lines, f"{shade}{seen}.", CAUTIONS[1]]


def _inside(lake: LakeYear, used: pd.DataFrame) -> str:
    """Return how many readings of open water lie in the band."""
    both = used.merge(lake.days[lake.days["ice_chance"] < EVEN], on="date", how="inner")
    inside = int(((both["water_c"] >= both["low"]) & (both["water_c"] <= both["high"])).sum())
    return f", {inside} of {len(both)} in open water inside the band" if len(both) else ""


def _many(lake: LakeYear) -> bool:
    return len(lake.readings) > MANY


def _dates(first: int, last: int) -> Spec:
    """Return the axis of a season: a tick at each month's begin, its name between ticks."""
    begins = [d for d in range(first, last + 2) if to_date(d).day == 1]
    return {
        "type": "temporal",
        "scale": {"type": "utc", "domain": [first * DAY_MS, (last + 1) * DAY_MS], "nice": False, "clamp": True},
        "axis": {
            "title": None,
            "format": "%b",
            "values": [d * DAY_MS for d in begins[:-1]],
            "labelBound": False,
            "labelAlign": "left",
            "labelOffset": 4,
            "labelFlush": False,
            "tickSize": 8,
            "grid": True,
        },
    }


def _ms(dates: pd.Series[Any]) -> pd.Series[Any]:
    return (pd.to_datetime(dates) - pd.Timestamp(0)).dt.days * DAY_MS


def _values(frame: pd.DataFrame) -> Spec:
    return {"values": [dict(zip(frame.columns, row, strict=True)) for row in frame.astype(object).values.tolist()]}


def _shown(water_c: pd.Series[Any], lake: LakeYear) -> pd.Series[Any]:
    """Return temperatures in the unit shown."""
    degrees = water_c * 1.8 + 32.0 if lake.temperature_unit == "F" else water_c
    return degrees.astype("float64").round(2)


def _top(lake: LakeYear) -> float:
    """Return the upper end of the temperature axis in the unit shown: all that is believed, on a whole 5 °C."""
    read = lake.readings.loc[lake.readings["used"], "water_c"] if len(lake.readings) else pd.Series([0.0])
    top = max(float(lake.days["high"].max()), float(read.max()) if len(read) else 0.0, 20.0)
    top = 5.0 * np.ceil(top / 5.0)
    return float(top * 1.8 + 32.0 if lake.temperature_unit == "F" else top)


def _degrees(lake: LakeYear, field: str) -> Spec:
    fahrenheit = lake.temperature_unit == "F"
    floor, top, step = 32 if fahrenheit else 0, _top(lake), 10 if fahrenheit else 5
    ticks = list(range(step * -(-floor // step), int(top) + 1, step))
    axis = {"title": f"water, °{lake.temperature_unit}", "grid": True, "values": ticks}
    scale = {"domain": [floor, top], "nice": False, "clamp": True}
    return {"field": field, "type": "quantitative", "axis": axis, "scale": scale}


def _ice_shade(lake: LakeYear, x: Spec) -> list[Spec]:
    """Return the ice behind the water: one bar for neighbouring days of equal chance, paler where less sure."""
    chance = (lake.days["ice_chance"] / STEP).round() * STEP
    days = pd.DataFrame({"day": _ms(lake.days["date"]), "chance": chance.round(2)})
    runs = days.groupby((days["chance"] != days["chance"].shift()).cumsum().rename("run"))
    bars = pd.DataFrame(
        {"start": runs["day"].first(), "end": runs["day"].last() + DAY_MS, "chance": runs["chance"].first()}
    )
    bars = bars[bars["chance"] > 0]
    if bars.empty:
        return []
    shade = {"field": "chance", "type": "quantitative", "scale": {"domain": [0, 1], "range": [0, 1]}, "legend": None}
    place = {"x": {"field": "start", **x}, "x2": {"field": "end"}, "y": {"value": 0}, "y2": {"value": HEIGHT}}
    mark = SILENT | {"type": "rect", "color": ICE, "strokeWidth": 0}
    return [{"data": _values(bars), "mark": mark, "encoding": place | {"opacity": shade}}]


def _water(lake: LakeYear, x: Spec) -> list[Spec]:
    fan = pd.DataFrame({"start": _ms(lake.days["date"]) + DAY_MS // 2})
    for column in ("low", "middle", "high"):
        fan[column] = _shown(lake.days[column], lake)
    data, place = _values(fan), {"x": {"field": "start", **x}}
    band = place | {"y": _degrees(lake, "low"), "y2": {"field": "high"}}
    line = place | {"y": _degrees(lake, "middle")}
    return [
        {"data": data, "mark": SILENT | {"type": "area", "color": RAMP[1], "opacity": 0.85}, "encoding": band},
        {"data": data, "mark": SILENT | {"type": "line", "color": RAMP[3], "strokeWidth": 2}, "encoding": line},
    ]


def _unmeasured(lake: LakeYear, x: Spec) -> list[Spec]:
    """Return a bar along the dates whose air nobody measured: the calendar's usual air stands in."""
    missing = ~lake.days["measured"].astype(bool)
    if not missing.any():
        return []
    day = _ms(lake.days.loc[missing, "date"])
    bars = pd.DataFrame({"start": day, "end": day + DAY_MS})
    run = (bars["start"] != bars["end"].shift()).cumsum()
    bars = bars.groupby(run).agg({"start": "first", "end": "last"}).reset_index(drop=True)
    place = {"x": {"field": "start", **x}, "x2": {"field": "end"}, "y": {"value": HEIGHT - 5}, "y2": {"value": HEIGHT}}
    longest = bars.loc[[(bars["end"] - bars["start"]).idxmax()]]
    text = {"type": "text", "align": "left", "baseline": "bottom", "dx": 3, "dy": -3, "fontSize": 10, "color": SOFT}
    words = {"x": {"field": "start", **x}, "y": {"value": HEIGHT - 5}, "text": {"value": "usual air, none measured"}}
    return [
        {"data": _values(bars), "mark": SILENT | {"type": "rect", "color": SOFT}, "encoding": place},
        {"data": _values(longest), "mark": text, "encoding": words},
    ]


def _readings(lake: LakeYear, x: Spec) -> list[Spec]:
    layers: list[Spec] = []
    marks = {
        True: {"type": "point", "filled": _many(lake), "color": INK, "strokeWidth": 1.3, "opacity": 0.9}
        | {"size": 9 if _many(lake) else 34},
        False: {"type": "point", "shape": "cross", "angle": 45, "filled": True, "color": INK, "size": 70},
    }
    for used, mark in marks.items():
        some = lake.readings[lake.readings["used"] == used]
        if some.empty:
            continue
        points = pd.DataFrame({"start": _ms(some["date"]) + DAY_MS // 2, "water": _shown(some["water_c"], lake)})
        place = {"x": {"field": "start", **x}, "y": _degrees(lake, "water")}
        layers.append({"data": _values(points), "mark": SILENT | mark, "encoding": place})
        if not used:
            points["label"] = [f"{value:.0f} °{lake.temperature_unit}" for value in points["water"]]
            words = {"type": "text", "align": "left", "dx": 7, "dy": 9, "fontSize": 10, "color": SOFT}
            place = place | {"text": {"field": "label"}}
            layers.append({"data": _values(points), "mark": words, "encoding": place})
    return layers


def _levels(lake: LakeYear, first: int) -> list[int]:
    """Return on which line each ice date's label stands, 0 nearest the picture, so that close ones do not meet."""
    ends: list[float] = []
    levels = []
    for place in (_ms(lake.ice["date"]) // DAY_MS - first) * WIDTH / 366:
        free = next((k for k, end in enumerate(ends) if place >= end), len(ends))
        ends[free : free + 1] = [place + LABEL_POINTS]
        levels.append(free)
    return levels


def _room_above(lake: LakeYear, first: int) -> int:
    """Return the points between title and picture that the ice dates' labels need."""
    if lake.ice.empty:
        return 12
    return 24 + 14 * max(_levels(_sorted(lake), first))


def _sorted(lake: LakeYear) -> LakeYear:
    return dataclasses.replace(lake, ice=lake.ice.sort_values("date", kind="stable").reset_index(drop=True))


def _ice_dates(lake: LakeYear, x: Spec, first: int) -> list[Spec]:
    """Return a line for each ice date that somebody saw, its words above the picture."""
    if lake.ice.empty:
        return []
    lake = _sorted(lake)
    seen = pd.DataFrame(
        {
            "start": _ms(lake.ice["date"]),
            "label": [f"ice {e} {_day(d)}" for e, d in zip(lake.ice["event"], lake.ice["date"], strict=True)],
            "level": _levels(lake, first),
        }
    )
    rule = SILENT | {"type": "rule", "color": INK, "strokeWidth": 1.4}
    layers: list[Spec] = [{"data": _values(seen), "mark": rule, "encoding": {"x": {"field": "start", **x}}}]
    for level, some in seen.groupby("level"):
        text = {"type": "text", "align": "center", "baseline": "bottom", "fontSize": 11, "color": INK}
        words = {"x": {"field": "start", **x}, "y": {"value": 0}, "text": {"field": "label"}}
        layers.append({"data": _values(some), "mark": text | {"dy": -4 - 13 * int(str(level))}, "encoding": words})
    return layers


def _day(date: dt.date | pd.Timestamp) -> str:
    return day_and_year(date).rsplit(" ", 1)[0]

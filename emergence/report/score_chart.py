"""The picture of hindcasts' scores: skill by lead, reliability of chances, where the truth stood among the members."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pandas as pd

from emergence.report.charts import CONFIG, INK, RAMP, SCHEMA, SILENT, SOFT, Spec, render_svg, svg_to_png
from emergence.report.folders import WriteError
from emergence.report.score_words import KNOWN
from emergence.report.text import clip, plain
from emergence.report.words import count
from emergence.runs.results import HindcastResult

WIDTH, HEIGHT = 220, 210


def score_picture(result: HindcastResult) -> Spec:
    """Return the picture of the scores: three panels side by side.

    Raises
    ------
    ValueError
        There is nothing to draw.
    """
    if result.rows.empty:
        raise ValueError("no hindcast to draw")
    rows = result.rows
    lakes, seasons = count(rows["lake_id"].nunique(), "lake"), f"{rows['season'].min()} to {rows['season'].max()}"
    said = [
        f"{len(rows)} dates of {lakes}, {seasons}: {_what(rows)}.",
        f"{KNOWN[result.known_years].capitalize()}; of the season itself {result.readings}.",
    ]
    title = f"{clip(plain(result.name), 40)}: past seasons forecast again"
    return {
        "$schema": SCHEMA,
        "description": " ".join([title + ".", *said]),
        "title": {"text": title, "subtitle": said},
        "hconcat": [_skill(_leads(result)), _reliability(result.reliability), _pit(result.pit)],
        "spacing": 34,
        "config": CONFIG,
    }


def score_files(result: HindcastResult) -> dict[str, str | bytes]:
    """Return the picture as PNG and SVG by file name."""
    svg = render_svg(score_picture(result))
    return {"hindcast.png": svg_to_png(svg), "hindcast.svg": svg}


def write_score_picture(result: HindcastResult, folder: Path) -> list[Path]:
    """Write ``hindcast.png`` and ``hindcast.svg`` into a folder and return their paths.

    Raises
    ------
    WriteError
        The file system refused.
    """
    try:
        folder.mkdir(parents=True, exist_ok=True)
        for name, content in score_files(result).items():
            (folder / name).write_bytes(content.encode("utf-8") if isinstance(content, str) else content)
    except OSError as error:
        raise WriteError(f"cannot write {folder / 'hindcast'}: {error.strerror or error}") from error
    return [folder / "hindcast.png", folder / "hindcast.svg"]


def _values(frame: pd.DataFrame) -> Spec:
    shown = frame.astype(object).where(frame.notna(), None)
    return {"values": [dict(zip(map(str, frame.columns), row, strict=True)) for row in shown.values.tolist()]}


def _panel(title: str, layers: list[Spec]) -> Spec:
    words = {"text": title, "fontSize": 12, "fontWeight": "normal", "color": INK, "anchor": "start", "offset": 8}
    return {"title": words, "width": WIDTH, "height": HEIGHT, "layer": layers}


def _axis(field: str, title: str, **scale: Any) -> Spec:
    return {"field": field, "type": "quantitative", "title": title, "scale": scale}


def _what(rows: pd.DataFrame) -> str:
    kinds = set(rows["truth_kind"])
    water, seen = "water passing given degree-days, from readings", "insects beginning, from sightings"
    return f"{water}; {seen}" if len(kinds) == 2 else (water if "readings" in kinds else seen)


def _leads(result: HindcastResult) -> pd.DataFrame:
    """Return the skill by lead: of thermal dates, else of the insects, mean over them."""
    if len(result.leads):
        return result.leads
    mean = result.insects.groupby("lead_days")["skill_mean_date"].mean()
    return mean.reset_index()


def _skill(leads: pd.DataFrame) -> Spec:
    points = pd.DataFrame({"weeks": leads["lead_days"] / 7, "skill": leads["skill_mean_date"].round(3)})
    points["label"] = [f"{v:.2f}" for v in points["skill"]]
    low = min(0.0, float(points["skill"].min()) - 0.05)
    x = _axis("weeks", "weeks before the usual date", domain=[float(points["weeks"].max()) + 0.5, -0.5], nice=False)
    y = _axis("skill", "skill over the mean date", domain=[low, max(0.7, float(points["skill"].max()) + 0.1)])
    place = {"x": x, "y": y}
    text = SILENT | {"type": "text", "dy": -11, "fontSize": 10, "color": INK}
    return _panel(
        "How much better than the usual date",
        [
            _rule({"y": {"datum": 0, "type": "quantitative"}}),
            {"data": _values(points), "mark": SILENT | {"type": "line", "color": RAMP[3]}, "encoding": place},
            {"data": _values(points), "mark": {"type": "point", "filled": True, "color": RAMP[4]}, "encoding": place},
            {"data": _values(points), "mark": text, "encoding": place | {"text": {"field": "label"}}},
        ],
    )


def _rule(place: Spec) -> Spec:
    return {
        "data": {"values": [{}]},
        "mark": SILENT | {"type": "rule", "color": SOFT, "strokeDash": [4, 3]},
        "encoding": place,
    }


def _reliability(bins: pd.DataFrame) -> Spec:
    used = bins[bins["cases"] > 0].round(3)
    diagonal = {"values": [{"chance": 0, "share": 0}, {"chance": 1, "share": 1}]}
    place = {
        "x": _axis("chance", "chance given that it has come", domain=[0, 1]),
        "y": _axis("share", "share that had", domain=[0, 1]),
    }
    size = {"field": "cases", "type": "quantitative", "scale": {"range": [12, 160], "zero": True}, "legend": None}
    line = SILENT | {"type": "line", "color": SOFT, "strokeDash": [4, 3]}
    dots = {"type": "point", "filled": True, "color": RAMP[4], "opacity": 1}
    return _panel(
        "Are the chances honest? (on the line: yes)",
        [
            {"data": diagonal, "mark": line, "encoding": place},
            {"data": _values(used), "mark": SILENT | {"type": "line", "color": RAMP[3]}, "encoding": place},
            {"data": _values(used), "mark": dots, "encoding": place | {"size": size}},
        ],
    )


def _pit(pit: pd.DataFrame) -> Spec:
    bars = pit.assign(to=pit["from"] + 1.0 / max(len(pit), 1), none=0.0).round(4)
    even = 1.0 / max(len(pit), 1)
    place = {
        "x": _axis("from", "members before the true date (share)", domain=[0, 1]),
        "x2": {"field": "to"},
        "y": _axis("share", "share of the dates", domain=[0, max(0.3, float(pit["share"].max()) + 0.02)]),
        "y2": {"field": "none"},
    }
    bar = {"type": "rect", "color": RAMP[2], "stroke": "#ffffff"}
    return _panel(
        "Where the true date stood (even: honest)",
        [
            {"data": _values(bars), "mark": bar, "encoding": place},
            _rule({"y": {"datum": even, "type": "quantitative"}}),
        ],
    )

"""A picture for each lake of a run: the season strip of its insects, and its water below."""

from __future__ import annotations

from collections.abc import Iterator

import pandas as pd

from emergence.report import choose
from emergence.report.charts import (
    CONFIG,
    NAME_CELLS,
    SCHEMA,
    Spec,
    best_weeks,
    height_words,
    render_svg,
    strip_of,
    svg_to_png,
    water_fan,
)
from emergence.report.dates_shown import Dates
from emergence.report.folders import safe_name
from emergence.report.text import clip
from emergence.report.words import count
from emergence.runs.results import RunResult

MOST_INSECTS = 40
ALONE = ("$schema", "config")
"""What a picture says once, whatever stands in it."""


def lake_picture(result: RunResult, lake_id: str, readings: pd.DataFrame | None = None) -> Spec:
    """Return one lake's picture: its insects of this season, the soonest first, and its surface temperature and ice.

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
        The run has neither windows nor water of the lake.
    """
    panels = [p for p in (_insects(result, lake_id), _water(result, lake_id, readings)) if p is not None]
    if not panels:
        raise ValueError(f"nothing of lake {lake_id!r} to draw")
    name = clip(choose.lake_names(result)[lake_id], NAME_CELLS) + height_words(result, lake_id)
    title = f"{name}: as of {Dates.of(result.info).day_and_year(result.info.as_of)}"
    return {
        "$schema": SCHEMA,
        "description": " ".join([title + ".", *(p.pop("description") for p in panels)]),
        "title": {"text": title, "offset": 12},
        "vconcat": panels,
        "spacing": 40,
        "resolve": {"scale": {"color": "independent"}, "legend": {"color": "independent"}},
        "config": CONFIG,
    }


def _insects(result: RunResult, lake_id: str) -> Spec | None:
    windows = result.windows[choose.this_season(result)]
    rows = choose.soonest_first(windows[windows["lake_id"] == lake_id])
    dated = rows[choose.has_date(rows)]
    if dated.empty:
        return None
    insects = choose.insect_names(result)
    known_first = dated.sort_values("residence", ascending=False, kind="stable").head(MOST_INSECTS)
    shown = choose.soonest_first(known_first)
    labels = [insects[t, int(b), e] for _, t, b, e in shown[choose.KEYS].itertuples(index=False)]
    shown = best_weeks(shown.assign(label=[label[:1].upper() + label[1:] for label in labels]), result.info.as_of)
    spec = strip_of(result, shown, "Insects", "chance_moving", more=len(dated) - len(shown))
    none = len(rows) - len(dated)
    if none:
        spec["title"]["subtitle"].append(f"{count(none, 'row')} without a date this season left out.")
    return _part(spec)


def _water(result: RunResult, lake_id: str, readings: pd.DataFrame | None) -> Spec | None:
    if not len(result.water) or not (result.water["lake_id"] == lake_id).any():
        return None
    spec = water_fan(result, lake_id, readings)
    spec["title"]["text"] = "Water"
    return _part(spec)


def _part(spec: Spec) -> Spec:
    """Return a picture as a panel of another."""
    panel = {key: value for key, value in spec.items() if key not in ALONE}
    panel["title"] |= {"fontSize": 13, "frame": "group"}
    return panel


def lake_pictures(result: RunResult, readings: pd.DataFrame | None = None) -> Iterator[tuple[str, str | bytes]]:
    """Yield (file name, content) of each lake's picture, PNG and SVG, in the order of the lakes.

    Parameters
    ----------
    result
        The run.
    readings
        This season's readings: lake_id, date, water_c [°C].
    """
    for key in result.info.lakes["lake_id"].astype(str):
        mine = None if readings is None else readings[readings["lake_id"] == key]
        try:
            svg = render_svg(lake_picture(result, key, mine))
        except ValueError:
            continue
        name = safe_name(f"lake-{key}", fallback="lake")
        yield f"{name}.png", svg_to_png(svg)
        yield f"{name}.svg", svg

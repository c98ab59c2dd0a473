"""What a block needs beside weather and shape: the season's notes by lake, and the usual air."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.dates import SeasonSpan
from emergence.records import IceDates, Readings
from emergence.runs.checked import note_rules
from emergence.runs.plan import RunPlan
from emergence.water.conditioning import LakeNotes, surface_readings
from emergence.weather import mix

Ints = NDArray[np.int64]
Mask = NDArray[np.bool_]
MOST_READINGS = 120  # of one lake and season; a logger's days are thinned evenly beyond


def usual_air(plan: RunPlan, span: SeasonSpan, lakes: Ints) -> NDArray[np.float32]:
    """Return the calendar mean of the air at lake height [°C], shape (days, lakes)."""
    days = np.arange(span.sim_start, span.end + 1)
    return np.asarray(mix.usual_air(plan.filled, plan.links.take(lakes), days), dtype=np.float32)


def season_notes(plan: RunPlan, span: SeasonSpan, lakes: Ints) -> dict[int, LakeNotes]:
    """Return each lake's notes from the first simulated day to the issue date, by index in ``lakes``."""
    last = min(plan.as_of, span.end)
    readings = surface_readings(plan.season.readings, span.sim_start, last)
    ice = plan.season.ice
    ice = ice.take((ice.day >= span.start) & (ice.day <= last))
    names = set(readings.lake_id.tolist()) | set(ice.lake_id.tolist())
    sure, _, _ = note_rules(plan.season.overrules, readings.lake_id, readings.day)
    sure_ice, _, _ = note_rules(plan.season.overrules, ice.lake_id, ice.day, "ice")
    found = {}
    for k, lake_id in enumerate(plan.lakes.lake_id[lakes].tolist()):
        if lake_id in names:
            here = readings.lake_id == lake_id
            iced = ice.lake_id == lake_id
            found[k] = lake_notes(readings.take(here), ice.take(iced), span, sure[here], sure_ice[iced])
    return found


def lake_notes(readings: Readings, ice: IceDates, span: SeasonSpan, sure: Mask, sure_ice: Mask) -> LakeNotes:
    """Return one lake's notes as day indices of a season; ``sure`` marks those that the user vouches for."""
    order = np.argsort(readings.day, kind="stable")
    if len(order) > MOST_READINGS:
        order = order[np.linspace(0, len(order) - 1, MOST_READINGS).round().astype(np.int64)]
    day = readings.day[order] - span.sim_start
    gone, came = ice.event == "off", ice.event == "on"
    off = ice.day[gone] - span.sim_start
    after = day[day >= span.start - span.sim_start]
    return LakeNotes(
        day=day,
        water_c=readings.water_c[order],
        ice_off=int(off.max()) if len(off) else -1,
        open_by=int(after[0]) if len(after) else -1,
        sure=sure[order],
        offs=tuple(sorted(off.tolist())),
        ons=tuple((ice.day[came] - span.sim_start).tolist()),
        sure_offs=tuple((ice.day[gone & sure_ice] - span.sim_start).tolist()),
        begins=span.start - span.sim_start,
    )

"""What a block needs beside weather and shape: the season's notes by lake, and the usual air."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

from emergence.dates import SeasonSpan, day_of_year, month_of
from emergence.records import IceDates, Readings
from emergence.runs.plan import RunPlan
from emergence.water.conditioning import LakeNotes, surface_readings
from emergence.weather.lapse import height_correction

Ints = NDArray[np.int64]
MOST_READINGS = 120  # of one lake and season; a logger's days are thinned evenly beyond


def usual_air(plan: RunPlan, span: SeasonSpan, lakes: Ints) -> NDArray[np.float32]:
    """Return the calendar mean of the air at lake height [°C], shape (days, lakes)."""
    days = np.arange(span.sim_start, span.end + 1)
    station = np.stack([f.calendar_c for f in plan.filled], axis=1)[day_of_year(days) - 1]
    months = month_of(days)[:, None]
    southern = plan.lakes.southern[lakes][None, :]
    moved = height_correction(plan.dz_m[lakes][None, :], months, "tmean", southern)
    return np.asarray(station[:, plan.station_index[lakes]] + moved, dtype=np.float32)


def season_notes(plan: RunPlan, span: SeasonSpan, lakes: Ints) -> dict[int, LakeNotes]:
    """Return each lake's notes from the first simulated day to the issue date, by index in ``lakes``."""
    last = min(plan.as_of, span.end)
    readings = surface_readings(plan.season.readings, span.sim_start, last)
    ice = plan.season.ice
    ice = ice.take((ice.day >= span.start) & (ice.day <= last))
    names = set(readings.lake_id.tolist()) | set(ice.lake_id.tolist())
    found = {}
    for k, lake_id in enumerate(plan.lakes.lake_id[lakes].tolist()):
        if lake_id in names:
            mine = readings.take(readings.lake_id == lake_id)
            found[k] = lake_notes(mine, ice.take(ice.lake_id == lake_id), span)
    return found


def lake_notes(readings: Readings, ice: IceDates, span: SeasonSpan) -> LakeNotes:
    """Return one lake's notes as day indices of a season."""
    order = np.argsort(readings.day, kind="stable")
    if len(order) > MOST_READINGS:
        order = order[np.linspace(0, len(order) - 1, MOST_READINGS).round().astype(np.int64)]
    day = readings.day[order] - span.sim_start
    off = ice.day[ice.event == "off"]
    after = day[day >= span.start - span.sim_start]
    return LakeNotes(
        day=day,
        water_c=readings.water_c[order],
        ice_off=int(off.max()) - span.sim_start if len(off) else -1,
        open_by=int(after[0]) if len(after) else -1,
    )

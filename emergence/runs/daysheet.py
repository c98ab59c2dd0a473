"""From a plan of one lake to its day sheet."""

from __future__ import annotations

import datetime as dt
import zoneinfo
from math import isnan

import numpy as np
from numpy.typing import NDArray

from emergence.angling.sheet import Basis, DaySheet, Triple
from emergence.angling.sums import HeatTiers, usual_tiers
from emergence.dates import day_of_year, to_date
from emergence.records import Settings
from emergence.runs.lake_access import lake_access
from emergence.runs.plan import RunPlan
from emergence.runs.stage_board import LakeDay, lake_day
from emergence.solar import extraterrestrial_radiation, sun_hours
from emergence.water.depth import deepest
from emergence.water.diel import afternoon_excess

NORTHERN_SOLSTICE, SOUTHERN_SOLSTICE = 172, 355  # day of the year


def day_sheet(plan: RunPlan, day: int) -> DaySheet:
    """Return the sheet of the one lake of a plan.

    Parameters
    ----------
    plan
        The plan of a run over one lake and all its insects.
    day
        Day number.
    """
    found = lake_day(plan, day)
    lakes, settings, index = plan.lakes, plan.season.settings, found.index
    field = found.field
    water = field.water_c[index, 0].ravel().astype(np.float64)
    ice = field.ice[index, 0].ravel()
    sun, clock = _sun(plan, day)
    access = lake_access(plan.season, str(lakes.lake_id[0]), day)
    return DaySheet(
        board=found.board,
        region=str(lakes.region[0]),
        elevation_m=float(lakes.elevation_m[0]),
        deepest_m=float(deepest(lakes.max_depth_m, plan.shape.mean_depth_m)[0]),
        deepest_guessed=bool(np.isnan(lakes.max_depth_m[0])),
        secchi_m=float(lakes.secchi_m[0]),
        stems=str(lakes.stems[0]),
        basis=_basis(plan, day),
        sun=sun,
        clock=clock,
        water=_triple(water),
        afternoon_c=_afternoon(plan, found, day),
        air_min=_triple(field.air_min_c[index, 0]),
        air_max=_triple(field.air_max_c[index, 0]),
        ice_chance=float(ice.mean()),
        turnover=found.turnover,
        tiers=_tiers(settings),
        closures=access.closed,
        shut=access.shut,
        access=access.terms,
        temperature_unit=settings.temperature_unit,
        length_unit=settings.length_unit,
    )


def _tiers(settings: Settings) -> tuple[HeatTiers, ...]:
    """Return the user's tiers, the usual where a number is not said; never a stop below a caution.

    The usual stop is that of the trip plan where the user set it.
    """
    usual, found = usual_tiers(), []
    if "trips.heat_stop_c" in settings.said:
        stop = settings.trips.heat_stop_c
        usual = HeatTiers(usual.species, min(usual.caution_c, stop), stop, max(usual.closure_c, stop))
    for heat in settings.heat:
        stop = usual.stop_c if isnan(heat.stop_c) else heat.stop_c
        closure = max(usual.closure_c, stop) if isnan(heat.closure_c) else heat.closure_c
        stop = min(stop, closure)
        caution = usual.caution_c if isnan(heat.caution_c) else heat.caution_c
        found.append(HeatTiers(heat.species, min(caution, stop), stop, closure))
    return tuple(found) or (usual,)


def _triple(values: NDArray[np.floating]) -> Triple:
    ordered = np.sort(np.asarray(values, dtype=np.float64).ravel())
    low, middle, high = (float(ordered[max(int(np.ceil(p * len(ordered))) - 1, 0)]) for p in (0.1, 0.5, 0.9))
    return low, middle, high


def _afternoon(plan: RunPlan, found: LakeDay, day: int) -> tuple[float, float]:
    """Return the afternoon maximum of the surface [°C]: the middle of a mean day, the 90 % of a calm clear one."""
    latitude = float(plan.lakes.latitude[0])
    longest = SOUTHERN_SOLSTICE if latitude < 0 else NORTHERN_SOLSTICE
    of_day, of_longest = extraterrestrial_radiation(latitude, [int(day_of_year(day)), longest])
    usual, calm = afternoon_excess(float(plan.shape.area_km2[0]), float(of_day / of_longest))
    water = found.field.water_c[found.index, 0].ravel().astype(np.float64)
    open_water = ~found.field.ice[found.index, 0].ravel()
    return _triple(water + usual * open_water)[1], _triple(water + calm * open_water)[2]


def _sun(plan: RunPlan, day: int) -> tuple[Triple, bool]:
    """Return sunrise, noon and sunset [h] by the season's time zone, or by the sun where it names none."""
    latitude, longitude = float(plan.lakes.latitude[0]), float(plan.lakes.longitude[0])
    settings = plan.season.settings
    clock = "time_zone" in settings.said
    rise, noon, fall = sun_hours(latitude, longitude, int(day_of_year(day))).tolist()
    offset = 12.0 - noon
    if clock:
        midday = dt.datetime.combine(to_date(day), dt.time(12), zoneinfo.ZoneInfo(settings.time_zone))
        shift = midday.utcoffset()
        offset = 0.0 if shift is None else shift.total_seconds() / 3600
    return (rise + offset, noon + offset, fall + offset), clock


def _basis(plan: RunPlan, day: int) -> Basis:
    if day <= plan.as_of:
        return "measured"
    for station in plan.links.in_use:
        outlook = plan.slots.outlook_of(int(station))
        if outlook is not None and outlook.ahead is not None and day in outlook.ahead.day:
            return "forecast"
    return "past springs"

"""A written trip plan read back: plan.json, checked whole before anything of it is shown."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from pathlib import Path
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, ValidationError

from emergence.report.text import plain
from emergence.report.trip_files import FORMAT, PLAN_JSON, plan_date, trips_home
from emergence.runs.trip_results import PlannedTrip, TripB, TripDay, TripOption

AGAIN = "Plan anew with emergence trips."
Share = Annotated[float, Field(ge=0, le=1)]


class _Record(BaseModel):
    model_config = ConfigDict(allow_inf_nan=False)


class _Head(_Record):
    format: int = Field(strict=True)


class _Day(_Record):
    date: dt.date
    lake_id: str
    chance_moving: Share


class _Option(_Record):
    days: tuple[_Day, ...] = Field(min_length=1)
    guide: str
    expected_moving_days: float = Field(ge=0)
    chance_any: Share
    value: float
    hours_on_road: float | None = None


class _PlanB(_Record):
    lake_id: str
    first: dt.date
    last: dt.date
    chance: Share
    correlation: float | None
    chance_if_plan_a_fails: Share | None


class _Trip(_Record):
    party: str
    size: int
    wants: str
    status: Literal["new", "kept", "moved", "fixed", "done"]
    decide_by: dt.date | None
    chosen: _Option
    best_alone: _Option
    booked: _Option | None
    gain: float
    reasons: tuple[str, ...]
    alternates: tuple[_Option, ...]
    plan_b: tuple[_PlanB, ...]


class _Plan(_Record):
    as_of: dt.date
    trips: tuple[_Trip, ...]
    notes: tuple[str, ...] = ()


@dataclass(frozen=True)
class StoredPlan:
    """A plan as it was written: its issue date, its trips, and sentences on them."""

    as_of: dt.date
    trips: tuple[PlannedTrip, ...]
    notes: tuple[str, ...] = ()


def newest_plan(reports_root: Path, name: str, as_of: dt.date) -> Path | None:
    """Return the newest plan.json whose issue date is not after ``as_of``, None where there is none."""
    found = [(plan_date(file.parent.name), file) for file in trips_home(reports_root, name).glob(f"*/{PLAN_JSON}")]
    dated = [(date, file) for date, file in found if date is not None and date <= as_of]
    return max(dated, default=(None, None))[1]


def read_plan(path: Path, lakes: Mapping[str, str]) -> StoredPlan:
    """Return a written plan.

    Parameters
    ----------
    path
        A plan.json in a folder named after its issue date.
    lakes
        Names of lakes by lake_id; a lake that is not among them is called by its id.

    Raises
    ------
    ValueError
        It is damaged, of a newer format, or its issue date is not that of its folder.
    OSError
        It cannot be read.
    """
    text = path.read_bytes()
    try:
        if (written := _Head.model_validate_json(text).format) > FORMAT:
            raise ValueError(f"{path.as_posix()} has format {written}, this program reads {FORMAT}. {AGAIN}")
        plan = _Plan.model_validate_json(text)
    except ValidationError as error:
        first = error.errors(include_url=False, include_input=False, include_context=False)[0]
        where = ".".join(map(str, first["loc"]))
        told = plain(f"{where}: {first['msg']}" if where else first["msg"])
        raise ValueError(f"{path.as_posix()} is damaged ({told}). {AGAIN}") from error
    if plan_date(path.parent.name) != plan.as_of:
        raise ValueError(f"{path.as_posix()} says it is as of {plan.as_of}, its folder says otherwise. {AGAIN}")
    return StoredPlan(plan.as_of, tuple(_trip(trip, lakes) for trip in plan.trips), plan.notes)


def _trip(trip: _Trip, lakes: Mapping[str, str]) -> PlannedTrip:
    return PlannedTrip(
        party=trip.party,
        size=trip.size,
        wants=trip.wants,
        status=trip.status,
        chosen=_option(trip.chosen, lakes),
        best=_option(trip.best_alone, lakes),
        alternates=tuple(_option(o, lakes) for o in trip.alternates),
        plan_b=tuple(_plan_b(trip, lakes)),
        booked=None if trip.booked is None else _option(trip.booked, lakes),
        gain=trip.gain,
        reasons=trip.reasons,
        decide_by=trip.decide_by,
    )


def _plan_b(trip: _Trip, lakes: Mapping[str, str]) -> Iterator[TripB]:
    for b in trip.plan_b:
        name = lakes.get(b.lake_id) or b.lake_id
        yield TripB(b.lake_id, name, b.first, b.last, b.chance, b.correlation, b.chance_if_plan_a_fails)


def _option(option: _Option, lakes: Mapping[str, str]) -> TripOption:
    days = [TripDay(d.date, d.lake_id, lakes.get(d.lake_id) or d.lake_id, d.chance_moving) for d in option.days]
    days.sort(key=lambda d: d.date)
    numbers = (option.expected_moving_days, option.chance_any, option.value, option.hours_on_road)
    return TripOption(tuple(days), option.guide, *numbers)

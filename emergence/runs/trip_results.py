"""What a trip plan hands to the report."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass

from emergence.runs.results import RunInfo


@dataclass(frozen=True)
class TripDay:
    """One day on the water: ``expected`` [0..1] chance that anything wanted moves that day."""

    date: dt.date
    lake_id: str
    lake: str
    expected: float


@dataclass(frozen=True)
class TripOption:
    """Days of a trip with a guide: expected moving days, chance of at least one, value less travel [moving days].

    ``road_h`` [h] on the road, None where it is not known.
    """

    days: tuple[TripDay, ...]
    guide: str
    expected: float
    chance: float
    value: float
    road_h: float | None = None


@dataclass(frozen=True)
class TripB:
    """Plan B for a block of days: lake, its chance, its correlation with plan A, its chance where A fails.

    None where it cannot be told: one of the two never or always succeeds, A never fails.
    """

    lake_id: str
    lake: str
    first: dt.date
    last: dt.date
    chance: float
    correlation: float | None
    if_a_fails: float | None


@dataclass(frozen=True)
class PlannedTrip:
    """One party's trip.

    ``status``: new, kept, moved, fixed, done. ``booked`` what it had, ``gain`` [expected moving days] of the move,
    ``reasons`` why the booking could not stand; ``decide_by`` the last day on which it can still be moved; ``wants`` in
    words.
    """

    party: str
    size: int
    wants: str
    status: str
    chosen: TripOption
    best: TripOption
    alternates: tuple[TripOption, ...]
    plan_b: tuple[TripB, ...]
    booked: TripOption | None
    gain: float
    reasons: tuple[str, ...]
    decide_by: dt.date | None


@dataclass(frozen=True)
class Insisting:
    """What it costs to insist on another lake: the best there, what it takes from the party and from the others.

    ``others`` [moving days] is None where no plan for everybody is left; ``blocked`` are rules in words where the lake
    cannot be had at all.
    """

    lake_id: str
    lake: str
    option: TripOption | None
    own: float
    others: float | None
    blocked: tuple[str, ...]


@dataclass(frozen=True)
class TripsResult:
    """A plan: the trips, what was not planned and why, and what was assumed.

    ``conflict`` holds the parties and rules that cannot hold together, in words; ``gap`` the share by which a better
    plan could score more; ``wanted_gap``; ``caution`` the lowest share of a party's best chance where asked for,
    ``caution_proven`` whether no plan raises it.
    """

    info: RunInfo
    trips: tuple[PlannedTrip, ...]
    conflict: tuple[str, ...]
    conflict_proven: bool
    gap: float
    wanted_gap: float
    finished: bool
    caution: float | None
    left_out: tuple[str, ...]
    notes: tuple[str, ...]
    earlier: str = ""
    caution_proven: bool = True

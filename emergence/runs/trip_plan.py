"""Make the plan of a season's trips and put it into names, dates and words."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Mapping
from dataclasses import dataclass
from math import isnan

import numpy as np

from emergence.dates import to_date
from emergence.errors import WrongUseError
from emergence.planning.case import POOR, Case
from emergence.planning.plan import Option, Plan, PlanB, Search, Trip, make_plan
from emergence.planning.rules import Rule
from emergence.planning.stays import usable
from emergence.planning.why import insist
from emergence.records import Trips
from emergence.runs.execute import run_info
from emergence.runs.plan import RunPlan
from emergence.runs.trip_results import Insisting, PlannedTrip, TripB, TripDay, TripOption, TripsResult
from emergence.runs.trips import Kept, TripCase, make_case
from emergence.season.names import did_you_mean
from emergence.season.trips import name_key

MOST_LAKES = 6  # lakes for which it is told what insisting costs, those best for the party
STAGE_WORDS = {"moving": "on the move", "hatch": "hatching", "young": "young nymphs"}
POOR_NAMES = {"ice": "ice", "turnover": "the overturn", "heat": "heat at or above the stop"}
POOR_WORDS = {
    "ice": "No days whose chance of ice lies above {share:.0f} %",
    "turnover": "No days whose chance of the overturn lies above {share:.0f} %",
    "heat": "No days whose chance of a surface at or above the heat stop lies above {share:.0f} %",
}


@dataclass(frozen=True)
class TripRun:
    """A plan with its case, for questions asked afterwards."""

    result: TripsResult
    made: TripCase
    plan: Plan


def plan_trips(run: RunPlan, kept: Mapping[str, Kept], search: Search, *, earlier: str = "") -> TripRun:
    """Return the plan of a season's trips.

    Parameters
    ----------
    run
        The plan of a run over all lakes and the insects wanted (``runs.trips.wanted_taxa``).
    kept
        Bookings of the plan before, by ``season.trips.name_key`` of the party.
    search
        How to search.
    earlier
        Where the bookings come from, for the reader.
    """
    made = make_case(run, kept)
    plan, late = make_plan(made.case, search), []
    if plan.conflict is not None and made.case.outlook.first_day <= run.as_of:
        made = make_case(run, kept, with_done=False)
        plan = make_plan(made.case, search)
        late = ["Trips that are over do not count: they break a rule or have no guide any more."] * bool(plan.trips)
    words = _Words(run, made)
    conflict: tuple[str, ...] = ()
    if plan.conflict is not None:
        parties = [words.party(p) for p in plan.conflict.parties]
        conflict = (*parties, *(words.rule(rule) for rule in plan.conflict.rules))
    notes = [*made.notes, *late]
    notes += [f"{made.case.parties[p].name}: not every itinerary of two blocks was looked at." for p in plan.trimmed]
    notes += [words for trip in plan.trips for words in _poor_words(made.case, trip)]
    result = TripsResult(
        info=run_info(run),
        trips=tuple(words.trip(trip, made.decide_by[trip.party]) for trip in plan.trips),
        conflict=conflict,
        conflict_proven=plan.conflict is None or plan.conflict.proven,
        gap=plan.gap,
        wanted_gap=search.gap,
        finished=plan.finished,
        caution=plan.caution,
        left_out=(*made.left_out, *(f"{lake}: {why}" for lake, why in run.dropped.items())),
        notes=tuple(notes),
        earlier=earlier,
        caution_proven=plan.caution_proven,
    )
    return TripRun(result, made, plan)


def _poor_words(case: Case, trip: Trip) -> Iterator[str]:
    """Yield sentences on days of a trip that are worth nothing and booked knowingly."""
    for kind, row in zip(POOR, case.poor_day, strict=True):
        bad = [(lake, day) for lake, day in trip.chosen.cells if row[day, lake]]
        if bad:
            chance = max(float(case.outlook.poor[POOR.index(kind), day, lake]) for lake, day in bad)
            name = case.parties[trip.party].name
            days = f"{len(bad)} of {len(trip.chosen.cells)} days"
            yield f"{name}: {days} count as worth nothing for {POOR_NAMES[kind]} (chance up to {100 * chance:.0f} %)."


def explain_trip(run: RunPlan, trips: TripRun, party: str, search: Search) -> tuple[PlannedTrip, tuple[Insisting, ...]]:
    """Return a party's trip and what it would cost to insist on each other lake, the party's best ones first.

    Raises
    ------
    WrongUseError
        When no party of the plan is called that.
    """
    names = [p.name for p in trips.made.case.parties]
    keys = [name_key(name) for name in names]
    if name_key(party) not in keys:
        raise WrongUseError(f"No party of the plan is called {party!r}. {did_you_mean(party, tuple(names))}".rstrip())
    p = keys.index(name_key(party))
    chosen = {lake for lake, _ in trips.plan.trips[p].chosen.cells}
    columns = trips.plan.columns
    assert columns is not None
    worth = np.zeros(len(trips.made.case.outlook.lakes))
    for lakes, _, length in columns.stays[p].blocks:
        np.maximum.at(worth, lakes[length > 0], columns.stays[p].benefit[length > 0])
    order = [int(k) for k in np.argsort(-worth, kind="stable") if int(k) not in chosen][:MOST_LAKES]
    words = _Words(run, trips.made)
    found = []
    for lake in order:
        cost = insist(trips.plan, p, lake, search)
        found.append(
            Insisting(
                lake_id=words.lake_id(lake),
                lake=words.lake(lake),
                option=None if cost.option is None else words.option(p, cost.option),
                own=cost.own,
                others=None if isnan(cost.others) else cost.others,
                blocked=tuple(words.rule(rule) for rule in cost.blocked),
            )
        )
    return trips.result.trips[p], tuple(found)


class _Words:
    """Puts indices of a case into names, dates and sentences."""

    def __init__(self, run: RunPlan, made: TripCase) -> None:
        self.run, self.made, self.case = run, made, made.case
        assert run.season.booking is not None
        self.rows: Trips = run.season.booking.trips
        self.first = made.case.outlook.first_day
        self.counted = usable(made.case)

    def date(self, day: int) -> dt.date:
        return to_date(self.first + day)

    def lake_id(self, lake: int) -> str:
        return self.case.outlook.lakes[lake]

    def lake(self, lake: int) -> str:
        return str(self.run.lakes.name[lake]) or self.lake_id(lake)

    def option(self, p: int, option: Option) -> TripOption:
        wanted = np.flatnonzero(self.case.parties[p].weights > 0)
        days = tuple(
            TripDay(
                self.date(day),
                self.lake_id(lake),
                self.lake(lake),
                float(self.counted[wanted, day, lake].any(axis=0).mean()),
            )
            for lake, day in option.cells
        )
        guide = self.case.guides[option.guide].name if option.guide >= 0 else ""
        road = None if isnan(option.hours) else option.hours
        return TripOption(days, guide, option.expected, option.chance, option.value, road)

    def trip(self, trip: Trip, decide_by: int | None) -> PlannedTrip:
        p, party = trip.party, self.case.parties[trip.party]
        over = max(day for _, day in trip.chosen.cells) + self.first <= self.run.as_of
        return PlannedTrip(
            party=party.name,
            size=party.size,
            wants=self._wants(p),
            status="done" if over else trip.status,
            chosen=self.option(p, trip.chosen),
            best=self.option(p, trip.best),
            alternates=tuple(self.option(p, o) for o in trip.alternates),
            plan_b=tuple(self._plan_b(b) for b in trip.plan_b),
            booked=None if trip.booked is None else self.option(p, trip.booked),
            gain=trip.gain,
            reasons=tuple(self.rule(rule) for rule in trip.why_moved),
            decide_by=self._until(trip, decide_by),
        )

    def _until(self, trip: Trip, decide_by: int | None) -> dt.date | None:
        """Return until when a trip can be moved: the notice before its first day where nothing else is said."""
        row, run = self.made.rows[trip.party], self.run
        if decide_by is None and trip.status == "new" and self.rows.booking[row] == "movable":
            first = min(day for _, day in trip.chosen.cells) + self.first
            until = first - run.season.settings.trips.notice_days
            decide_by = until if until >= run.as_of else None
        return None if decide_by is None else to_date(decide_by)

    def _plan_b(self, b: PlanB) -> TripB:
        known = [None if isnan(x) else x for x in (b.correlation, b.if_a_fails)]
        first, last = self.date(b.days[0]), self.date(b.days[-1])
        return TripB(self.lake_id(b.lake), self.lake(b.lake), first, last, b.chance, known[0], known[1])

    def _wants(self, p: int) -> str:
        weights = self.case.parties[p].weights
        parts = []
        for k in np.flatnonzero(weights > 0):
            taxon, stage = self.case.outlook.wants[k]
            share = f" ({100 * weights[k]:.0f} %)" if weights[k] < 1 else ""
            parts.append(f"{self.run.taxa[taxon].name} {STAGE_WORDS[stage]}{share}")
        return ", ".join(parts)

    def party(self, p: int) -> str:
        """Return what a party wants as a sentence."""
        party, row = self.case.parties[p], self.made.rows[p]
        how = "in a row" if party.consecutive else "in at most two visits"
        days = f"{party.days} day{'s' if party.days > 1 else ''}{f' {how}' if party.days > 1 else ''}"
        where = f"trips.csv, row {self.rows.row[row]}"
        return f"{party.name} ({where}): {days} from {self.date(party.earliest)} to {self.date(party.latest)}"

    def rule(self, rule: Rule) -> str:
        """Return a rule as a sentence."""
        case, k = self.case, rule.index
        if rule.kind == "closure":
            closure = case.closures[k]
            why = f" ({closure.reason})" if closure.reason else ""
            return f"{self.lake(closure.lake)} is closed {self.date(closure.first)} to {self.date(closure.last)}{why}"
        if rule.kind in ("open", "permit", "per day", "per week", "quota"):
            return self._access(rule, case)
        if rule.kind == "poor":
            return POOR_WORDS[rule.name].format(share=100 * case.limits.most_poor[k])
        if rule.kind == "boats":
            return f"{rule.name} has boats for {case.guides[k].seats} guests"
        return {
            "works": f"{rule.name} works only on the days of guides.csv",
            "skills": f"{rule.name} has only the skills of guides.csv",
            "one party": f"{rule.name} guides one party a day",
            "lakes": f"{rule.name} goes only to the lakes and regions that it named",
            "fixed": f"{rule.name}'s booking is fixed",
            "travel": f"No way longer than {case.limits.most_travel_h:g} h, from the base or between two days' lakes",
        }[rule.kind]

    def _access(self, rule: Rule, case: Case) -> str:
        access = case.access[rule.index]
        lake = self.lake(access.lake)
        if rule.kind == "open":
            begin = "" if access.open_from is None else f" from {self.date(access.open_from)}"
            end = "" if access.open_to is None else f" to {self.date(access.open_to)}"
            return f"{lake} can be reached only{begin}{end}"
        return {
            "permit": f"The permit for {lake} is missing",
            "per day": f"{lake} takes {access.per_day} parties a day",
            "per week": f"{lake} takes {access.per_week} parties a week",
            "quota": f"{lake} has {access.quota} guided days a season",
        }[rule.kind]

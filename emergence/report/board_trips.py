"""The newest trip plan on the guide's board: what to decide soon, who fishes where and when, plan B."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterator, Sequence
from dataclasses import dataclass

from emergence.report.board_parts import Cell, Part, Shade, Table
from emergence.report.dates_shown import Dates
from emergence.report.text import plain
from emergence.report.trip_stored import StoredPlan
from emergence.report.trips import runs_of
from emergence.report.words import chance_words, count, percent
from emergence.runs.trip_results import PlannedTrip, TripDay, TripOption

DUE_DAYS = 14
"""Decisions due within so many days stand first; our choice."""
RULE = (
    "{age} Expected: days on which what the party wants shows, of its days there. Chance: of at least one such day on "
    "the whole trip. Not in the guests' copy."
)
B_RULE = "Plan B is for the same days the lake whose success goes least with plan A's."
TRIP_HEADS = ("Party", "Days", "Lake", "Chance", "Expected", "Guide", "Decide by", "Status")
DUE_HEADS = ("Party", "Decide by", "Days", "Lake", "Chance", "Or: days", "Lake", "Chance", "Status")
MOVED_HEADS = ("Party", "Booked: days", "Lake", "Now: days", "Lake", "Gain, moving days", "Why it cannot stand")
B_HEADS = ("Party", "Days", "Lake", "Plan B", "Its chance", "Where plan A fails")
Stay = tuple[TripDay, TripDay]


def trips_part(plan: StoredPlan, as_of: dt.date, *, month_first: bool = False) -> Part | None:
    """Return the board's part on trips, None where none is to come; guests do not get it.

    Parameters
    ----------
    plan
        The plan; its issue date is not after ``as_of``.
    as_of
        The board's issue date.
    month_first
        Whether dates are written with the month first.
    """
    trips = [trip for trip in plan.trips if trip.chosen.days[-1].date > as_of]
    if not trips:
        return None
    rows = _Rows(as_of, Dates(month_first=month_first))
    due = Table(f"To decide by {rows.dates.day(rows.due_by)}", DUE_HEADS, list(rows.due(trips)), frozenset({4, 7}))
    moved = Table("Bookings that the plan moves", MOVED_HEADS, list(rows.moved(trips)), frozenset({5}))
    plan_b = Table("Plan B", B_HEADS, list(rows.plan_b(trips)), frozenset({4, 5}))
    worth = Table("Worth knowing", ("Note",), [(plain(note),) for note in plan.notes])
    by_day = Table("Trips by day", TRIP_HEADS, list(rows.by_day(trips)), frozenset({3, 4}))
    return Part(
        key="trips",
        tab="Trips",
        heading="Trips",
        rule=" ".join([RULE.format(age=rows.age(plan.as_of)), *([B_RULE] if plan_b.rows else [])]),
        tables=[table for table in (due, moved, by_day, worth, plan_b) if table.rows],
    )


@dataclass(frozen=True)
class _Rows:
    """Puts trips into rows as seen on the board's issue date."""

    as_of: dt.date
    dates: Dates

    @property
    def due_by(self) -> dt.date:
        return self.as_of + dt.timedelta(days=DUE_DAYS)

    def age(self, planned: dt.date) -> str:
        """Return how old the plan is against the board."""
        when = f"Plan as of {self.dates.day_and_year(planned)}"
        days = (self.as_of - planned).days
        if not days:
            return f"{when}, the issue date of this board."
        return (
            f"{when}, {count(days, 'day')} older than this board: its chances are those of that day; what the board "
            "says now is not in it."
        )

    def due(self, trips: Sequence[PlannedTrip]) -> Iterator[Sequence[Cell]]:
        found = [(t.decide_by, t) for t in trips if t.decide_by and self.as_of <= t.decide_by <= self.due_by]
        for date, trip in sorted(found, key=lambda pair: pair[0]):
            other = trip.alternates[0] if trip.alternates else None
            yield (
                plain(trip.party),
                f"{self.dates.day(date)}, {_left((date - self.as_of).days)}",
                *self.option(trip.chosen),
                *(("", "", "") if other is None else self.option(other)),
                trip.status,
            )

    def option(self, option: TripOption) -> tuple[Cell, Cell, Cell]:
        stays = runs_of(option.days)
        lakes = dict.fromkeys(plain(first.lake) for first, _ in stays)
        return ", ".join(self.span(stay) for stay in stays), ", then ".join(lakes), _chance(option.chance)

    def moved(self, trips: Sequence[PlannedTrip]) -> Iterator[Sequence[Cell]]:
        for trip in trips:
            if trip.status == "moved":
                before = ("", "") if trip.booked is None else self.option(trip.booked)[:2]
                now = self.option(trip.chosen)[:2]
                yield plain(trip.party), *before, *now, f"{trip.gain:+.1f}", plain("; ".join(trip.reasons))

    def by_day(self, trips: Sequence[PlannedTrip]) -> Iterator[Sequence[Cell]]:
        for trip, stay in self.stays(trips):
            days = [d for d in trip.chosen.days if stay[0].date <= d.date <= stay[1].date]
            yield (
                plain(trip.party),
                self.span(stay),
                plain(stay[0].lake),
                _chance(trip.chosen.chance),
                f"{sum(d.expected for d in days):.1f} of {len(days)}",
                plain(trip.chosen.guide),
                self.decide(trip.decide_by),
                trip.status,
            )

    def plan_b(self, trips: Sequence[PlannedTrip]) -> Iterator[Sequence[Cell]]:
        for trip, (first, last) in self.stays(trips):
            for b in trip.plan_b:
                if first.date <= b.last and b.first <= last.date:
                    fails = "" if b.if_a_fails is None else _chance(b.if_a_fails)
                    days = self.dates.span(b.first, b.last)
                    yield plain(trip.party), days, plain(first.lake), plain(b.lake), _chance(b.chance), fails

    def stays(self, trips: Sequence[PlannedTrip]) -> list[tuple[PlannedTrip, Stay]]:
        """Return the stays that are not over, the soonest first."""
        found = [(trip, stay) for trip in trips for stay in runs_of(trip.chosen.days) if stay[1].date > self.as_of]
        return sorted(found, key=lambda pair: pair[1][0].date)

    def span(self, stay: Stay) -> str:
        return self.dates.span(stay[0].date, stay[1].date)

    def decide(self, date: dt.date | None) -> str:
        if date is None:
            return ""
        return self.dates.day(date) + (", passed" if date < self.as_of else "")


def _left(days: int) -> str:
    return f"in {count(days, 'day')}" if days else "that day"


def _chance(chance: float) -> Shade:
    """Return a chance in words and number; the number stays on one line."""
    return Shade(f"{chance_words(chance)}, {percent(chance)}".replace(" %", "\u00a0%"), chance)

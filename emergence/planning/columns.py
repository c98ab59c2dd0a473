"""From itineraries and rules to the program: one column for every party, itinerary and guide that break no rule."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cached_property

import numpy as np

from emergence.planning.case import Case, Floats, Ints, Party
from emergence.planning.rules import Days, Rule, allowed, hours_of, joint_rows, joint_rules, single_rules
from emergence.planning.solve import Program
from emergence.planning.stays import Stays, booked_item, party_stays, usable


@dataclass(frozen=True)
class Columns:
    """Columns of the program: ``party``, ``item`` (itinerary of the party) and ``guide`` of each, all (columns,).

    ``hours`` [h] on the road, ``value`` [expected moving days] worth less travel; ``score`` what the plan adds up:
    value drawn towards fairness, less the cost of moving. ``best`` (parties,) is each party's highest value alone, -inf
    where it has no column.
    """

    case: Case
    stays: tuple[Stays, ...]
    party: Ints
    item: Ints
    guide: Ints
    hours: Floats
    value: Floats
    score: Floats
    best: Floats

    @cached_property
    def days(self) -> Days:
        """The days on the water of all columns."""
        return _days(self)

    @property
    def expected(self) -> Floats:
        """Expected moving days of each column."""
        return self._of("expected")

    @property
    def chance(self) -> Floats:
        """Chance of at least one moving day of each column."""
        return self._of("chance")

    def _of(self, name: str) -> Floats:
        out = np.zeros(len(self.party))
        for p, stays in enumerate(self.stays):
            mine = self.party == p
            out[mine] = getattr(stays, name)[self.item[mine]]
        return out

    def take(self, index: Ints) -> Columns:
        """Return some columns, parties and their best values as before."""
        whose = (self.party[index], self.item[index], self.guide[index])
        worth = (self.hours[index], self.value[index], self.score[index])
        return Columns(self.case, self.stays, *whose, *worth, self.best)

    def program(self, rules: list[Rule] | None = None, *, travel: bool = True) -> Program:
        """Return the program under joint rules, all of the case's unless some are given."""
        wanted = joint_rules(self.case) if rules is None else rules
        rows = joint_rows(self.case, self.days, wanted, travel=travel)
        return Program(self.party, self.score, rows, len(self.stays))

    def booked(self) -> Ints:
        """Return the column of each party's booking with its guide (else its best one), -1 where there is none."""
        found = np.full(len(self.stays), -1, dtype=np.int64)
        for p, party in enumerate(self.case.parties):
            item = booked_item(self.stays[p], party)
            mine = np.flatnonzero((self.party == p) & (self.item == item)) if item >= 0 else np.zeros(0, dtype=np.int64)
            if len(mine):
                same = mine[self.guide[mine] == party.booked_guide]
                found[p] = same[0] if len(same) else mine[np.argmax(self.score[mine])]
        return found


def all_stays(case: Case) -> tuple[Stays, ...]:
    """Return every party's itineraries with their worth."""
    counted = usable(case)
    return tuple(party_stays(case, party, counted) for party in case.parties)


def make_columns(case: Case, stays: Sequence[Stays], rules: list[Rule] | None = None) -> Columns:
    """Return the columns that break none of the single rules (all of the case's unless some are given)."""
    wanted = single_rules(case) if rules is None else rules
    parts: list[tuple[Ints, Ints, Ints, Floats, Floats, Floats]] = []
    best = np.full(len(case.parties), -np.inf)
    for p, (party, own) in enumerate(zip(case.parties, stays, strict=True)):
        item, guide = np.nonzero(allowed(case, party, own, wanted))
        hours = hours_of(case, own)[item, guide]
        value = own.benefit[item] - case.limits.travel_cost * hours
        best[p] = value.max(initial=-np.inf)
        score = fair(value, best[p], case.limits.fairness) - _moving(party, own, item)
        parts.append((np.full(len(item), p), item, guide, hours, value, score))
    owner, items, guides, road, values, scores = (np.concatenate(x) for x in zip(*parts, strict=True))
    return Columns(case, tuple(stays), owner, items, guides, road, values, scores, best)


def fair(value: Floats, best: float, fairness: float) -> Floats:
    """Return values [moving days] less a penalty that grows with the square of what a party lacks to its best.

    Nothing is taken at the best value itself; at 0 it is ``fairness`` / 2 of the best.
    """
    if not np.isfinite(best) or best <= 0:
        return value
    return np.asarray(value - 0.5 * fairness * (best - value) ** 2 / best)


def _moving(party: Party, stays: Stays, item: Ints) -> Floats:
    """Return what leaving the booking costs each column."""
    if not party.booked or party.move_cost == 0:
        return np.zeros(len(item))
    return np.where(item == booked_item(stays, party), 0.0, party.move_cost)


def _days(columns: Columns) -> Days:
    column, lake, day, begins, ends = [], [], [], [], []
    for p, stays in enumerate(columns.stays):
        mine = np.flatnonzero(columns.party == p)
        item = columns.item[mine]
        for place, start, length in stays.blocks:
            count = length[item]
            within = np.arange(count.sum()) - np.repeat(np.cumsum(count) - count, count)
            column.append(np.repeat(mine, count))
            lake.append(np.repeat(place[item], count))
            day.append(np.repeat(start[item], count) + within)
            begins.append(within == 0)
            ends.append(within == np.repeat(count, count) - 1)
    whole = np.concatenate(column)
    return Days(
        column=whole,
        lake=np.concatenate(lake),
        day=np.concatenate(day),
        guide=columns.guide[whole],
        begins=np.concatenate(begins),
        ends=np.concatenate(ends),
    )

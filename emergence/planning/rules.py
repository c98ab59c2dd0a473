"""The rules of a plan, each with a name: which itineraries break them, and the rows they add to the program."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.planning.case import POOR, Bools, Case, Floats, Ints, Party
from emergence.planning.stays import Stays, booked_item


@dataclass(frozen=True, order=True)
class Rule:
    """One rule: its kind, what it is about (lake, guide, party, closure: an index) and that one's name."""

    kind: str
    index: int = 0
    name: str = ""


def single_rules(case: Case) -> list[Rule]:
    """Return the rules that one itinerary alone can break."""
    lakes = case.outlook.lakes
    found = [Rule("closure", k, lakes[c.lake]) for k, c in enumerate(case.closures)]
    for k, access in enumerate(case.access):
        if access.open_from is not None or access.open_to is not None:
            found.append(Rule("open", k, lakes[access.lake]))
        if not access.permit:
            found.append(Rule("permit", k, lakes[access.lake]))
    for k, kind in enumerate(POOR):
        found.append(Rule("poor", k, kind))
    for k, guide in enumerate(case.guides):
        found += [Rule(kind, k, guide.name) for kind in ("works", "boats", "skills")]
    for k, party in enumerate(case.parties):
        found.append(Rule("lakes", k, party.name))
        if party.fixed:
            found.append(Rule("fixed", k, party.name))
    return [*found, Rule("travel")]


def joint_rules(case: Case) -> list[Rule]:
    """Return the rules that several parties together can break."""
    lakes = case.outlook.lakes
    found = [Rule("one party", k, guide.name) for k, guide in enumerate(case.guides)]
    for k, access in enumerate(case.access):
        for kind, limit in (("per day", access.per_day), ("per week", access.per_week), ("quota", access.quota)):
            if limit is not None:
                found.append(Rule(kind, k, lakes[access.lake]))
    return found


def hours_of(case: Case, stays: Stays) -> Floats:
    """Return hours on the road of every itinerary and guide, (itineraries, guides): there, between and back."""
    base = np.array([guide.hours for guide in case.guides]).T
    two = stays.length2 > 0
    change, again = stays.adjacent, two & ~stays.adjacent
    hours: Floats = base[stays.lake] * np.where(change, 1.0, 2.0)[:, None]
    hours += base[stays.lake2] * np.where(change, 1.0, np.where(again, 2.0, 0.0))[:, None]
    return np.asarray(hours + np.where(change, case.between[stays.lake, stays.lake2], 0.0)[:, None])


def breaks(case: Case, party: Party, stays: Stays, rule: Rule) -> Bools:
    """Return which itineraries break a rule with which guide, (itineraries, guides or 1)."""
    if rule.kind in ("works", "boats", "skills"):
        return _guide_breaks(case, party, stays, rule)
    if rule.kind == "travel":
        return _too_far(case, stays)
    if rule.kind == "fixed":
        return _unlike_booking(case, party, stays, rule)
    broken = np.zeros(len(stays), dtype=bool)
    for lake, start, length in stays.blocks:
        broken |= (length > 0) & _block_breaks(case, party, rule, lake, start, start + length - 1)
    return broken[:, None]


def _block_breaks(case: Case, party: Party, rule: Rule, lake: Ints, first: Ints, last: Ints) -> Bools:
    if rule.kind == "closure":
        closure = case.closures[rule.index]
        return np.asarray((lake == closure.lake) & (first <= closure.last) & (last >= closure.first))
    if rule.kind == "open":
        access = case.access[rule.index]
        early = np.zeros(len(lake), dtype=bool) if access.open_from is None else first < access.open_from
        late = np.zeros(len(lake), dtype=bool) if access.open_to is None else last > access.open_to
        return np.asarray((lake == access.lake) & (early | late))
    if rule.kind == "permit":
        return np.asarray(lake == case.access[rule.index].lake)
    if rule.kind == "poor":
        if party.poor_ok or party.fixed:
            return np.zeros(len(lake), dtype=bool)
        return _any_day(case.poor_day[rule.index], lake, first, last)
    if case.parties[rule.index] is not party or party.fixed:
        return np.zeros(len(lake), dtype=bool)
    return np.asarray(~party.lakes[lake])


def _any_day(flags: Bools, lake: Ints, first: Ints, last: Ints) -> Bools:
    """Return whether any day of a block is flagged; ``flags`` (days, lakes)."""
    total = np.concatenate([np.zeros((1, flags.shape[1]), dtype=np.int64), np.cumsum(flags, axis=0)])
    return np.asarray(total[last + 1, lake] > total[first, lake])


def _guide_breaks(case: Case, party: Party, stays: Stays, rule: Rule) -> Bools:
    guide = case.guides[rule.index]
    broken = np.zeros((len(stays), len(case.guides)), dtype=bool)
    if rule.kind == "works":
        off = ~guide.works[:, None]
        for lake, start, length in stays.blocks:
            broken[:, rule.index] |= (length > 0) & _any_day(off, np.zeros_like(lake), start, start + length - 1)
    else:
        lacks = party.size > guide.seats if rule.kind == "boats" else not party.skills <= guide.skills
        broken[:, rule.index] = lacks
    return broken


def _too_far(case: Case, stays: Stays) -> Bools:
    most = case.limits.most_travel_h + 1e-9
    base = np.array([guide.hours for guide in case.guides]).T > most
    broken = base[stays.lake] | (base[stays.lake2] & (stays.length2 > 0)[:, None])
    return np.asarray(broken | (stays.adjacent & (case.between[stays.lake, stays.lake2] > most))[:, None])


def _unlike_booking(case: Case, party: Party, stays: Stays, rule: Rule) -> Bools:
    broken = np.zeros((len(stays), len(case.guides)), dtype=bool)
    if case.parties[rule.index] is party:
        broken[:] = (np.arange(len(stays)) != booked_item(stays, party))[:, None]
        if party.booked_guide >= 0:
            broken[:, np.arange(len(case.guides)) != party.booked_guide] = True
    return broken


def allowed(case: Case, party: Party, stays: Stays, rules: list[Rule]) -> Bools:
    """Return which itineraries break none of the rules with which guide, (itineraries, guides)."""
    fine = np.ones((len(stays), len(case.guides)), dtype=bool)
    for rule in rules:
        fine &= ~breaks(case, party, stays, rule)
    return fine


@dataclass(frozen=True)
class Rows:
    """Rows of the program: ``row``, ``column`` and ``weight`` of the entries, and each row's upper bound."""

    row: Ints
    column: Ints
    weight: Floats
    upper: Floats


@dataclass(frozen=True)
class Days:
    """Days on the water of columns: column, lake, day, guide of each, and the party's ends and beginnings of blocks."""

    column: Ints
    lake: Ints
    day: Ints
    guide: NDArray[np.int64]
    begins: Bools
    ends: Bools


def joint_rows(case: Case, days: Days, rules: list[Rule], *, travel: bool) -> Rows:
    """Return the rows of the joint rules, and of guides' ways from one day's lake to the next where ``travel``."""
    parts = list(_parts(case, days, rules, travel))
    row: list[Ints] = []
    upper: list[Floats] = []
    count = 0
    for keys, _, _, most in parts:
        different, place = np.unique(keys, return_inverse=True)
        row.append(place.ravel() + count)
        upper.append(np.full(len(different), most, dtype=np.float64))
        count += len(different)
    if not parts:
        none = np.zeros(0, dtype=np.int64)
        return Rows(none, none, np.zeros(0), np.zeros(0))
    column = np.concatenate([p[1] for p in parts])
    return Rows(np.concatenate(row), column, np.concatenate([p[2] for p in parts]), np.concatenate(upper))


def _parts(case: Case, days: Days, rules: list[Rule], travel: bool) -> Iterator[tuple[Ints, Ints, Floats, float]]:
    """Yield (key of the row, column, weight, upper bound) for each rule."""
    for rule in rules:
        if rule.kind == "one party":
            mine = days.guide == rule.index
            yield days.day[mine], days.column[mine], np.ones(int(mine.sum())), 1.0
            continue
        access = case.access[rule.index]
        mine = days.lake == access.lake
        column, day = days.column[mine], days.day[mine]
        if rule.kind == "per day":
            yield day, column, np.ones(len(day)), float(access.per_day or 0)
        elif rule.kind == "quota":
            yield np.zeros_like(day), column, np.ones(len(day)), float(access.quota or 0)
        else:
            pairs = np.unique(np.stack([case.outlook.week(day), column]), axis=1)
            yield pairs[0], pairs[1], np.ones(pairs.shape[1]), float(access.per_week or 0)
    if travel:
        yield from _ways(case, days)


def _ways(case: Case, days: Days) -> Iterator[tuple[Ints, Ints, Floats, float]]:
    """Yield the ways a guide cannot drive between two days: an end at a lake excludes far beginnings next morning."""
    far = case.between > case.limits.most_travel_h + 1e-9
    for lake in np.flatnonzero(far.any(axis=1)):
        leaves = days.ends & (days.lake == lake)
        comes = days.begins & far[lake][days.lake]
        key = np.concatenate([
            days.guide[leaves] * (case.outlook.days + 1) + days.day[leaves] + 1,
            days.guide[comes] * (case.outlook.days + 1) + days.day[comes],
        ])  # fmt: skip
        column = np.concatenate([days.column[leaves], days.column[comes]])
        if leaves.any() and comes.any():
            yield key, column, np.ones(len(column)), 1.0

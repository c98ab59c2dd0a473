"""The plan: columns chosen, moves that pay, and for every trip its alternates and a plan B."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass, field, replace

import numpy as np
from scipy import sparse

from emergence.planning.case import Bools, Case, Cell, Ints
from emergence.planning.columns import Columns, all_stays, make_columns
from emergence.planning.conflict import Conflict, find_conflict
from emergence.planning.rules import Days, Rule, breaks, single_rules
from emergence.planning.solve import DIRECT, NEAR, TINY, Chosen, Program, solve
from emergence.planning.stays import Stays, usable

ALTERNATES = 3  # told of each trip beside the one chosen; our prior
CAUTION_STEP = 0.005  # to which the lowest share of the best chance is raised; our prior
LEAST_B = 0.5  # of the best plan B's chance: a plan B has at least this share of it; our prior


@dataclass(frozen=True)
class Option:
    """Days of a trip: cells (lake, day), guide, expected moving days, chance of at least one, value less travel.

    ``hours`` [h] on the road, NaN where the booking can no longer be had.
    """

    cells: tuple[Cell, ...]
    guide: int
    expected: float
    chance: float
    value: float
    hours: float = np.nan


@dataclass(frozen=True)
class PlanB:
    """Another lake for a block's days: chance, correlation of its success with plan A's, chance where A fails.

    ``correlation`` is NaN where one of the two succeeds always or never, ``if_a_fails`` where A never fails.
    """

    lake: int
    days: tuple[int, ...]
    chance: float
    correlation: float
    if_a_fails: float


@dataclass(frozen=True)
class Trip:
    """What one party gets.

    ``status``: new, kept, moved, fixed; ``why_moved``: the rules its booking breaks now; ``gain`` [expected moving
    days] against the booking; ``best`` what the party would have with everything for itself.
    """

    party: int
    chosen: Option
    best: Option
    status: str
    alternates: tuple[Option, ...]
    plan_b: tuple[PlanB, ...]
    booked: Option | None = None
    why_moved: tuple[Rule, ...] = ()
    gain: float = 0.0


@dataclass(frozen=True)
class Plan:
    """The trips in the order of parties; none where a ``conflict`` or the time stood against it.

    ``score`` and ``bound`` are what the program adds up (value, fairness, cost of moving), ``gap`` the share by which a
    better plan could score more, ``finished`` whether the wanted gap was reached in time; ``trimmed`` are parties some
    of whose itineraries were not looked at; ``caution`` the lowest share of a party's best chance, where asked for,
    ``caution_proven`` whether no plan raises it by CAUTION_STEP; the gap is then that among the plans that reach it.
    """

    case: Case
    trips: tuple[Trip, ...]
    score: float
    bound: float
    gap: float
    finished: bool
    trimmed: tuple[int, ...] = ()
    conflict: Conflict | None = None
    caution: float | None = None
    caution_proven: bool = True
    columns: Columns | None = field(default=None, repr=False)


@dataclass(frozen=True)
class Search:
    """How to search: relative ``gap``, ``time_limit`` of HiGHS [s]; ``direct`` and ``near`` as in ``solve.solve``."""

    gap: float = 0.02
    time_limit: float = 60.0
    cautious: bool = False
    direct: int = DIRECT
    near: int = NEAR


def make_plan(case: Case, search: Search | None = None) -> Plan:
    """Return the plan of a case.

    Parameters
    ----------
    case
        The case.
    search
        How to search.

    Notes
    -----
    Where there are bookings, a plan that does not score more than keeping them all is not made, and a single move that
    does not pay is taken back.
    """
    search = search or Search()
    stays = all_stays(case)
    columns = make_columns(case, stays)
    caution, proven = None, True
    how = {"direct": search.direct, "near": search.near}
    chosen = solve(columns.program(), gap=search.gap, time_limit=search.time_limit, **how)
    if chosen.status == "impossible":
        return Plan(case, (), -np.inf, np.inf, np.inf, True, conflict=find_conflict(case, stays))
    if search.cautious and len(chosen.columns):
        columns, chosen, caution, proven = _cautious(columns, chosen, search)
    if not len(chosen.columns):
        return Plan(case, (), -np.inf, chosen.bound, np.inf, False)
    program = columns.program()
    picked = _moves_that_pay(columns, program, chosen.columns)
    final = replace(chosen, columns=picked, score=float(columns.score[picked].sum()))
    return Plan(
        case=case,
        trips=_trips(columns, program, picked),
        score=final.score,
        bound=max(final.bound, final.score),
        gap=final.gap,
        finished=chosen.status == "optimal",
        trimmed=tuple(p for p, s in enumerate(stays) if s.trimmed),
        caution=caution,
        caution_proven=proven,
        columns=columns,
    )


def chance_share(columns: Columns) -> np.ndarray[tuple[int], np.dtype[np.float64]]:
    """Return each column's chance of at least one moving day as a share of its party's best, 1 where that is 0."""
    chance = columns.chance
    best = np.zeros(len(columns.stays))
    np.maximum.at(best, columns.party, chance)
    own = best[columns.party]
    return np.where(own > 0, chance / np.where(own > 0, own, 1.0), 1.0)


def _cautious(columns: Columns, chosen: Chosen, search: Search) -> tuple[Columns, Chosen, float, bool]:
    """Raise the lowest share of a party's best chance as far as it goes, then choose among what reaches it.

    The last of what is returned tells whether it was proven, and not only not found in time, that it goes no further.
    """
    share = chance_share(columns)
    low, high = float(share[chosen.columns].min()), 1.0
    best, proven = chosen, True
    plain = replace(columns, score=np.zeros(len(columns.score)))
    while high - low > CAUTION_STEP:
        middle = 0.5 * (low + high)
        part = np.flatnonzero(share >= middle - TINY)
        found = solve(plain.take(part).program(), gap=1.0, time_limit=search.time_limit / 8, direct=search.direct)
        if len(found.columns):
            low = max(middle, float(share[part[found.columns]].min()))
            best = replace(found, columns=part[found.columns])
        else:
            high = middle
            proven &= found.status == "impossible"
    part = np.flatnonzero(share >= low - TINY)
    some = columns.take(part)
    final = solve(some.program(), gap=search.gap, time_limit=search.time_limit, direct=search.direct)
    if len(final.columns):
        return some, final, low, proven
    kept = np.searchsorted(part, best.columns)
    score = float(some.score[kept].sum())
    return some, Chosen(kept, score, max(final.bound, score), "time"), low, proven


def fits(program: Program, picked: Ints) -> bool:
    """Return whether some columns hold all joint rows together."""
    used = program.matrix()[:, picked].sum(axis=1)
    return bool((used <= program.rows.upper + TINY).all())


def room_for(program: Program, matrix: sparse.csr_array, others: Ints) -> Bools:
    """Return which columns still fit beside some others, (columns,)."""
    used = np.asarray(matrix[:, others].sum(axis=1)).ravel()
    entries = matrix.tocoo()
    full = (entries.data > (program.rows.upper - used)[entries.row] + TINY).astype(np.float64)
    return np.asarray(np.bincount(entries.col, full, minlength=len(program.party)) == 0)


def _moves_that_pay(columns: Columns, program: Program, picked: Ints) -> Ints:
    """Return the plan without moves that do not pay."""
    booked = columns.booked()
    some = booked >= 0
    kept = np.where(some, booked, picked)
    if some.any() and fits(program, kept) and columns.score[kept].sum() >= columns.score[picked].sum() - TINY:
        return kept
    plan = picked.copy()
    for p in np.flatnonzero(some):
        if columns.item[plan[p]] == columns.item[booked[p]]:
            continue
        back = plan.copy()
        back[p] = booked[p]
        if fits(program, back) and columns.score[back].sum() >= columns.score[plan].sum() - TINY:
            plan = back
    return plan


def option(columns: Columns, column: int) -> Option:
    """Return one column as an option."""
    stays, item = columns.stays[columns.party[column]], int(columns.item[column])
    return Option(
        cells=stays.days_of(item),
        guide=int(columns.guide[column]),
        expected=float(stays.expected[item]),
        chance=float(stays.chance[item]),
        value=float(columns.value[column]),
        hours=float(columns.hours[column]),
    )


def _trips(columns: Columns, program: Program, picked: Ints) -> tuple[Trip, ...]:
    matrix = program.matrix()
    counted, booked = usable(columns.case), columns.booked()
    found = []
    for p, column in enumerate(picked):
        mine = np.flatnonzero(columns.party == p)
        fine = room_for(program, matrix, np.delete(picked, p))[mine]
        chosen = option(columns, int(column))
        best = option(columns, int(mine[np.argmax(columns.value[mine])]))
        trip = Trip(
            party=p,
            chosen=chosen,
            best=best,
            status=_status(columns, p, int(column)),
            alternates=_alternates(columns, mine[fine], chosen),
            plan_b=_plans_b(columns, np.delete(picked, p), p, chosen, counted),
        )
        found.append(_against_booking(columns, trip, int(booked[p])))
    return tuple(found)


def _status(columns: Columns, p: int, column: int) -> str:
    party = columns.case.parties[p]
    if not party.booked:
        return "new"
    same = set(columns.stays[p].days_of(int(columns.item[column]))) == set(party.booked)
    return ("fixed" if party.fixed else "kept") if same else "moved"


def _against_booking(columns: Columns, trip: Trip, booked: int) -> Trip:
    party = columns.case.parties[trip.party]
    if not party.booked:
        return trip
    if booked >= 0:
        old = option(columns, booked)
        return replace(trip, booked=old, gain=trip.chosen.value - old.value)
    stays = columns.stays[trip.party]
    item = next((k for k in range(len(stays)) if set(stays.days_of(k)) == set(party.booked)), -1)
    if item < 0:
        return trip
    one = _single(stays, item)
    broken = tuple(r for r in single_rules(columns.case) if breaks(columns.case, party, one, r).all())
    old = Option(party.booked, party.booked_guide, float(one.expected[0]), float(one.chance[0]), float(one.benefit[0]))
    return replace(trip, booked=old, why_moved=broken, gain=trip.chosen.expected - old.expected)


def _single(stays: Stays, item: int) -> Stays:
    names = ("lake", "start", "length", "lake2", "start2", "length2", "benefit", "expected", "chance")
    return Stays(**{name: getattr(stays, name)[[item]] for name in names})


def _alternates(columns: Columns, fine: Ints, chosen: Option) -> tuple[Option, ...]:
    """Return the best other options that are still free, one for each other choice of lakes, and one of other dates."""
    found: list[Option] = []
    seen = set()
    for column in fine[np.argsort(-columns.value[fine], kind="stable")]:
        other = option(columns, int(column))
        lakes = tuple(sorted({lake for lake, _ in other.cells}))
        if set(other.cells) & set(chosen.cells) or lakes in seen:
            continue
        seen.add(lakes)
        found.append(other)
        if len(found) == ALTERNATES:
            break
    return tuple(found)


def _blocks(cells: Sequence[Cell]) -> list[tuple[int, tuple[int, ...]]]:
    """Return (lake, days) of each run of days at one lake."""
    found: list[tuple[int, tuple[int, ...]]] = []
    for lake, day in cells:
        if found and found[-1][0] == lake and found[-1][1][-1] + 1 == day:
            found[-1] = (lake, (*found[-1][1], day))
        else:
            found.append((lake, (day,)))
    return found


def _plans_b(columns: Columns, others: Ints, p: int, chosen: Option, counted: Bools) -> tuple[PlanB, ...]:
    """Return for each block of days the lake whose success goes least with plan A's."""
    case = columns.case
    wanted = np.flatnonzero(case.parties[p].weights > 0)
    beside = columns.take(others).days
    found = []
    for lake, days in _blocks(chosen.cells):
        success = np.asarray(counted[wanted][:, list(days)].any(axis=(0, 1)))  # (lakes, members)
        free = _open_lakes(case, p, chosen, lake, days) & _rested(case, beside, days)
        chances = success.mean(axis=1)
        if not free.any() or chances[free].max() <= 0:
            continue
        good = np.flatnonzero(free & (chances >= LEAST_B * chances[free].max()))
        agree = np.array([correlation(success[lake], success[b]) for b in good])
        best = int(good[np.lexsort((good, -chances[good], np.nan_to_num(agree, nan=0.0)))[0]])
        fails = ~success[lake]
        rescued = float(success[best][fails].mean()) if fails.any() else float("nan")
        both = correlation(success[lake], success[best])
        found.append(PlanB(best, days, float(chances[best]), both, rescued))
    return tuple(found)


def _rested(case: Case, beside: Days, days: tuple[int, ...]) -> Bools:
    """Return the lakes whose joint rules leave room for one party more on these days."""
    fine = np.ones(len(case.outlook.lakes), dtype=bool)
    week = case.outlook.week(beside.day)
    for access in case.access:
        here = beside.lake == access.lake
        full = access.quota is not None and here.sum() + len(days) > access.quota
        for day in days:
            today = here & (beside.day == day)
            full |= access.per_day is not None and today.sum() + 1 > access.per_day
            now = here & (week == case.outlook.week(np.array([day]))[0])
            full |= access.per_week is not None and len(np.unique(beside.column[now])) + 1 > access.per_week
        fine[access.lake] &= not full
    return fine


def correlation(one: Bools, other: Bools) -> float:
    """Return the correlation of two successes over members (phi coefficient), NaN where one of them never varies."""
    a, b = one.mean(), other.mean()
    spread = a * (1 - a) * b * (1 - b)
    return float((np.mean(one & other) - a * b) / np.sqrt(spread)) if spread > 0 else float("nan")


def _open_lakes(case: Case, p: int, chosen: Option, lake: int, days: tuple[int, ...]) -> Bools:
    """Return the lakes where the party could be on these days with its guide, the single rules held."""
    party = replace(case.parties[p], fixed=False, booked=())
    own = replace(case, parties=(*case.parties[:p], party, *case.parties[p + 1 :]))
    lakes = np.arange(len(case.outlook.lakes))
    none = np.zeros_like(lakes)
    ints = (lakes, none + days[0], none + len(days), none, none, none)
    stays = Stays(*ints, np.zeros(len(lakes)), np.zeros(len(lakes)), np.zeros(len(lakes)))
    fine = np.ones(len(lakes), dtype=bool)
    for rule in single_rules(own):
        fine &= ~np.broadcast_to(breaks(own, party, stays, rule), (len(lakes), len(case.guides)))[:, chosen.guide]
    fine[lake] = False
    return fine

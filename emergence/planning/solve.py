"""The mixed-integer program: one column a party, no row above its bound, the highest sum of scores.

Small programs go to HiGHS whole. Large ones first by column generation: the relaxed program is solved on a growing part
of the columns until no other improves it, which bounds every plan from above; only columns that could still be part of
a better plan than the one in hand enter the integer program.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
from scipy import sparse
from scipy.optimize import Bounds, LinearConstraint, linprog, milp

from emergence.planning.case import Bools, Floats, Ints
from emergence.planning.rules import Rows

DIRECT = 2_000
FIRST, MORE = 60, 40  # columns a party that the relaxed program begins with, and is given more of at a time
NEAR = 60  # columns a party, the nearest to the relaxed plan, among which a plan is looked for first
ROUNDS = 60
LEFT_OUT = 1e4  # what a party without a trip costs in the relaxed program; far above any score
TINY = 1e-7
INFEASIBLE = 2  # status of HiGHS as scipy tells it


@dataclass(frozen=True)
class Program:
    """The columns: ``party`` (columns,) of each, ``score`` (columns,), and the joint rows."""

    party: Ints
    score: Floats
    rows: Rows
    parties: int

    def matrix(self) -> sparse.csr_array:
        """Return the joint rows (rows, columns)."""
        shape = (len(self.rows.upper), len(self.party))
        return sparse.csr_array((self.rows.weight, (self.rows.row, self.rows.column)), shape=shape)


@dataclass(frozen=True)
class Chosen:
    """The columns chosen, one a party in their order, empty where there is no plan.

    ``bound``: no plan scores more; ``status``: optimal (within the gap), time (the best found in time), impossible
    (proven), unknown (nothing found in time).
    """

    columns: Ints
    score: float
    bound: float
    status: str

    @property
    def gap(self) -> float:
        """By how much a better plan could score more, as a share."""
        return max(self.bound - self.score, 0.0) / max(abs(self.score), TINY) if len(self.columns) else float("inf")


def solve(program: Program, *, gap: float, time_limit: float, direct: int = DIRECT, near: int = NEAR) -> Chosen:
    """Return the best columns.

    Parameters
    ----------
    program
        The program.
    gap
        Relative gap at which the search may stop.
    time_limit
        For HiGHS [s]; when it ends the search the best plan found is returned and says so.
    direct
        Programs of more columns are solved by column generation.
    near
        Columns a party among which a plan is looked for first.
    """
    if len(np.unique(program.party)) < program.parties:
        return _none("impossible")
    matrix = program.matrix()
    everything = np.arange(len(program.party))
    if len(everything) <= direct:
        return _integer(program, matrix, everything, gap=gap, time_limit=time_limit)
    relaxed = _relaxed(program, matrix)
    if relaxed is None:
        return _none("impossible")
    few = np.zeros(len(everything), dtype=bool)
    _admit(few, program.party, relaxed.reduced, near)
    first = _integer(program, matrix, np.flatnonzero(few), gap=gap / 2, time_limit=time_limit / 2)
    first = replace(first, bound=relaxed.bound)
    if first.gap <= gap:
        return replace(first, status="optimal")
    could = np.flatnonzero(relaxed.last_bound + relaxed.reduced >= first.score - TINY)
    second = _integer(program, matrix, could, gap=gap, time_limit=time_limit / 2)
    bound = min(relaxed.bound, max(second.bound, first.score))
    if len(second.columns) and second.score >= first.score:
        return replace(second, bound=bound)
    return replace(first, bound=bound, status="time") if len(first.columns) else second


def _none(status: str) -> Chosen:
    return Chosen(np.zeros(0, dtype=np.int64), -np.inf, np.inf, status)


def _party_rows(party: Ints, parties: int) -> sparse.csr_array:
    return sparse.csr_array((np.ones(len(party)), (party, np.arange(len(party)))), shape=(parties, len(party)))


def _integer(program: Program, matrix: sparse.csr_array, columns: Ints, *, gap: float, time_limit: float) -> Chosen:
    """Return the best choice among some columns, bounded for these."""
    part = matrix[:, columns]
    constraints = [LinearConstraint(_party_rows(program.party[columns], program.parties), 1, 1)]
    if part.shape[0]:
        constraints.append(LinearConstraint(part, -np.inf, program.rows.upper))
    found = milp(
        -program.score[columns],
        integrality=np.ones(len(columns), dtype=np.int64),
        bounds=Bounds(0, 1),
        constraints=constraints,
        options={"mip_rel_gap": gap, "time_limit": max(time_limit, 0.1)},
    )
    if found.status == INFEASIBLE:
        return _none("impossible")
    picked = columns[found.x > 0.5] if found.x is not None else greedy(program, matrix, columns)
    if len(picked) < program.parties:
        return _none("unknown")
    picked = picked[np.argsort(program.party[picked], kind="stable")]
    score = float(program.score[picked].sum())
    bound = -float(found.mip_dual_bound) if found.mip_dual_bound is not None else np.inf
    return Chosen(picked, score, max(bound, score), "optimal" if found.status == 0 else "time")


def greedy(program: Program, matrix: sparse.csr_array, columns: Ints) -> Ints:
    """Return a plan made party by party, those with the fewest columns first; empty where one finds no place."""
    by_column = matrix.tocsc()
    left = program.rows.upper.astype(np.float64).copy()
    count = np.bincount(program.party[columns], minlength=program.parties)
    picked = []
    for party in np.argsort(count, kind="stable"):
        mine = columns[program.party[columns] == party]
        for column in mine[np.argsort(-program.score[mine], kind="stable")]:
            entries = slice(by_column.indptr[column], by_column.indptr[column + 1])
            rows, weight = by_column.indices[entries], by_column.data[entries]
            if (weight <= left[rows] + TINY).all():
                left[rows] -= weight
                picked.append(int(column))
                break
        else:
            return np.zeros(0, dtype=np.int64)
    return np.array(picked, dtype=np.int64)


@dataclass(frozen=True)
class _Relaxed:
    """The relaxed program: its best bound and its last.

    A plan with a column scores at most the last bound plus the column's ``reduced`` score, which is at most 0.
    """

    bound: float
    last_bound: float
    reduced: Floats


def _relaxed(program: Program, matrix: sparse.csr_array) -> _Relaxed | None:
    """Return the relaxed program solved over all columns, None where even it has no plan for everybody."""
    inside = np.zeros(len(program.party), dtype=bool)
    _admit(inside, program.party, program.score, FIRST)
    reduced, bound, last, unplaced = np.zeros(len(program.party)), np.inf, np.inf, 1.0
    for _ in range(ROUNDS):
        columns = np.flatnonzero(inside)
        prices, party_price, unplaced, value = _prices(program, matrix, columns)
        priced = program.score - matrix.T @ prices
        best = np.full(program.parties, -np.inf)
        np.maximum.at(best, program.party, priced)
        last = value + float(np.maximum(best - party_price, 0.0).sum())
        bound = min(bound, last)
        reduced = priced - best[program.party]
        gain = priced - party_price[program.party]
        if last - value <= TINY * max(abs(value), 1.0) or not (gain > TINY).any():
            break
        _admit(inside, program.party, np.where(gain > TINY, gain, -np.inf), MORE)
    return None if unplaced > 1e-6 else _Relaxed(bound, last, reduced)


def _admit(inside: Bools, party: Ints, worth: Floats, count: int) -> None:
    """Let the best columns of each party in."""
    candidates = np.flatnonzero(~inside & (worth > -np.inf))
    order = candidates[np.lexsort((-worth[candidates], party[candidates]))]
    owner = party[order]
    first = np.searchsorted(owner, owner)
    inside[order[np.arange(len(order)) - first < count]] = True


def _prices(program: Program, matrix: sparse.csr_array, columns: Ints) -> tuple[Floats, Floats, float, float]:
    """Return prices of the rows, of the parties, how many parties the relaxed plan leaves out, and its score."""
    parties, count = program.parties, len(columns) + program.parties
    own = _party_rows(np.concatenate([program.party[columns], np.arange(parties)]), parties)
    some = matrix[:, columns]
    part = sparse.csr_array((some.data, some.indices, some.indptr), shape=(some.shape[0], count))
    cost = np.concatenate([-program.score[columns], np.full(parties, LEFT_OUT)])
    found = linprog(  # type: ignore[call-overload]  # it takes sparse matrices, its stubs do not know
        cost,
        A_ub=part,
        b_ub=program.rows.upper,
        A_eq=own,
        b_eq=np.ones(parties),
        bounds=(0, None),
        method="highs",
    )
    prices = -np.asarray(found.ineqlin.marginals, dtype=np.float64)
    left_out = float(found.x[len(columns) :].sum())
    return prices, -np.asarray(found.eqlin.marginals), left_out, -float(found.fun)

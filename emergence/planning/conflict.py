"""Why there is no plan: the smallest set of parties and rules that cannot hold together."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np

from emergence.planning.case import Case
from emergence.planning.columns import make_columns
from emergence.planning.rules import Rule, joint_rules, single_rules
from emergence.planning.solve import solve
from emergence.planning.stays import Stays

T = TypeVar("T")
CHECK_S = 10.0  # HiGHS may take for one check [s]; a check without an answer counts as "can hold"


@dataclass(frozen=True)
class Conflict:
    """Parties and rules of which none can be left out: without any one of them the others hold together.

    ``proven``: every check came to an answer, so that none of them is superfluous.
    """

    parties: tuple[int, ...]
    rules: tuple[Rule, ...]
    proven: bool


class _Checker:
    """Answers whether some parties find a plan under some rules."""

    def __init__(self, case: Case, stays: Sequence[Stays]) -> None:
        self.case, self.stays, self.proven = case, stays, True

    def holds(self, parties: list[int], rules: list[Rule]) -> bool:
        case, joint = self.case, set(joint_rules(self.case))
        place = {p: k for k, p in enumerate(parties)}
        few = replace(case, parties=tuple(case.parties[p] for p in parties))
        own = [r for r in rules if r not in joint]
        mine = [
            replace(r, index=place[r.index]) if r.kind in ("lakes", "fixed") else r for r in own if _about(r, place)
        ]
        columns = make_columns(few, [self.stays[p] for p in parties], mine)
        columns = replace(columns, score=np.zeros(len(columns.party)))
        travel = any(r.kind == "travel" for r in rules)
        found = solve(columns.program([r for r in rules if r in joint], travel=travel), gap=1.0, time_limit=CHECK_S)
        self.proven &= found.status != "unknown"
        return found.status != "impossible"


def _about(rule: Rule, place: dict[int, int]) -> bool:
    return rule.kind not in ("lakes", "fixed") or rule.index in place


def find_conflict(case: Case, stays: Sequence[Stays]) -> Conflict:
    """Return a smallest set of parties and rules that cannot hold together (deletion filter).

    Parameters
    ----------
    case
        A case without a plan.
    stays
        Every party's itineraries.

    Notes
    -----
    Each party, then each rule, is left out in turn, and for good where the rest is still impossible (Chinneck &
    Dravnieks 1991, ORSA J Comput 3:157, doi:10.1287/ijoc.3.2.157). The set is smallest in that nothing of it can be
    left out; another, with fewer members, may exist.
    """
    checker = _Checker(case, stays)
    rules = [*joint_rules(case), *single_rules(case)]
    parties = _one_alone(checker, rules) or _filtered(
        list(range(len(case.parties))), lambda kept: checker.holds(kept, rules)
    )
    kept = _filtered(rules, lambda some: checker.holds(parties, some))
    return Conflict(tuple(parties), tuple(sorted(kept)), checker.proven)


def _one_alone(checker: _Checker, rules: list[Rule]) -> list[int]:
    """Return the first party that finds no place even alone, [] where all do."""
    for p in range(len(checker.case.parties)):
        if not checker.holds([p], rules):
            return [p]
    return []


def _filtered(members: list[T], holds: Callable[[list[T]], bool]) -> list[T]:
    """Return the members less those that can be left out; halves, then smaller parts, then single ones are tried."""
    kept, size = list(members), max(len(members) // 2, 1)
    while True:
        at = 0
        while at < len(kept):
            rest = kept[:at] + kept[at + size :]
            if not holds(rest):
                kept = rest
            else:
                at += size
        if size == 1:
            return kept
        size = max(size // 2, 1)

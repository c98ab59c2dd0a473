"""What it costs to insist on another lake."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from emergence.planning.plan import Option, Plan, Search, option
from emergence.planning.rules import Rule, breaks, single_rules
from emergence.planning.solve import solve

ABOUT_GUIDES = ("works", "boats", "skills")


@dataclass(frozen=True)
class Insistence:
    """One party at one lake for at least a day.

    ``option`` is what it would get then, None where no plan is left; ``own`` [moving days, less travel] what that takes
    from the party, ``others`` from the others, negative for a gain; ``blocked`` the rules that together shut the lake
    to the party.
    """

    lake: int
    option: Option | None
    own: float
    others: float
    blocked: tuple[Rule, ...]


def insist(plan: Plan, party: int, lake: int, search: Search | None = None) -> Insistence:
    """Return what it costs when a party insists on a lake and all others are planned anew around it."""
    search = search or Search()
    columns = plan.columns
    assert columns is not None
    stays = columns.stays[party]
    here = (stays.lake == lake) | ((stays.length2 > 0) & (stays.lake2 == lake))
    mine = columns.party == party
    there = np.zeros(len(mine), dtype=bool)
    there[mine] = here[columns.item[mine]]
    wanted = np.flatnonzero(~mine | there)
    if not there.any():
        return Insistence(lake, None, np.nan, np.nan, _blocking(plan, party, np.flatnonzero(here)))
    some = columns.take(wanted)
    found = solve(some.program(), gap=search.gap, time_limit=search.time_limit, direct=search.direct)
    if not len(found.columns):
        return Insistence(lake, None, np.nan, np.nan, ())
    values = some.value[found.columns]
    before = np.array([trip.chosen.value for trip in plan.trips])
    lost = before - values
    own = float(lost[party])
    return Insistence(lake, option(some, int(found.columns[party])), own, float(lost.sum() - own), ())


def _blocking(plan: Plan, party: int, items: np.ndarray[tuple[int], np.dtype[np.int64]]) -> tuple[Rule, ...]:
    """Return rules that together shut the lake to the party, none superfluous; those of guides only if need be."""
    columns = plan.columns
    assert columns is not None
    if not len(items):
        return ()
    stays, case = columns.stays[party], plan.case
    shape, mine = (len(stays), len(case.guides)), case.parties[party]
    kept = {rule: np.broadcast_to(breaks(case, mine, stays, rule), shape)[items] for rule in single_rules(case)}
    for rule in sorted(kept, key=lambda r: (r.kind not in ABOUT_GUIDES, r)):
        others = [broken for other, broken in kept.items() if other != rule]
        if others and np.logical_or.reduce(others).all():
            del kept[rule]
    return tuple(kept)

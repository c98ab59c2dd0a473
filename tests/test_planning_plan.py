"""Plans by hand, moves that pay, caution, plan B, conflicts in the fewest rules, and what holds of every plan."""

import dataclasses

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from planning_cases import brute_force, joint_faults, random_case, single_faults

from emergence.planning.case import Access, Case, Closure, Guide, Limits, Outlook, Party
from emergence.planning.columns import fair
from emergence.planning.plan import Search, chance_share, correlation, make_plan
from emergence.planning.rules import Rule, joint_rules, single_rules
from emergence.planning.solve import solve
from emergence.planning.stays import worth_of_days

EXACT = Search(gap=0.0)
FREE = Limits(travel_cost=0.0, fairness=0.0, again=1.0)


def outlook(moving, poor=None) -> Outlook:
    """One want; ``moving`` (days, lakes, members); day 0 is a Monday."""
    moving = np.asarray(moving, dtype=bool)[None]
    poor = np.zeros((3, *moving.shape[1:3])) if poor is None else poor
    return Outlook(4, tuple(f"L{k}" for k in range(moving.shape[2])), (("a", "moving"),), moving, poor)


def party(name="P", lakes=1, **more) -> Party:
    given = {"size": 2, "earliest": 0, "latest": 3, "days": 1, "weights": np.ones(1), "lakes": np.ones(lakes, bool)}
    return Party(name, **(given | more))


def guide(name="G", days=4, lakes=1, **more) -> Guide:
    return Guide(name, **({"works": np.ones(days, bool), "seats": 4, "hours": np.zeros(lakes)} | more))


def case(moving, parties, guides=None, **more) -> Case:
    look = moving if isinstance(moving, Outlook) else outlook(moving)
    lakes = len(look.lakes)
    guides = guides or (guide(days=look.days, lakes=lakes),)
    given = {"between": np.zeros((lakes, lakes)), "limits": FREE} | more
    return Case(look, tuple(parties), tuple(guides), **given)


# members in columns: day 1 moves in one of two, day 2 in both
RISING = [[[0, 0]], [[1, 0]], [[1, 1]], [[0, 1]]]


def test_days_lose_worth_as_they_come_again():
    """1 + 0.5 + 0.25 by hand; a day again as good as the first adds one each."""
    assert worth_of_days(np.array([0, 1, 2, 3]), 0.5).tolist() == [0, 1, 1.5, 1.75]
    assert worth_of_days(np.array([0, 1, 2, 3]), 1.0).tolist() == [0, 1, 2, 3]


def test_fairness_takes_nothing_from_the_best_and_half_its_share_from_nothing():
    assert fair(np.array([4.0, 2.0, 0.0]), 4.0, 0.5).tolist() == [4.0, 1.75, -1.0]


def test_one_party_gets_the_best_days_with_their_chances():
    """Days 1 and 2: two moving days in the first member, one in the second."""
    (trip,) = make_plan(case(RISING, [party(days=2)]), EXACT).trips
    assert trip.chosen.cells == ((0, 1), (0, 2)) and trip.status == "new"
    assert trip.chosen.expected == 1.5 and trip.chosen.chance == 1.0


def test_travel_is_taken_off():
    """Lake 1 has 2 moving days, but 3 hours there and back at half a day an hour cost 3; lake 0 has 1 at no cost."""
    moving = np.ones((2, 2, 1), dtype=bool)
    moving[0, 0] = False
    far = guide(days=2, lakes=2, hours=np.array([0.0, 3.0]))
    made = case(moving, [party(lakes=2, latest=1, days=2)], [far], limits=dataclasses.replace(FREE, travel_cost=0.5))
    (trip,) = make_plan(made, EXACT).trips
    assert {lake for lake, _ in trip.chosen.cells} == {0} and trip.chosen.value == 1.0


def test_a_day_worth_nothing_is_booked_only_knowingly():
    poor = np.zeros((3, 4, 1))
    poor[2, 2] = 0.6  # heat on the best day
    look = outlook(RISING, poor)
    (trip,) = make_plan(case(look, [party()]), EXACT).trips
    assert trip.chosen.cells != ((0, 2),)
    only = [party(earliest=2, latest=2)]
    plan = make_plan(case(look, only), EXACT)
    assert plan.conflict and plan.conflict.rules == (Rule("poor", 2, "heat"),)
    (trip,) = make_plan(case(look, [dataclasses.replace(only[0], poor_ok=True)]), EXACT).trips
    assert trip.chosen.cells == ((0, 2),) and trip.chosen.expected == 0.0


def test_two_visits_and_a_change_of_lake_within_the_trip():
    moving = np.zeros((5, 2, 1), dtype=bool)
    moving[[0, 1], 0] = moving[[2, 4], 1] = True
    change = party(lakes=2, latest=4, days=3, change_lake=True)
    (trip,) = make_plan(case(moving, [change]), EXACT).trips
    assert trip.chosen.cells == ((0, 0), (0, 1), (1, 2))
    visits = party(lakes=2, latest=4, days=3, change_lake=True, consecutive=False)
    (trip,) = make_plan(case(moving, [visits]), EXACT).trips
    assert trip.chosen.expected == 3.0
    (trip,) = make_plan(case(moving, [party(lakes=2, latest=4, days=2, consecutive=False)]), EXACT).trips
    assert trip.chosen.expected == 2.0 and len({lake for lake, _ in trip.chosen.cells}) == 1


def test_a_move_is_made_only_where_it_pays():
    """Day 2 is worth half a day more than day 1."""
    for cost, status, cells in ((0.6, "kept", ((0, 1),)), (0.4, "moved", ((0, 2),))):
        booked = party(booked=((0, 1),), booked_guide=0, move_cost=cost)
        (trip,) = make_plan(case(RISING, [booked]), EXACT).trips
        assert (trip.status, trip.chosen.cells) == (status, cells)
        assert trip.gain == (0.5 if status == "moved" else 0.0)
    fixed = party(booked=((0, 1),), fixed=True)
    assert make_plan(case(RISING, [fixed]), EXACT).trips[0].status == "fixed"


def test_a_booking_that_cannot_stand_moves_and_says_why():
    booked = party(booked=((0, 2),), booked_guide=0, move_cost=9.0)
    (trip,) = make_plan(case(RISING, [booked], closures=(Closure(0, 2, 2, "fry"),)), EXACT).trips
    assert trip.status == "moved" and trip.why_moved == (Rule("closure", 0, "L0"),)


def test_caution_raises_the_worst_chance():
    """Lake 0 takes one party a day: A may go on either day, B only on the first."""
    members = 4
    moving = np.zeros((2, 2, members), dtype=bool)
    moving[0, 0] = [1, 1, 1, 1]
    moving[0, 1] = [1, 0, 0, 0]
    moving[1, 0] = [1, 1, 0, 0]
    moving[1, 1] = [1, 1, 0, 0]
    one = party("A", lakes=2, latest=1)
    two = party("B", lakes=2, latest=0)
    made = case(moving, [one, two], [guide("G", 2, 2), guide("H", 2, 2)], access=(Access(0, per_day=1),))
    plain, careful = make_plan(made, EXACT), make_plan(made, Search(gap=0.0, cautious=True))
    lowest = [min(t.chosen.chance / t.best.chance for t in plan.trips) for plan in (plain, careful)]
    assert careful.caution is not None and lowest[1] >= lowest[0]
    assert lowest[1] == pytest.approx(careful.caution) == pytest.approx(0.5)


@pytest.mark.parametrize("seed", [s for s in range(60) if s % 3 == 0])
def test_caution_reaches_the_highest_share_there_is(seed):
    """Every plan made of columns above the share reached by more than the step of the search is impossible."""
    made = random_case(seed)
    careful = make_plan(made, Search(gap=0.0, cautious=True))
    if not careful.trips:
        return
    plan = make_plan(made, EXACT)
    share = chance_share(plan.columns)
    above = np.flatnonzero(share > careful.caution + 0.006)
    some = plan.columns.take(above)
    assert len(solve(some.program(), gap=0.0, time_limit=10).columns) == 0


def test_plan_b_is_the_lake_that_fails_at_other_times():
    """Lake 1 succeeds with lake 0, lake 2 where it fails."""
    moving = np.zeros((1, 3, 6), dtype=bool)
    moving[0, 0] = [1, 1, 1, 1, 0, 0]
    moving[0, 1] = [1, 1, 1, 0, 0, 0]
    moving[0, 2] = [0, 0, 0, 1, 1, 1]
    (trip,) = make_plan(case(moving, [party(lakes=3, latest=0)]), EXACT).trips
    (b,) = trip.plan_b
    assert (b.lake, b.days, b.chance, b.if_a_fails) == (2, (0,), 0.5, 1.0)
    assert b.correlation == pytest.approx(np.corrcoef(moving[0, 0], moving[0, 2])[0, 1])
    assert np.isnan(correlation(np.ones(3, bool), np.array([True, False, True])))


def test_alternates_are_free_and_elsewhere():
    moving = np.ones((3, 3, 2), dtype=bool)
    parties = [party("A", lakes=3, latest=2, days=3), party("B", lakes=3, latest=2, days=3)]
    made = case(
        moving, parties, [guide("G", 3, 3), guide("H", 3, 3)], access=tuple(Access(k, per_day=1) for k in range(3))
    )
    plan = make_plan(made, EXACT)
    taken = {t.chosen.cells[0][0] for t in plan.trips}
    for trip in plan.trips:
        assert {o.cells[0][0] for o in trip.alternates} == {0, 1, 2} - taken


def test_the_conflict_of_two_parties_and_one_guide_is_named():
    plan = make_plan(case(RISING, [party("A", latest=0), party("B", latest=0), party("C", earliest=2)]), EXACT)
    assert plan.conflict and plan.conflict.parties == (0, 1)
    assert plan.conflict.rules == (Rule("one party", 0, "G"),) and plan.conflict.proven


def test_the_conflict_of_one_party_with_closure_permit_and_wish_is_named():
    moving = np.ones((4, 3, 1))
    wish = party("A", lakes=3)
    wish = dataclasses.replace(wish, lakes=np.array([True, True, False]))
    made = case(
        moving, [party("B", lakes=3), wish], closures=(Closure(0, 0, 3, "fry"),), access=(Access(1, permit=False),)
    )
    plan = make_plan(made, EXACT)
    assert plan.conflict and plan.conflict.parties == (1,)
    assert set(plan.conflict.rules) == {Rule("closure", 0, "L0"), Rule("permit", 0, "L1"), Rule("lakes", 1, "A")}


def without(made: Case, rule: Rule) -> Case:
    """Return the case with one rule taken out."""
    if rule.kind == "closure":
        return dataclasses.replace(made, closures=made.closures[: rule.index] + made.closures[rule.index + 1 :])
    if rule.kind in ("works", "boats", "skills"):
        old = made.guides[rule.index]
        new = {"works": {"works": np.ones_like(old.works)}, "boats": {"seats": 99}, "skills": {"skills": {"rowing"}}}
        guides = list(made.guides)
        guides[rule.index] = dataclasses.replace(old, **new[rule.kind])
        return dataclasses.replace(made, guides=tuple(guides))
    if rule.kind == "lakes":
        parties = list(made.parties)
        old = parties[rule.index]
        parties[rule.index] = dataclasses.replace(old, lakes=np.ones_like(old.lakes))
        return dataclasses.replace(made, parties=tuple(parties))
    if rule.kind in ("open", "permit", "per day", "per week", "quota"):
        free = {"open": {"open_from": None, "open_to": None}, "permit": {"permit": True}, "quota": {"quota": None},
                "per day": {"per_day": None}, "per week": {"per_week": None}}  # fmt: skip
        access = list(made.access)
        access[rule.index] = dataclasses.replace(access[rule.index], **free[rule.kind])
        return dataclasses.replace(made, access=tuple(access))
    limits = dataclasses.replace(made.limits, most_travel_h=99.0)
    if rule.kind == "poor":
        most = list(made.limits.most_poor)
        most[rule.index] = 1.0
        limits = dataclasses.replace(made.limits, most_poor=tuple(most))
    return dataclasses.replace(made, limits=limits)


def test_no_rule_of_a_conflict_is_superfluous():
    """By trying everything: with all rules but those of the conflict there is a plan when any one of it is dropped."""
    looked = 0
    for seed in range(100):
        made = random_case(seed)
        plan = make_plan(made, EXACT)
        if plan.conflict is None or any(r.kind == "one party" for r in plan.conflict.rules):
            continue
        looked += 1
        alone = dataclasses.replace(made, parties=tuple(made.parties[p] for p in plan.conflict.parties))
        place = {p: k for k, p in enumerate(plan.conflict.parties)}
        rules = [dataclasses.replace(r, index=place[r.index]) if r.kind == "lakes" else r for r in plan.conflict.rules]
        others = [r for r in [*single_rules(alone), *joint_rules(alone)] if r not in rules and r.kind != "one party"]
        for rule in sorted(others, key=lambda r: -r.index):
            alone = without(alone, rule)
        shift = {
            r: sum(o.kind == "closure" and o.index < r.index for o in others) for r in rules if r.kind == "closure"
        }
        rules = [dataclasses.replace(r, index=r.index - shift.get(r, 0)) for r in rules]
        assert brute_force(alone) == -np.inf, seed
        for rule in rules:
            assert brute_force(without(alone, rule)) > -np.inf, (seed, rule)
    assert looked >= 8


@settings(max_examples=40, deadline=None, derandomize=True)
@given(st.integers(1000, 10_000), st.booleans(), st.booleans())
def test_no_plan_breaks_a_rule(seed, booked, cautious):
    made = random_case(seed, booked=booked)
    plan = make_plan(made, Search(gap=0.05, cautious=cautious, direct=50))
    assert bool(plan.trips) != (plan.conflict is not None)
    trips = [(t.party, t.chosen.cells, t.chosen.guide) for t in plan.trips]
    assert [p for p, _, _ in trips] == list(range(len(trips)))
    assert list(joint_faults(made, trips)) == []
    for trip, (p, cells, g) in zip(plan.trips, trips, strict=True):
        one = made.parties[p]
        assert list(single_faults(made, one, cells, made.guides[g])) == []
        assert len(cells) == one.days and all(one.earliest <= day <= one.latest for _, day in cells)
        assert 0 <= trip.chosen.expected <= one.days and 0 <= trip.chosen.chance <= 1
        for other in trip.alternates:
            beside = [x for x in trips if x[0] != p]
            assert list(joint_faults(made, [*beside, (p, other.cells, other.guide)])) == []
        for b in trip.plan_b:
            there = tuple((b.lake, day) for day in b.days)
            faults = set(single_faults(made, dataclasses.replace(one, fixed=False), there, made.guides[g]))
            assert faults == set() and b.lake not in {lake for lake, day in cells if day in b.days}


@settings(max_examples=20, deadline=None, derandomize=True)
@given(st.integers(20_000, 30_000))
def test_bookings_move_only_for_a_gain(seed):
    made = random_case(seed, booked=True)
    plan = make_plan(made, Search(gap=0.3))
    again = [t for t in plan.trips if t.status == "moved" and not t.why_moved and t.booked is not None]
    booked = plan.columns.booked() if plan.columns is not None else np.zeros(0)
    for trip in again:
        others = [(t.party, t.chosen.cells, t.chosen.guide) for t in plan.trips if t.party != trip.party]
        back = [*others, (trip.party, trip.booked.cells, trip.booked.guide)]
        if booked[trip.party] >= 0 and not list(joint_faults(made, back)):
            values = plan.columns.score
            chosen = np.flatnonzero(
                (plan.columns.party == trip.party)
                & (plan.columns.guide == trip.chosen.guide)
                & np.isclose(plan.columns.value, trip.chosen.value)
            )
            assert values[chosen].max() > values[booked[trip.party]] - 1e-6

"""The plan is the best there is: equal to trying everything, on 200 small random cases (synthetic)."""

import numpy as np
import pytest
from planning_cases import brute_force, joint_faults, random_case, single_faults

from emergence.planning.plan import Search, make_plan

ROUNDING = 1e-6  # worth is rounded to 1e-9 a trip, HiGHS holds rows to 1e-7


def faults(plan) -> list[str]:
    case = plan.case
    found = []
    for trip in plan.trips:
        found += single_faults(case, case.parties[trip.party], trip.chosen.cells, case.guides[trip.chosen.guide])
    return found + list(joint_faults(case, [(t.party, t.chosen.cells, t.chosen.guide) for t in plan.trips]))


@pytest.mark.parametrize("block", range(8))
def test_the_plan_equals_brute_force(block):
    """Half of the cases have bookings; every other case goes by column generation."""
    possible = 0
    for seed in range(25 * block, 25 * block + 25):
        case = random_case(seed, booked=block % 2 == 1)
        plan = make_plan(case, Search(gap=0.0, direct=0 if seed % 2 else 20_000, near=2))
        best = brute_force(case)
        if best == -np.inf:
            assert plan.conflict is not None and not plan.trips, seed
            continue
        possible += 1
        assert plan.score == pytest.approx(best, abs=ROUNDING), seed
        assert faults(plan) == [], seed
    assert possible >= 8  # the cases are not all impossible

"""Small random plans, and the best plan found by trying everything; written from the rules, not from the code."""

from __future__ import annotations

import itertools

import numpy as np

from emergence.planning.case import Access, Case, Closure, Guide, Limits, Outlook, Party

FIRST_DAY = 20_000


def random_case(seed: int, *, booked: bool = False) -> Case:
    """Return a small case (synthetic)."""
    rng = np.random.default_rng([11, seed])
    days, lakes, members = int(rng.integers(5, 8)), int(rng.integers(2, 4)), 6
    moving = rng.random((2, days, lakes, members)) < rng.uniform(0.2, 0.8, (2, 1, lakes, 1))
    poor = np.where(rng.random((3, days, lakes)) < 0.05, 0.9, 0.0)
    first = int(FIRST_DAY + rng.integers(0, 7))
    outlook = Outlook(first, tuple(f"L{k}" for k in range(lakes)), (("a", "moving"), ("b", "hatch")), moving, poor)
    guides = tuple(_guide(rng, k, days, lakes) for k in range(int(rng.integers(1, 3))))
    parties = tuple(_party(rng, k, days, lakes, booked) for k in range(int(rng.integers(2, 4))))
    closures = tuple(
        Closure(int(rng.integers(lakes)), a := int(rng.integers(days)), min(a + 1, days - 1))
        for _ in range(rng.integers(2))
    )
    access = tuple(
        Access(
            lake,
            open_from=int(rng.integers(2)) if rng.random() < 0.3 else None,
            per_day=1 if rng.random() < 0.4 else None,
            per_week=1 if rng.random() < 0.2 else None,
            quota=int(rng.integers(2, 6)) if rng.random() < 0.3 else None,
        )
        for lake in range(lakes)
    )
    between = np.triu(rng.uniform(0.5, 4.0, (lakes, lakes)), 1)
    limits = Limits(again=float(rng.choice([0.7, 0.9, 1.0])), fairness=float(rng.choice([0.0, 0.5, 1.0])))
    return Case(outlook, parties, guides, between + between.T, closures, access, limits)


def _guide(rng: np.random.Generator, k: int, days: int, lakes: int) -> Guide:
    skills = frozenset({"rowing"}) if rng.random() < 0.7 else frozenset()
    return Guide(f"G{k}", rng.random(days) < 0.95, int(rng.integers(2, 5)), rng.uniform(0.2, 3.2, lakes), skills)


def _party(rng: np.random.Generator, k: int, days: int, lakes: int, booked: bool) -> Party:
    length = int(rng.integers(1, 4))
    first = int(rng.integers(0, 2))
    weight = float(rng.choice([0.0, 0.5, 1.0]))
    mask = rng.random(lakes) < 0.85
    cells = ()
    if booked and rng.random() < 0.7:
        lake, start = int(rng.integers(lakes)), int(rng.integers(first, days - length + 1))
        cells = tuple((lake, start + j) for j in range(length))
    return Party(
        name=f"P{k}",
        size=int(rng.integers(1, 4)),
        earliest=first,
        latest=days - 1,
        days=length,
        weights=np.array([weight, 1.0 - weight]),
        lakes=mask,
        consecutive=bool(rng.random() < 0.6),
        change_lake=bool(rng.random() < 0.4),
        skills=frozenset({"rowing"}) if rng.random() < 0.2 else frozenset(),
        poor_ok=bool(rng.random() < 0.1),
        booked=cells,
        fixed=bool(cells) and bool(rng.random() < 0.15),
        move_cost=float(rng.choice([0.0, 0.3, 1.0])) if cells else 0.0,
    )


def blocks_of(cells):
    """Return runs of days at one lake."""
    runs = []
    for lake, day in cells:
        if runs and runs[-1][-1] == (lake, day - 1):
            runs[-1].append((lake, day))
        else:
            runs.append([(lake, day)])
    return runs


def itineraries(case: Case, party: Party):
    """Yield every sequence of cells (lake, day) that is a trip of this party."""
    if party.fixed:
        yield party.booked
        return
    lakes = range(len(case.outlook.lakes))
    for days in itertools.combinations(range(party.earliest, party.latest + 1), party.days):
        if party.consecutive and days[-1] - days[0] != party.days - 1:
            continue
        for where in itertools.product(lakes, repeat=party.days):
            cells = tuple(zip(where, days, strict=True))
            if len(set(where)) > 1 and not party.change_lake:
                continue
            if len(blocks_of(cells)) <= 2:
                yield cells


def poor_day(case: Case, lake: int, day: int) -> bool:
    return any(case.outlook.poor[k, day, lake] > case.limits.most_poor[k] for k in range(3))


def lake_faults(case: Case, cells):
    """Yield what is closed."""
    for closure in case.closures:
        if any(lake == closure.lake and closure.first <= day <= closure.last for lake, day in cells):
            yield "closed"
    for access in case.access:
        for lake, day in cells:
            if lake == access.lake:
                if access.open_from is not None and day < access.open_from:
                    yield "not open yet"
                if access.open_to is not None and day > access.open_to:
                    yield "open no more"
                if not access.permit:
                    yield "no permit"


def single_faults(case: Case, party: Party, cells, guide: Guide):
    """Yield what one trip breaks by itself."""
    yield from lake_faults(case, cells)
    if not party.poor_ok and not party.fixed and any(poor_day(case, *cell) for cell in cells):
        yield "poor day"
    if not party.fixed and any(not party.lakes[lake] for lake, _ in cells):
        yield "other lakes"
    if not all(guide.works[day] for _, day in cells):
        yield "day off"
    if party.size > guide.seats or not party.skills <= guide.skills:
        yield "boats or skills"
    if any(guide.hours[lake] > case.limits.most_travel_h for lake, _ in cells):
        yield "too far"
    for (a, d), (b, e) in itertools.pairwise(cells):
        if a != b and e == d + 1 and case.between[a, b] > case.limits.most_travel_h:
            yield "too far between"


def joint_faults(case: Case, plan):
    """Yield what trips break together; ``plan`` holds (party, cells, guide) each."""
    busy = {}
    for p, cells, g in plan:
        for lake, day in cells:
            if (g, day) in busy:
                yield "guide twice"
            busy[g, day] = (p, lake)
    for (g, day), (_, lake) in busy.items():
        after = busy.get((g, day + 1))
        if after and after[1] != lake and case.between[lake, after[1]] > case.limits.most_travel_h:
            yield "guide too far"
    for access in case.access:
        here = [(p, day) for p, cells, _ in plan for lake, day in cells if lake == access.lake]
        weeks = {(p, (day + case.outlook.first_day + 3) // 7) for p, day in here}
        if access.per_day is not None and any(sum(1 for _, d in here if d == day) > access.per_day for _, day in here):
            yield "too many that day"
        if access.per_week is not None and any(
            sum(1 for _, w in weeks if w == week) > access.per_week for _, week in weeks
        ):
            yield "too many that week"
        if access.quota is not None and len(here) > access.quota:
            yield "quota"


def worth(case: Case, party: Party, cells) -> float:
    """Return the worth of a trip over the members, added up day by day."""
    total = 0.0
    members = case.outlook.moving.shape[3]
    for want, weight in enumerate(party.weights):
        for member in range(members):
            n = sum(
                bool(case.outlook.moving[want, day, lake, member]) and not poor_day(case, lake, day)
                for lake, day in cells
            )
            total += weight * sum(case.limits.again**k for k in range(n)) / members
    return total


def hours(case: Case, cells, guide: Guide) -> float:
    runs = blocks_of(cells)
    total, at = 0.0, None
    for run in runs:
        lake, day = run[0]
        if at is not None and at[1] + 1 == day:
            total += case.between[at[0], lake]
        else:
            total += (guide.hours[at[0]] if at else 0.0) + guide.hours[lake]
        at = run[-1]
    return total + guide.hours[at[0]]


def scored(case: Case):
    """Return for each party its possible trips: (score, cells, guide)."""
    found = []
    for party in case.parties:
        options = []
        for cells in itineraries(case, party):
            benefit = None
            for g, guide in enumerate(case.guides):
                if any(True for _ in single_faults(case, party, cells, guide)):
                    continue
                benefit = worth(case, party, cells) if benefit is None else benefit
                options.append((benefit - case.limits.travel_cost * hours(case, cells, guide), cells, g))
        best = max((value for value, _, _ in options), default=0.0)
        graded = []
        for value, cells, g in options:
            lack = 0.5 * case.limits.fairness * (best - value) ** 2 / best if best > 0 else 0.0
            moved = party.move_cost if party.booked and set(cells) != set(party.booked) else 0.0
            graded.append((value - lack - moved, cells, g))
        found.append(sorted(graded, key=lambda o: -o[0]))
    return found


def brute_force(case: Case) -> float:
    """Return the best score of all plans, -inf where there is none."""
    options = scored(case)
    if any(not o for o in options):
        return -np.inf
    best_left = [sum(o[0][0] for o in options[k:]) for k in range(len(options) + 1)]
    best = -np.inf

    def extend(k: int, plan, score: float) -> None:
        nonlocal best
        if score + best_left[k] <= best + 1e-12:
            return
        if k == len(options):
            best = score
            return
        for value, cells, g in options[k]:
            if score + value + best_left[k + 1] <= best + 1e-12:
                return
            more = [*plan, (k, cells, g)]
            if not any(True for _ in joint_faults(case, more)):
                extend(k + 1, more, score + value)

    extend(0, [], 0.0)
    return best

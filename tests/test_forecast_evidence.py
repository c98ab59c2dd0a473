"""Sightings: what they are worth, against enumeration, the passage itself and closed forms."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from climates import PLATEAU, one_lake, season_field
from scipy.stats import nbinom, norm

from emergence.dates import NEVER
from emergence.forecast import evidence
from emergence.forecast.evidence import (
    HIDDEN,
    MANY_AT,
    NODE_WEIGHTS,
    NODES,
    USUAL_LEVELS,
    Grown,
    Habits,
    Sighted,
    habits_of,
    level_chance,
    log_absent,
    log_likelihood,
    numbers_on,
    presence_chance,
)
from emergence.forecast.field import layer_of
from emergence.forecast.resampling import Prior, drawn_anew, effective_number
from emergence.forecast.weighing import Told, member_taxon, opened_to
from emergence.records import LEVELS, STAGES
from emergence.runs.sightings import LIVES_FROM
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.population import Bound, Gates, Requirements, heat_at, leave_water

CATALOGUE = load_catalogue()
LAKE = np.array(["twin"], dtype=object)
NO_MORE = Habits(adult_d=10.0, younger=False, hatches=False, later_dd=0.0)
DAYS = 120


def notes(*rows: tuple[int, str, str, float]) -> Sighted:
    day, stage, level, minutes = zip(*rows, strict=True)
    return Sighted(
        np.array(day),
        np.array([STAGES.index(s) for s in stage]),
        np.array([LEVELS.index(x) for x in level]),
        np.array(minutes, dtype=float),
    )


def steady(members: int = 1, shut: slice | None = None) -> Grown:
    """8 °C·day a day from day 0, gates open but for a spell."""
    heat = np.repeat(8.0 * np.arange(1, DAYS + 1, dtype=np.float32)[:, None], members, axis=1)
    opened = np.ones_like(heat)
    if shut is not None:
        opened[shut] = 0
    return Grown(heat, opened, np.zeros(members, dtype=np.int16))


def need(*median: float, move: float | None = 45.0) -> Requirements:
    value = np.array([median], dtype=np.float32)
    return Requirements(value, 0.15 * value, None if move is None else np.full_like(value, move))


@pytest.mark.parametrize("shut", [None, slice(20, 34)])
def test_numbers_leave_the_water_as_in_the_passage(shut: slice | None) -> None:
    """Skins and adults gather what the passage lets go; onset, middle and end are crossed on the same days."""
    grown, own = steady(shut=shut), need(180.0)
    forever = dataclasses.replace(NO_MORE, adult_d=1e9)
    left = numbers_on(grown, own, forever, np.arange(DAYS))[:, STAGES.index("adult"), 0, 0]
    cells = (1, 1, 1)
    gates = Gates(np.zeros((DAYS, 1), dtype=bool), (Bound(grown.opened, 1, np.full(1, 0.5, np.float32), 0.0),))
    shaped = Requirements(*(v.reshape(cells) for v in (own.median, own.spread, own.move_before)))
    passage, _ = leave_water(
        grown.heat.reshape(DAYS, *cells),
        np.zeros(cells, np.float32),
        shaped,
        gates=gates,
        start=np.zeros(cells, np.int16),
    )
    for share, day in zip((0.1, 0.5, 0.9), vars(passage.milestones).values(), strict=True):
        assert int(np.argmax(left >= share)) == int(day.item())


def test_every_insect_is_in_one_stage() -> None:
    """Gates open, adults that live for ever: young, mature, moving (less those that leave today) and adults add up."""
    forever = dataclasses.replace(NO_MORE, adult_d=1e9)
    all_days = numbers_on(steady(), need(180.0), forever, np.arange(DAYS))[:, :, 0, 0]
    young, mature, moving, _, _, adult = all_days.T
    today = np.diff(adult, prepend=0.0)
    np.testing.assert_allclose(young + mature + moving - today + adult, 1.0, atol=1e-5)  # single precision


@pytest.mark.parametrize("tries", [1, 5, 22])
@pytest.mark.parametrize("move", [None, 45.0])
def test_compiled_and_plain_days_agree(monkeypatch: pytest.MonkeyPatch, tries: int, move: float | None) -> None:
    """Uneven springs, gates half open, a biofix that never comes; to rounding: shares add up over 120 days."""
    assert evidence.numbers_kernel is not None
    rng = np.random.default_rng(3)
    heat = np.cumsum(np.maximum(rng.normal(3, 4, (DAYS, 7)), 0), axis=0).astype(np.float32)
    heat[:, 2] = -np.inf
    opened = np.clip(rng.normal(0.5, 1, heat.shape), 0, 1).astype(np.float32)
    grown = Grown(heat, opened, np.array([0, 40, NEVER, 90, 10, 10, 10], dtype=np.int16))
    median = rng.uniform(80, 400, (7, tries)).astype(np.float32)
    own = Requirements(median, 0.1 * median, None if move is None else np.full((7, 1), move, np.float32))
    days, habits = np.array([0, 3, 50, 51, 119]), (NO_MORE, Habits(20.0, True, True, 150.0))
    quick = [numbers_on(grown, own, h, days) for h in habits]
    monkeypatch.setattr(evidence, "numbers_kernel", None)
    for one, h in zip(quick, habits, strict=True):
        np.testing.assert_allclose(one, numbers_on(grown, own, h, days), atol=2e-6)


def test_the_likelihood_is_the_sum_over_worlds_by_hand() -> None:
    """Two notes, three kinds of lake, each note right or about something else: enumerated."""
    two = notes((10, "moving", "none", 20.0), (20, "adult", "many", np.nan))
    numbers = np.array([[0.2], [0.4]], dtype=np.float32)
    total = 0.0
    for rich, weight in zip(NODES, NODE_WEIGHTS, strict=True):
        first = level_chance(np.array(0.2 * rich), 15.0, 0)
        second = level_chance(np.array(0.4 * rich), 20.0, 2)
        a = 0.75 * first + 0.25 * USUAL_LEVELS[0]
        b = 0.75 * second + 0.25 * USUAL_LEVELS[2]
        total += weight * float(a) * float(b)
    assert log_likelihood(numbers, two)[0] == pytest.approx(np.log(total), rel=1e-6)  # numbers are single precision


def test_levels_are_a_distribution_and_effort_tells() -> None:
    dense = np.linspace(0, 2, 50)
    shares = [level_chance(dense, 10.0, level) for level in range(3)]
    np.testing.assert_allclose(sum(shares), 1.0)
    assert (level_chance(dense[1:], 30.0, 0) < level_chance(dense[1:], 5.0, 0)).all()
    assert (np.diff(shares[2]) > 0).all() and shares[0][0] == 1.0
    assert sum(NODE_WEIGHTS) == pytest.approx(1) and sum(USUAL_LEVELS) == pytest.approx(1)


def test_sights_are_negative_binomial_and_many_takes_over() -> None:
    """None by SciPy's negative binomial; "many" as often as "few" at MANY_AT, four times as often at twice that."""
    dense = np.array([0.0, 0.05, 0.3, 1.0])
    mean = 24.0 * dense
    np.testing.assert_allclose(level_chance(dense, 24.0, 0), nbinom.pmf(0, 2, 2 / (2 + mean)))
    for at, odds in ((MANY_AT, 1.0), (2 * MANY_AT, 4.0)):
        _, few, many = (float(level_chance(np.array(at), 24.0, level)) for level in range(3))
        assert many / few == pytest.approx(odds)


def test_hidden_days_by_hand() -> None:
    """Two looks on one day and one on another, each day hidden or not, three kinds of lake: enumerated."""
    three = notes((5, "adult", "none", 20.0), (5, "empty_skin", "none", 20.0), (9, "adult", "none", 20.0))
    numbers, rates, other = (0.3, 0.2, 0.5), (20.0, 15.0, 20.0), 0.25
    total = 0.0
    for rich, weight in zip(NODES, NODE_WEIGHTS, strict=True):
        found = [float(level_chance(np.array(n * rich), r, 0)) for n, r in zip(numbers, rates, strict=True)]
        told = [(1 - other) * f + other * USUAL_LEVELS[0] for f in found]
        blind = 1 - other + other * USUAL_LEVELS[0]
        first = 0.6 * told[0] * told[1] + 0.4 * blind**2
        total += weight * first * (0.6 * told[2] + 0.4 * blind)
    got = log_likelihood(np.array(numbers, dtype=np.float32)[:, None], three, hidden=HIDDEN)[0]
    assert got == pytest.approx(np.log(total), rel=1e-6)  # numbers are single precision


def test_absence_takes_about_as_many_days_as_the_closed_form_says() -> None:
    """Looks in vain on n days in season: (1 - d)^n / (1 + (1 - d)^n), Wintle et al. 2012 (from memory).

    d = 0.6 and 0.49, the least of the published visits and passes (sources at ``log_likelihood``), give 4 and 5 days to
    5 %; ours must lie there or be slower by a day or two, because lakes may be poor, and never settle in three.
    """
    closed = [next(n for n in range(1, 20) if (q := (1 - d) ** n) / (1 + q) <= 0.05) for d in (0.6, 0.49)]
    assert closed == [4, 5]
    for minutes, dense in ((45.0, 0.5), (20.0, 0.25)):
        needed = 0
        for n in range(9, 0, -1):
            looks = notes(*[(20 + 3 * k, "adult", "none", minutes) for k in range(n)])
            there = float(log_likelihood(np.full((n, 1), dense, np.float32), looks, hidden=HIDDEN)[0])
            needed = n if presence_chance(0.5, there - log_absent(looks)) <= 0.05 else needed
        assert closed[0] <= needed <= closed[1] + 2


def test_one_wrong_note_costs_a_bounded_amount() -> None:
    """Many adults on a day on which there cannot be any: as likely as a misread note, no less."""
    impossible = notes((3, "adult", "many", 60.0))
    nothing = log_likelihood(np.zeros((1, 1), dtype=np.float32), impossible)[0]
    assert nothing == pytest.approx(np.log(0.25 * USUAL_LEVELS[2]))


def flat(shift: np.ndarray) -> np.ndarray:
    return np.zeros_like(shift)


def even_heat(members: int) -> np.ndarray:
    return np.full((1, members), np.log(150.0))


def test_notes_that_say_nothing_change_nothing() -> None:
    own = np.random.default_rng(1).standard_normal(200).astype(np.float32)
    requirement = CATALOGUE["coenagrion"].growth.requirement
    got = drawn_anew(own, flat, even_heat(200), requirement, prior=Prior())
    np.testing.assert_allclose(got.shift, own, atol=1e-4)  # single precision and the inverse of a cumulative normal
    assert got.effective == pytest.approx(200) and got.log_evidence == pytest.approx(0.0, abs=1e-9)


@pytest.mark.parametrize(("centre", "sd"), [(0.5, 0.4), (-1.5, 0.3), (2.8, 0.1)])
def test_a_normal_likelihood_gives_the_normal_posterior(centre: float, sd: float) -> None:
    """Conjugate normal prior and likelihood: mean, spread and evidence are known (any textbook).

    2,000 members: the mean's own error is sd / 45; straight lines between tries half an sd apart add up to a tenth.
    """
    own = norm.ppf((np.arange(2000) + 0.5) / 2000).astype(np.float32)
    own = np.random.default_rng(2).permutation(own)
    requirement = CATALOGUE["coenagrion"].growth.requirement
    got = drawn_anew(own, lambda z: norm.logpdf(z, centre, sd), even_heat(2000), requirement, prior=Prior())
    precision = 1 + sd**-2
    mean, spread = centre * sd**-2 / precision, precision**-0.5
    assert got.shift.mean() == pytest.approx(mean, abs=0.1 * spread)
    assert got.shift.std() == pytest.approx(spread, rel=0.12)
    assert got.log_evidence == pytest.approx(norm.logpdf(centre, 0, np.hypot(1, sd)), abs=0.06)
    assert got.effective < 2000


def test_the_prior_of_past_seasons_counts() -> None:
    own = np.random.default_rng(3).standard_normal(1000)
    known = Prior(1.0, 0.5)
    got = drawn_anew(
        known.mean + known.sd * own,
        lambda z: norm.logpdf(z, 0.0, 0.5),
        even_heat(1000),
        CATALOGUE["coenagrion"].growth.requirement,
        prior=known,
    )
    assert got.shift.mean() == pytest.approx(0.5, abs=0.05)  # two equal opinions; 1000 members: 0.35 / 32


def test_effective_number_by_hand() -> None:
    assert effective_number(np.log(np.array([1.0, 1.0, 0.5]))) == pytest.approx(2.5**2 / 2.25)


def test_absence_is_not_lateness() -> None:
    """Ten honest looks for adults at the right time, none seen: likely absent; one says little, two sights much."""
    numbers = np.full((10, 1), 0.5, dtype=np.float32)
    looks = notes(*[(20 + k, "adult", "none", 40.0) for k in range(10)])
    ratio = float(log_likelihood(numbers, looks)[0]) - log_absent(looks)
    assert presence_chance(0.5, ratio) < 0.05
    one = notes((20, "adult", "none", 40.0))
    assert 0.05 < presence_chance(0.5, float(log_likelihood(numbers[:1], one)[0]) - log_absent(one)) < 0.5
    too_early = np.zeros((10, 1), dtype=np.float32)
    assert presence_chance(0.5, float(log_likelihood(too_early, looks)[0]) - log_absent(looks)) == pytest.approx(0.5)
    seen = notes((20, "adult", "many", 40.0), (24, "adult", "few", 20.0))
    assert presence_chance(0.5, float(log_likelihood(numbers[:2], seen)[0]) - log_absent(seen)) > LIVES_FROM


@pytest.fixture(scope="module")
def plateau():  # type: ignore[no-untyped-def]  # a field and a span
    return season_field(PLATEAU, one_lake(50.0, 1150.0, 20.0, 4.0, 10.0))[0]


def peak_of(field, taxon: str, told: Told | None) -> np.ndarray:  # type: ignore[no-untyped-def]  # a field
    from emergence.forecast.events import taxon_events

    one = CATALOGUE[taxon]
    drawn = member_taxon(one, field, LAKE, seed=4, told=told)
    events = taxon_events(one, field, LAKE, seed=4, keep_members=True, drawn=drawn)
    found = next(e for e in events if e.event == "emergence" and e.brood == 1)
    assert found.milestones is not None
    return found.milestones.peak[0].astype(float)


@pytest.mark.parametrize("taxon", ["coenagrion", "callibaetis"])
def test_sightings_draw_the_members_to_the_day(plateau, taxon: str) -> None:  # type: ignore[no-untyped-def]  # a field
    """None, none, then many fresh skins or adults: the middle moves to the days between, the spread shrinks."""
    before = peak_of(plateau, taxon, None)
    middle = int(np.median(before)) + 8
    told = Told(
        None,
        {
            0: notes(
                (middle - 12, "adult", "none", 40.0),
                (middle - 6, "adult", "none", 40.0),
                (middle + 1, "adult", "many", 30.0),
                (middle + 5, "adult", "many", 30.0),
            )
        },
    )
    after = peak_of(plateau, taxon, told)
    assert abs(np.median(after) - middle) < abs(np.median(before) - middle)
    assert np.subtract(*np.percentile(after, [90, 10])) < 0.9 * np.subtract(*np.percentile(before, [90, 10]))


def test_a_flatly_wrong_note_is_outvoted(plateau) -> None:  # type: ignore[no-untyped-def]  # a field
    before = peak_of(plateau, "coenagrion", None)
    day = int(np.median(before))
    sound = [(day - 10, "adult", "none", 30.0), (day + 4, "empty_skin", "many", 30.0), (day + 6, "adult", "many", 30.0)]
    right = np.median(peak_of(plateau, "coenagrion", Told(None, {0: notes(*sound)})))
    wrong = np.median(peak_of(plateau, "coenagrion", Told(None, {0: notes((day - 35, "adult", "many", 30.0), *sound)})))
    assert abs(wrong - right) <= 3


def test_absence_is_not_mistaken_for_lateness(plateau) -> None:  # type: ignore[no-untyped-def]  # a field
    """Looks in season that saw none: late where it surely lives; where it may live, it may as well not be there.

    Looks long before the season say nothing of either.
    """
    before = np.median(peak_of(plateau, "coenagrion", None))
    season = notes(*((int(before) + d, "adult", "none", 30.0) for d in (2, 8, 14)))
    late = np.median(peak_of(plateau, "coenagrion", Told(None, {0: season})))
    doubted = np.median(peak_of(plateau, "coenagrion", Told(None, {0: season}, {0: 0.5})))
    assert late > before + 5 and abs(doubted - before) < 0.3 * (late - before)
    early = notes(*((int(before) - d, "adult", "none", 30.0) for d in (60, 55, 50)))
    ratio = [
        member_taxon(CATALOGUE["coenagrion"], plateau, LAKE, seed=4, told=Told(None, {0: told}, {0: 0.5}))
        .weighed[0]
        .log_ratio
        for told in (season, early)
    ]
    assert 0.05 < presence_chance(0.5, ratio[0]) < 0.25  # three days do not settle it
    assert presence_chance(0.5, ratio[1]) == pytest.approx(0.5, abs=0.05)


def test_habits_come_from_the_file() -> None:
    assert habits_of(CATALOGUE["coenagrion"]).younger and not habits_of(CATALOGUE["lestes"]).younger
    assert habits_of(CATALOGUE["callibaetis"]).later_dd > 0 and habits_of(CATALOGUE["coenagrion"]).later_dd == 0
    assert layer_of(CATALOGUE["coenagrion"].depth) is not None
    assert heat_at(np.ones((3, 1), np.float32), np.zeros(1, np.int16))[0] == 0


def test_gates_of_a_lake_are_those_of_every_day() -> None:
    rng = np.random.default_rng(4)
    frozen = rng.random((12, 20)) < 0.3
    bounds = tuple(
        Bound(
            rng.uniform(5, 25, (12, 20 // share)).astype(np.float32),
            share,
            rng.uniform(8, 20, 20).astype(np.float32),
            width,
        )
        for share, width in ((1, 3.0), (4, -2.0), (20, 0.0))
    )
    gates, cell = Gates(frozen, bounds), np.array([3, 7, 19])
    by_day = np.stack([gates.opened(day, cell) for day in range(9)])
    np.testing.assert_array_equal(opened_to(gates, cell, 8), by_day)
    assert 0 < by_day.mean() < 1

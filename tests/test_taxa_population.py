"""The maturing population: gates, ready pool, conservation, published responses."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
import pytest

from emergence.dates import NEVER
from emergence.degreedays import accumulate, mean_water_degree_days
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.population import (
    Bound,
    Gates,
    Requirements,
    crossing,
    heat_at,
    ice_off_start,
    leave_water,
    ramp,
    ready_share,
    water_start,
)

CELL = (1, 1, 1)


def need(median: float, spread: float, move: float | None = None) -> Requirements:
    full = [None if v is None else np.full(CELL, v, dtype=np.float32) for v in (median, spread, move)]
    return Requirements(full[0], full[1], full[2])  # type: ignore[arg-type]


def warm(temperature: np.ndarray, lower: float) -> np.ndarray:
    water = np.asarray(temperature, dtype=np.float32).reshape(-1, 1, 1, 1)
    return accumulate(mean_water_degree_days(water, lower=lower))


def go(heat: np.ndarray, needed: Requirements, gate: Callable[[int], float] = lambda day: 1.0, first: int = 0):
    start = np.full(CELL, first, dtype=np.int16)
    openness = np.array([[gate(day)] for day in range(len(heat))], dtype=np.float32)
    gates = Gates(np.zeros((len(heat), 1), dtype=bool), (Bound(openness, 1, np.zeros(1, np.float32), 1.0),))
    return leave_water(heat, heat_at(heat, start), needed, gates=gates, start=start)


def test_ready_share_is_the_logistic_of_the_same_standard_deviation() -> None:
    from scipy.stats import logistic

    heat = np.linspace(50, 400, 71)
    got = ready_share(heat, 210.0, 30.0)
    np.testing.assert_allclose(got, logistic.cdf(heat, 210, 30 * np.sqrt(3) / np.pi), atol=1e-12)
    # first adults (5 %) lie 1.62 standard deviations early: 160 for the damselfly prior of 210 and 30
    assert ready_share(np.array([160.0]), 210.0, 30.0)[0] == pytest.approx(0.05, abs=0.005)


@pytest.mark.parametrize(("temperature", "days"), [(20.0, 117.9), (22.0, 100.2), (23.5, 90.0)])
def test_anax_junius_at_constant_temperature(temperature: float, days: float) -> None:
    """Trottier 1971 Can J Zool 49:1671: threshold 8.7 °C, 1332 degree-days; half a day is the daily step."""
    heat = warm(np.full(200, temperature), 8.7)
    emergence, _ = go(heat, need(1332, 1.0))
    assert abs(int(emergence.milestones.peak[0, 0, 0]) + 1 - days) <= 1.0


def test_everybody_leaves_and_nobody_twice() -> None:
    heat = warm(np.full(120, 16.0), 9)
    emergence, _ = go(heat, need(210, 30))
    assert emergence.intensity.sum() == pytest.approx(1.0, abs=2e-3)  # the loop stops at 99.9 % gone
    assert (emergence.intensity >= 0).all()


def test_a_cold_spell_delays_and_then_releases_a_burst() -> None:
    heat = warm(np.full(120, 16.0), 9)
    free, _ = go(heat, need(210, 30))
    shut = set(range(28, 38))
    held, _ = go(heat, need(210, 30), gate=lambda day: 0.0 if day in shut else 1.0)
    assert not held.moving[28:38].any()
    assert held.intensity[38, 0] > 2 * free.intensity.max()
    assert held.intensity.sum() == pytest.approx(free.intensity.sum(), abs=2e-3)
    assert held.milestones.peak[0, 0, 0] >= free.milestones.peak[0, 0, 0]


def test_migration_runs_ahead_of_emergence_and_ends_with_it() -> None:
    heat = warm(np.full(120, 16.0), 9)
    emergence, migration = go(heat, need(210, 30, 45))
    assert migration is not None
    lead = int(emergence.milestones.onset[0, 0, 0]) - int(migration.milestones.onset[0, 0, 0])
    assert lead == pytest.approx(45 / 7, abs=1.01)  # 45 degree-days at 7 a day, to the day
    assert migration.milestones.end[0, 0, 0] == emergence.milestones.end[0, 0, 0]
    peak = int(migration.milestones.peak[0, 0, 0])
    assert migration.intensity[peak, 0] == migration.intensity.max()


def test_migration_does_not_show_on_shut_days() -> None:
    heat = warm(np.full(120, 16.0), 9)
    _, migration = go(heat, need(210, 30, 45), gate=lambda day: float(day % 2))
    assert migration is not None
    assert not migration.moving[::2].any() and migration.moving[1::2].any()


def test_never_is_an_outcome() -> None:
    heat = warm(np.full(100, 10.0), 9)  # 100 degree-days in all
    emergence, migration = go(heat, need(400, 20, 45))
    assert migration is not None
    for passage in (emergence, migration):
        assert {int(getattr(passage.milestones, k)[0, 0, 0]) for k in ("onset", "peak", "end")} == {NEVER}


def test_coenagrion_gate_of_the_saskatchewan_pond() -> None:
    """Sawchyn & Gillott 1975 Can Ent 107:119: water mean above 12 and air maximum of 20-21 °C, both together."""
    gates = {g.variable: g for g in load_catalogue()["coenagrion"].gates}
    water, air = gates["water_mean"], gates["air_max"]

    def opened(water_c: float, air_c: float) -> float:
        both = [
            ramp(np.array([v - g.shut_at.value], dtype=np.float32), g.open_at.value - g.shut_at.value)[0]
            for v, g in zip((water_c, air_c), (water, air), strict=True)
        ]
        return float(both[0] * both[1])

    assert opened(11.9, 25.0) == 0
    assert opened(12.1, 19.0) == 0
    assert opened(12.1, 21.0) == 1
    assert 0 < opened(12.1, 20.0) < 1


def test_ramp_falling_and_step() -> None:
    value = np.array([10.0, 13.0, 14.0], dtype=np.float32)
    np.testing.assert_allclose(ramp(value - 14, -2.0), [1, 0.5, 0])
    np.testing.assert_allclose(ramp(value - 13, 0.0), [0, 1, 1])


def test_water_start_is_the_first_warm_week() -> None:
    water = np.concatenate([np.full(20, 5.0), np.full(20, 12.0)]).astype(np.float32).reshape(-1, 1, 1, 1)
    # seven-day means pass 9 °C once four of the seven days have 12: 5 + 7 k / 7 >= 9 -> k = 4 -> day 23
    assert int(water_start(water, threshold=9.0, first=0)[0, 0, 0]) == 23
    assert int(water_start(water, threshold=20.0, first=0)[0, 0, 0]) == NEVER


def test_ice_off_start() -> None:
    ice = np.zeros((40, 1, 1, 2), dtype=bool)
    ice[:12, ..., 0] = True
    ice[14:16, ..., 0] = True
    start = ice_off_start(ice, first=2, last=39, earliest=5)
    assert start[0, 0].tolist() == [16, 5]


def test_crossing_and_heat_at() -> None:
    heat = warm(np.full(30, 10.0), 9)
    assert int(crossing(heat, np.full(CELL, 5.0, dtype=np.float32))[0, 0, 0]) == 4
    assert int(crossing(heat, np.full(CELL, 500.0, dtype=np.float32))[0, 0, 0]) == NEVER
    start = np.array([10], dtype=np.int16).reshape(CELL)
    assert heat_at(heat, start)[0, 0, 0] == 10.0
    assert np.isinf(heat_at(heat, np.full(CELL, NEVER, dtype=np.int16))).all()


def test_compiled_and_plain_passages_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """The compiled kernel against its NumPy form: same dates but for a rare tie, same sums to float32 rounding."""
    from emergence.taxa import population

    rng = np.random.default_rng(4)
    days, cells = 200, (3, 4, 5)
    daily = np.maximum(rng.normal(7, 3, (days, *cells)), 0).astype(np.float32)
    heat = np.cumsum(daily, axis=0, dtype=np.float32)
    start = rng.integers(0, 30, cells).astype(np.int16)
    start[0, 0, 0] = NEVER
    needed = Requirements(*(rng.uniform(a, b, cells).astype(np.float32) for a, b in ((150, 300), (15, 60), (20, 60))))
    size = int(np.prod(cells))
    air = Bound(rng.normal(20, 4, (days, 12)).astype(np.float32), 5, rng.normal(18, 1, size).astype(np.float32), 2.0)
    light = Bound(np.linspace(10, 16, days, dtype=np.float32)[:, None], size, np.full(size, 11, np.float32), 0.0)
    gates = Gates(np.arange(days)[:, None].repeat(size, 1) < 20, (air, light))
    fast = leave_water(heat, heat_at(heat, start), needed, gates=gates, start=start)
    monkeypatch.setattr(population, "passage_kernel", None)
    plain = leave_water(heat, heat_at(heat, start), needed, gates=gates, start=start)
    for a, b in zip(fast, plain, strict=True):
        assert a is not None and b is not None
        # the plain form looks for finished cells every fourth day, so the last thousandth may still leave there
        np.testing.assert_allclose(a.intensity, b.intensity, atol=2e-4)
        assert (a.moving != b.moving).mean() < 1e-3
        for one in (a, b):
            counted = one.moving.reshape(*one.moving.shape[:2], -1).mean(axis=2)
            np.testing.assert_array_equal(one.moving_chance, counted)
        for name in ("onset", "peak", "end"):
            differing = getattr(a.milestones, name) != getattr(b.milestones, name)
            assert differing.mean() <= 0.02


def test_compiled_passage_of_a_lake_is_the_same_alone() -> None:
    """Neither its neighbours nor its place among them may be seen in the numbers."""
    rng = np.random.default_rng(6)
    days, cells = 150, (11, 3, 3)
    heat = np.cumsum(np.maximum(rng.normal(7, 3, (days, *cells)), 0), axis=0, dtype=np.float32)
    start = rng.integers(0, 30, cells).astype(np.int16)
    needed = [rng.uniform(a, b, cells).astype(np.float32) for a, b in ((150, 300), (15, 60), (20, 60))]
    water, shut = rng.normal(12, 4, (days, 99)).astype(np.float32), rng.normal(12, 1, 99).astype(np.float32)

    def passages(lakes: slice):
        own = slice(9 * lakes.start, 9 * lakes.stop)
        gates = Gates(np.zeros((days, own.stop - own.start), bool), (Bound(water[:, own], 1, shut[own], 2.0),))
        warmth, begin = np.ascontiguousarray(heat[:, lakes]), start[lakes]
        need_of = Requirements(*(v[lakes] for v in needed))
        return leave_water(warmth, heat_at(warmth, begin), need_of, gates=gates, start=begin)

    everybody = passages(slice(0, 11))
    for k in (0, 7, 8, 10):
        for a, b in zip(everybody, passages(slice(k, k + 1)), strict=True):
            assert a is not None and b is not None
            np.testing.assert_array_equal(a.intensity[:, k : k + 1], b.intensity)
            np.testing.assert_array_equal(a.moving[:, k : k + 1], b.moving)
            for name in ("onset", "peak", "end"):
                np.testing.assert_array_equal(getattr(a.milestones, name)[k], getattr(b.milestones, name)[0])


def test_the_kernel_s_logistic_is_the_logistic() -> None:
    from scipy.special import expit

    from emergence.taxa.compiled import _logistic

    scaled = np.concatenate([np.linspace(-25, 25, 4001), [-np.inf, np.inf]]).astype(np.float32)
    share, bits = np.empty_like(scaled), np.empty(len(scaled), dtype=np.int32)
    _logistic(scaled, len(scaled), share, bits, bits.view(np.float32))
    # float32: two roundings of 6e-8 each
    np.testing.assert_allclose(share, expit(2.0 * scaled.astype(np.float64)), rtol=0, atol=1.2e-7)

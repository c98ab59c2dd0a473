"""Heat of the members and of single depths: compiled kernels against their NumPy forms, to the bit."""

from __future__ import annotations

import numpy as np
import pytest

from emergence.dates import NEVER
from emergence.forecast import events, turnover, windows
from emergence.forecast import field as field_module
from emergence.forecast.field import Field
from emergence.taxa import population
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.population import Bound, Gates, Milestones, first_day_at
from emergence.taxa.shown import ShownDays
from emergence.water.depth import LEVELS_M, DepthPath

LAYERS = [None, (0.6, 7.5), (3.0, 20.0)]


def planted(lakes: int, replicates: int, seed: int = 8, first: int = 0) -> Field:
    """Return invented water: a season's wave with noise, colder with depth; some lakes shallower than the levels."""
    rng = np.random.default_rng(seed)
    days, slots = 220, 3
    wave = 14 * np.sin(np.pi * np.arange(days) / days)[:, None, None] + rng.normal(2, 2, (days, lakes, slots))
    surface = np.maximum(wave, 0).astype(np.float32)
    member = rng.normal(0, 2, (days, lakes, slots, replicates))
    water = np.maximum(surface[..., None] + member, 0).astype(np.float32)
    below = np.cumsum(rng.uniform(-0.2, 2, (days, len(LEVELS_M) + 1, lakes, slots)), axis=1).astype(np.float32)
    deepest = rng.uniform(1.5, 25, lakes)
    levels = np.minimum(np.array(LEVELS_M)[:, None], deepest)
    none = np.zeros((0, 0, 0))
    return Field(
        water_c=water,
        ice=water <= 0,
        air_max_c=none,
        air_min_c=none,
        day_length_h=np.zeros((0, lakes)),
        first=first,
        ahead=0,
        spring_end=0,
        solstice=0,
        month_day_index=lambda _: 0,
        warmest_max_c=np.zeros(lakes),
        depth=DepthPath(np.concatenate([levels, deepest[None]]), below, surface),
    )


def plain(monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("heat_kernel", "level_heat_kernel", "turn_kernel", "uneven_kernel"):
        monkeypatch.setattr(field_module, name, None)
    monkeypatch.setattr(population, "first_day_kernel", None)


@pytest.mark.parametrize("layer", LAYERS)
@pytest.mark.parametrize("upper", [None, 15.0])
@pytest.mark.parametrize("first", [0, 33])
def test_compiled_heat_is_the_plain_one(layer, upper, first: int, monkeypatch: pytest.MonkeyPatch) -> None:
    fast = planted(9, 5, first=first).heat(6.0, upper, layer)
    plain(monkeypatch)
    np.testing.assert_array_equal(fast, planted(9, 5, first=first).heat(6.0, upper, layer))
    assert (fast[:first] == 0).all() and (fast[first + 30] > 0).any()


def test_a_warm_week_may_begin_before_the_season() -> None:
    """The mean of the seven days up to the first day of the season counts on that day."""
    field = planted(9, 5, first=60)
    rule = load_catalogue()["lestes"].start
    assert rule.rule == "warm_week" and rule.threshold is not None
    start, enough = field.start(rule), rule.threshold.value
    means = np.stack([field.water_c[d - 6 : d + 1].mean(axis=0) for d in range(60, len(field.water_c))])
    expected = np.where((means >= enough).any(axis=0), 60 + np.argmax(means >= enough, axis=0), NEVER)
    assert (start == expected).mean() > 0.99 and (expected == 60).any()  # a sum may round to the other side


@pytest.mark.parametrize("replicates", [4, 5])
@pytest.mark.parametrize("layer", LAYERS)
@pytest.mark.parametrize("season", [0, 33])
def test_compiled_unevenness_is_the_plain_one(
    layer, replicates: int, season: int, monkeypatch: pytest.MonkeyPatch
) -> None:
    rng = np.random.default_rng(2)
    cells = (9, 3, replicates)
    start = rng.integers(0, 60, cells).astype(np.int16)
    start[0] = NEVER
    need = rng.uniform(100, 900, cells).astype(np.float32)  # some are never met
    fast = planted(9, replicates, first=season).uneven_heat(6.0, 18.0, layer, start=start, need=need)
    plain(monkeypatch)
    slow = planted(9, replicates, first=season).uneven_heat(6.0, 18.0, layer, start=start, need=need)
    np.testing.assert_array_equal(fast, slow)
    if layer is not None:
        assert (fast[0] == 0).all() and (fast[1:] > 0).any()


def test_a_lake_has_the_same_heat_alone() -> None:
    many, alone = planted(9, 5), planted(9, 5)
    alone.water_c, alone.depth = alone.water_c[:, 4:5], alone.depth.take(np.array([4]))
    np.testing.assert_array_equal(many.heat(6.0, None, LAYERS[1])[:, 4:5], alone.heat(6.0, None, LAYERS[1]))


def test_compiled_first_day_is_the_plain_search(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(3)
    heat = np.cumsum(np.maximum(rng.normal(1, 4, (100, 400)), 0), axis=0).astype(np.float32)
    level = rng.uniform(-20, 300, 400).astype(np.float32)
    level[:3], level[3:9] = np.inf, heat[np.arange(6) * 15, np.arange(3, 9)]  # never; met to the bit
    fast = first_day_at(heat, level)
    plain(monkeypatch)
    np.testing.assert_array_equal(fast, first_day_at(heat, level))
    count = (heat < level).sum(axis=0)
    np.testing.assert_array_equal(fast, count)


def test_compiled_starts_are_the_plain_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(4)
    water = np.maximum(np.cumsum(rng.normal(0.12, 1.5, (160, 6, 3, 4)), axis=0), 0).astype(np.float32)
    ice = (water < 4) & (rng.random(water.shape) < 0.5)
    ice[:, 0], ice[120, 1] = False, True

    def starts() -> list[np.ndarray]:
        warm = [
            population.water_start(water, threshold=t, first=f, days=d)
            for t in (3.0, 12.0, 99.0)
            for f in (0, 30)
            for d in (1, 7)
        ]
        return [*warm, *(population.ice_off_start(ice, first=10, last=last, earliest=40) for last in (60, 120, 159))]

    fast = starts()
    for name in ("water_start_kernel", "ice_off_start_kernel"):
        monkeypatch.setattr(population, name, None)
    for a, b in zip(fast, starts(), strict=True):
        np.testing.assert_array_equal(a, b)
    assert len(np.unique(fast[0])) > 5 and (fast[-1] > 40).any()


def test_compiled_windows_are_the_plain_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(5)
    onset = rng.integers(0, 50, (4, 9)).astype(np.int16)
    end = (onset + rng.integers(0, 20, onset.shape)).astype(np.int16)
    onset[0, :3] = end[0, :3] = end[1, 4] = end[1, 5] = NEVER
    moving = rng.random((60, 4, 9)) < 0.3

    def found() -> list[np.ndarray]:
        week = windows.best_week(ShownDays.of(moving.reshape(60, -1)), moving.mean(axis=2), first=7)
        between = turnover._between(onset[..., None], end[..., None], 60)
        active = windows.chance_active(onset, end, 60)
        runs = [windows.longest_run(active >= level) for level in (0.1, 0.3, 0.9)]
        spans = [day for run in runs for day in (run.start, run.end)]
        return [active, week.start, week.days, week.chance, *spans, between[..., 0]]

    fast = found()
    kernels = ("active_kernel", "best_week_kernel", "longest_run_kernel")
    for module, name in (*((windows, name) for name in kernels), (turnover, "within_kernel")):
        monkeypatch.setattr(module, name, None)
    for a, b in zip(fast, found(), strict=True):
        np.testing.assert_array_equal(a, b)
    np.testing.assert_array_equal(fast[0], fast[-1].mean(axis=2))


def test_compiled_last_days_under_way_are_the_plain_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    rng = np.random.default_rng(6)
    days, cells = 90, (4, 3, 5)
    heat = np.cumsum(np.maximum(rng.normal(2, 4, (days, *cells)), 0), axis=0).astype(np.float32)
    heat[70:] = heat[70]
    onset = rng.integers(0, days, cells).astype(np.int16)
    onset[rng.random(cells) < 0.2] = NEVER
    end = np.where(rng.random(cells) < 0.3, onset, NEVER).astype(np.int16)
    frozen = np.zeros((days, 60), dtype=bool)
    frozen[82:, ::2] = True
    warm, dusk = rng.normal(10, 3, (days, 12)).astype(np.float32), rng.normal(5, 3, (days, 4)).astype(np.float32)
    warm[60:, :8] = 0  # shut while heat still comes
    bounds = [Bound(warm, 5, np.full(60, 9, dtype=np.float32), 2.0), Bound(dusk, 15, np.zeros(60, np.float32), 0.0)]

    def found(gates: Gates) -> np.ndarray:
        return events.under_way_until(Milestones(onset, onset, end), heat, gates)

    def alone() -> np.ndarray:
        """Return those of the first lake without its neighbours."""
        own = [Bound(b.variable[:, : 15 // b.share], b.share, b.shut[:15], b.width) for b in bounds]
        dates = Milestones(onset[:1], onset[:1], end[:1])
        return events.under_way_until(dates, heat[:, :1], Gates(frozen[:, :15], tuple(own)))

    all_gates = [Gates(frozen, tuple(bounds[:n])) for n in range(3)]
    fast = [found(gates) for gates in all_gates]
    np.testing.assert_array_equal(alone(), fast[-1][:1])
    monkeypatch.setattr(events, "under_way_kernel", None)
    np.testing.assert_array_equal(alone(), fast[-1][:1])
    for got, gates in zip(fast, all_gates, strict=True):
        np.testing.assert_array_equal(got, found(gates))
        cut_short = (onset != NEVER) & (end == NEVER)
        assert (got[cut_short] >= onset[cut_short]).all() and len(np.unique(got[cut_short])) > 3
        np.testing.assert_array_equal(got[~cut_short], end[~cut_short])

"""Water below the surface: published thermoclines and densities, and what lakes of known kinds do."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest
from climates import HEMING, MADISON, MICHIGAN, PLATEAU, WINNEBAGO, MiddleLake

from emergence.dates import NEVER
from emergence.forecast.turnover import turnover_days, turnover_events
from emergence.water import depth as below
from emergence.water.depth import (
    DepthPath,
    Overturns,
    deepest,
    density_contrast,
    depth_path,
    levels,
    overturns,
    stirred_share,
    thermocline_depth,
)

PLATEAU_DEEP = MiddleLake(PLATEAU, (50.0, 1150.0, 30.0, 8.0, 20.0), 6.8)
PLATEAU_POND = MiddleLake(PLATEAU, (50.0, 1150.0, 3.0, 0.8, 1.5), 6.8)
NORTHWOODS = MiddleLake(MICHIGAN, (46.0, 495.0, 64.0, 10.9, 20.0), 6.0)
LARGE = MiddleLake(MADISON, (43.1, 259.0, 3985.0, 12.8, 25.3), 5.5)
SHALLOW = MiddleLake(WINNEBAGO, (44.0, 228.0, 55000.0, 4.7, 6.4), 5.5)
NORTH = MiddleLake(HEMING, (54.9, 300.0, 260.0, 8.0, 20.0), 6.0)


def turns(lake: MiddleLake) -> Overturns:
    field = lake.field()
    assert field.depth is not None
    return overturns(field.depth, field.path_ice, first=field.first, solstice=field.solstice)


def day_of_year(lake: MiddleLake, index: np.ndarray) -> float:
    """The middle spring's day of the year; 32767 and more where most have none."""
    return float(np.median(index.astype(int))) - lake.field().first + 1


def temperature(lake: MiddleLake, doy: int, level: int = -1) -> float:
    """Mean over the springs at a level on a day of the year [°C]."""
    field = lake.field()
    assert field.depth is not None
    day = field.first + doy - 1
    return float((field.depth.surface_c[day] - field.depth.below_c[day, level]).mean())


def steady_summer(area_km2: float, max_depth_m: float) -> tuple[np.ndarray, np.ndarray]:
    """Depths [m] and profile [°C] on 1 August of a lake that opens on 20 April and warms to 22 °C by 20 July."""
    doy = np.arange(1, 214)
    surface = np.interp(doy, [1, 110, 111, 201, 213], [0, 0, 3.5, 22, 22]).astype(np.float32)
    fine, kept = tuple(np.arange(0.5, max_depth_m, 0.5)), below.LEVELS_M
    below.LEVELS_M = fine
    try:
        path = depth_path(
            surface[:, None, None],
            (doy <= 110)[:, None, None],
            area_km2=np.array([area_km2]),
            deepest_m=np.array([max_depth_m]),
        )
    finally:
        below.LEVELS_M = kept
    return path.depth_m[:, 0], surface[-1] - path.below_c[-1, :, 0, 0]


# ---------------------------------------------------------------- published relations


def test_density_contrast_follows_the_published_equation_of_pure_water() -> None:
    """Density of Kell 1975 (Journal of Chemical and Engineering Data 20:97), values from memory to 0.001 kg m-3.

    10 %: the parabola is meant for that; differences under 0.02 kg m-3 (near 4 °C) hold to 0.005.
    """
    kell = {0: 999.840, 4: 999.972, 7: 999.902, 10: 999.700, 15: 999.099, 20: 998.203, 25: 997.043}
    for warm, cold in ((7, 4), (10, 4), (15, 4), (20, 4), (25, 4), (20, 10), (25, 15)):
        published = kell[cold] - kell[warm]
        got = float(density_contrast(np.array(float(warm)), np.array(float(cold))))
        assert got == pytest.approx(published, rel=0.10, abs=0.008)


def test_thermocline_depth_is_gorham_and_boyce() -> None:
    """h = 2.0 (tau / (g contrast))^0.5 L^0.5 (Gorham & Boyce 1989 J Great Lakes Res 15:233, abstract).

    By hand: stress 0.1 Pa, contrast 1.6 kg m-3, 1 km2: 2 (0.1 x 1000 / (9.81 x 1.6))^0.5 = 5.05 m; rounding.
    """
    one = float(thermocline_depth(np.array(1.6), np.array(1.0), 0.1))
    assert one == pytest.approx(5.05, abs=0.005)
    assert float(thermocline_depth(np.array(1.6), np.array(16.0), 0.1)) == pytest.approx(2 * one)


def test_wind_stirs_as_often_as_the_published_thermocline_is_passed() -> None:
    """The stress at which the published thermocline reaches a depth, as a multiple of the mean stress, sets the chance.

    At the depth that the mean stress stirs, an exponential stress is passed on exp(-1) of the days; (1 + 1/16)^-16
    stands for it, 3 % apart.
    """
    area, contrast = np.array(0.2), np.array(0.5)
    z = thermocline_depth(contrast, area, below.MEAN_STRESS)
    share = stirred_share(contrast, z, area) / stirred_share(np.array(0.0), z, area)
    assert float(share) == pytest.approx(np.exp(-1), rel=0.04)


@pytest.mark.parametrize("area_km2", [0.01, 0.05, 0.1, 0.3, 0.64, 1.0, 3.0])
def test_summer_thermocline_lies_among_the_published_regressions(area_km2: float) -> None:
    """Patalas z = 4.6 F^0.41; Hanna 1990 CJFAS 47:2340 log z = 0.336 log MEL - 0.245; Shuter et al. 1983 CJFAS 40:1838.

    F = MEL = 1.83 A^0.494 km (Lester et al. 2004); the first two from memory. The steepest gradient may lie a third
    outside the span of the three: their own scatter is about that (sd 0.245 of ln z over 460 lakes of Ontario).
    """
    fetch = 1.83 * area_km2**0.494
    mean = 5.0 * area_km2**0.2
    published = (
        4.6 * fetch**0.41,
        10 ** (0.336 * np.log10(1000 * fetch) - 0.245),
        np.exp(1.55 - 0.0263 * 4 + 0.22 * np.log(fetch) + 0.213 * np.log(mean) + 0.022),
    )
    z, profile = steady_summer(area_km2, 25.0)
    steepest = z[np.argmax(-np.diff(profile) / np.maximum(np.diff(z), 1e-9))]
    assert min(published) * 0.75 <= steepest <= max(published) * 1.33
    assert (np.diff(profile) <= 1e-4).all()  # colder downwards, to float32


def test_whether_a_lake_stratifies_depends_on_depth_and_area() -> None:
    """Gorham & Boyce 1989 (abstract): both the maximum depth and the surface area decide."""
    z, small = steady_summer(0.05, 8.0)
    _, large = steady_summer(200.0, 8.0)
    _, shallow = steady_summer(0.05, 1.5)
    assert small[-1] < 12 and large[-1] > 21 and shallow[-1] > 18
    assert z[-1] == 8.0


# ---------------------------------------------------------------- known kinds of lakes


def test_deep_small_lake_keeps_a_cold_bottom_all_summer() -> None:
    """Sparkling Lake, Wisconsin, 64 ha and 20 m: bottom about 5-7 °C in summer (from memory); 2 °C of tolerance."""
    assert 4.0 <= temperature(NORTHWOODS, 152) <= 8.0
    assert 4.5 <= temperature(NORTHWOODS, 227) <= 9.0
    assert temperature(NORTHWOODS, 227, level=1) > 18  # 2.5 m lies above its thermocline of about 7 m


def test_large_deep_lake_warms_its_bottom_before_it_stratifies() -> None:
    """Lake Mendota: hypolimnion 10-13 °C, stratified from May, mixed in October (from memory; three weeks, 3 °C)."""
    found = turns(LARGE)
    assert 8.0 <= temperature(LARGE, 200) <= 15.0
    assert 105 <= day_of_year(LARGE, found.stratified) <= 160
    assert 258 <= day_of_year(LARGE, found.autumn) <= 315


def test_large_shallow_lake_does_not_stratify() -> None:
    """Lake Winnebago, 550 km2 and 6.4 m: mixed all summer (from memory)."""
    assert (turns(SHALLOW).stratified == NEVER).mean() > 0.9
    assert (turns(PLATEAU_POND).stratified == NEVER).mean() > 0.5  # and a pond of 1.5 m mostly neither


def test_spring_overturn_begins_at_ice_off_and_lasts_days_to_weeks() -> None:
    """One to two weeks in small lakes, up to six in large ones (common practice, no source)."""
    for lake, longest in ((PLATEAU_DEEP, 25), (NORTHWOODS, 35), (NORTH, 45), (LARGE, 60)):
        found, field = turns(lake), lake.field()
        ice = field.path_ice[: field.spring_end, 0]
        last_ice = np.array([np.flatnonzero(spring)[-1] for spring in ice.T])
        frozen = found.spring[0] == last_ice + 1
        assert frozen.mean() > 0.8
        length = np.median(found.stratified.astype(int) - found.spring.astype(int))
        assert 2 <= length <= longest


def test_under_ice_the_bottom_is_the_warmest_and_never_above_four_degrees() -> None:
    field = PLATEAU_DEEP.field()
    assert field.depth is not None
    day = field.first + 40  # 10 February
    assert field.path_ice[day].all()
    bottom = -field.depth.below_c[day, -1]
    assert (bottom > 0.5).all() and (bottom <= 4.0 + 1e-3).all()


def test_depth_follows_the_surface_while_it_cools_above_four_degrees() -> None:
    """Cooling water is heavier and sinks: nowhere is the depth warmer than an ice-free surface above 4 °C."""
    for lake in (PLATEAU_DEEP, LARGE):
        depth = lake.field().depth
        assert depth is not None
        warm = depth.surface_c > 4.0
        assert (depth.below_c.min(axis=1)[warm] > -1e-3).all()


# ---------------------------------------------------------------- mechanics


def random_surface() -> tuple[np.ndarray, np.ndarray]:
    rng = np.random.default_rng(2)
    season = 12 - 13 * np.cos(2 * np.pi * (np.arange(300) - 10) / 365)
    water = np.maximum(season[:, None, None] + rng.normal(0, 1.5, (300, 3, 4)), 0).astype(np.float32)
    return water, water <= 0


def test_compiled_and_plain_forms_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """Same numbers to float32 rounding, which a day's step can double."""
    water, ice = random_surface()
    shape = {"area_km2": np.array([0.01, 0.3, 40.0]), "deepest_m": np.array([2.0, 9.0, 25.0])}
    fast = depth_path(water, ice, **shape)
    monkeypatch.setattr(below, "follow_kernel", None)
    plain = depth_path(water, ice, **shape)
    np.testing.assert_allclose(fast.below_c, plain.below_c, atol=2e-3)


def test_split_and_neighbours_change_nothing() -> None:
    water, ice = random_surface()
    water[:100] = water[:100, :, :1]
    ice[:100] = ice[:100, :, :1]
    area, deep = np.array([0.01, 0.3, 40.0]), np.array([2.0, 9.0, 25.0])
    whole = depth_path(water, ice, area_km2=area, deepest_m=deep)
    split = depth_path(water, ice, area_km2=area, deepest_m=deep, split=100)
    np.testing.assert_array_equal(whole.below_c, split.below_c)
    alone = depth_path(water[:, 1:2], ice[:, 1:2], area_km2=area[1:2], deepest_m=deep[1:2])
    np.testing.assert_array_equal(whole.take(np.array([1])).below_c, alone.below_c)


def test_weights_add_up_and_end_at_the_lakes_bottom() -> None:
    depth_m = levels(np.array([1.5, 6.0, 20.0]))
    path = DepthPath(depth_m, np.zeros((1, len(depth_m), 3, 1)), np.zeros((1, 3, 1)))
    share = path.weights(0.6, 7.5)
    np.testing.assert_allclose(share.sum(axis=0), 1)
    assert (share >= 0).all()
    nodes = np.concatenate([np.zeros((1, 3)), depth_m])
    # animals thin out evenly to none: their mean depth lies a third of the way down; straight lines keep the mean
    expected = np.array([0.6 + (low - 0.6) / 3 for low in (1.5, 6.0, 7.5)])
    np.testing.assert_allclose((share * nodes).sum(axis=0), expected, atol=0.02)  # 60 sample points
    at = (path.weights(3.0, 8.0) * nodes).sum(axis=0)
    assert at[0] == pytest.approx(1.5)  # deeper than the lake: asked at its bottom


def test_compiled_weights_are_the_plain_ones(monkeypatch: pytest.MonkeyPatch) -> None:
    depth_m = levels(np.array([0.8, 2.0, 6.0, 20.0, 60.0]))
    path = DepthPath(depth_m, np.zeros((1, len(depth_m), 5, 1)), np.zeros((1, 5, 1)))
    ranges = [(0.0, 2.0), (0.6, 7.5), (3.0, 20.0), (5.0, 5.0)]
    fast = [path.weights(*r) for r in ranges]
    monkeypatch.setattr(below, "weigh_kernel", None)
    for got, r in zip(fast, ranges, strict=True):
        np.testing.assert_allclose(got, path.weights(*r), rtol=0, atol=1e-15)  # rounding of sixtieths


def test_blank_greatest_depth_is_guessed_from_the_mean() -> None:
    got = deepest(np.array([np.nan, 5.0, 3.0]), np.array([4.5, 2.0, 4.0]))
    np.testing.assert_allclose(got, [10.0, 5.0, 4.0])


# ---------------------------------------------------------------- the event


def test_turnover_rows_run_from_ice_off_to_stratification() -> None:
    field = PLATEAU_DEEP.field()
    (event,) = turnover_events(field, keep_members=True)
    assert (event.taxon, event.brood, event.event) == ("-", 0, "turnover")
    assert (event.peak == NEVER).all() and not event.intensity.any()
    np.testing.assert_array_equal(event.active, event.moving_chance)
    found, expected = event.milestones, turns(PLATEAU_DEEP)
    assert found is not None
    np.testing.assert_array_equal(found.onset, expected.spring)
    # told from the surface alone, it ends too early only where a warm spell did not last
    apart = np.abs(found.end.astype(int) - expected.stratified)
    assert np.median(apart) <= 1 and (apart <= 3).mean() >= 0.75
    assert (found.end >= found.onset).all()


def test_a_member_whose_ice_goes_later_turns_over_later() -> None:
    field = PLATEAU_DEEP.field()
    assert field.depth is not None
    found = turns(PLATEAU_DEEP)
    early, early_end = turnover_days(field, found)
    ice, water = field.ice.copy(), field.water_c.copy()
    for slot in range(ice.shape[2]):
        day = int(found.spring[0, slot])
        ice[day : day + 10, :, slot], water[day : day + 10, :, slot] = True, 0
    late, late_end = turnover_days(dataclasses.replace(field, ice=ice, water_c=water), found)
    assert (late == early + 10).all() and (late_end >= early_end).all()


def test_lakes_that_mix_all_year_have_no_turnover() -> None:
    field = SHALLOW.field()
    onset, end = turnover_days(field, turns(SHALLOW))
    never = turns(SHALLOW).stratified[..., None] == NEVER
    assert (onset[never] == NEVER).all() and (end[never] == NEVER).all()

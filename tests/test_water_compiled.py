"""The compiled day loops against the plain NumPy forms beside them, on lakes of all kinds and drawn weather."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from emergence import loops
from emergence.dates import day_of_year
from emergence.water import compiled, fast, members, surface
from emergence.water.features import FEATURES, Features, features
from emergence.water.members import MemberWater, member_water, spring_opening
from emergence.water.shape import LakeShape
from emergence.water.spread import MemberErrors, error_bank
from emergence.water.surface import WaterPath, drivers, exchange, first_month_mean, initial_state

pytestmark = pytest.mark.usefixtures("numba_here")

LAKES, SLOTS, EACH, DAYS = 24, 5, 4, 800


@pytest.fixture(scope="module")
def numba_here() -> None:
    """Without numba there is nothing to compare and these tests must not pass."""
    assert loops.HAVE_NUMBA


def lakes() -> LakeShape:
    rng = np.random.default_rng(4)
    guessed = np.zeros(LAKES, dtype=bool)
    return LakeShape(
        latitude=np.where(np.arange(LAKES) % 6 == 0, -1, 1) * rng.uniform(35, 66, LAKES),
        elevation_m=rng.uniform(0, 2500, LAKES),
        area_km2=np.exp(rng.normal(-1.6, 1.5, LAKES)),
        mean_depth_m=np.exp(rng.normal(1.4, 0.8, LAKES)),
        amplitude_c=rng.uniform(5, 20, LAKES),
        depth_guessed=guessed,
        area_guessed=guessed,
    )


def weather() -> tuple[np.ndarray, np.ndarray]:
    """Day numbers and synthetic air: cold and mild lakes, white noise strong enough to open and close ice often."""
    rng = np.random.default_rng(5)
    days = 17_000 + np.arange(DAYS)
    year = -11 * np.cos(2 * np.pi * (day_of_year(days) - 20) / 365.25)
    level = np.linspace(-3, 17, LAKES)[None, :, None]
    return days, year[:, None, None] + level + rng.normal(0, 4, (DAYS, LAKES, SLOTS))


@pytest.fixture(scope="module")
def path() -> WaterPath:
    days, air = weather()
    shape, air = lakes(), air.astype(np.float32)
    return surface.simulate(air, drivers(days, shape), exchange(shape), initial_state(first_month_mean(air)))[0]


# float64: the NumPy form holds a few constants in float32 (1e-7 of them). float32: each exponential is rounded in its
# own way (1e-7 of a flux of 400 W m-2 or 1e-5 °C a day); the lake forgets such differences within weeks.
@pytest.mark.parametrize(("dtype", "most_c"), [(np.float64, 1e-6), (np.float32, 2e-4)])
def test_surface(dtype: type, most_c: float) -> None:
    days, air = weather()
    shape, air = lakes(), air.astype(dtype)
    drive, lake, start = drivers(days, shape, dtype), exchange(shape, dtype), initial_state(first_month_mean(air))
    plain, last = surface.simulate(air, drive, lake, start)
    quick, quick_last = fast.simulate(air, drive, lake, start)
    assert 0.1 < plain.ice.mean() < 0.6
    assert (np.diff(plain.ice.astype(int), axis=0) == 1).sum() > 100  # freezes over again and again
    assert (quick.ice == plain.ice).all()
    assert quick.water_c.dtype == dtype
    assert np.abs(quick.water_c - plain.water_c).max() < most_c
    assert np.abs(quick.free_c - plain.free_c).max() < most_c
    for name, value in vars(last).items():
        assert np.abs(getattr(quick_last, name) - value).max() < most_c


def test_surface_goes_on_from_a_state_and_leaves_it_alone() -> None:
    days, air = weather()
    shape, air = lakes(), air.astype(np.float32)
    lake, start = exchange(shape), initial_state(first_month_mean(air))
    before = {name: value.copy() for name, value in vars(start).items()}
    whole, _ = fast.simulate(air, drivers(days, shape), lake, start)
    first, between = fast.simulate(air[:313], drivers(days[:313], shape), lake, start)
    rest, _ = fast.simulate(air[313:], drivers(days[313:], shape), lake, between)
    assert (np.concatenate([first.water_c, rest.water_c]) == whole.water_c).all()
    assert all((getattr(start, name) == value).all() for name, value in before.items())


def anomalies() -> np.ndarray:
    return np.random.default_rng(6).normal(0, 4, (DAYS, LAKES, SLOTS)).astype(np.float32)


def known_of(path: WaterPath) -> Features:
    return features(day_of_year(weather()[0]), anomalies(), path.ice)


def test_features(path: WaterPath, monkeypatch: pytest.MonkeyPatch) -> None:
    quick = known_of(path)
    monkeypatch.setattr(compiled, "features_kernel", None)
    assert (known_of(path).weather == quick.weather).all()  # the same sums in the same order


def draws(*, terms: tuple[int, ...]) -> MemberErrors:
    rng = np.random.default_rng(7)
    cells = (LAKES, SLOTS * EACH)
    beta = np.zeros((len(FEATURES), *cells), dtype=np.float32)
    for k in terms:
        beta[k] = rng.normal(0, 0.6, cells)
    shift = np.rint(rng.normal(0, 9, cells)).astype(np.int64)
    return MemberErrors(beta, np.full(cells, 1.1, np.float32), rng.integers(0, 2048, cells), shift)


def laid(path: WaterPath, errors: MemberErrors, *, pull: np.ndarray | None = None) -> MemberWater:
    opening = spring_opening(path.ice[:370], np.full(LAKES, 360))
    keep = exchange(lakes()).keep
    return member_water(
        path, errors, known=known_of(path), bank=error_bank(3, DAYS), pull=pull, opening=opening, keep=keep
    )


@pytest.mark.parametrize("terms", [(), (0, 1, 2), tuple(range(len(FEATURES)))], ids=["none", "prior", "all"])
@pytest.mark.parametrize("pulled", [False, True])
def test_members(path: WaterPath, terms: tuple[int, ...], pulled: bool, monkeypatch: pytest.MonkeyPatch) -> None:
    pull = np.random.default_rng(8).normal(0, 0.5, (DAYS, LAKES, SLOTS * EACH)).astype(np.float32) if pulled else None
    quick = laid(path, draws(terms=terms), pull=pull)
    monkeypatch.setattr(compiled, "members_kernel", None)
    plain = laid(path, draws(terms=terms), pull=pull)
    assert (quick.water_c == plain.water_c).all()  # the same sums in the same order
    assert (quick.ice == plain.ice).all()


def test_members_do_not_depend_on_their_neighbours(path: WaterPath) -> None:
    errors = draws(terms=(0, 1, 2, 5))
    whole = laid(path, errors)
    some = np.array([3, 4, 17])
    part = WaterPath(*(v[:, some] for v in vars(path).values()))
    fewer = MemberErrors(errors.beta[:, some], errors.day_sd_c[some], errors.path[some], errors.ice_shift_d[some])
    again = member_water(
        part,
        fewer,
        known=known_of(path).take(some),
        bank=error_bank(3, DAYS),
        opening=spring_opening(path.ice[:370], np.full(LAKES, 360))[some],
        keep=exchange(lakes()).keep[some],
    )
    assert (again.water_c == whole.water_c[:, some]).all()
    assert (again.ice == whole.ice[:, some]).all()


def test_without_numba_the_plain_forms_work(path: WaterPath, monkeypatch: pytest.MonkeyPatch) -> None:
    for name in ("surface_kernel", "features_kernel", "members_kernel"):
        monkeypatch.setattr(compiled, name, None)
    days, air = weather()
    shape, air = lakes(), air.astype(np.float32)
    plain, _ = fast.simulate(air, drivers(days, shape), exchange(shape), initial_state(first_month_mean(air)))
    assert (plain.water_c == path.water_c).all()


def test_physics_holds_every_number_in_one_precision() -> None:
    for dtype in (np.float32, np.float64):
        assert {type(value) for value in fast.physics(dtype)} == {dtype}


def test_members_start_open_water_where_the_ice_goes_early(path: WaterPath) -> None:
    """A member without error but with ice-off ten days early: open and warming while the simulated lake is frozen."""
    errors = draws(terms=())
    nobody = np.zeros_like(errors.day_sd_c)
    errors = dataclasses.replace(errors, day_sd_c=nobody, ice_shift_d=np.full_like(errors.ice_shift_d, -10))
    got, opening = laid(path, errors), spring_opening(path.ice[:370], np.full(LAKES, 360))
    lake, slot = next((k, s) for k, s in np.argwhere(opening > 150))
    off = opening[lake, slot]
    assert path.ice[off - 10 : off, lake, slot].all()
    assert not got.ice[off - 10 : off, lake, slot].any()
    assert (got.water_c[off - 10, lake, slot] > 0).all()
    assert members.SETTLED_C < 0.05

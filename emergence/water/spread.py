"""How far the model may be off: the error terms of a lake never measured, and each member's draw of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.randomness import keyed_generator
from emergence.water.coefficients import load_coefficients
from emergence.water.features import FEATURES
from emergence.water.shape import LakeShape

Floats = NDArray[np.floating]
BANK_PATHS = 1024


@dataclass(frozen=True)
class Spread:
    """What is known of each lake's deviation from the model, and how much is not.

    ``mean`` (lakes, K) and ``root`` (lakes, K, K): mean and Cholesky root of the covariance of the lake's coefficients
    of FEATURES; ``year_c``, ``day_c`` [°C] (lakes,) season-long and day-to-day error; ``large`` whether the day-to-day
    error is the slow kind; ``ice_mean_d``, ``ice_sd_d`` [d] (lakes,) shift of the date of ice-off.
    """

    mean: Floats
    root: Floats
    year_c: Floats
    day_c: Floats
    large: NDArray[np.bool_]
    ice_mean_d: Floats
    ice_sd_d: Floats

    def take(self, lakes: NDArray[np.int64]) -> Spread:
        """Return some lakes."""
        return Spread(**{name: value[lakes] for name, value in vars(self).items()})

    def phi(self) -> Floats:
        """Return the autocorrelation of the day-to-day error from day to day [1], shape (lakes,)."""
        s = load_coefficients()["spread"]
        return np.where(self.large, s["day_phi_large"], s["day_phi"])

    def ice_prior_d(self) -> Floats:
        """Return how far a lake's own ice-off may lie from the model's [d], its years' scatter taken out, (lakes,)."""
        year = load_coefficients()["spread"]["ice_year_d"]
        return np.asarray(np.sqrt(np.maximum(self.ice_sd_d**2 - year**2, 1.0)))


@dataclass(frozen=True)
class MemberErrors:
    """Each member's draw: ``beta`` (K, lakes, members) of FEATURES, the season-long error in the first.

    The rest is (lakes, members); ``path`` picks a column of the error bank, ``ice_shift_d`` [d] moves ice-off.
    """

    beta: Floats
    day_sd_c: Floats
    path: NDArray[np.int64]
    ice_shift_d: NDArray[np.int64]


def unseen_spread(shape: LakeShape, air_sd_c: Floats) -> Spread:
    """Return the error of lakes without any reading (sizes in coefficients.toml, section spread).

    ``air_sd_c`` [°C] (lakes,) is how far the air at the lake may be off in the mean, from the height correction; water
    follows it about one to one.
    """
    s = load_coefficients()["spread"]
    lake = s["lake_c"] ** 2 + np.asarray(air_sd_c, dtype=float) ** 2
    lake += np.where(shape.depth_guessed, s["lake_guess_depth_c"] ** 2, 0.0)
    lake += np.where(shape.area_guessed, s["lake_guess_area_c"] ** 2, 0.0)
    rise = (shape.elevation_m - s["mountain_from_m"]) / (s["mountain_full_m"] - s["mountain_from_m"])
    lake += np.clip(rise, 0, 1) * (s["lake_mountain_c"] ** 2 - s["lake_c"] ** 2)
    ice_lake = np.where(shape.mean_depth_m > 20, s["ice_lake_deep_d"], s["ice_lake_d"])
    same = np.ones_like(lake)
    root = np.zeros((len(lake), len(FEATURES), len(FEATURES)))
    root[:, 0, 0] = np.sqrt(lake)
    root[:, 1, 1] = root[:, 2, 2] = s["season_shape_c"]
    return Spread(
        mean=np.zeros((len(lake), len(FEATURES))),
        root=root,
        year_c=s["year_c"] * same,
        day_c=np.where(shape.area_km2 * 100 <= s["pond_ha"], s["day_pond_c"], s["day_c"]),
        large=(shape.area_km2 * 100 >= s["large_ha"]) | (shape.mean_depth_m >= s["deep_m"]),
        ice_mean_d=0.0 * same,
        ice_sd_d=np.hypot(ice_lake, s["ice_year_d"]),
    )


def error_bank(seed: int, n_days: int) -> Floats:
    """Return unit day-to-day error paths, shape (days, 2 * BANK_PATHS), float32.

    The first half has the autocorrelation of ordinary lakes, the second of large or deep ones. Drawn once and shared:
    a member picks its path by a keyed number, which is far cheaper than a fresh path for each member.
    """
    s = load_coefficients()["spread"]
    rng = keyed_generator(seed, "day-to-day error bank")
    phi = np.repeat([s["day_phi"], s["day_phi_large"]], BANK_PATHS)
    step = np.sqrt(1 - phi**2)
    value = rng.standard_normal(2 * BANK_PATHS)
    bank = np.empty((n_days, 2 * BANK_PATHS), dtype=np.float32)
    for day in range(n_days):
        bank[day] = value
        value = phi * value + step * rng.standard_normal(2 * BANK_PATHS)
    return bank


def draw_errors(
    spread: Spread, lake_ids: NDArray[np.object_], regions: NDArray[np.object_], *, seed: int, season: int, members: int
) -> MemberErrors:
    """Draw every member's errors, keyed by lake (and by region for the part that neighbours share).

    Parameters
    ----------
    spread
        What is known of the lakes.
    lake_ids, regions
        Keys, shape (lakes,); lakes without a region share nothing.
    seed, season
        The run's seed and the season's year: a lake's own deviation does not depend on the season, its year error does.
    members
        Number of members M.
    """
    s = load_coefficients()["spread"]
    shared_sd, own_sd = np.float32(np.sqrt(s["year_shared"])), np.float32(np.sqrt(1 - s["year_shared"]))
    by_region: dict[str, Floats] = {}
    lakes, size = len(lake_ids), len(FEATURES)
    beta = np.empty((size, lakes, members), dtype=np.float32)
    path = np.empty((lakes, members), dtype=np.int64)
    ice = np.empty((lakes, members))
    for k, (lake_id, region) in enumerate(zip(lake_ids.tolist(), regions.tolist(), strict=True)):
        still = keyed_generator(seed, "water", lake_id).standard_normal((size, members))
        rng = keyed_generator(seed, "water", lake_id, str(season))
        moving = rng.standard_normal((2, members), dtype=np.float32)
        key = region or "lake " + lake_id
        if key not in by_region:
            region_rng = keyed_generator(seed, "region year", key, str(season))
            by_region[key] = region_rng.standard_normal(members, dtype=np.float32)
        beta[:, k] = spread.mean[k][:, None] + _mixed(spread.root[k], still)
        beta[0, k] += np.float32(spread.year_c[k]) * (shared_sd * by_region[key] + own_sd * moving[0])
        ice[k] = spread.ice_mean_d[k] + spread.ice_sd_d[k] * moving[1]
        path[k] = rng.integers(0, BANK_PATHS, members) + (BANK_PATHS if spread.large[k] else 0)
    day_sd = np.repeat(np.asarray(spread.day_c, dtype=np.float32)[:, None], members, axis=1)
    return MemberErrors(beta, day_sd, path, np.rint(ice).astype(np.int64))


def _mixed(root: Floats, deviates: Floats) -> Floats:
    """Return root @ deviates, summed in one order whatever the linear algebra library."""
    return np.cumsum(root[:, :, None] * deviates[None], axis=1)[:, -1]

"""How far the model may be off: the error terms of a lake never measured, and each member's draw of them."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from emergence.randomness import keyed_generator
from emergence.water.coefficients import load_coefficients
from emergence.water.shape import LakeShape

Floats = NDArray[np.floating]
BANK_PATHS = 1024


@dataclass(frozen=True)
class Spread:
    """Standard deviations of the model's error, shape (lakes,).

    ``lake_c``, ``shape_c``, ``year_c``, ``day_c`` [°C]: lake bias, seasonal shape, season-long and day-to-day error;
    ``phi`` [1] the day-to-day error's autocorrelation; ``ice_d`` [d] the date of ice-off.
    """

    lake_c: Floats
    shape_c: Floats
    year_c: Floats
    day_c: Floats
    large: NDArray[np.bool_]
    ice_d: Floats


@dataclass(frozen=True)
class MemberErrors:
    """Each member's draw, shape (lakes, members), float32; ``path`` picks a column of the lake's error bank."""

    level_c: Floats
    cosine_c: Floats
    sine_c: Floats
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
    return Spread(
        lake_c=np.sqrt(lake),
        shape_c=s["season_shape_c"] * same,
        year_c=s["year_c"] * same,
        day_c=np.where(shape.area_km2 * 100 <= s["pond_ha"], s["day_pond_c"], s["day_c"]),
        large=(shape.area_km2 * 100 >= s["large_ha"]) | (shape.mean_depth_m >= s["deep_m"]),
        ice_d=np.hypot(ice_lake, s["ice_year_d"]),
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
        Sizes, shape (lakes,).
    lake_ids, regions
        Keys, shape (lakes,); lakes without a region share nothing.
    seed, season
        The run's seed and the season's year: a lake's own bias does not depend on the season, its year error does.
    members
        Number of members M.
    """
    s = load_coefficients()["spread"]
    shared_sd, own_sd = np.sqrt(s["year_shared"]), np.sqrt(1 - s["year_shared"])
    by_region: dict[str, Floats] = {}
    rows = []
    for lake_id, region in zip(lake_ids.tolist(), regions.tolist(), strict=True):
        still = keyed_generator(seed, "water", lake_id).standard_normal((3, members), dtype=np.float32)
        rng = keyed_generator(seed, "water", lake_id, str(season))
        moving = rng.standard_normal((2, members), dtype=np.float32)
        key = region or "lake " + lake_id
        if key not in by_region:
            region_rng = keyed_generator(seed, "region year", key, str(season))
            by_region[key] = region_rng.standard_normal(members, dtype=np.float32)
        year = shared_sd * by_region[key] + own_sd * moving[0]
        rows.append((still, year, moving[1], rng.integers(0, BANK_PATHS, members)))
    still = np.stack([r[0] for r in rows])
    year = np.stack([r[1] for r in rows])
    ice = np.stack([r[2] for r in rows])
    path = np.stack([r[3] for r in rows])

    def column(x: Floats) -> Floats:
        return np.asarray(x, dtype=np.float32)[:, None]

    return MemberErrors(
        level_c=(column(spread.lake_c) * still[:, 0] + column(spread.year_c) * year).astype(np.float32),
        cosine_c=column(spread.shape_c) * still[:, 1],
        sine_c=column(spread.shape_c) * still[:, 2],
        day_sd_c=np.repeat(column(spread.day_c), members, axis=1),
        path=path + np.where(spread.large, BANK_PATHS, 0)[:, None],
        ice_shift_d=np.rint(column(spread.ice_d) * ice).astype(np.int64),
    )

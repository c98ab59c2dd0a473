"""Fit of the water model's coefficients on season folders, all lakes together, water and ice jointly."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from tests.benchmarks.water_data import Records
from tests.benchmarks.water_research import Params, Setup, setups, simulate

WATER_SD, ICE_SD = 1.3, 6.0  # °C, d: what one effective reading or date is trusted with
WATER_CAP, ICE_CAP = 40.0, 15.0  # the most effective readings and dates of a lake
SPRING_WEIGHT = 2.0
BLOCK_D = 10  # readings of so many days count as one
HUBER = 2.0
STEP = 0.4  # of the prior standard deviation, for the differences
LEVEL_SD, SHAPE_SD, SHIFT_SD = 0.8, 0.4, 4.0  # °C, °C, d: what is each lake's own
AIR_SD, AIR_STEP = 0.7, 0.5  # °C: how far a station's air may be off at its lakes; step of its derivative
NO_ICE_ROW = 184.0  # 1 January: stands for ice-off where the model never froze


@dataclass(frozen=True)
class Problem:
    """Weights (before robustness) of readings and ice dates, with lakes as the unit of evidence."""

    records: Records
    parts: tuple[Setup, Setup]
    names: tuple[str, ...]
    centre: np.ndarray
    sd: np.ndarray
    w: np.ndarray
    noise: np.ndarray
    z: np.ndarray
    z_sd: np.ndarray
    air_columns: slice
    air_mask: np.ndarray


def problem(records: Records, priors: dict[str, tuple[float, float]]) -> Problem:
    names = tuple(priors)
    centre, sd = np.array(list(priors.values())).T
    lake = records.obs_lake
    lakes = len(records.lake_id)
    block = records.obs_cell * 100 + records.obs_day // BLOCK_D
    _, inverse, count = np.unique(block, return_inverse=True, return_counts=True)
    blocks = np.bincount(lake, 1 / count[inverse], minlength=lakes)
    effective = WATER_CAP / (WATER_CAP + blocks)
    w = effective[lake] / count[inverse] * np.where(records.obs_spring, SPRING_WEIGHT, 1.0)
    w = w * _shared(records, lake)[lake]
    dates = np.bincount(records.ice_lake, minlength=lakes)
    iw = (ICE_CAP / (ICE_CAP + dates))[records.ice_lake] * _shared(records, records.ice_lake)[records.ice_lake]
    noise = np.concatenate([np.full(len(w), WATER_SD), np.full(len(iw), ICE_SD)])
    z, z_sd = own_effects(records)
    both = np.concatenate([records.obs_lake, records.ice_lake])
    _, group = np.unique(records.station, return_inverse=True)
    mask = (group[both][:, None] == np.arange(group.max() + 1)).astype(float)
    columns = slice(z.shape[1], z.shape[1] + mask.shape[1])
    z = np.concatenate([z, np.zeros_like(mask)], axis=1)
    z_sd = np.concatenate([z_sd, np.full(mask.shape[1], AIR_SD)])
    total = np.concatenate([w, iw]) / noise**2
    return Problem(records, setups(records), names, centre, sd, total, noise, z, z_sd, columns, mask)


def own_effects(records: Records) -> tuple[np.ndarray, np.ndarray]:
    """Design (n, effects) of what is each lake's own: level, annual cosine and sine of water, shift of ice-off."""
    n_obs, n_ice = len(records.obs_c), len(records.ice_day)
    doy = records.obs_day - 184
    angle = 2 * np.pi * doy / 365.25
    columns, sd = [], []
    for k in range(len(records.lake_id)):
        mine = records.obs_lake == k
        if mine.any() and LEVEL_SD > 0:
            for shape, s in ((np.ones(n_obs), LEVEL_SD), (np.cos(angle), SHAPE_SD), (np.sin(angle), SHAPE_SD)):
                columns.append(np.concatenate([np.where(mine, shape, 0), np.zeros(n_ice)]))
                sd.append(s)
        mine = records.ice_lake == k
        if mine.any() and SHIFT_SD > 0:
            columns.append(np.concatenate([np.zeros(n_obs), mine.astype(float)]))
            sd.append(SHIFT_SD)
    return np.stack(columns, axis=1) if columns else np.zeros((n_obs + n_ice, 1)), np.array(sd or [1.0])


def _shared(records: Records, seen: np.ndarray) -> np.ndarray:
    """Return 1 / sqrt(number of lakes with such data on the same station) of each lake."""
    has = np.bincount(seen, minlength=len(records.lake_id)) > 0
    _, group = np.unique(records.station, return_inverse=True)
    return 1 / np.sqrt(np.maximum(np.bincount(group, has)[group], 1))


def params(p: Problem, theta: np.ndarray) -> Params:
    """Coefficient sets (copies, coefficients) as the model takes them."""
    return {n: theta[:, k] for k, n in enumerate(p.names)}


def residuals(p: Problem, theta: np.ndarray, air_shift: np.ndarray | None = None) -> np.ndarray:
    """Raw errors of readings then ice dates, (copies, n)."""
    sets = params(p, np.atleast_2d(theta))
    if air_shift is not None:
        sets["air_shift"] = air_shift
    water, off = simulate(p.records, p.parts, sets)
    off = np.where(np.isnan(off), NO_ICE_ROW, off)
    return np.concatenate([water - p.records.obs_c, off - p.records.ice_day], axis=1)


def weights(p: Problem, rest: np.ndarray) -> np.ndarray:
    """Weights with Huber's factor for errors from which the lakes' own effects are taken."""
    z = np.abs(rest) / p.noise
    return p.w * np.minimum(1, HUBER / np.maximum(z, 1e-9))


def effects(p: Problem, error: np.ndarray, use: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    """Return every lake's own effects (shrunk) and the robust weights around them."""
    own = np.zeros(p.z.shape[1])
    for _ in range(4):
        w = weights(p, error + p.z @ own) * use
        zw = p.z.T * w
        own = -np.linalg.solve(zw @ p.z + np.diag(p.z_sd**-2.0), zw @ error)
    return own, w


def cost(p: Problem, theta: np.ndarray, error: np.ndarray, use: np.ndarray) -> float:
    own, _ = effects(p, error, use)
    z = np.abs(error + p.z @ own) / p.noise
    rho = np.where(z < HUBER, z**2, HUBER * (2 * z - HUBER)) * p.noise**2
    return float((p.w * use * rho).sum() + (((theta - p.centre) / p.sd) ** 2).sum() + ((own / p.z_sd) ** 2).sum())


def jacobian(p: Problem, theta: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
    sets = np.concatenate([theta[None], theta + np.diag(STEP * p.sd), theta[None]])
    shift = np.zeros(len(sets))
    shift[-1] = AIR_STEP
    e = residuals(p, sets, shift)
    p.z[:, p.air_columns] = p.air_mask * ((e[-1] - e[0]) / AIR_STEP)[:, None]
    return e[0], (e[1:-1] - e[0]) / (STEP * p.sd)[:, None]


def step(
    p: Problem, theta: np.ndarray, error: np.ndarray, jac: np.ndarray, use: np.ndarray, damp: float = 1.0
) -> np.ndarray:
    """Gauss-Newton step with the lakes' own effects integrated out."""
    _, w = effects(p, error, use)
    zw = p.z.T * w
    middle = zw @ p.z + np.diag(p.z_sd**-2.0)
    cross = zw @ jac.T
    left = (jac * w) @ jac.T - cross.T @ np.linalg.solve(middle, cross) + np.diag(p.sd**-2.0)
    right = (jac * w) @ error - cross.T @ np.linalg.solve(middle, zw @ error) + (theta - p.centre) / p.sd**2
    return -np.linalg.solve(left + (damp - 1) * np.diag(p.sd**-2.0), right)


def _tries(p: Problem, theta: np.ndarray, error: np.ndarray, jac: np.ndarray, use: np.ndarray) -> np.ndarray:
    """Steps of several dampings and lengths, (tries, coefficients)."""
    out = []
    for damp, lengths in ((1.0, (1.0, 0.5, 0.2)), (5.0, (1.0, 0.4)), (40.0, (1.0,))):
        full = step(p, theta, error, jac, use, damp)
        out += [theta + x * full for x in lengths]
    return np.stack(out)


def fit(p: Problem, theta: np.ndarray, rounds: int = 8, log=print) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Gauss-Newton, several steps tried side by side. Returns coefficients, errors, Jacobian."""
    use = np.ones(len(p.w))
    for k in range(rounds):
        error, jac = jacobian(p, theta)
        old = cost(p, theta, error, use)
        sets = _tries(p, theta, error, jac, use)
        costs = [cost(p, s, e, use) for s, e in zip(sets, residuals(p, sets), strict=True)]
        best = int(np.argmin(costs))
        log(f"round {k}: cost {old:.1f} -> {costs[best]:.1f} (try {best})")
        if costs[best] >= old:
            break
        theta = sets[best]
        if old - costs[best] < 0.002 * old:
            error, jac = jacobian(p, theta)
            break
    return theta, error, jac


def left_out(p: Problem, theta: np.ndarray, error, jac, groups: list[np.ndarray], rounds: int = 2):
    """Refit without each group of lakes (chord steps with the all-lake Jacobian). Returns sets and their errors."""
    lake = np.concatenate([p.records.obs_lake, p.records.ice_lake])
    sets, errors = [], []
    for group in groups:
        use = (~np.isin(lake, group)).astype(float)
        best, best_error = theta, error
        for turn in range(rounds):
            old = cost(p, best, best_error, use)
            tried = _tries(p, best, best_error, jac, use)
            found = residuals(p, tried)
            costs = [cost(p, s, e, use) for s, e in zip(tried, found, strict=True)]
            k = int(np.argmin(costs))
            if costs[k] >= old and turn > 0:  # the first step is always taken: the start knows the lakes left out
                break
            best, best_error = tried[k], found[k]
        sets.append(best)
        errors.append(best_error)
    return np.stack(sets), np.stack(errors)


def table(p: Problem, error: np.ndarray) -> dict[str, np.ndarray]:
    """Scores per lake from one row of errors: rmse, bias, spring rmse and bias, ice rmse and bias (whole days)."""
    r = p.records
    e, d = error[: len(r.obs_c)], np.rint(error[len(r.obs_c) :])
    n = len(r.lake_id)
    out = {}
    for name, x, lake in (
        ("water", e, r.obs_lake),
        ("spring", e[r.obs_spring], r.obs_lake[r.obs_spring]),
        ("ice", d, r.ice_lake),
    ):
        count = np.bincount(lake, minlength=n)
        with np.errstate(all="ignore"):
            out[name] = np.sqrt(np.bincount(lake, x**2, minlength=n) / count)
            out[name + "_bias"] = np.bincount(lake, x, minlength=n) / count
    return out

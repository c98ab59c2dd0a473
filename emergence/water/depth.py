"""Temperature below the surface: how deep wind stirs a lake, what stays cold beneath, when spring and autumn mix it.

One rule at every depth. Wind of stress tau stirs a lake of diameter L against a density contrast down to
h = 2 (tau L / (g contrast))^(1/2) (Gorham and Boyce 1989 Journal of Great Lakes Research 15:233, abstract). Wind is
not known here; if its speed follows a Rayleigh distribution, its stress is exponential, and a day stirs the depth z
with the chance exp(-g contrast z^2 / (4 L mean stress)): that often the water at z moves towards the surface
temperature. The summer thermocline, a cold bottom, deep lakes that stratify early, shallow ones that never do for
long, and the autumn overturn follow from it. Inflows, springs, salt and clarity are not known.
"""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.loops import kernel

Floats = NDArray[np.floating]
GRAVITY = 9.81  # m s-2
DENSEST_C = 4.0  # water of greatest density
CURVATURE = 7.0e-3  # kg m-3 K-2: density = 999.975 - CURVATURE (T - 4)^2, within 10 % from 7 to 25 °C
MEAN_STRESS = 0.035  # Pa, mean over days; our prior: puts summer thermoclines among the published regressions
STIRRED_A_DAY = 0.6  # kg^0.5 m^-1.5, see ``stirred_share``; our prior: bottom temperatures at which lakes stratify
DIFFUSED = 0.001  # 1/d: what reaches any depth without wind; our prior
LIT = 0.05  # 1/d: what light brings down near the surface; our prior
EXTINCTION = 0.7  # 1/m: how fast light fades with depth; our prior (clear to coloured lakes 0.3 to 1.5)
ICE_SHARE = 0.01  # 1/d: water below the ice drifts to 4 °C; our prior
MEAN_OF_MAX_DEPTH = 0.45  # mean depth / maximum depth, from memory (about 0.46 over many lakes)
LEVELS_M = (1.0, 2.5, 4.5, 7.0)  # depths followed, beside the surface and the deepest point
STRATIFIED_C = 1.0  # surface less deepest water from which a lake counts as stratified; from memory
STRATIFIED_D = 14  # d in a row; our prior
SAMPLES = 60  # points of a depth range over which its mean is taken


@dataclass(frozen=True)
class DepthPath:
    """Water below the surface of every lake and sky.

    ``depth_m`` (levels, lakes) [m], the last level is the deepest point; ``below_c`` (days, levels, lakes, slots) [°C]
    surface less that depth: positive where the depth is colder; ``surface_c`` (days, lakes, slots) [°C].
    """

    depth_m: Floats
    below_c: Floats
    surface_c: Floats

    def take(self, lakes: NDArray[np.int64] | slice) -> DepthPath:
        """Return some lakes."""
        return DepthPath(self.depth_m[:, lakes], self.below_c[:, :, lakes], self.surface_c[:, lakes])

    @property
    def deepest_m(self) -> Floats:
        """Return the greatest depth of each lake [m], shape (lakes,)."""
        return np.asarray(self.depth_m[-1])

    def range_mean(self, shallow_m: float, deep_m: float) -> Floats:
        """Return the surface less the mean over a depth range [°C], (days, lakes, slots); see ``weights``."""
        days, _, lakes, slots = self.below_c.shape
        share = np.repeat(self.weights(shallow_m, deep_m).astype(self.below_c.dtype), slots, axis=1)
        total = np.zeros((days, lakes * slots), dtype=self.below_c.dtype)
        for level in np.flatnonzero(share[1:].any(axis=1)):
            total += share[level + 1] * self.below_c[:, level].reshape(days, -1)
        return total.reshape(days, lakes, slots)

    def weights(self, shallow_m: float, deep_m: float) -> Floats:
        """Return what the surface (first) and each level count in the mean over a depth range, (1 + levels, lakes).

        Temperature is taken as straight between the levels. Animals thin out evenly from ``shallow_m`` to none at
        ``deep_m`` [m], as the bottom of a cone does (our prior); a lake that is shallower ends the range at its deepest
        point.
        """
        low = np.minimum(deep_m, self.deepest_m)
        high = np.minimum(shallow_m, low)
        step = 1 - np.sqrt(1 - (np.arange(SAMPLES) + 0.5) / SAMPLES)
        at = high + (low - high) * step[:, None]
        nodes = np.concatenate([np.zeros((1, at.shape[1])), self.depth_m])
        share = np.zeros(nodes.shape)
        if weigh_kernel is not None:
            weigh_kernel(at, nodes, share)
            return share
        rows = np.arange(at.shape[1])
        for z in at:
            upper = np.minimum((nodes[1:] < z).sum(axis=0), len(nodes) - 2)
            width = nodes[upper + 1, rows] - nodes[upper, rows]
            part = np.clip((z - nodes[upper, rows]) / np.where(width > 0, width, 1.0), 0.0, 1.0)
            share[upper, rows] += (1 - part) / SAMPLES
            share[upper + 1, rows] += part / SAMPLES
        return share


def deepest(max_depth_m: Floats, mean_depth_m: Floats) -> Floats:
    """Return the greatest depth [m], blanks (NaN) as mean depth / 0.45, never less than the mean depth."""
    guess = mean_depth_m / MEAN_OF_MAX_DEPTH
    return np.maximum(np.where(np.isnan(max_depth_m), guess, max_depth_m), mean_depth_m)


def levels(deepest_m: Floats) -> Floats:
    """Return the depths that are followed [m], (levels, lakes): LEVELS_M as far as the lake goes, then its deepest."""
    above = [np.minimum(z, deepest_m) for z in LEVELS_M]
    return np.stack([*above, np.asarray(deepest_m, dtype=float)])


def density_contrast(warmer_c: Floats, colder_c: Floats) -> Floats:
    """Return how much denser the second water is than the first [kg m-3], of temperatures [°C]."""
    return CURVATURE * ((warmer_c - DENSEST_C) ** 2 - (colder_c - DENSEST_C) ** 2)


def thermocline_depth(contrast: Floats, area_km2: Floats, stress: float) -> Floats:
    """Return the depth to which wind stirs a lake against a density contrast [m].

    Parameters
    ----------
    contrast
        Density of the lower less the upper water [kg m-3].
    area_km2
        Lake area [km2]; its square root is the diameter L (Gorham and Boyce: up to 25 km2).
    stress
        Wind stress [Pa].

    References
    ----------
    Gorham and Boyce 1989 Journal of Great Lakes Research 15:233-245, doi:10.1016/S0380-1330(89)71479-9.
    """
    return np.asarray(2.0 * np.sqrt(stress * 1000.0 * np.sqrt(area_km2) / (GRAVITY * contrast)))


def resistance(depth_m: Floats, area_km2: Floats) -> Floats:
    """Return by what a density contrast is multiplied in ``stirred_share``: g z^2 / (4 L MEAN_STRESS) [m3 kg-1]."""
    return GRAVITY * depth_m**2 / (4000.0 * np.sqrt(area_km2) * MEAN_STRESS)


def stirred_share(contrast: Floats, depth_m: Floats, area_km2: Floats) -> Floats:
    """Return the share of the way to the surface temperature that a day brings the water at a depth [1].

    Parameters
    ----------
    contrast
        Density at the depth less that of the surface [kg m-3].
    depth_m
        Depth [m].
    area_km2
        Lake area [km2].

    Notes
    -----
    The chance that the day's wind stirs to the depth, exp(-contrast R) with R of ``resistance``, written
    (1 + contrast R / 16)^-16; times min(1, STIRRED_A_DAY R^-1/2), since one stirring does not mix a deep lake through;
    at least what diffusion and light bring.
    """
    firm = resistance(depth_m, area_km2)
    share = np.minimum(1, STIRRED_A_DAY / np.sqrt(firm)) * (1 + np.maximum(contrast, 0) * firm / 16) ** -16.0
    return np.asarray(np.maximum(share, unstirred_share(depth_m)))


def unstirred_share(depth_m: Floats) -> Floats:
    """Return the share that diffusion and light bring to a depth [m] without wind [1/d]."""
    return np.asarray(DIFFUSED + LIT * np.exp(-EXTINCTION * depth_m))


def depth_path(
    water_c: Floats, ice: NDArray[np.bool_], *, area_km2: Floats, deepest_m: Floats, split: int = 0
) -> DepthPath:
    """Follow the water below the surface day by day.

    Parameters
    ----------
    water_c
        Surface [°C], shape (days, lakes, slots), float32 stays float32.
    ice
        Ice, same shape: no wind reaches the water.
    area_km2
        Lake area [km2], shape (lakes,).
    deepest_m
        Greatest depth [m], shape (lakes,).
    split
        The first so many days are the same in all slots and are worked on once.

    Returns
    -------
    DepthPath
        Levels of ``levels``; before the first day all water is at the surface's temperature, at least 4 °C under ice.

    Notes
    -----
    Under ice the depths drift to 4 °C. Water that has become lighter than the surface turns over at once. Levels do not
    feel one another: each goes to the surface's temperature by its own chance of being stirred.
    """
    one = water_c.dtype.type
    depth = levels(deepest_m)
    curve = (CURVATURE * resistance(depth, area_km2)).astype(water_c.dtype)[:, :, None]
    least = unstirred_share(depth).astype(water_c.dtype)[:, :, None]
    below = np.empty((len(water_c), len(depth), *water_c.shape[1:]), dtype=water_c.dtype)
    state = np.where(ice[0], one(DENSEST_C), water_c[0])[None] * np.ones((len(depth), 1, 1), dtype=water_c.dtype)
    split = min(split, len(water_c))
    if split:
        past = np.empty((split, len(depth), water_c.shape[1], 1), dtype=water_c.dtype)
        first = _follow(water_c[:split, :, :1], ice[:split, :, :1], curve, least, state[..., :1], past)
        below[:split] = past
        state = np.repeat(first, water_c.shape[2], axis=2)
    _follow(water_c[split:], ice[split:], curve, least, state, below[split:])
    return DepthPath(depth, below, water_c)


def _follow(water: Floats, ice: NDArray[np.bool_], curve: Floats, least: Floats, state: Floats, out: Floats) -> Floats:
    """Fill ``out`` (days, levels, lakes, slots) with surface less depth; return the last state."""
    most = np.minimum(STIRRED_A_DAY * np.sqrt(CURVATURE) / np.sqrt(curve), 1).astype(water.dtype)
    state = state.copy()
    if follow_kernel is not None:
        numbers = tuple(water.dtype.type(x) for x in (DENSEST_C, 1 / 16, ICE_SHARE, 0, 1))
        own = tuple(np.ascontiguousarray(x[:, :, 0]) for x in (curve, most, least))
        follow_kernel(np.ascontiguousarray(water), np.ascontiguousarray(ice), own, state, out, numbers)
        return state
    one = water.dtype.type
    for day, surface in enumerate(water):
        contrast = np.maximum((surface - one(DENSEST_C)) ** 2 - (state - one(DENSEST_C)) ** 2, 0)
        share = np.maximum(most * (1 + contrast * curve * one(1 / 16)) ** -16, least)
        step = surface - state
        share = np.where((step < 0) & (surface > one(DENSEST_C)), 1, share)
        step = np.where(ice[day], one(DENSEST_C) - state, step)
        state += step * np.where(ice[day], one(ICE_SHARE), share)
        np.subtract(surface, state, out=out[day])
    return state


def _follow_cells(water: Any, ice: Any, own: Any, state: Any, out: Any, numbers: Any) -> None:
    """Do the work of ``_follow`` cell by cell; ``state`` (levels, lakes, slots) is changed."""
    curve, most, least = own
    densest, sixteenth, ice_share, zero, one = numbers
    days, lakes, slots = water.shape
    for lake in range(lakes):
        for day in range(days):
            for level in range(len(state)):
                bend, top, low = curve[level, lake] * sixteenth, most[level, lake], least[level, lake]
                for slot in range(slots):
                    surface, deep = water[day, lake, slot], state[level, lake, slot]
                    contrast = (surface - densest) * (surface - densest) - (deep - densest) * (deep - densest)
                    power = one + max(contrast, zero) * bend
                    power *= power
                    power *= power
                    power *= power
                    power *= power
                    share = max(top / power, low)
                    step = surface - deep
                    share = one if step < zero and surface > densest else share
                    frozen = ice[day, lake, slot]
                    step = densest - deep if frozen else step
                    deep += step * (ice_share if frozen else share)
                    state[level, lake, slot] = deep
                    out[day, level, lake, slot] = surface - deep


def _weigh(at: Any, nodes: Any, share: Any) -> None:
    """Do the work of ``DepthPath.weights``; ``at`` (samples, lakes), ``nodes`` and ``share`` (1 + levels, lakes)."""
    samples, lakes = at.shape
    for lake in range(lakes):
        for row in range(samples):
            z, upper = at[row, lake], 0
            while upper < nodes.shape[0] - 2 and nodes[upper + 1, lake] < z:
                upper += 1
            width = nodes[upper + 1, lake] - nodes[upper, lake]
            part = min(max((z - nodes[upper, lake]) / (width if width > 0 else 1.0), 0.0), 1.0)
            share[upper, lake] += (1 - part) / samples
            share[upper + 1, lake] += part / samples


follow_kernel = kernel(_follow_cells)
weigh_kernel = kernel(_weigh, lean=True)


@dataclass(frozen=True)
class Overturns:
    """Day indices, int16 (lakes, slots), ``dates.NEVER`` where there is none.

    ``spring`` first day of the spring overturn, ``stratified`` first day of lasting stratification, ``autumn`` first
    day on which the deepest water is mixed again.
    """

    spring: NDArray[np.int16]
    stratified: NDArray[np.int16]
    autumn: NDArray[np.int16]


def stratified_days(path: DepthPath) -> NDArray[np.bool_]:
    """Return the days on which each lake lies in layers, (days, lakes, slots): warm above and STRATIFIED_C apart."""
    return np.asarray((path.below_c[:, -1] >= STRATIFIED_C) & (path.surface_c > DENSEST_C))


def overturns(path: DepthPath, ice: NDArray[np.bool_], *, first: int, solstice: int) -> Overturns:
    """Return the dates of spring overturn, stratification and autumn overturn.

    Parameters
    ----------
    path
        Depths and surface.
    ice
        Ice, (days, lakes, slots).
    first, solstice
        Day indices of the season's first and longest day.

    Notes
    -----
    Stratification lasts if it holds STRATIFIED_D days in a row; the spring overturn begins on the day after the last
    ice (or, without ice, after the last day colder than 4 °C) before it. Lakes that stay above 4 °C through the
    winter, and such that never stratify, have no spring overturn of their own: they mix all winter, or all year.
    """
    water_c = path.surface_c
    layered = stratified_days(path)
    lasting = layered.copy()
    for later in range(1, STRATIFIED_D):
        lasting[:-later] &= layered[later:]
        lasting[len(lasting) - later :] = False
    lasting[:first] = False
    stratified = _first_true(lasting)
    index = np.arange(len(water_c))[:, None, None]
    cold = (ice | (water_c < DENSEST_C)) & (index < np.minimum(stratified, len(water_c)))
    frozen = ice & (index < np.minimum(stratified, len(water_c)))
    spring = np.where(frozen.any(axis=0), _last_true(frozen), _last_true(cold)) + 1
    spring = np.where((stratified == NEVER) | ~cold.any(axis=0), NEVER, np.maximum(spring, 0))
    mixed = ~layered & (index > np.maximum(stratified, solstice)) & (stratified != NEVER)
    held = mixed.copy()
    for later in range(1, STRATIFIED_D):
        held[:-later] &= mixed[later:]
    return Overturns(spring.astype(np.int16), stratified, _first_true(held))


def _first_true(flags: NDArray[np.bool_]) -> NDArray[np.int16]:
    return np.where(flags.any(axis=0), np.argmax(flags, axis=0), NEVER).astype(np.int16)


def _last_true(flags: NDArray[np.bool_]) -> NDArray[np.int64]:
    """Return the last true day index, -1 where there is none."""
    last = len(flags) - 1 - np.argmax(flags[::-1], axis=0)
    return np.asarray(np.where(flags.any(axis=0), last, -1))

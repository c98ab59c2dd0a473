"""What the insects of a block of lakes live through: every member's water, the air above it, the light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.degreedays import accumulate, mean_water_degree_days
from emergence.taxa.model import DepthRange, Gate, Start, Taxon
from emergence.taxa.population import Bound, Gates, first_day_at, ice_off_start, water_start
from emergence.water.depth import DepthPath

Floats = NDArray[np.floating]
Layer = tuple[float, float] | None
DUSK_SHARE = 0.6  # air at dusk = Tmin + 0.6 (Tmax - Tmin): our prior
SURFACE_M = 2.0  # young that live no deeper than this feel the surface; our prior


def layer_of(depth: DepthRange) -> Layer:
    """Return the depths [m] whose water counts for a taxon, None where that is the surface."""
    return None if depth.deep.value <= SURFACE_M else (depth.shallow.value, depth.deep.value)


@dataclass
class Field:
    """A block of lakes over all simulated days.

    ``water_c`` [°C] float32 and ``ice`` (bool), (days, lakes, slots, replicates); ``air_max_c``, ``air_min_c`` [°C]
    (days, lakes, slots); ``day_length_h`` [h] (days, lakes). Day indices (one hemisphere a block): ``first`` of the
    season, ``ahead`` the first after the issue date, ``spring_end`` the last on which ice still belongs to this winter,
    ``solstice`` the longest day; ``month_day_index`` finds that of a northern "MM-DD". ``warmest_max_c`` [°C] (lakes,)
    is the normal maximum of the warmest month. ``depth`` is the simulated water below the surface, one a sky; without
    it all water is as warm as the surface.
    """

    water_c: Floats
    ice: NDArray[np.bool_]
    air_max_c: Floats
    air_min_c: Floats
    day_length_h: Floats
    first: int
    ahead: int
    spring_end: int
    solstice: int
    month_day_index: Callable[[str], int]
    warmest_max_c: Floats
    depth: DepthPath | None = None
    path_ice: NDArray[np.bool_] = field(default_factory=lambda: np.zeros((0, 0, 0), dtype=bool))
    _heat: tuple[tuple[float, float | None, Layer], Floats] | None = field(default=None, repr=False)
    _levels: tuple[tuple[float, float | None, Layer], tuple[Floats, Floats]] | None = field(default=None, repr=False)

    def heat(self, lower: float, upper: float | None, layer: Layer = None) -> Floats:
        """Return degree-days gathered since the first day (days, *cells); the last one asked for is kept.

        ``layer`` [m] takes the mean water between two depths: every member's surface less what the simulated lake of
        its sky is colder there.
        """
        if self._heat is None or self._heat[0] != (lower, upper, layer):
            self._heat = None
            water = self.water_c if layer is None or self.depth is None else self._at_depth(layer, self.depth)
            daily = mean_water_degree_days(water, lower=lower, upper=upper)
            self._heat = ((lower, upper, layer), accumulate(daily, out=daily))
        return self._heat[1]

    def _at_depth(self, layer: tuple[float, float], depth: DepthPath) -> Floats:
        """Return the water of a layer (days, *cells): the surface less what the simulated lake is colder there."""
        size, replicates = int(np.prod(self.water_c.shape[1:])), self.water_c.shape[3]
        colder = depth.range_mean(*layer).reshape(len(self.water_c), -1)
        water = np.empty_like(self.water_c)
        for day, surface in enumerate(self.water_c.reshape(-1, size)):
            today = water[day].reshape(size)
            np.subtract(surface, np.repeat(colder[day], replicates), out=today)
            np.maximum(today, 0, out=today)
        return water

    def uneven_heat(
        self, lower: float, upper: float | None, layer: Layer, *, start: NDArray[np.int16], need: Floats
    ) -> Floats:
        """Return how far the heat of single insects differs because they live at different depths [°C·day].

        The standard deviation over the layer of the heat gathered, in the simulated lake of each sky, from the middle
        ``start`` of its replicates to the day on which the mean has grown by their middle ``need`` [°C·day] (both of
        cell shape); shape (lakes, slots, 1).
        """
        if layer is None or self.depth is None:
            return np.zeros((*self.water_c.shape[1:3], 1), dtype=np.float32)
        begin, needed = (np.median(x, axis=2).ravel() for x in (start, need))
        sums, share = self._level_heat(lower, upper, layer, self.depth)
        last, sky = sums.shape[1] - 1, np.arange(sums.shape[2])
        first = np.clip(begin.astype(np.int64) - 1, 0, last)
        mean = np.zeros(sums.shape[1:], dtype=np.float32)
        for part, level in zip(share, sums, strict=True):
            mean += part * level
        ready = first_day_at(mean, mean[first, sky] + needed).clip(max=last)
        gathered = sums[:, ready, sky] - sums[:, first, sky]
        apart = gathered - (share * gathered).sum(axis=0)
        sd = np.sqrt((share * apart * apart).sum(axis=0))
        return np.where(begin == NEVER, np.float32(0), sd).reshape(*self.water_c.shape[1:3], 1)

    def _level_heat(
        self, lower: float, upper: float | None, layer: tuple[float, float], depth: DepthPath
    ) -> tuple[Floats, Floats]:
        """Return heat sums (levels, days, skies) of the simulated lakes where the layer lies, and their shares."""
        key = (lower, upper, layer)
        if self._levels is None or self._levels[0] != key:
            self._levels = None
            share = np.repeat(depth.weights(*layer).astype(np.float32), depth.surface_c.shape[2], axis=1)
            used = np.flatnonzero(share.any(axis=1))
            surface = depth.surface_c.reshape(len(self.water_c), -1)
            sums = np.empty((len(used), *surface.shape), dtype=np.float32)
            for place, level in enumerate(used):
                below = depth.below_c[:, level - 1].reshape(surface.shape) if level else 0
                daily = np.subtract(surface, below, out=sums[place])
                np.clip(daily, lower, upper, out=daily)
                daily -= np.float32(lower)
                for day in range(1, len(daily)):
                    daily[day] += daily[day - 1]
            self._levels = (key, (sums, share[used]))
        return self._levels[1]

    def start(self, rule: Start) -> NDArray[np.int16]:
        """Return the biofix of each cell as a day index."""
        begin = max(self.month_day_index(rule.month_day), self.first)
        if rule.rule == "ice_off":
            return ice_off_start(self.ice, first=self.first, last=self.spring_end, earliest=begin)
        if rule.rule in ("warm_week", "hatch") and rule.threshold is not None:
            days = 7 if rule.rule == "warm_week" else 1
            return water_start(self.water_c, threshold=rule.threshold.value, first=self.first, days=days)
        if rule.rule == "day_length" and rule.threshold is not None:
            long = self.day_length_h[self.first :] >= rule.threshold.value
            day = np.where(long.any(axis=0), self.first + long.argmax(axis=0), NEVER).astype(np.int16)
            return np.broadcast_to(day[:, None, None], self.water_c.shape[1:]).copy()
        return np.full(self.water_c.shape[1:], begin, dtype=np.int16)

    def gates(self, gates: tuple[Gate, ...], shifts: list[Floats]) -> Gates:
        """Return the gates laid on this field's cells; ice shuts them all.

        ``shifts`` holds, for each gate, how far each member's own gate lies from the catalogue's, (lakes, members).
        """
        size = int(np.prod(self.water_c.shape[1:]))
        bounds = []
        for one, shift in zip(gates, shifts, strict=True):
            variable = self._variable(one)
            shut = np.float32(one.shut_at.value) + np.ravel(shift - self._eased(one)[:, None])
            bounds.append(Bound(variable, size // variable.shape[1], shut, one.open_at.value - one.shut_at.value))
        return Gates(self.ice.reshape(len(self.ice), size), tuple(bounds))

    def _eased(self, gate: Gate) -> Floats:
        """Return by how much a gate is lowered at each lake because its summers do not reach it [°C]."""
        if gate.below_warmest is None:
            return np.zeros(len(self.warmest_max_c), dtype=np.float32)
        ceiling = self.warmest_max_c - gate.below_warmest.value
        return np.asarray(np.maximum(gate.open_at.value - ceiling, 0), dtype=np.float32)

    def _variable(self, gate: Gate) -> Floats:
        """Return what a gate looks at, (days, cells of its own resolution): cells, skies or lakes."""
        days = len(self.water_c)
        if gate.variable == "water_mean":
            return self.water_c.reshape(days, -1)
        if gate.variable == "water_change":
            return np.diff(self.water_c, axis=0, prepend=self.water_c[:1]).reshape(days, -1)
        if gate.variable == "day_length":
            return np.asarray(self.day_length_h, dtype=np.float32)
        if gate.variable == "air_dusk":
            dusk = self.air_min_c + np.float32(DUSK_SHARE) * (self.air_max_c - self.air_min_c)
            return np.asarray(dusk).reshape(days, -1)
        return self.air_max_c.reshape(days, -1)


def by_heat(taxa: dict[str, Taxon]) -> list[Taxon]:
    """Return the taxa grouped by threshold, cut-off and depth, so that each heat sum is made once."""

    def key(taxon: Taxon) -> tuple[float, float, tuple[float, float], str]:
        upper = taxon.growth.upper
        layer = layer_of(taxon.depth) or (0.0, 0.0)
        return (taxon.growth.lower.value, upper.value if upper else np.inf, layer, taxon.id)

    return sorted(taxa.values(), key=key)

"""What the insects of a block of lakes live through: every member's water, the air above it, the light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER
from emergence.degreedays import water_sums
from emergence.forecast.compiled import heat_kernel, level_heat_kernel, turn_kernel, uneven_kernel
from emergence.taxa.model import DepthRange, Gate, Start, Taxon
from emergence.taxa.population import Bound, Gates, first_day_at, ice_off_start, water_start
from emergence.water.depth import DepthPath

Floats = NDArray[np.floating]
Layer = tuple[float, float] | None
DUSK_SHARE = 0.6  # air at dusk = Tmin + 0.6 (Tmax - Tmin): our prior
SURFACE_M = 2.0  # young that live no deeper than this feel the surface; our prior


LEAD_D = 7  # days before the season that a start of it may look back on
AIR = (-1.0, -1.0)  # the layer of what lives ashore: the air counts


def layer_of(depth: DepthRange) -> Layer:
    """Return the depths [m] whose water counts for a taxon, None where that is the surface, AIR where it is the air."""
    if depth.feels == "air":
        return AIR
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

    Where kernels are compiled, each cell's days lie side by side in what ``heat`` and ``gates`` give: a view in the
    same shape, another order in memory.
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
    _kept: dict[str, tuple[Any, Any]] = field(default_factory=dict, init=False, repr=False)

    def _keep(self, name: str, key: Any, make: Callable[[], Any]) -> Any:
        """Return what ``make`` gives, kept until it is asked for under another key."""
        if name not in self._kept or self._kept[name][0] != key:
            self._kept.pop(name, None)
            self._kept[name] = (key, make())
        return self._kept[name][1]

    def heat(self, lower: float, upper: float | None, layer: Layer = None) -> Floats:
        """Return degree-days gathered since the season's first day (days, *cells); the last one asked for is kept.

        ``layer`` [m] takes the mean water between two depths: every member's surface less what the simulated lake of
        its sky is colder there.
        """
        heat: Floats = self._keep("heat", (lower, upper, layer), lambda: self._gathered(lower, upper, layer))
        return heat

    def _gathered(self, lower: float, upper: float | None, layer: Layer) -> Floats:
        if heat_kernel is None or layer == AIR or self.water_c.dtype != np.float32:
            sums = water_sums(self._lived_in(layer)[self.first :], lower=lower, upper=upper)
            return np.concatenate([np.zeros((self.first, *sums.shape[1:]), dtype=sums.dtype), sums])
        water = self._columns("water_mean", self.water_c)
        below, share = np.zeros((0, 0, 0), dtype=np.float32), np.zeros((0, 0), dtype=np.float32)
        if layer is not None and self.depth is not None:
            below, share = self._below(self.depth), self._share(layer, self.depth)
        heat = np.empty_like(water)
        heat_kernel(water, below, share, (*_limits(lower, upper), self.first), heat)
        return heat.T.reshape(self.water_c.shape)

    def _columns(self, name: str, values: NDArray[Any]) -> NDArray[Any]:
        """Return (days, *cells) as (cells, days), each cell's days side by side, 0 long before the season; kept."""
        begin = max(self.first - LEAD_D, 0)
        columns: NDArray[Any] = self._keep(name, "", lambda: turned(values.reshape(len(values), -1), begin=begin))
        return columns

    def _in_columns(self, name: str, values: NDArray[Any]) -> NDArray[Any]:
        """Return (days, *cells) as they are, each cell's days side by side in memory."""
        return self._columns(name, values).T.reshape(values.shape)

    def _below(self, depth: DepthPath) -> Floats:
        """Return what the levels are colder than the surface, (skies, levels, days) float32; kept."""
        days, levels, lakes, slots = depth.below_c.shape

        def laid() -> Floats:
            below = np.empty((lakes * slots, levels, days), dtype=np.float32)
            for level in range(levels):
                below[:, level] = turned(depth.below_c[:, level].reshape(days, -1), begin=self.first)
            return below

        kept: Floats = self._keep("below", "", laid)
        return kept

    def _share(self, layer: tuple[float, float], depth: DepthPath) -> Floats:
        """Return what surface and levels count in a layer, (1 + levels, lakes) float32; kept."""
        share: Floats = self._keep(f"share {layer}", layer, lambda: depth.weights(*layer).astype(np.float32))
        return share

    def _lived_in(self, layer: Layer) -> Floats:
        """Return what a layer's insects feel (days, *cells) [°C]: surface, water below it, or the air's mean."""
        if layer == AIR:
            air = np.asarray(0.5 * (self.air_max_c + self.air_min_c), dtype=np.float32)
            return np.broadcast_to(air[..., None], self.water_c.shape)
        return self.water_c if layer is None or self.depth is None else self._at_depth(layer, self.depth)

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
        if layer is None or layer == AIR or self.depth is None:
            return np.zeros((*self.water_c.shape[1:3], 1), dtype=np.float32)
        if uneven_kernel is not None and need.dtype == np.float32:
            return self._uneven((lower, upper, layer), start=start, need=need)
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

    def _uneven(
        self, key: tuple[float, float | None, tuple[float, float]], *, start: NDArray[np.int16], need: Floats
    ) -> Floats:
        assert self.depth is not None and uneven_kernel is not None
        sums, share = self._keep("levels", key, lambda: self._level_columns(*key))
        sd = np.empty(len(sums), dtype=np.float32)
        replicates = start.shape[2]
        begin = start.reshape(-1, replicates)
        uneven_kernel(sums, share, begin, np.ascontiguousarray(need).reshape(-1, replicates), sd)
        return sd.reshape(*self.water_c.shape[1:3], 1)

    def _level_columns(self, lower: float, upper: float | None, layer: tuple[float, float]) -> tuple[Floats, Floats]:
        assert self.depth is not None and level_heat_kernel is not None
        below, share = self._below(self.depth), self._share(layer, self.depth)
        surface = self._columns("surface", self.depth.surface_c.astype(np.float32, copy=False))
        sums = np.empty((len(below), len(share), len(self.water_c)), dtype=np.float32)
        level_heat_kernel(surface, below, share, (*_limits(lower, upper), self.first), sums)
        return sums, share

    def _level_heat(
        self, lower: float, upper: float | None, layer: tuple[float, float], depth: DepthPath
    ) -> tuple[Floats, Floats]:
        """Return heat sums (levels, days, skies) of the simulated lakes where the layer lies, and their shares."""
        share = np.repeat(self._share(layer, depth), depth.surface_c.shape[2], axis=1)
        used = np.flatnonzero(share.any(axis=1))
        surface = depth.surface_c.reshape(len(self.water_c), -1)
        sums = np.empty((len(used), *surface.shape), dtype=np.float32)
        for place, level in enumerate(used):
            below = depth.below_c[:, level - 1].reshape(surface.shape) if level else 0
            daily = np.subtract(surface, below, out=sums[place])
            np.clip(daily, lower, upper, out=daily)
            daily -= np.float32(lower)
            daily[: self.first] = 0
            for day in range(1, len(daily)):
                daily[day] += daily[day - 1]
        return sums, share[used]

    def start(self, rule: Start) -> NDArray[np.int16]:
        """Return the biofix of each cell as a day index; the last one of a kind of rule is kept."""
        start: NDArray[np.int16] = self._keep(f"start {rule.rule}", rule, lambda: self._start(rule))
        return start

    def _start(self, rule: Start) -> NDArray[np.int16]:
        begin = max(self.month_day_index(rule.month_day), self.first)
        if rule.rule == "ice_off":
            return self.ice_off(earliest=begin)
        if rule.rule in ("warm_week", "hatch") and rule.threshold is not None:
            days = 7 if rule.rule == "warm_week" else 1
            water = self._in_columns("water_mean", self.water_c)
            return water_start(water, threshold=rule.threshold.value, first=self.first, days=days)
        if rule.rule == "day_length" and rule.threshold is not None:
            long = self.day_length_h[self.first :] >= rule.threshold.value
            day = np.where(long.any(axis=0), self.first + long.argmax(axis=0), NEVER).astype(np.int16)
            return np.broadcast_to(day[:, None, None], self.water_c.shape[1:]).copy()
        return np.full(self.water_c.shape[1:], begin, dtype=np.int16)

    def ice_off(self, *, earliest: int) -> NDArray[np.int16]:
        """Return each cell's first open day after its last ice of the winter, not before a day index."""
        ice = self._in_columns("ice", self.ice)
        return ice_off_start(ice, first=self.first, last=self.spring_end, earliest=earliest)

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
        return Gates(self._columns("ice", self.ice).T, tuple(bounds))

    def _eased(self, gate: Gate) -> Floats:
        """Return by how much a gate is lowered at each lake because its summers do not reach it [°C]."""
        if gate.below_warmest is None:
            return np.zeros(len(self.warmest_max_c), dtype=np.float32)
        ceiling = self.warmest_max_c - gate.below_warmest.value
        return np.asarray(np.maximum(gate.open_at.value - ceiling, 0), dtype=np.float32)

    def _variable(self, gate: Gate) -> Floats:
        """Return what a gate looks at, (days, cells of its own resolution): cells, skies or lakes."""
        if gate.variable == "water_change" and turn_kernel is not None:
            water = self._columns("water_mean", self.water_c)
            change: Floats = self._keep("water_change", "", lambda: np.diff(water, axis=1, prepend=water[:, :1]))
            return change.T
        return self._columns(gate.variable, self._gate_days(gate)).T

    def _gate_days(self, gate: Gate) -> Floats:
        if gate.variable == "water_mean":
            return self.water_c
        if gate.variable == "water_change":
            return np.asarray(np.diff(self.water_c, axis=0, prepend=self.water_c[:1]))
        if gate.variable == "day_length":
            return np.asarray(self.day_length_h, dtype=np.float32)
        if gate.variable == "air_dusk":
            return np.asarray(self.air_min_c + np.float32(DUSK_SHARE) * (self.air_max_c - self.air_min_c))
        return self.air_max_c


def turned(days: NDArray[Any], *, begin: int = 0) -> NDArray[Any]:
    """Return (days, cells) as (cells, days), each cell's days side by side; 0 before the day index ``begin``."""
    columns = np.zeros(days.shape[::-1], dtype=days.dtype)
    if turn_kernel is None:
        columns[:, begin:] = days[begin:].T
    else:
        turn_kernel(np.ascontiguousarray(days), begin, columns)
    return columns


def _limits(lower: float, upper: float | None) -> tuple[np.float32, np.float32]:
    return np.float32(lower), np.float32(np.inf if upper is None else upper)


def by_heat(taxa: dict[str, Taxon]) -> list[Taxon]:
    """Return the taxa grouped by threshold, cut-off and depth, so that each heat sum is made once."""

    def key(taxon: Taxon) -> tuple[float, float, tuple[float, float], str]:
        upper = taxon.growth.upper
        layer = layer_of(taxon.depth) or (0.0, 0.0)
        return (taxon.growth.lower.value, upper.value if upper else np.inf, layer, taxon.id)

    return sorted(taxa.values(), key=key)

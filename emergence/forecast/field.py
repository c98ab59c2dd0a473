"""What the insects of a block of lakes live through: every member's water, the air above it, the light."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
from numpy.typing import NDArray

from emergence.degreedays import accumulate, mean_water_degree_days
from emergence.taxa.model import Gate, Start, Taxon
from emergence.taxa.population import Bound, Gates, ice_off_start, water_start

Floats = NDArray[np.floating]
DUSK_SHARE = 0.6  # air at dusk = Tmin + 0.6 (Tmax - Tmin): our prior


@dataclass
class Field:
    """A block of lakes over all simulated days.

    ``water_c`` [°C] float32 and ``ice`` (bool), (days, lakes, slots, replicates); ``air_max_c``, ``air_min_c`` [°C]
    (days, lakes, slots); ``day_length_h`` [h] (days, lakes). Day indices (one hemisphere a block): ``first`` of the
    season, ``ahead`` the first after the issue date, ``spring_end`` the last on which ice still belongs to this winter,
    ``solstice`` the longest day; ``month_day_index`` finds that of a northern "MM-DD". ``warmest_max_c`` [°C] (lakes,)
    is the normal maximum of the warmest month.
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
    _heat: tuple[tuple[float, float | None], Floats] | None = field(default=None, repr=False)

    def heat(self, lower: float, upper: float | None) -> Floats:
        """Return degree-days gathered since the first day (days, *cells); the last pair asked for is kept."""
        if self._heat is None or self._heat[0] != (lower, upper):
            self._heat = None
            daily = mean_water_degree_days(self.water_c, lower=lower, upper=upper)
            self._heat = ((lower, upper), accumulate(daily, out=daily))
        return self._heat[1]

    def start(self, rule: Start) -> NDArray[np.int16]:
        """Return the biofix of each cell as a day index."""
        begin = max(self.month_day_index(rule.month_day), self.first)
        if rule.rule == "ice_off":
            return ice_off_start(self.ice, first=self.first, last=self.spring_end, earliest=begin)
        if rule.rule == "warm_week" and rule.threshold is not None:
            return water_start(self.water_c, threshold=rule.threshold.value, first=self.first)
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
        if gate.variable == "day_length":
            return np.asarray(self.day_length_h, dtype=np.float32)
        if gate.variable == "air_dusk":
            dusk = self.air_min_c + np.float32(DUSK_SHARE) * (self.air_max_c - self.air_min_c)
            return np.asarray(dusk).reshape(days, -1)
        return self.air_max_c.reshape(days, -1)


def by_heat(taxa: dict[str, Taxon]) -> list[Taxon]:
    """Return the taxa grouped by threshold and cut-off, so that each heat sum is made once."""

    def key(taxon: Taxon) -> tuple[float, float, str]:
        upper = taxon.growth.upper
        return (taxon.growth.lower.value, upper.value if upper else np.inf, taxon.id)

    return sorted(taxa.values(), key=key)

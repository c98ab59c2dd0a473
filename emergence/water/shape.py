"""From a lake's place and shape to the few numbers that its heat budget needs."""

from __future__ import annotations

from dataclasses import dataclass, fields

import numpy as np
from numpy.typing import NDArray

from emergence.records import Lakes
from emergence.water.coefficients import load_coefficients

Floats = NDArray[np.float64]


@dataclass(frozen=True)
class LakeShape:
    """What the model knows of each lake, shape (lakes,); nothing is NaN.

    ``latitude`` [degrees], ``elevation_m`` [m], ``area_km2`` [km2], ``mean_depth_m`` [m], ``amplitude_c`` [°C]
    amplitude of the annual air cycle; ``depth_guessed``, ``area_guessed`` tell where a blank was filled.
    """

    latitude: Floats
    elevation_m: Floats
    area_km2: Floats
    mean_depth_m: Floats
    amplitude_c: Floats
    depth_guessed: NDArray[np.bool_]
    area_guessed: NDArray[np.bool_]

    def take(self, index: NDArray[np.int64] | slice) -> LakeShape:
        """Return the lakes that ``index`` selects."""
        return LakeShape(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


def lake_shape(lakes: Lakes, amplitude_c: Floats) -> LakeShape:
    """Return the shape of each lake, blanks filled with the stated guesses.

    Parameters
    ----------
    lakes
        The lakes, blanks as NaN.
    amplitude_c
        Amplitude of the annual cycle of air temperature at lake height [°C], shape (lakes,).

    Notes
    -----
    A blank area is guessed as 20 ha; a blank mean depth as 0.45 of the maximum depth or, without that,
    ``4 m (A / 0.3 km2)^0.15`` (coefficients.toml, section guess: our prior).
    """
    guess, limits = load_coefficients()["guess"], load_coefficients()["limits"]
    area_guessed = np.isnan(lakes.area_ha)
    area_km2 = np.where(area_guessed, guess["area_ha"], lakes.area_ha) / 100.0
    depth_guessed = np.isnan(lakes.mean_depth_m)
    from_max = guess["mean_of_max_depth"] * lakes.max_depth_m
    from_area = guess["mean_depth_m"] * (area_km2 / 0.3) ** guess["mean_depth_area_exponent"]
    depth = np.where(depth_guessed, np.where(np.isnan(from_max), from_area, from_max), lakes.mean_depth_m)
    return LakeShape(
        latitude=np.asarray(lakes.latitude, dtype=float),
        elevation_m=np.asarray(lakes.elevation_m, dtype=float),
        area_km2=np.maximum(area_km2, 1e-4),
        mean_depth_m=np.maximum(depth, 0.2),
        amplitude_c=np.clip(amplitude_c, limits["amplitude_low"], limits["amplitude_high"]),
        depth_guessed=depth_guessed,
        area_guessed=area_guessed,
    )

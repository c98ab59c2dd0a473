"""From the names of a fit (water_research.py) to those of the packaged coefficients, to try a fit in place."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from contextlib import AbstractContextManager, contextmanager

import numpy as np

from emergence.water.coefficients import load_coefficients

PLACES = {
    "clearness_mean": ("sun", "clearness_mean"),
    "clearness_season": ("sun", "clearness_season"),
    "clearness_continental": ("sun", "clearness_continental"),
    "ln_wind": ("exchange", "ln_wind"),
    "ln_wind_continental": ("exchange", "ln_wind_continental"),
    "wind_fetch": ("exchange", "fetch_exponent"),
    "mix_ln_depth": ("mixing", "ln_depth"),
    "mix_fetch": ("mixing", "fetch_exponent"),
    "mix_depth": ("mixing", "depth_exponent"),
    "ln_warm_scale": ("mixing", "warm_scale_c"),
    "ln_cold_scale": ("mixing", "cold_scale_c"),
    "deepening": ("mixing", "deepening"),
    "ln_snow_factor": ("ice", "snow_factor"),
    "snow_reserve_m": ("ice", "snow_reserve_m"),
    "melt_air": ("ice", "melt_air"),
    "melt_sun": ("ice", "melt_sun"),
    "melt_threshold": ("ice", "melt_threshold"),
    "melt_sun_snow": ("ice", "melt_sun_snow"),
    "open_spring_c": ("ice", "open_spring_c"),
    "ln_tau": ("relaxation", "ln_tau"),
    "tau_depth": ("relaxation", "tau_depth"),
    "tau_area": ("relaxation", "tau_area"),
    "rx_offset": ("relaxation", "offset"),
    "rx_air": ("relaxation", "air"),
    "rx_sun": ("relaxation", "sun"),
    "rx_depth": ("relaxation", "depth"),
    "rx_continental": ("relaxation", "continental"),
    "rx_area": ("relaxation", "area"),
    "rx_height": ("relaxation", "height"),
}
AS_LOG = ("ln_warm_scale", "ln_cold_scale", "ln_snow_factor")


@contextmanager
def coefficients(values: Mapping[str, float]) -> Iterator[None]:
    """Run the packaged model with other coefficients (a research tool: the packaged table is put back at the end)."""
    table = load_coefficients()
    before = {name: table[section][key] for name, (section, key) in PLACES.items()}

    def put(new: Mapping[str, float]) -> None:
        for name, value in new.items():
            section, key = PLACES[name]
            table[section][key] = value  # type: ignore[index]  # the packaged mapping is read-only for all but this

    put({n: float(np.exp(v)) if n in AS_LOG else v for n, v in values.items() if n in PLACES})
    try:
        yield
    finally:
        put(before)


@contextmanager
def breakup(values: Mapping[str, float]) -> Iterator[None]:
    """Run the packaged model with another correction of the date of ice-off."""
    table = load_coefficients()["breakup"]
    before = {name: table[name] for name in values}
    table.update(values)  # type: ignore[attr-defined]  # as above
    try:
        yield
    finally:
        table.update(before)  # type: ignore[attr-defined]  # as above


def breakup_off() -> AbstractContextManager[None]:
    """Run the packaged model without any correction of the date of ice-off."""
    return breakup({"stretch": 0.0, "depth": 0.0, "height": 0.0})

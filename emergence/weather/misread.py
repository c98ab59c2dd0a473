"""Values, days and stretches that fit when read otherwise: another unit, the other sign, a shifted decimal."""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from numpy.typing import NDArray

from emergence.weather.expected import Anomalies

Floats = NDArray[np.float64]
Mask = NDArray[np.bool_]

OTHERWISE: dict[str, Callable[[Floats], Floats]] = {
    "fahrenheit": lambda c: (c - 32.0) / 1.8,
    "celsius": lambda c: 1.8 * c + 32.0,
    "sign": lambda c: -c,
    "decimal": lambda c: c / 10.0,
    "tenfold": lambda c: c * 10.0,
}
"""How a value [°C] may have been meant, by the reason it is then flagged for."""

LEAST_ERROR = 0.25
LEAST_CHANGE_C = 8.0
"""Readings nearer than this to the value as it stands are not told apart from weather [°C] (our prior)."""
FITS_SD, FITS_SHARE, DOUBTFUL_SD = 1.0, 0.35, 4.0
"""A value is doubted beyond 4 standard errors; read otherwise it must fit within one, and within 0.35 of the change
(our prior)."""
HELD = 5.0
MEMORY_CALENDAR, MEMORY_NEIGHBOURS = 5.0, 2.0
"""Days of weather that count as one, where the calendar or a neighbour tells what to expect (our prior)."""
EVIDENCE = {"fahrenheit": 12.0, "celsius": 22.0, "sign": 15.0, "tenfold": 10.0}
"""Logarithm of the likelihood ratio from which a stretch is flagged (our prior, set on real records)."""


def doubtful_values(value_c: Floats, expected_c: Floats, sd_c: Floats) -> dict[str, Mask]:
    """Return, for each reason, the values that would fit if read so, (n,).

    Parameters
    ----------
    value_c, expected_c, sd_c
        Values that lie far from what is expected, that, and its standard error [°C], (n,).
    """
    found = {}
    for reason, read in OTHERWISE.items():
        meant = read(value_c)
        change = np.abs(meant - value_c)
        near = np.abs(meant - expected_c) < np.minimum(FITS_SD * sd_c, FITS_SHARE * change)
        found[reason] = near & (change >= LEAST_CHANGE_C)
    return found


def misread_stretches(own: Anomalies, said: Floats, error: Floats) -> dict[str, Mask]:
    """Return, for each reason, the stretches that fit far better when read so, (days, 3).

    Parameters
    ----------
    own
        The record.
    said, error
        What neighbours say [sd] and how sure they are [sd], (days, 3), NaN where they are silent: there the calendar
        counts.

    Notes
    -----
    Each day gives the logarithm of the likelihood ratio of two Gaussians (misfits held at 5 sd, divided by the memory
    of weather); a stretch is a run in which the sum since its last nought (CUSUM; Page 1954 Biometrika 41:100,
    doi:10.2307/2333009) climbs to its limit (10 to 22), cut at its highest point.
    A tenth of any cold spell lies near nought: that is looked for in single days only.
    """
    found = {reason: np.zeros(own.z.shape, dtype=bool) for reason in EVIDENCE}
    for c in own.there:
        z, value = own.z[:, c], own.value_c[:, c]
        silent = ~np.isfinite(said[:, c])
        mean = np.where(silent, 0.0, said[:, c])
        sd = np.where(silent, 1.0, np.maximum(error[:, c], LEAST_ERROR))
        memory = np.where(silent, MEMORY_CALENDAR, MEMORY_NEIGHBOURS)
        plain = np.minimum(np.abs(z - mean) / sd, HELD) ** 2
        for reason in EVIDENCE:
            meant = OTHERWISE[reason](value)
            other = np.minimum(np.abs((meant - own.usual_c[:, c]) / own.scale_c[:, c] - mean) / sd, HELD) ** 2
            gain = np.where(np.isfinite(z), 0.5 * (plain - other) / memory, 0.0)
            weak = np.abs(meant - value) < LEAST_CHANGE_C / 2
            gain[weak] = np.minimum(gain[weak], 0.0)
            found[reason][:, c] = climbing_runs(gain, EVIDENCE[reason]) & np.isfinite(z)
    return found


def climbing_runs(gain: Floats, least: float) -> Mask:
    """Return the truth of days in runs whose summed ``gain`` (days,) climbs from nought to ``least`` or more."""
    total = np.cumsum(gain)
    floor = np.minimum(np.minimum.accumulate(total), 0.0)
    height = total - floor
    out = np.zeros(len(gain), dtype=bool)
    if not len(gain) or height.max() < least:
        return out
    up = height > 0
    start = np.flatnonzero(up & ~np.concatenate([[False], up[:-1]]))
    stop = np.flatnonzero(up & ~np.concatenate([up[1:], [False]])) + 1
    for a, b in zip(start, stop, strict=True):
        peak = a + int(np.argmax(height[a:b]))
        if height[peak] >= least:
            out[a : peak + 1] = True
    return out

"""The sums behind the sheet: counts, slants, tiers of heat, winds."""

from __future__ import annotations

import math
from dataclasses import dataclass

from emergence.angling.numbers import number, span

KNOT_M_S = 1852 / 3600


def count_down(depth_m: float, sink_cm_s: float) -> float:
    """Return how long to wait until a fly or line has sunk to a depth [s].

    Parameters
    ----------
    depth_m
        Depth [m].
    sink_cm_s
        Sink rate [cm/s], best timed with the fly itself.

    Notes
    -----
    On a slack line; pull of the line and retrieve lift the fly, so on the water it is "count, then feel".

    Examples
    --------
    >>> count_down(2.0, 4.0)
    50.0
    """
    if not sink_cm_s > 0:
        raise ValueError("sink_cm_s must be positive")
    return 100.0 * depth_m / sink_cm_s


def intermediate_count(depth_m: float) -> tuple[float, float]:
    """Return the shortest and longest count of a slow intermediate line to a depth [s]; 24 and 36 s to 0.9 m."""
    slow, fast = span("intermediate_cm_s")
    return count_down(depth_m, fast), count_down(depth_m, slow)


def slant_length(weed_m: float, *, angle_deg: float | None = None, top_m: float | None = None) -> float:
    """Return how far from weed at a depth swimming nymphs are in the top metre, over the bottom [m].

    Parameters
    ----------
    weed_m
        Depth of the weed they leave [m].
    angle_deg
        Slant of their way up [degrees]; 20 unless said.
    top_m
        Depth at which they level out [m]; 1 unless said.

    Returns
    -------
    float
        (weed_m - top_m) / tan(angle); 0 for weed that is no deeper than ``top_m``.
    """
    angle = math.radians(number("slant_deg") if angle_deg is None else angle_deg)
    top = number("top_m") if top_m is None else top_m
    return max(weed_m - top, 0.0) / math.tan(angle)


def wind_m_s(knots: float) -> float:
    """Return a wind in m/s."""
    return knots * KNOT_M_S


@dataclass(frozen=True)
class HeatTiers:
    """Surface temperatures [°C] from which a kind of fish wants care, is not to be played, and waters are closed."""

    species: str
    caution_c: float
    stop_c: float
    closure_c: float


def usual_tiers(species: str = "trout") -> HeatTiers:
    """Return the tiers that hold where the user sets none."""
    return HeatTiers(species, number("heat_caution_c"), number("heat_stop_c"), number("heat_closure_c"))


def heat_tier(afternoon_c: float, tiers: HeatTiers) -> str:
    """Return the tier that the upper range of the afternoon maximum reaches: none | caution | stop | closure."""
    reached = "none"
    for name in ("caution", "stop", "closure"):
        if afternoon_c >= getattr(tiers, f"{name}_c"):
            reached = name
    return reached

"""Every number of this room, with where it comes from."""

from __future__ import annotations

from collections.abc import Sequence

from emergence.sources import Quantity, Standing

_KUNKEL = "Kunkel 1989 J Climate 2:656"
_MEMORY = "climate atlases; rough zonal figures"


def _quantity(value: float, unit: str, bounds: tuple[float, float], source: str, standing: Standing) -> Quantity:
    return Quantity(value=value, unit=unit, low=bounds[0], high=bounds[1], source=source, standing=standing)


def _prior(value: float, unit: str, low: float, high: float, why: str) -> Quantity:
    return _quantity(value, unit, (low, high), why, "our prior")


def _months(values: Sequence[float], within: float, unit: str, source: str, standing: Standing) -> tuple[Quantity, ...]:
    return tuple(_quantity(v, unit, (v - within, v + within), source, standing) for v in values)


LAPSE_TMAX = _quantity(
    6.5,
    "°C/km",
    (5.0, 8.0),
    "Blandford et al. 2008 J Appl Meteorol Climatol 47:249 (the standard 6.5 fits maxima only)",
    "published",
)
LAPSE_TMIN = _prior(
    4.0,
    "°C/km",
    2.5,
    5.5,
    "between late-summer 2.5-3.5 and annual 3.9-5.2 of Minder et al. 2010 J Geophys Res 115 D14122",
)
LAPSE_TMEAN = _prior(
    5.5,
    "°C/km",
    4.0,
    7.0,
    "between maxima and minima; Blandford et al. 2008, Minder et al. 2010 J Geophys Res 115 D14122",
)
LAPSE_SD = _prior(1.5, "°C/km", 1.0, 2.0, "spread of the rates in Blandford et al. 2008 and Minder et al. 2010")
KUNKEL_LAPSE = _months(
    (4.4, 5.9, 7.1, 7.8, 8.1, 8.2, 8.1, 8.1, 7.7, 6.8, 5.5, 4.7),
    1.5,
    "°C/km",
    _KUNKEL,
    "published",
)
"""Monthly lapse rates, January to December in the north; only their shape is used."""

LONGEST_INTERPOLATED = _prior(3, "day", 2, 4, "weather keeps its anomaly for about three days")
LEAST_COMMON_DAYS = _prior(90, "day", 30, 365, "fewer common days do not rank a neighbour")
LEAST_MONTH_DAYS = _prior(25, "day", 15, 60, "fewer days do not give a month's mean range")
LEAST_RECORD_DAYS = _prior(60, "day", 30, 120, "below this nothing is known of the place")
LONGEST_SILENCE = _prior(30, "day", 14, 45, "after a month without a measured day the season's own weather is unknown")

HEIGHT_WEIGHT = _prior(0.1, "km/m", 0.03, 0.3, "100 m of height cost as much as 10 km of distance")
FARTHEST_STATION = _prior(
    500, "km", 200, 800, "beyond this another weather; a station named by the user may be farther"
)
FARTHEST_NEIGHBOUR = _prior(200, "km", 100, 400, "daily anomalies still correlate at about 0.9")
HIGHEST_NEIGHBOUR = _prior(1000, "m", 500, 1500, "valley and summit differ in kind beyond this")

LEAST_TRACE_SHARE = _prior(0.6, "1", 0.5, 0.8, "share of a trace's days that must be measured")

CALENDAR_MEAN_EQUATOR = _quantity(27.0, "°C", (25.0, 28.0), _MEMORY, "from memory")
CALENDAR_MEAN_FALL = _quantity(0.0080, "°C/degree²", (0.0060, 0.0090), _MEMORY, "from memory")
CALENDAR_AMPLITUDE_NORTH = _prior(0.25, "°C/degree", 0.10, 0.33, "continental 0.3, maritime 0.1 per degree of latitude")
CALENDAR_AMPLITUDE_SOUTH = _prior(0.13, "°C/degree", 0.08, 0.20, "45 S has about 6 °C")
CALENDAR_COLDEST_DAY = _quantity(20, "day of year", (10, 35), "mean of North American city normals", "from memory")
CALENDAR_SD = tuple(
    _prior(sd, "°C", sd / 2, sd * 2, f"prior sd of the {what} of the calendar mean")
    for sd, what in (
        (5.0, "level"),
        (4.0, "amplitude"),
        (1.5, "phase term"),
        (0.4, "half-year cosine"),
        (0.4, "half-year sine"),
    )
)
CALENDAR_NOISE = _prior(13.0, "°C", 8, 20, "daily sd 5 °C; at lag-one correlation 0.75, seven days count as one")
OFFSET_SD = tuple(
    _prior(sd, "°C", sd / 2, sd * 2, f"prior sd of the {what} of the difference from a neighbour")
    for sd, what in (
        (1.5, "level"),
        (1.0, "cosine"),
        (1.0, "sine"),
        (0.3, "half-year cosine"),
        (0.3, "half-year sine"),
    )
)
OFFSET_NOISE = _prior(3.5, "°C", 2, 6, "daily sd 2 °C; three days count as one")

HALF_RANGE = _months(
    (4.6, 5.0, 5.4, 6.0, 6.3, 6.3, 6.3, 6.2, 6.0, 5.4, 4.4, 4.3),
    1.5,
    "°C",
    "continental interiors: maxima lie 5.5 to 6.8 °C above the mean in May and June, less in winter",
    "our prior",
)
"""Half of the daily range at a continental site, January to December in the north."""
HALF_RANGE_MARITIME = _prior(0.45, "1", 0.35, 0.6, "share of the continental half range on a west coast")
HALF_RANGE_AMPLITUDES = (
    _prior(4.0, "°C", 3.0, 5.0, "annual amplitude of air on an open west coast"),
    _prior(12.0, "°C", 10.0, 14.0, "annual amplitude from which a place is continental"),
)

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

LAPSE_LOCAL_SD = _prior(0.5, "°C/km", 0.3, 1.0, "one valley's rate against that of its region")
LAPSE_BEYOND_SD = _prior(1.5, "°C/km", 0.5, 3.0, "for the part of a height difference above WIDE_HEIGHT")
WIDE_HEIGHT = _prior(1000, "m", 500, 1500, "valley and summit differ in kind beyond this")
LAPSE_RADIUS = _prior(200, "km", 100, 300, "reach of the stations that tell one region's rates")
LAPSE_TAPER = _quantity(
    3.0, "1", (2.0, 6.5), "shape of the Gaussian, Thornton et al. 1997 J Hydrol 190:214", "published"
)
LEAST_LAPSE_STATIONS = _prior(4, "1", 4, 8, "fewer do not tell height from place")
LEAST_LAPSE_HEIGHT = _prior(200, "m", 100, 400, "less is drowned by siting")
LEARNED_SHARE = _prior(
    0.8, "1", 0.7, 0.9, "of the table's spread; what the stations tell less well is left to the table"
)
LEAST_NORMAL_DAYS = _prior(60, "day", 30, 150, "fewer measured days do not give a month's normal")
NORMAL_YEARS = _prior(30, "year", 20, 40, "the usual length of a climate normal")
GRADIENT_SD = _prior(1.0, "°C/100 km", 0.5, 2.0, "prior sd of the fall of temperature along the ground, either way")
SITING_SD = _prior(0.8, "°C", 0.5, 1.5, "monthly normals about a plane: valley floors, slopes, towns, shores")
SITING_WORTH = _prior(4.0, "1", 2, 8, "stations that SITING_SD counts for")

LONGEST_INTERPOLATED = _prior(3, "day", 2, 4, "weather keeps its anomaly for about three days")
LEAST_COMMON_DAYS = _prior(90, "day", 30, 365, "fewer common days do not rank a neighbour")
LEAST_MONTH_DAYS = _prior(25, "day", 15, 60, "fewer days do not give a month's mean range")
LEAST_RECORD_DAYS = _prior(60, "day", 30, 120, "below this nothing is known of the place")
LONGEST_SILENCE = _prior(30, "day", 14, 45, "after a month without a measured day the season's own weather is unknown")

HEIGHT_WEIGHT = _prior(0.1, "km/m", 0.03, 0.3, "100 m of height cost as much as 10 km of distance")
FARTHEST_STATION = _prior(
    500, "km", 200, 800, "beyond this another weather; a station named by the user may be farther"
)
HIGHEST_STATION = _prior(2000, "m", 1500, 2500, "beyond this no lapse rate helps; a station named by the user may be")
MOST_STATIONS = _prior(5, "1", 3, 8, "on stations left out eight are 3 % better than five, five 20 % better than one")
SITING_DISTANCE = _prior(10, "km", 5, 20, "a station's own siting tells as much as 10 km of distance")
LEAST_WEIGHT = _prior(0.05, "1", 0.02, 0.1, "share of the heaviest station's weight below which one is left out")
FARTHEST_NEIGHBOUR = _prior(200, "km", 100, 400, "daily anomalies still correlate at about 0.9")
HIGHEST_NEIGHBOUR = _prior(1000, "m", 500, 1500, "valley and summit differ in kind beyond this")

LEAST_TRACE_SHARE = _prior(0.6, "1", 0.5, 0.8, "share of a trace's days that must be measured")

_MEASURED = "chosen by CRPS on nine long records (tests/benchmarks/traces.py)"
RECENT_DAYS = tuple(_prior(n, "day", n / 2, n * 2, _MEASURED) for n in (1, 5, 30))
FADE_DAYS = tuple(_prior(n, "day", n / 2, n * 2, _MEASURED) for n in (2, 7, 30))
SEASON_WINDOW = _prior(45, "day", 30, 90, _MEASURED)
DRAWN_TO_ZERO = _prior(15, "day", 5, 60, _MEASURED)
DRAWN_TO_YEAR = _prior(60, "day", 20, 300, _MEASURED)
LEAST_SHARE = _prior(0.8, "1", 0.6, 0.95, "share of measured days around a day that teaches persistence")
LEAST_YEAR_DAYS = _prior(300, "day", 250, 350, "fewer days do not give a year's mean departure")
LEAST_YEAR_SD = _prior(0.5, "°C", 0.3, 0.8, "annual means vary by 0.5 °C (maritime) to 1 °C (continental)")
WARMING_SD = _prior(0.03, "°C/yr", 0.02, 0.05, "land has warmed by 0.02 to 0.04 °C a year since 1980")
DAILY_SD = _prior(5.0, "°C", 3.0, 7.0, "daily departures from the calendar mean, mid-latitudes")
LAG_ONE = _prior(0.75, "1", 0.65, 0.85, "lag-one correlation of daily departures")
DRAWN_TO_PRIOR = _prior(90, "day", 30, 300, "a season of days weighs as much as the prior covariance")
AHEAD_SD = _prior(1.2, "°C", 0.8, 2.0, "first-day error of a post-processed forecast of the daily mean")
AHEAD_DOUBLING = _prior(3.0, "day", 2.0, 4.0, "small errors double in two days; local first-day errors do not grow")
AHEAD_CORRELATION = _prior(0.7, "1", 0.4, 0.85, "errors of neighbouring forecast days are alike, as the weather is")
AHEAD_APART = _prior(2.0, "°C", 1.0, 3.0, "departures of neighbouring stations, too few common days to tell")
LONGEST_LEAD = _prior(15, "day", 10, 16, "from then on a daily forecast weighs less than 3 %")

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

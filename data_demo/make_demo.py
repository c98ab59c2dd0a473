"""Make the demo season folder: an invented country, its weather, waters, insects and note-takers.

    python data_demo/make_demo.py [FOLDER]        (default: the folder this file lies in)

Everything here is invented. The three regions (coast, valley, high fell) lie on paper in the open North
Atlantic near 50 N, 30 W, where there is no land; lakes, stations and observers are nobody's and nowhere's.
The same seed gives the same files. Nothing of the forecast program is used: the demo's nature must not be
the program's own model. Numbers without a source below are invented to be believable.

How it is made
--------------
Sky. One shared weather moves over all places: a fast and a slow autoregressive anomaly, a clear-sky index,
    one anomaly for every year's spring (warm and cold springs) and a slow warming. Regions and places add
    their own smaller weather. The two climates, maritime (sea level) and inland (valley), are two-harmonic
    seasons.
Height. Maxima and minima fall with height at rates that differ by month (``lapse``). On clear nights the
    valley floor cools further (inversion); that term has mean zero, so the lapse rates stay the planted
    ones.
Stations. Five records to 0.1 °C, with short gaps, one gap of a month, one late starter, and one station
    that wrote down only the daily mean.
Water. The lumped hybrid model (Piccolroaz, Toffolon & Majone 2013, Hydrol Earth Syst Sci 17:3323,
    doi:10.5194/hess-17-3323-2013) with six parameters: a2 to a6 scattered around the regressions on mean
    depth (Toffolon et al. 2014, Limnol Oceanogr 59:2185, doi:10.4319/lo.2014.59.6.2185), a1 set so that a
    steady July lies a drawn amount above the air. A season-long error, partly common to a region, acts on
    the heat flux; a day-to-day error comes on top.
Ice. Growth with the square root of freezing degree-days (Stefan 1891); melt by degree-days that count more
    under the high sun, once the snow on the ice is gone. Coefficients inside the usual ranges, from memory.
Insects. Every population is a few hundred individuals with their own heat requirement; ready ones wait for
    an open day and then leave with a fixed chance. Thresholds and requirements are invented and differ by
    lake.
Visits. A guide's weekends from April to September: a thermometer at some lakes, a look for some insects,
    counts with luck in them, "none" written down when nothing was found. A warden who reads the thermometer at
    one lake and looks for damselflies on Sundays.
"""

from __future__ import annotations

import csv
import gzip
import io
import sys
from pathlib import Path
from typing import NamedTuple

import numpy as np

SEED = 7
SPIN = np.datetime64("1995-01-01")
FIRST = np.datetime64("1996-01-01")
LAST = np.datetime64("2026-05-24")
DAYS = np.arange(SPIN, LAST + 1)
YEARS = DAYS.astype("datetime64[Y]").astype(int) + 1970
DOY = (DAYS - DAYS.astype("datetime64[Y]").astype("datetime64[D]")).astype(int) + 1
SUMMER = np.cos(2 * np.pi * (DOY - 200) / 365.25)
Pair = tuple[np.ndarray, np.ndarray]
Truth = dict[str, dict[str, np.ndarray]]

SEASON = """\
# The demo: an invented country. Nothing in this folder is a real place or person.
name = "Orrowmark"
time_zone = "Etc/GMT+2"

[weather]
source = "files"

[units]
temperature = "C"
length = "m"
dates = "day-month"

[guests]
lakes = "share"
"""

LAKES = """\
lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m,secchi_m,station_id,stems,share,notes
pellor,Pellor Water,coast,49.18,-30.92,10,24,3.1,6.5,2.4,pellor_head,much,yes,reed on the west side
ulvenny,Ulvenny Mere,coast,49.27,-30.71,35,64,5.5,14,3.6,,some,yes,
sallowby,Sallowby Pool,coast,49.33,-30.66,90,4,1.6,3.2,1.8,,much,yes,weedy from June
inkle,Inkle Pond,coast,49.41,-30.58,160,2,,,0.7,ulvenny_ridge,some,yes,brown as tea; nobody has sounded it
odderly,Odderly Mere,valley,49.92,-30.12,285,120,12,31,5.2,odderly_green,some,yes,the big one
quennaby,Quennaby Water,valley,49.97,-30.03,330,18,4.2,9.5,2.9,,much,yes,
wendlow,Wendlow Pool,valley,50.04,-29.95,365,6,2.1,4.8,2.2,,much,no,private water
marrowend,Marrowend Lake,valley,50.11,-29.84,520,45,7.5,19,4.4,,none,yes,stony shores
skellan,Skellan Tarn,fell,50.52,-29.61,850,9,3.4,8,3.8,,some,yes,
crannow,Crannow Tarn,fell,50.58,-29.55,1010,14,5.2,13,6.1,crannow_top,some,yes,
umberlow,Umberlow Tarn,fell,50.63,-29.48,1180,5,2.6,6,4.0,,some,yes,sedge bay on the north side
ovrick,Ovrick Tarn,fell,50.69,-29.44,1350,22,8.8,24,7.5,,none,yes,snow lies long on the back wall
"""
TRUE_DEPTH = {"inkle": 1.8}

# Parties, guides and rules, written by hand.
BOOKING = {
    "trips.csv": """\
party,size,earliest,latest,days,wants,consecutive,change_lake,lakes,regions,not_lakes,skills,booking,booked_lake,booked_start,decide_by,note
Hollin party,2,2026-05-30,2026-06-28,3,coenagrion:moving,yes,no,,,,,movable,,,,first time on tarns
Tarrel club,4,2026-06-05,2026-07-05,4,coenagrion:moving:2; phryganeid:hatch,yes,yes,,valley;fell,,,movable,,,2026-06-01,
The Vosses,2,2026-06-01,2026-06-21,2,damselflies,no,yes,,,ovrick,,movable,,,,two single days are fine
Quarlow & son,2,2026-05-26,2026-06-14,2,coenagrion,yes,no,quennaby;odderly,,,rowing,fixed,quennaby,2026-05-28,,paid
Dorn,1,2026-06-10,2026-07-20,3,aeshna:moving,yes,no,,coast; valley,,,movable,,,,
Ilse M.,1,2026-05-28,2026-06-30,2,coenagrion:young,yes,no,,,,,movable,,,,learns the float
""",
    "guides.csv": """\
guide,from,to,off,boats,guests_per_boat,skills,base,base_latitude,base_longitude
Ansel Pike,2026-05-01,2026-09-30,sun,2,2,rowing,Odderly Green,49.95,-30.08
Runa Fell,2026-06-01,2026-08-31,mon; 2026-06-20,1,2,,Skellan Gate,50.49,-29.66
""",
    "closures.csv": """\
lake_id,from,to,reason
marrowend,2026-03-15,2026-06-15,spawning
pellor,2026-06-20,2026-06-21,regatta
""",
    "access.csv": """\
lake_id,open_from,open_to,permit,quota_days,parties_per_day,parties_per_week,note
wendlow,,,held,6,1,2,owner's leave
umberlow,2026-06-01,,,,1,,track shut until June
ovrick,2026-06-20,,missing,,1,,
sallowby,,,,,1,2,small water
""",
    "travel.csv": """\
from,to,hours
Odderly Green,odderly,0.2
Odderly Green,quennaby,0.4
Odderly Green,ovrick,3.5
Skellan Gate,skellan,0.3
""",
}

STATIONS = """\
station_id,name,latitude,longitude,elevation_m
pellor_head,Pellor Head,49.16,-30.94,12
ulvenny_ridge,Ulvenny Ridge,49.30,-30.68,150
odderly_green,Odderly Green,49.95,-30.08,340
skellan_gate,Skellan Gate,50.49,-29.66,720
crannow_top,Crannow Top,50.60,-29.52,1210
"""
MEAN_ONLY = "ulvenny_ridge"
STARTS = {"crannow_top": np.datetime64("1999-06-01")}
MONTH_GAP = {"skellan_gate": (np.datetime64("2013-03-18"), np.datetime64("2013-04-20"))}


class Climate(NamedTuple):
    """A climate at its reference height [m].

    ``year`` (mean, amplitude [°C], coldest day), ``half_year`` (amplitude, warmest day), ``range_c`` (daily
    range, summer excess), ``sd`` of the fast weather (level, summer deficit), sd of slow and spring anomaly.
    """

    height: float
    year: tuple[float, float, float]
    half_year: tuple[float, float]
    range_c: tuple[float, float]
    sd: tuple[float, float]
    slow_sd: float
    spring_sd: float

    def mean(self) -> np.ndarray:
        first = self.year[0] - self.year[1] * np.cos(2 * np.pi * (DOY - self.year[2]) / 365.25)
        return first + self.half_year[0] * np.cos(4 * np.pi * (DOY - self.half_year[1]) / 365.25)


MARITIME = Climate(12, (9.6, 5.6, 30), (0.3, 60), (6.2, 1.7), (2.5, 0.5), 0.7, 0.8)
INLAND = Climate(340, (7.9, 11.7, 17), (0.5, 75), (8.7, 2.2), (3.4, 1.1), 1.0, 1.4)
WARMING_PER_YEAR = 0.025
INVERSION_C = 2.2
MEAN_POSITIVE_NORMAL = 1 / np.sqrt(2 * np.pi)


def lapse(doy: np.ndarray) -> Pair:
    """Fall of the daily maximum and minimum with height [°C/km] on days of the year."""
    swing = np.cos(2 * np.pi * (doy - 130) / 365.25)
    return 6.1 + 1.5 * swing, 3.9 + 1.1 * swing


def generator(*purpose: object) -> np.random.Generator:
    """A stream of its own for each purpose, so that a change in one part leaves the others alone."""
    words = " ".join(map(str, purpose)).encode()
    return np.random.Generator(np.random.PCG64([SEED, *words]))


def ar1(rng: np.random.Generator, n: int, phi: float) -> np.ndarray:
    """Stationary first-order autoregression with unit variance."""
    shocks = rng.standard_normal(n) * np.sqrt(1 - phi * phi)
    out = np.empty(n)
    level = rng.standard_normal()
    for i in range(n):
        level = phi * level + shocks[i]
        out[i] = level
    return out


def shared_sky() -> dict[str, np.ndarray]:
    """Standardised weather common to all places, and the part that each region has for itself."""
    n = len(DAYS)
    names = {"fast": 0.72, "slow": 0.975, "clear": 0.55, "coast": 0.7, "valley": 0.7, "fell": 0.7}
    sky = {name: ar1(generator("sky", name), n, phi) for name, phi in names.items()}
    yearly = generator("spring").standard_normal(YEARS[-1] - YEARS[0] + 1)
    sky["spring"] = yearly[YEARS - YEARS[0]] * np.exp(-0.5 * ((DOY - 112) / 26) ** 2)
    return sky


def air(place: str, region: str, height: float, sky: dict[str, np.ndarray]) -> Pair:
    """Daily minimum and maximum [°C] at a place, for all DAYS."""
    rng = generator("air", place)
    climate = MARITIME if region == "coast" else INLAND
    sd = climate.sd[0] - climate.sd[1] * SUMMER
    mean = climate.mean() + WARMING_PER_YEAR * (YEARS + DOY / 365.25 - 2011)
    mean = mean + sd * (0.92 * sky["fast"] + 0.39 * sky[region]) + climate.slow_sd * sky["slow"]
    mean = mean + climate.spring_sd * sky["spring"] + 0.8 * SUMMER * sky["clear"]
    mean = mean + 0.55 * ar1(rng, len(DAYS), 0.35)
    range_c = (climate.range_c[0] + climate.range_c[1] * SUMMER) * np.exp(0.27 * sky["clear"] - 0.036)
    fall_max, fall_min = lapse(DOY)
    km = (height - climate.height) / 1000
    tmin = mean - range_c / 2 - fall_min * km
    tmax = mean + range_c / 2 - fall_max * km
    if region == "valley":
        tmin = tmin - INVERSION_C * (np.maximum(sky["clear"], 0) - MEAN_POSITIVE_NORMAL)
    return tmin, np.maximum(tmax, tmin + 0.4)


def station_rows(station: str, tmin: np.ndarray, tmax: np.ndarray) -> list[list[str]]:
    """Rows of one weather file, with its gaps: days left out and single values left blank."""
    rng = generator("gaps", station)
    lost = np.zeros(len(DAYS), dtype=bool)
    for start in rng.choice(len(DAYS), 45, replace=False):
        lost[start : start + rng.integers(1, 5)] = True
    if station in MONTH_GAP:
        lost |= (DAYS >= MONTH_GAP[station][0]) & (DAYS <= MONTH_GAP[station][1])
    lost[-20:] = False
    lost |= DAYS < STARTS.get(station, FIRST)
    blank = rng.random((len(DAYS), 2)) < 0.0006
    mean = 0.5 * (tmin + tmax) - 0.2 + 0.25 * rng.standard_normal(len(DAYS))
    columns = [mean] if station == MEAN_ONLY else [tmin, tmax]
    rows = [["date", "tmean_c"] if station == MEAN_ONLY else ["date", "tmin_c", "tmax_c"]]
    for i in np.flatnonzero(~lost):
        rows.append([str(DAYS[i]), *("" if blank[i, j] else f"{c[i]:.1f}" for j, c in enumerate(columns))])
    return rows


def water_parameters(lake: str, depth: float, july_air: float) -> tuple[float, ...]:
    """Parameters a1..a6 of the lumped hybrid model for one lake; see the module's text."""
    rng = generator("water", lake)
    mixing = np.exp(0.22 * rng.standard_normal())
    a2 = 0.207095 * depth**-0.67172 * mixing * np.exp(0.05 * rng.standard_normal())
    a3 = 0.262359 * depth**-0.658578 * mixing
    a4 = 31.331137 * depth**-0.329713 * np.exp(0.20 * rng.standard_normal())
    a5 = 0.843294 * depth**-0.731699 * mixing * np.exp(0.10 * rng.standard_normal())
    a6 = 0.627705 - 0.030032 * np.log(depth) - 0.03
    above = 5.2 - 0.19 * july_air + 0.4 * rng.standard_normal()
    a1 = a3 * (july_air + above) - a2 * july_air - a5 * np.cos(2 * np.pi * (196 / 365.25 - a6))
    return float(a1), float(a2), float(a3), float(a4), float(a5), float(a6)


def water_errors(lake: str, region: str) -> Pair:
    """Season-long and day-to-day error of the water [°C]; the first partly common to the region."""
    years = np.arange(YEARS[0], YEARS[-1] + 2)
    draws = 0.40 * generator("season", region).standard_normal(len(years))
    draws = draws + 0.30 * generator("season", lake).standard_normal(len(years))
    anchors = np.array([np.datetime64(f"{y}-06-01") for y in years]).astype(int)
    daily = 0.65 * ar1(generator("daily", lake), len(DAYS), 0.86)
    return np.interp(DAYS.astype(int), anchors, draws), daily


def true_water(lake: str, region: str, km: float, depth: float, tair: np.ndarray) -> Pair:
    """Daily surface water [°C] and ice [truth], from daily mean air at the lake."""
    july = (DOY >= 182) & (DOY <= 212)
    a1, a2, a3, a4, a5, a6 = water_parameters(lake, depth, float(tair[july].mean()))
    season, daily = water_errors(lake, region)
    rng = generator("ice", lake)
    stefan = 0.021 * np.exp(0.12 * rng.standard_normal())
    snowy = np.exp(0.35 * generator("snow", region).standard_normal(YEARS[-1] - YEARS[0] + 2))
    amount = (0.9 + 0.9 * km) * snowy[YEARS - YEARS[0] + (DOY > 220)]
    snowfall = np.where(rng.random(len(DAYS)) < 0.3, amount * rng.exponential(1.0, len(DAYS)), 0.0)
    drive = a1 + a3 * season + a2 * tair + a5 * np.cos(2 * np.pi * (DOY / 365.25 - a6))
    melt = 0.0056 * (0.75 + 0.4 * np.cos(2 * np.pi * (DOY - 172) / 365.25))
    water, ice, snow = 4.0, 0.0, 0.0
    out, frozen = np.zeros(len(DAYS)), np.zeros(len(DAYS), dtype=bool)
    for i in range(1, len(DAYS)):
        t = tair[i]
        if ice > 0:
            ice += stefan**2 * max(-t, 0.0) / (2 * max(ice, 0.03))
            snow = min(snow + (snowfall[i] if t < 0.5 else 0.0), 110.0)
            heat = max(t + 0.3, 0.0)
            from_snow = min(snow, heat)
            snow -= from_snow
            ice -= melt[i] * (heat - from_snow)
            if ice <= 0:
                ice, snow, water = 0.0, 0.0, 1.5
        else:
            delta = max(np.exp(-(water - 4) / a4), 0.01) if water > 4 else 1.0
            water = (2 * delta * water + drive[i - 1] - a3 * water + drive[i]) / (2 * delta + a3)
            if water <= 0:
                water, ice = 0.0, 0.01
        frozen[i] = ice > 0
        out[i] = 0.0 if ice > 0 else max(water + daily[i] * min(water / 6, 1.0), 0.1)
    return out, frozen


class Insect(NamedTuple):
    """One invented population.

    ``lower`` threshold [°C], ``heat`` to the median [°C d], ``spread`` of ln heat, gates [°C], ``life_d`` of
    adults, ``stages`` looked for, ``months`` in which anyone looks, ``second`` brood's further heat [°C d],
    ``from_warmth``: heat counts from the first week that warm. A far negative ``lower`` makes a calendar.
    """

    lower: float
    heat: float
    spread: float
    gate_water: float
    gate_air: float
    life_d: int
    stages: tuple[str, ...]
    months: tuple[int, int]
    second: float = 0.0
    from_warmth: float = 0.0


NYMPHS = ("mature", "moving", "moving", "empty_skin", "adult")
HATCH = ("pupa", "pupa", "adult")
INSECTS = {
    "coenagrion": Insect(8, 228, 0.17, 11.5, 17.5, 18, ("young", *NYMPHS), (4, 7)),
    "ischnura": Insect(8.5, 310, 0.28, 12, 17, 20, NYMPHS, (5, 8)),
    "lestes": Insect(9.5, 430, 0.10, 13, 17, 25, NYMPHS, (6, 8), from_warmth=9.5),
    "aeshna": Insect(8.5, 620, 0.18, 13, 16, 25, ("mature", "empty_skin", "adult"), (6, 9)),
    "libellula": Insect(8, 300, 0.15, 12, 17, 25, ("mature", "empty_skin", "adult"), (5, 8)),
    "anax": Insect(8.7, 450, 0.14, 14, 17, 25, ("empty_skin", "adult"), (5, 8)),
    "early_midge": Insect(3.5, 45, 0.45, 4.5, -9, 5, HATCH, (4, 6)),
    "chironomus": Insect(5, 270, 0.16, 8, -9, 6, HATCH, (4, 9), second=900),
    "summer_midge": Insect(7, 620, 0.35, 10, -9, 5, HATCH, (5, 9)),
    "chaoborus": Insect(7, 215, 0.25, 9, -9, 5, HATCH, (4, 8)),
    "callibaetis": Insect(7.5, 190, 0.20, 10.5, 11, 4, ("mature", "mature", "adult"), (4, 9), second=560),
    "caenis": Insect(9, 430, 0.18, 14, 14, 2, ("mature", "adult"), (5, 8)),
    "hexagenia": Insect(9.5, 400, 0.10, 17, 14, 3, ("mature", "adult"), (5, 8)),
    "limnephilid": Insect(6, 430, 0.22, 10, -9, 20, HATCH, (5, 8)),
    "phryganeid": Insect(7, 560, 0.15, 12, 12, 15, HATCH, (5, 8)),
    "boatman": Insect(-50, 15500, 0.035, 5, 15.5, 1, ("moving",), (8, 10)),
}
HERE = {
    "pellor": "coenagrion ischnura lestes aeshna libellula anax early_midge chironomus summer_midge caenis boatman",
    "ulvenny": "coenagrion ischnura aeshna early_midge chironomus summer_midge caenis hexagenia phryganeid limnephilid",
    "sallowby": "coenagrion ischnura lestes libellula anax early_midge summer_midge chaoborus callibaetis boatman",
    "inkle": "coenagrion aeshna libellula chaoborus summer_midge early_midge boatman",
    "odderly": "coenagrion ischnura early_midge chironomus summer_midge caenis hexagenia phryganeid limnephilid",
    "quennaby": "coenagrion ischnura lestes aeshna libellula anax early_midge chironomus summer_midge "
    "callibaetis chaoborus caenis limnephilid phryganeid boatman",
    "wendlow": "coenagrion ischnura lestes aeshna libellula early_midge summer_midge chaoborus callibaetis boatman",
    "marrowend": "coenagrion early_midge chironomus summer_midge callibaetis limnephilid phryganeid",
    "skellan": "coenagrion lestes aeshna libellula early_midge summer_midge callibaetis limnephilid boatman",
    "crannow": "coenagrion aeshna early_midge chironomus summer_midge callibaetis limnephilid phryganeid",
    "umberlow": "coenagrion aeshna early_midge summer_midge chaoborus callibaetis limnephilid",
    "ovrick": "early_midge chironomus summer_midge limnephilid",
}
HERE_IDS = list(HERE)


class Cohort(NamedTuple):
    """What one population did in one year: day numbers in DAYS on which its insects could move and left."""

    moved: np.ndarray
    left: np.ndarray
    heat: np.ndarray
    needed: np.ndarray
    numbers: float


def cohort(lake: str, taxon: str, year: int, water: np.ndarray, tmax: np.ndarray) -> Cohort:
    """Let every insect of one population grow, wait for its day and leave."""
    insect = INSECTS[taxon]
    here = generator("population", lake, taxon)
    own, common = np.exp(0.16 * here.standard_normal()), here.lognormal(0.0, 0.5)
    rng = generator("cohort", lake, taxon, year)
    first = int(np.flatnonzero(YEARS == year)[0])
    span = slice(first, first + int((YEARS == year).sum()))
    gain = np.maximum(water[span] - insect.lower, 0.0)
    if insect.from_warmth:
        week = np.convolve(water[span], np.full(7, 1 / 7))[: len(gain)]
        warm = np.flatnonzero(week >= insect.from_warmth)
        gain[: warm[0] if len(warm) else len(gain)] = 0.0
    heat = np.cumsum(gain)
    own = 1.0 if insect.lower < 0 else own
    needed = insect.heat * own * np.exp(insect.spread * rng.standard_normal(240))
    if insect.second:
        later = insect.second * np.exp(0.12 * rng.standard_normal(120))
        needed = np.concatenate([needed, needed[:120] + later])
    gates = np.flatnonzero((water[span] >= insect.gate_water) & (tmax[span] >= insect.gate_air))
    turn = np.searchsorted(gates, np.searchsorted(heat, needed)) + rng.geometric(0.55, len(needed)) - 1
    left = np.append(gates, 10**6)[np.minimum(turn, len(gates))]
    return Cohort(np.searchsorted(heat, needed - 40), left, heat, needed, common * rng.lognormal(0.0, 0.35))


def share_seen(insect: Insect, group: Cohort, day: int, stage: str) -> float:
    """Share of the population that a look for one stage could find on a day of the year (0-based)."""
    heat, needed, left = group.heat[day], group.needed, group.left
    seen = {
        "young": (heat < 0.6 * needed) & (left > day),
        "mature": (heat >= needed - 130) & (left > day),
        "moving": (group.moved <= day) & (left >= day),
        "pupa": (left >= day) & (left <= day + 2),
        "empty_skin": (left <= day) & (left > day - 8),
        "adult": (left <= day) & (left > day - insect.life_d),
    }[stage]
    return float(seen.mean())


def visits() -> list[tuple[int, str]]:
    """(index in DAYS, lake) of the guide's days out: mostly weekends, two or three lakes of one region."""
    rng = generator("visits")
    regions = [HERE_IDS[0:4], HERE_IDS[4:8], HERE_IDS[8:12]]
    months = DAYS.astype("datetime64[M]").astype(int) % 12 + 1
    weekday = (DAYS.astype(int) + 3) % 7
    out = []
    for i in np.flatnonzero((YEARS >= 2015) & (months >= 4) & (months <= 9)):
        if rng.random() < (0.62 if weekday[i] >= 5 else 0.07):
            lakes = regions[rng.choice(3, p=[0.3, 0.42, 0.28] if months[i] > 4 else [0.5, 0.42, 0.08])]
            for lake in sorted(rng.choice(lakes, rng.integers(2, 4), replace=False)):
                out.append((int(i), str(lake)))
    return out


WITH_THERMOMETER = ("pellor", "inkle", "odderly", "quennaby", "wendlow", "skellan", "crannow", "umberlow")
OBSERVERS = ("KV", "ORT", "TS")


def reading_rows(truth: Truth) -> list[list[str]]:
    """Hand-thermometer readings on most visits to some lakes; a warm afternoon reads above the day's mean."""
    rng = generator("readings")
    rows = []
    for i, lake in visits():
        here = truth[lake]
        if rng.random() < 0.25 or lake not in WITH_THERMOMETER or here["frozen"][i]:
            continue
        hour = int(rng.integers(8, 20))
        depth = rng.choice([0.2, 0.3, 0.5, 1.0], p=[0.3, 0.35, 0.25, 0.1])
        sun = 0.09 * (here["tmax"][i] - here["tmin"][i]) * np.exp(-depth)
        sun = sun * np.cos(2 * np.pi * (hour - 16) / 24)
        value = max(here["water"][i] + sun + 0.45 * rng.standard_normal(), 0.0)
        value = round(value * 2) / 2 if rng.random() < 0.4 else value
        said = [f"{depth:g}" if rng.random() < 0.8 else "", str(hour) if rng.random() < 0.85 else ""]
        rows.append([lake, str(DAYS[i]), f"{value:.1f}", *said])
    return [["lake_id", "date", "water_c", "depth_m", "hour"], *rows]


def warden_rows(truth: Truth) -> tuple[list[list[str]], list[list[str]]]:
    """Readings and looks for spring damselflies at Pellor Water, on most Sundays until the warden retired in 2025."""
    rng, lake, taxon, observer = generator("warden"), "pellor", "coenagrion", "BW"
    here, insect, readings, looks = truth["pellor"], INSECTS["coenagrion"], [], []
    months, weekday = DAYS.astype("datetime64[M]").astype(int) % 12 + 1, (DAYS.astype(int) + 3) % 7
    seen = {tuple(row[:4]) for row in sighting_rows(truth)}
    for i in np.flatnonzero((YEARS >= 2015) & (YEARS <= 2025) & (months >= 4) & (months <= 9) & (weekday == 6)):
        if rng.random() < 0.1 or here["frozen"][i]:
            continue
        value = here["water"][i] + 0.3 * rng.standard_normal()
        readings.append([lake, str(DAYS[i]), f"{max(value, 0.0):.1f}", "0.5", "10"])
        group = cohort(lake, taxon, int(YEARS[i]), here["water"], here["tmax"])
        for stage in ("empty_skin", "adult"):
            share = share_seen(insect, group, int(DOY[i]) - 1, stage)
            count = rng.poisson(group.numbers * 30 * share * rng.lognormal(0.0, 0.4))
            level = "none" if count == 0 else "few" if count < 8 else "many"
            if (lake, str(DAYS[i]), taxon, stage) not in seen and months[i] <= 7:
                looks.append([lake, str(DAYS[i]), taxon, stage, level, "30", observer, ""])
    return readings, looks


def winters(frozen: np.ndarray) -> list[tuple[int, int]]:
    """(first, last) index in DAYS of ice lying at least ten days, week-long thaws bridged."""
    edges = np.flatnonzero(np.diff(np.concatenate([[0], frozen.astype(int), [0]])))
    joined: list[list[int]] = []
    for start, stop in edges.reshape(-1, 2):
        if joined and start - joined[-1][1] <= 7:
            joined[-1][1] = int(stop) - 1
        elif stop - start >= 10:
            joined.append([int(start), int(stop) - 1])
    return [(a, b) for a, b in joined]


ICE_WATCHED = dict(odderly=2001, quennaby=1998, wendlow=2014, skellan=2006, crannow=2003, umberlow=2017)


def ice_rows(truth: Truth) -> list[list[str]]:
    """Ice dates as somebody near the lake wrote them down: a day or two off, some winters forgotten."""
    rng = generator("ice dates")
    rows = []
    for lake, since in ICE_WATCHED.items():
        spells: dict[int, tuple[int, int]] = {}
        for start, stop in winters(truth[lake]["frozen"]):
            season = int((DAYS[start] + 120).astype("datetime64[Y]").astype(int)) + 1970
            spells[season] = (spells.get(season, (start, 0))[0], stop)
        for season, (start, stop) in spells.items():
            slips = np.rint(rng.normal(0.4, 1.1, 2)).astype(int)
            told = rng.random(2) < (0.7, 0.9)
            if season < since or stop >= len(DAYS) - 3:
                continue
            for k, (day, event) in enumerate(((start, "on"), (stop + 1, "off"))):
                if told[k] or season == YEARS[-1]:
                    rows.append([lake, str(DAYS[day] + slips[k]), event])
    return [["lake_id", "date", "event"], *rows]


def choose_taxa(rng: np.random.Generator, lake: str, month: int) -> list[str]:
    """Up to three insects that a guide would look for there in that month, damselflies first."""
    known = [t for t in HERE[lake].split() if INSECTS[t].months[0] <= month <= INSECTS[t].months[1]]
    weight = np.array([4.0 if t == "coenagrion" else 1.0 for t in known])
    count = min(int(rng.integers(1, 4)), len(known))
    return sorted(rng.choice(known, count, replace=False, p=weight / weight.sum()))


def sighting_rows(truth: Truth) -> list[list[str]]:
    """What was looked for and found; counting is by luck, minutes and the observer's eye."""
    rng = generator("sightings")
    rows: list[list[str]] = []
    cohorts: dict[tuple[str, str, int], Cohort] = {}
    for i, lake in visits():
        here = truth[lake]
        observer = int(rng.integers(0, 3))
        minutes = int(rng.choice([15, 20, 30, 45, 60]))
        if here["frozen"][i]:
            continue
        month, year = int(str(DAYS[i])[5:7]), int(YEARS[i])
        for taxon in choose_taxa(rng, lake, month):
            insect = INSECTS[taxon]
            stage = str(rng.choice(insect.stages))
            key = (lake, taxon, year)
            if key not in cohorts:
                cohorts[key] = cohort(*key, here["water"], here["tmax"])
            group = cohorts[key]
            share = share_seen(insect, group, int(DOY[i]) - 1, stage)
            eye = (0.7, 1.0, 1.3)[observer]
            count = rng.poisson(group.numbers * eye * minutes * share * rng.lognormal(0.0, 0.4))
            level = "none" if count == 0 else "few" if count < 8 else "many"
            note = "warm and bright" if here["tmax"][i] > 24 else "cold" if here["tmax"][i] < 8 else ""
            told = str(minutes) if rng.random() < 0.9 else ""
            rows.append([lake, str(DAYS[i]), taxon, stage, level, told, OBSERVERS[observer], note])
    return [["lake_id", "date", "taxon", "stage", "level", "minutes", "observer", "note"], *rows]


def resident_rows() -> list[list[str]]:
    """What the guide believes lives where; silent about some lakes and some insects."""
    rng = generator("residents")
    rows = []
    for lake in HERE_IDS:
        if lake in ("ulvenny", "marrowend", "umberlow"):
            continue
        for taxon in INSECTS:
            lives = taxon in HERE[lake].split()
            sure, told = rng.random(2)
            word = ("yes" if lives else "no") if sure < 0.85 else "unsure"
            if told < 0.85 or taxon == "coenagrion":
                rows.append([lake, taxon, "yes" if taxon == "coenagrion" and lives else word])
    return [["lake_id", "taxon", "residence"], *rows]


def as_csv(rows: list[list[str]]) -> str:
    """Rows as CSV text with plain line ends."""
    text = io.StringIO()
    csv.writer(text, lineterminator="\n").writerows(rows)
    return text.getvalue()


def build() -> tuple[dict[str, str], Truth]:
    """File texts by relative path, and the hidden truth by lake: tmin, tmax, water, frozen for all DAYS."""
    sky = shared_sky()
    files = {"season.toml": SEASON, "lakes.csv": LAKES, "stations.csv": STATIONS, **BOOKING}
    for row in csv.DictReader(io.StringIO(STATIONS)):
        name, height = row["station_id"], float(row["elevation_m"])
        region = "coast" if height < 200 else "valley" if height < 600 else "fell"
        files[f"weather/{name}.csv.gz"] = as_csv(station_rows(name, *air(name, region, height, sky)))
    truth = {}
    for row in csv.DictReader(io.StringIO(LAKES)):
        lake, region, height = row["lake_id"], row["region"], float(row["elevation_m"])
        tmin, tmax = air(lake, region, height, sky)
        depth = TRUE_DEPTH.get(lake) or float(row["mean_depth_m"])
        water, frozen = true_water(lake, region, height / 1000, depth, 0.5 * (tmin + tmax))
        truth[lake] = {"tmin": tmin, "tmax": tmax, "water": water, "frozen": frozen}
    readings, looks = warden_rows(truth)
    files["readings.csv"] = as_csv([*reading_rows(truth), *readings])
    files["ice.csv"] = as_csv(ice_rows(truth))
    files["sightings.csv"] = as_csv([*sighting_rows(truth), *looks])
    files["residents.csv"] = as_csv(resident_rows())
    return files, truth


def main(folder: Path) -> None:
    """Write every file of the demo into a folder."""
    (folder / "weather").mkdir(parents=True, exist_ok=True)
    for name, text in build()[0].items():
        raw = text.encode("utf-8")
        (folder / name).write_bytes(gzip.compress(raw, 9, mtime=0) if name.endswith(".gz") else raw)


if __name__ == "__main__":
    main(Path(sys.argv[1]) if len(sys.argv) > 1 else Path(__file__).parent)

"""What a run hands to the report: plain tables and what must be said beside them."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass, field
from typing import Any, Literal

import pandas as pd

from emergence.errors import Problem


@dataclass(frozen=True)
class TaxonLabel:
    """What a reader sees of a taxon: ``leaving`` is the word for its emergence, ``migrates`` whether nymphs move."""

    name: str
    group: str
    leaving: Literal["hatch", "flight"] = "hatch"
    migrates: bool = False


@dataclass(frozen=True)
class NoteEffect:
    """What one lake's notes of this season did to one insect's dates.

    ``kind`` water (readings and ice dates) or sightings, ``notes`` of them, the ``latest`` in words with its date.
    ``before`` and ``after`` are the peak of the middle member, None for never, ``width_`` the days between its 10 and
    90 %. Of sightings: ``effective`` of the ``members`` carried the weight; ``fresh``: so few that new ones were drawn
    around them.
    """

    lake_id: str
    taxon: str
    event: str
    season: int
    kind: Literal["water", "sightings"]
    notes: int
    latest: str
    latest_date: dt.date
    before: dt.date | None
    after: dt.date | None
    width_before: int | None
    width_after: int | None
    effective: float | None = None
    members: int = 0
    fresh: bool = False


@dataclass(frozen=True)
class RunInfo:
    """What was run, on what, and what was assumed.

    ``lakes`` has one row a lake forecast: lake_id, name, region, latitude, longitude [degrees], elevation_m [m],
    area_ha [ha], mean_depth_m [m], share (yes|no). ``today`` is the clock's date or None; it is shown, never written.
    ``taxa`` maps taxon ids to labels, ``dropped`` lake ids to reasons, ``checksums`` input files to SHA-256,
    ``gap_counts`` a station to the number of days filled by each named rule, ``lake_stations`` a lake to the weight [1]
    of each of its stations, heaviest first; ``note_effects`` says what this season's notes did.
    """

    name: str
    as_of: dt.date
    today: dt.date | None
    season_years: tuple[int, ...]
    seed: int
    slots: int
    replicates: int
    slot_years: tuple[int, ...]
    last_weather_day: dt.date
    lakes: pd.DataFrame
    taxa: dict[str, TaxonLabel]
    assumptions: tuple[str, ...]
    problems: tuple[Problem, ...]
    dropped: dict[str, str]
    settings: dict[str, Any]
    checksums: dict[str, str]
    gap_counts: dict[str, dict[str, int]]
    lake_stations: dict[str, dict[str, float]] = field(default_factory=dict)
    temperature_unit: str = "C"
    length_unit: str = "m"
    date_order: str = "day-month"
    note_effects: tuple[NoteEffect, ...] = ()


@dataclass(frozen=True)
class RunResult:
    """The tables of one run; their columns are those of ``schemas/windows.json``, ``days.json`` and ``water.json``.

    Dates are datetime64 (NaT: blank), chances 0..1, temperatures [°C]; ``brood`` is 1 for the first or only brood and
    0 where it means nothing (turnover). ``members`` holds each member's dates when they were asked for.
    """

    info: RunInfo
    windows: pd.DataFrame
    days: pd.DataFrame
    water: pd.DataFrame
    members: pd.DataFrame = field(default_factory=pd.DataFrame)


@dataclass(frozen=True)
class LakeYear:
    """One lake's water and ice over one season of the weather record, for a picture.

    ``days``: date, low, middle, high [°C] (8 in 10 between low and high; middle is the central estimate), ice_chance
    [0..1] and measured (whether that day's air was). ``readings``: date, water_c [°C], used (false where a reading lies
    absurdly far off). ``ice``: date, event (on|off) as observed. ``fitted`` says to how many readings and
    ``fitted_ice`` to how many dates of ice-off the water is fitted.
    """

    lake_id: str
    name: str
    elevation_m: float
    year: int
    southern: bool
    days: pd.DataFrame
    readings: pd.DataFrame
    ice: pd.DataFrame
    fitted: int = 0
    fitted_ice: int = 0
    temperature_unit: str = "C"
    length_unit: str = "m"


@dataclass(frozen=True)
class GateState:
    """What ready insects wait for: variable, where it opens, whether it opens as the value falls, and open days.

    ``recent_d`` of the last seven and ``coming_d`` of the next fourteen days, means over members.
    """

    variable: str
    open_at: float
    falling: bool
    recent_d: float
    coming_d: float


@dataclass(frozen=True)
class Mover:
    """Something that moves the peak: weather | need | water | ice, and by how many days for one standard deviation."""

    what: str
    days: float


@dataclass(frozen=True)
class StageShares:
    """What is about on a date (ISO): shares of young and mature nymphs, moving ones and adults in all that live."""

    date: str
    young: float
    mature: float
    moving: float
    adult: float


@dataclass(frozen=True)
class Explained:
    """Why one insect's dates on one lake are what they are; triples are 10, 50 and 90 % over members.

    Dates are ISO, "" for never. ``started`` is the share of members whose counting has begun; ``gathered`` and ``need``
    [°C·day] above ``lower_c``, ``a_day`` [°C·day] of the last week; ``days_ahead_of_normal`` [d] of the middle past
    year, None before there is any heat; ``strength`` against the mean year and ``ages`` (shares of one, two, ... years)
    are empty for taxa without year-classes. ``stages`` are those of the coming weeks, empty where adults are not known.
    ``residence`` is yes, unsure or no, ``residence_from`` what says so: residents.csv, habitat or sightings. ``notes``
    says what each of this season's notes did, every one taken out in turn, the latest first.
    """

    lake_id: str
    lake: str
    taxon: str
    name: str
    as_of: dt.date
    season: int
    event: str
    peak: tuple[str, ...]
    biofix_rule: str
    biofix: tuple[str, ...]
    started: float
    lower_c: float
    gathered: tuple[float, float, float]
    need: tuple[float, float, float]
    a_day: float
    days_ahead_of_normal: float | None
    gates: tuple[GateState, ...]
    strength: tuple[float, ...]
    ages: tuple[float, ...]
    movers: tuple[Mover, ...]
    stages: tuple[StageShares, ...] = ()
    residence: str = "yes"
    residence_from: str = "residents.csv"
    notes: tuple[NoteEffect, ...] = ()


@dataclass(frozen=True)
class HindcastResult:
    """Past seasons forecast again and scored (`verification.hindcast`).

    ``known_years`` is other (all but the target) or past; ``readings`` says in words which of a season's notes were
    used; ``unseen``: lakes taken as never read before, the mean date is the region's. ``rows`` is hindcast.csv;
    ``leads`` and ``lakes`` hold the scores of thermal dates by lead, of all lakes and of each, ``alone`` those of the
    lakes' model by itself, ``insects`` those of what was seen, by taxon, event and lead (each may be empty);
    ``reliability``: chance, share, cases;
    ``pit``: from, share.
    """

    name: str
    known_years: str
    readings: str
    unseen: bool
    rows: pd.DataFrame
    leads: pd.DataFrame
    alone: pd.DataFrame
    lakes: pd.DataFrame
    insects: pd.DataFrame
    reliability: pd.DataFrame
    pit: pd.DataFrame


@dataclass(frozen=True)
class LakePages:
    """What a page for each lake shows beside its windows; dates are datetime64, empty tables where nothing is known.

    ``readings``: lake_id, date, water_c [°C]; ``ice``: lake_id, date, event (on|off); ``sightings``: lake_id, date,
    taxon, stage, level: notes of the seasons forecast, up to the issue date. ``heat``, weekly: lake_id, taxon, season,
    date, gathered (middle member since its own biofix) and normal (middle past year) [°C·day]. ``needs``: lake_id,
    taxon, season, lower_c [°C], low, middle, high [°C·day] (10, 50, 90 % of members). ``stages``, weekly: lake_id,
    taxon, season, date, then the shares young, mature, moving, adult [0..1], all 0 where next to nothing lives.
    """

    readings: pd.DataFrame
    ice: pd.DataFrame
    sightings: pd.DataFrame
    heat: pd.DataFrame
    needs: pd.DataFrame
    stages: pd.DataFrame


@dataclass(frozen=True)
class RegionsResult:
    """Regions and height bands side by side; region and band are "*" where all of them are taken together.

    ``table`` is regions.csv. ``climbs``, a row an event: taxon, brood, event, season, lakes, per_100m, per_100m_low,
    per_100m_high [d], per_degree, per_degree_low, per_degree_high [d], within (lakes were compared with others of
    their region), together (height and latitude could not be told apart), scatter_days, lakes_wanted (so many such
    lakes would tell the days for 100 m to a day). ``moves``: taxon, brood, event, region, band, week_start,
    share_active: the first week still ahead in which half of the lakes are active, the soonest first. ``seasons``, a
    row a group: region, band, lakes, single (a whole region or band), days_vs_normal, like_year (0: none), noise_days
    (by how much a past year's days are off by the chance of few draws, standard error). ``years``: region, band,
    year, days_vs_normal. ``dates``, a row a lake and event: lake_id, region, taxon, brood, event, elevation_m,
    latitude, middle (date). ``normal_as_of`` is what the normal year knows the weather up to, None where there is
    none.
    """

    name: str
    as_of: dt.date
    band_m: float
    normal_as_of: dt.date | None
    past_years: int
    table: pd.DataFrame
    climbs: pd.DataFrame
    moves: pd.DataFrame
    seasons: pd.DataFrame
    years: pd.DataFrame
    dates: pd.DataFrame
    taxa: dict[str, TaxonLabel]
    lakes: int
    dropped: dict[str, str]
    length_unit: str = "m"

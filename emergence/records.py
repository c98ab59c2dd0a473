"""Typed records of what the season folder holds. Columns are NumPy arrays: one record for all lakes, not one a lake."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field, fields
from pathlib import Path
from typing import Any, Self

import numpy as np
from numpy.typing import NDArray

from emergence.errors import Problem

Floats = NDArray[np.float64]
Words = NDArray[np.object_]
Days = NDArray[np.int64]

STAGES = ("young", "mature", "moving", "pupa", "empty_skin", "adult")
LEVELS = ("none", "few", "many")
RESIDENCES = ("yes", "unsure", "no")
STEMS = ("none", "some", "much")
WANTED_STAGES = ("moving", "hatch", "young")
NO_DAY = -1_000_000
"""Day number that stands for a blank date."""


@dataclass(frozen=True)
class Table:
    """A table held as equally long columns."""

    def __len__(self) -> int:
        return len(getattr(self, fields(self)[0].name))

    def take(self, index: Any) -> Self:
        """Return the rows that ``index`` (integers or a mask) selects, in its order."""
        return type(self)(**{f.name: getattr(self, f.name)[index] for f in fields(self)})


@dataclass(frozen=True)
class Lakes(Table):
    """Lakes in the user's order. Blank numbers are NaN, blank words are ``""``.

    Latitude, longitude [degrees, north and east positive]; elevation_m [m above sea]; area_ha [ha];
    mean_depth_m, max_depth_m, secchi_m [m]; stems (none|some|much); share (yes|no).
    """

    lake_id: Words
    name: Words
    region: Words
    latitude: Floats
    longitude: Floats
    elevation_m: Floats
    area_ha: Floats
    mean_depth_m: Floats
    max_depth_m: Floats
    secchi_m: Floats
    station_id: Words
    stems: Words
    share: Words
    notes: Words

    @property
    def southern(self) -> NDArray[np.bool_]:
        """Truth of "south of the equator", shape (lakes,)."""
        return self.latitude < 0


@dataclass(frozen=True)
class Stations(Table):
    """Weather stations: latitude, longitude [degrees], elevation_m [m above sea]."""

    station_id: Words
    name: Words
    latitude: Floats
    longitude: Floats
    elevation_m: Floats


@dataclass(frozen=True)
class StationSeries:
    """The daily air temperature record of one station, one value a day without holes in the calendar.

    ``first_day`` is the day number of element 0; ``tmin_c``, ``tmax_c``, ``tmean_c`` [°C], shape (days,), NaN where
    missing. A station without minima and maxima has all-NaN ``tmin_c`` and ``tmax_c``.
    """

    station_id: str
    first_day: int
    tmin_c: Floats
    tmax_c: Floats
    tmean_c: Floats

    @property
    def last_day(self) -> int:
        """Day number of the last element."""
        return self.first_day + len(self.tmean_c) - 1


@dataclass(frozen=True)
class Readings(Table):
    """Water temperatures somebody measured: water_c [°C], depth_m [m] and hour [0-24], NaN where not said."""

    lake_id: Words
    day: Days
    water_c: Floats
    depth_m: Floats
    hour: Floats


@dataclass(frozen=True)
class IceDates(Table):
    """Ice dates: event (on|off)."""

    lake_id: Words
    day: Days
    event: Words


@dataclass(frozen=True)
class Sightings(Table):
    """What was seen or looked for: stage one of STAGES, level one of LEVELS, minutes [min] NaN where not said."""

    lake_id: Words
    day: Days
    taxon: Words
    stage: Words
    level: Words
    minutes: Floats
    observer: Words
    note: Words


@dataclass(frozen=True)
class Residents(Table):
    """Which taxa live where: residence (yes|no|unsure)."""

    lake_id: Words
    taxon: Words
    residence: Words


@dataclass(frozen=True)
class Moved:
    """Days laid back in a record: a day number below ``before`` stands for the day ``days`` later (hindcasts)."""

    before: int
    days: int

    def true_days(self, days: Days) -> Days:
        """Return the day numbers for which those of the record stand, same shape."""
        return days + np.where(days < self.before, self.days, 0)


@dataclass(frozen=True)
class Overrules(Table):
    """The user's last word on values: file (weather|readings), id of station or lake, days first to last included.

    column ("" for all), keep (yes: used although flagged; no: not used), row of overrules.csv.
    """

    file: Words
    id: Words
    first: Days
    last: Days
    column: Words
    keep: Words
    note: Words
    row: Days


def no_overrules() -> Overrules:
    """Return an empty table."""
    words, days = np.zeros(0, dtype=object), np.zeros(0, dtype=np.int64)
    return Overrules(words, words, days, days, words, words, words, days)


@dataclass(frozen=True)
class Want:
    """What a party wants to meet: a taxon (id or trade name), its stage (one of WANTED_STAGES), and how much [1]."""

    taxon: str
    stage: str
    weight: float


@dataclass(frozen=True)
class Trips(Table):
    """What parties want. Words are ``""`` where blank, days ``NO_DAY``, numbers NaN.

    ``size`` guests want ``days`` days within ``earliest`` to ``latest`` (day numbers, both included); ``consecutive``,
    ``change_lake`` (one change of lake within the trip is fine) and ``poor_days`` (days under ice, in the overturn or
    above the heat stop are booked knowingly) are yes or no. ``wants`` holds tuples of `Want`; ``lakes``, ``regions``,
    ``not_lakes``, ``not_regions``, ``skills`` tuples of words, ``()`` for any or none. ``booking`` is movable or fixed;
    ``booked_lake`` and ``booked_start`` say what is booked; ``move_cost_days`` [expected moving days].
    """

    party: Words
    size: Days
    earliest: Days
    latest: Days
    days: Days
    consecutive: Words
    change_lake: Words
    wants: Words
    lakes: Words
    regions: Words
    not_lakes: Words
    not_regions: Words
    skills: Words
    booking: Words
    booked_lake: Words
    booked_start: Days
    decide_by: Days
    move_cost_days: Floats
    poor_days: Words
    note: Words
    row: Days


@dataclass(frozen=True)
class Guides(Table):
    """Who guides: days ``first`` to ``last`` (``NO_DAY``: no bound) but those ``off`` (tuples of weekdays and dates).

    ``boats`` of ``guests_per_boat`` guests each; ``skills`` tuples of words; ``base`` the name of a place in travel.csv
    or ``""``; its latitude and longitude [degrees], NaN where blank.
    """

    guide: Words
    first: Days
    last: Days
    off: Words
    boats: Days
    guests_per_boat: Days
    skills: Words
    base: Words
    base_latitude: Floats
    base_longitude: Floats
    row: Days


@dataclass(frozen=True)
class Closures(Table):
    """When a lake is closed, first to last day included, and why."""

    lake_id: Words
    first: Days
    last: Days
    reason: Words
    row: Days


@dataclass(frozen=True)
class Access(Table):
    """When a lake can be reached and how much it may be fished; NaN and ``NO_DAY`` mean no bound.

    ``permit`` is held, missing or ``""`` (none needed); ``quota_days`` guided days a season; ``parties_per_day`` and
    ``parties_per_week`` (weeks begin on Monday) let the lake rest; ``note`` is the user's own.
    """

    lake_id: Words
    open_from: Days
    open_to: Days
    permit: Words
    quota_days: Floats
    parties_per_day: Floats
    parties_per_week: Floats
    note: Words
    row: Days


@dataclass(frozen=True)
class Travel(Table):
    """Hours [h] on the road from a place (lake_id or base) to another; one way given stands for both."""

    origin: Words
    destination: Words
    hours: Floats
    row: Days


@dataclass(frozen=True)
class Booking:
    """Everything a trip plan needs beside the forecast."""

    trips: Trips
    guides: Guides
    closures: Closures
    access: Access
    travel: Travel


@dataclass(frozen=True)
class TripSettings:
    """Section [trips] of season.toml.

    ``road_factor`` [1] on great circles, ``speed_km_h`` [km/h], ``most_travel_h`` [h] one way; ``travel_cost`` [moving
    days per hour], ``move_cost_days`` [moving days]; ``again`` [1] what each further moving day is worth against the
    one before; ``fairness`` [1]; ``heat_stop_c`` [°C]; ``ice_chance``, ``turnover_chance``, ``heat_chance`` [0..1]
    above which a day is worth nothing; ``unsure_share`` [0..1] chance that an insect is there that "may live here";
    ``notice_days`` [d] before a trip up to which it can be moved.
    """

    road_factor: float = 1.4
    speed_km_h: float = 60.0
    most_travel_h: float = 3.0
    travel_cost: float = 0.05
    move_cost_days: float = 1.0
    again: float = 0.9
    fairness: float = 0.5
    heat_stop_c: float = 20.0
    ice_chance: float = 0.1
    turnover_chance: float = 0.5
    heat_chance: float = 0.5
    unsure_share: float = 0.5
    notice_days: int = 14


@dataclass(frozen=True)
class Heat:
    """Surface temperatures [°C] at which a kind of fish wants care, is not played, and is closed; NaN: the usual."""

    species: str
    caution_c: float
    stop_c: float
    closure_c: float


@dataclass(frozen=True)
class Settings:
    """What season.toml says, with its defaults. ``said`` names the keys that the user wrote."""

    name: str = ""
    time_zone: str = "UTC"
    weather_source: str = "files"
    taxa: tuple[str, ...] = ()
    slots: int = 30
    replicates: int = 8
    seed: int = 1
    temperature_unit: str = "C"
    length_unit: str = "m"
    date_order: str = "day-month"
    guests_see_lakes: str = "share"
    trips: TripSettings = TripSettings()
    heat: tuple[Heat, ...] = ()
    said: frozenset[str] = frozenset()


@dataclass(frozen=True)
class Season:
    """A season folder as read: everything checked, nothing computed.

    ``weather`` maps station_id to its record (``ahead`` likewise for forecast days); a station whose file is
    unreadable is absent and named in ``problems``. ``own_taxa`` maps the relative path of a user's taxon file to its
    text, already known to be UTF-8 text. ``checksums`` maps relative paths to the SHA-256 of the files read.
    ``checked_to`` is the last day (day number) up to which quality control went over the weather, None before it.
    ``moved`` says which days of its weather stand for later ones; None but in hindcasts. ``booking`` holds parties,
    guides and rules of access, None where there is no trips.csv; ``closures`` and ``access`` stand also without one.
    """

    folder: Path
    settings: Settings
    lakes: Lakes
    stations: Stations
    weather: Mapping[str, StationSeries]
    ahead: Mapping[str, StationSeries]
    readings: Readings
    ice: IceDates
    sightings: Sightings
    residents: Residents
    own_taxa: Mapping[str, str]
    problems: tuple[Problem, ...]
    checksums: Mapping[str, str] = field(default_factory=dict)
    overrules: Overrules = field(default_factory=no_overrules)
    checked_to: int | None = None
    moved: Moved | None = None
    booking: Booking | None = None
    closures: Closures | None = None
    access: Access | None = None

"""What a day sheet is made of: one lake and day as the forecast sees them. Records only."""

from __future__ import annotations

import datetime as dt
from dataclasses import dataclass
from typing import Literal

from emergence.angling.sums import HeatTiers

Triple = tuple[float, float, float]
"""10, 50 and 90 % over members."""
Basis = Literal["measured", "forecast", "past springs"]


@dataclass(frozen=True)
class EventDay:
    """One event of one brood on the day: chances [0..1] that it is under way and that insects show; its peak (ISO)."""

    event: str
    brood: int
    active: float
    moving: float
    peak: str


@dataclass(frozen=True)
class GateDay:
    """What ready insects wait for: variable, where it opens fully and shuts [its unit], how far open on the day."""

    variable: str
    open_at: float
    shut_at: float
    open_share: float


@dataclass(frozen=True)
class Stages:
    """Shares of all that live in or above the lake [0..1]; ``moving`` are nymphs on their way, or pupae.

    ``soft`` are the share of adults of the day that cannot fly yet, within ``adult``.
    """

    young: float
    mature: float
    moving: float
    adult: float
    soft: float


@dataclass(frozen=True)
class Insect:
    """One taxon on the day.

    ``residence`` yes or unsure; ``depth_m`` where its young live [m], no deeper than the lake; ``stages`` None where
    its adults are not known or next to nothing lives. ``adult_until`` (ISO, "" for none): the last day on which at
    least 2 in 100 of the season's insects fly; ``life_d`` [d] of an adult; ``flies_after_h`` [h].
    """

    taxon: str
    name: str
    group: str
    leaving: str
    residence: str
    events: tuple[EventDay, ...]
    gates: tuple[GateDay, ...]
    depth_m: tuple[float, float]
    stages: Stages | None
    adult_from: str = ""
    adult_until: str = ""
    flies_after_h: float | None = None
    life_d: float | None = None

    @property
    def best(self) -> EventDay | None:
        """The event that most likely shows on the day, the migration before the hatch among equals."""
        return max(self.events, key=lambda e: (e.moving, e.event == "migration"), default=None)

    @property
    def moving_chance(self) -> float:
        """Chance that any event of the taxon shows; that of the likeliest one."""
        return 0.0 if self.best is None else self.best.moving


@dataclass(frozen=True)
class Board:
    """Which stages of every taxon are about on one lake and day; triples and dates over members.

    ``frost`` (ISO, 10, 50 and 90 %): the first night of a hard frost after midsummer, "" for none this season.
    """

    lake_id: str
    lake: str
    date: dt.date
    as_of: dt.date
    season: int
    insects: tuple[Insect, ...]
    frost: tuple[str, str, str]
    frost_c: float


@dataclass(frozen=True)
class Elsewhere:
    """Another lake the same day: name, way as the crow flies [km], chance that the insect shows, surface [°C]."""

    lake: str
    km: float
    chance: float
    water_c: float


@dataclass(frozen=True)
class DaySheet:
    """One lake and day.

    Depths and height [m], area [ha], NaN where not said (``deepest_m`` is then guessed); temperatures [°C]: surface
    ``water``, afternoon maximum of the surface ``afternoon_c`` (middle, upper range), air. ``sun`` are sunrise, noon
    and sunset [h] by the season's clock, or by the sun's where ``clock`` is false. ``closures`` say why it is closed,
    ``shut`` what else stands against going (road, permit), ``access`` the terms of going; ``elsewhere`` are other lakes
    for the insect ``elsewhere_of``, the best first.
    """

    board: Board
    region: str
    elevation_m: float
    deepest_m: float
    deepest_guessed: bool
    secchi_m: float
    stems: str
    basis: Basis
    sun: Triple
    clock: bool
    water: Triple
    afternoon_c: tuple[float, float]
    air_min: Triple
    air_max: Triple
    ice_chance: float
    turnover: float
    tiers: tuple[HeatTiers, ...]
    closures: tuple[str, ...] = ()
    shut: tuple[str, ...] = ()
    access: tuple[str, ...] = ()
    elsewhere: tuple[Elsewhere, ...] = ()
    elsewhere_of: str = ""
    temperature_unit: str = "C"
    length_unit: str = "m"

    @property
    def dawn_c(self) -> float:
        """The middle surface at dawn [°C]: as far below the mean of the day as the usual afternoon is above it."""
        return 2 * self.water[1] - self.afternoon_c[0]

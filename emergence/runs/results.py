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
class RunInfo:
    """What was run, on what, and what was assumed.

    ``lakes`` has one row a lake forecast: lake_id, name, region, latitude, longitude [degrees], elevation_m [m],
    area_ha [ha], mean_depth_m [m], share (yes|no). ``today`` is the clock's date or None; it is shown, never written.
    ``taxa`` maps taxon ids to labels, ``dropped`` lake ids to reasons, ``checksums`` input files to SHA-256,
    ``gap_counts`` a station to the number of days filled by each named rule.
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
    temperature_unit: str = "C"
    length_unit: str = "m"


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

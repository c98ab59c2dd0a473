"""What a lake's model says of past years with their weather known, each fitted without it, beside what readings say."""

from __future__ import annotations

import dataclasses
from collections.abc import Callable, Iterable, Mapping
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from emergence.dates import NEVER, season_span, season_year
from emergence.degreedays.milestones import MILESTONES, Milestone, observed_passing_day, passing_days
from emergence.learning.widening import Misses, fit_widening
from emergence.records import Readings, Season
from emergence.runs.checked import ruled_notes
from emergence.runs.record import Record, winters
from emergence.runs.taught import Learned, with_learned, without_season
from emergence.water.conditioning import SURFACE_M
from emergence.water.features import Features
from emergence.water.members import member_water
from emergence.water.spread import Spread, draw_errors, error_bank
from emergence.water.surface import WaterPath, opening_keep

Ints = NDArray[np.int64]
HINDSIGHT_MEMBERS = 40
LONGEST_SEASON_D = 488  # with the four months before it
LEAST_YEARS = 5  # in which a lake's readings must tell a date for the widening; our choice
Key = tuple[str, Milestone]
Truths = Mapping[Key, Mapping[int, int]]
"""For each lake and milestone the day number on which observed water passed it, by season."""
Said = dict[tuple[str, Milestone, int], tuple[float, float]]
"""For each lake, milestone and season mean and standard deviation of members' dates [d from the season's start]."""


@lru_cache(maxsize=1)
def season_bank(seed: int) -> NDArray[np.floating]:
    """Return the error bank for the longest season; its first days are those of a shorter one."""
    return error_bank(seed, LONGEST_SEASON_D)


def passed_dates(readings: Readings, southern: Mapping[str, bool], milestones: Iterable[Milestone]) -> Truths:
    """Return when the surface water that was read passed the milestones, at lakes by id."""
    readings = readings.take(~(readings.depth_m > SURFACE_M))
    found: dict[Key, dict[int, int]] = {}
    for lake, south in southern.items():
        mine = readings.take(readings.lake_id == lake)
        days, place = np.unique(mine.day, return_inverse=True)
        water = np.bincount(place, mine.water_c) / np.maximum(np.bincount(place), 1)
        year = np.array([season_year(int(d), south) for d in days], dtype=np.int64)
        for milestone in milestones:
            for y in np.unique(year).tolist():
                start = season_span(y, south).start
                day = observed_passing_day(days[year == y], water[year == y], milestone, start=start)
                if day is not None:
                    found.setdefault((lake, milestone), {})[y] = day
    return found


def hindsight(record: Record, learned: Learned, wanted: Callable[[int], Iterable[Key]]) -> Said:
    """Return what each lake's model, fitted without a season, says of it with its weather and no note of it.

    Parameters
    ----------
    record
        The simulated record of lakes of one hemisphere.
    learned
        Their fits, as fitted (`learn_lakes`): those read from a file know no season apart.
    wanted
        Lakes and milestones wanted of a season of the record.
    """
    said: Said = {}
    row = {str(i): k for k, i in enumerate(record.lakes.lake_id)}
    south = bool(record.lakes.southern[0])
    for part, opening in winters(record):
        days = record.days[part]
        year = season_year(int(days[-1]), south)
        start = season_span(year, south).start
        asked = sorted((key for key in wanted(year) if key[0] in row), key=lambda key: (key[0], key[1].name))
        some = np.array(sorted({row[lake] for lake, _ in asked}), dtype=np.int64)
        if not len(some) or days[0] > start:
            continue
        spread = with_learned(record.spread, record.lakes, without_season(learned, year))
        water = _members(record, spread, some, part, opening)[start - days[0] :]
        for lake, milestone in asked:
            dates = passing_days(water[:, int(np.flatnonzero(some == row[lake])[0])], milestone)
            if (dates != NEVER).all():
                said[lake, milestone, year] = float(dates.mean()), float(dates.std())
    return said


def _members(record: Record, spread: Spread, some: Ints, part: slice, opening: Ints) -> NDArray[np.floating]:
    """Return water [°C] drawn about the simulated surface of some lakes and a winter's days, (days, lakes, members)."""
    ids = record.lakes.lake_id[some], record.lakes.region[some]
    year, opened = season_year(int(record.days[part][-1]), bool(record.lakes.southern[0])), opening[some]
    laid = member_water(
        WaterPath(*(v[part][:, some] for v in vars(record.path).values())),
        draw_errors(spread.take(some), *ids, seed=0, season=year, members=HINDSIGHT_MEMBERS),
        known=Features(record.known.calendar[part], record.known.weather[part][:, some]),
        bank=season_bank(0),
        opening=opened,
        keep=opening_keep(record.shape.take(some)),
    )
    return laid.water_c[:, :, 0]


def with_widening(learned: Learned, said: Said, dates: Truths, record: Record) -> Learned:
    """Return fits with the factor that makes members as wide as their misses of past years are large.

    Parameters
    ----------
    learned
        Water and ice of the lakes of a record, as fitted, without a factor.
    said
        What they say of past years (`hindsight`).
    dates
        What readings say (`own_dates`).
    record
        The simulated record.
    """
    south = bool(record.lakes.southern[0])
    rows = [
        (lake, year, season_span(year, south).start + mean - dates[lake, milestone][year], sd)
        for (lake, milestone, year), (mean, sd) in sorted(said.items(), key=lambda item: (item[0][0], item[0][2]))
        if year in dates.get((lake, milestone), {})
    ]
    lake, year, miss, sd = zip(*rows, strict=True) if rows else ((), (), (), ())
    misses = Misses(np.array(lake, dtype=object), np.array(year, dtype=np.int64), np.array(miss), np.array(sd))
    return dataclasses.replace(learned, misses=misses, widening=fit_widening(misses))


def own_dates(season: Season, record: Record, before: int) -> Truths:
    """Return when the lakes of a record passed milestones by readings from before a day, at lakes with enough years."""
    readings, _ = ruled_notes(season.readings, season.overrules, "readings")
    southern = {str(i): bool(s) for i, s in zip(record.lakes.lake_id, record.lakes.southern, strict=True)}
    dates = passed_dates(readings.take(readings.day < before), southern, MILESTONES)
    return {key: d for key, d in dates.items() if len(d) >= LEAST_YEARS}

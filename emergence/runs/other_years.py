"""A season folder as known on a day of a past season, all other years laid before it.

Seasons after the target one go back by whole cycles of four years, so that they end before the record begins, and the
target season's days after the issue date are dropped. Nothing then comes after the issue date, and the same code as for
a forecast does the rest: it could not look ahead if it would.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Mapping
from dataclasses import dataclass, field
from typing import TypeVar

import numpy as np

from emergence.dates import SeasonSpan, day_number, to_date
from emergence.records import IceDates, Moved, Overrules, Readings, Season, Sightings, StationSeries
from emergence.runs.checked import checked_season, ruled_notes

CYCLE_D = 1461  # four years with their leap day
COLUMNS = ("tmin_c", "tmax_c", "tmean_c")
Notes = TypeVar("Notes", Readings, IceDates, Sightings)


def others_first(season: Season, span: SeasonSpan, *, issue: int, past_only: bool = False) -> Season:
    """Return a season folder as known on the issue date, other years before it.

    Parameters
    ----------
    season
        The season as read.
    span
        The target season.
    issue
        Issue date (day number): nothing of the target season after it is kept.
    past_only
        Drop later seasons too.

    Notes
    -----
    Later seasons move back by a multiple of 1461 days, so the days of the year stay (but for one day across 1900, which
    had no leap day). ``Season.moved`` lets the warming trend see their true dates.
    """
    last = max([s.last_day for s in season.weather.values()], default=issue)
    first = min([s.first_day for s in season.weather.values()], default=issue)
    back = CYCLE_D * (-(-(max(last, issue) - first + 1) // CYCLE_D))
    cut = _Cut(issue, span.end, 0 if past_only else back)
    return dataclasses.replace(
        season,
        weather={name: cut.series(series) for name, series in season.weather.items()},
        ahead={},
        readings=cut.notes(season.readings),
        ice=cut.notes(season.ice),
        sightings=cut.notes(season.sightings),
        overrules=cut.rules(season.overrules),
        moved=Moved(first, back),
    )


@dataclass(frozen=True)
class _Cut:
    """Days to ``issue`` stay, days after ``end`` go back by ``back`` (0: are dropped), those between are dropped."""

    issue: int
    end: int
    back: int

    def series(self, series: StationSeries) -> StationSeries:
        stay = max(0, min(self.issue, series.last_day) - series.first_day + 1)
        go = max(0, self.end + 1 - series.first_day) if self.back else len(series.tmean_c)
        later = max(0, len(series.tmean_c) - go)
        first = series.first_day + go - self.back if later else series.first_day
        whole = np.full((3, max(series.first_day + stay - first, later)), np.nan)
        for row, name in zip(whole, COLUMNS, strict=True):
            values = getattr(series, name)
            row[:later] = values[len(values) - later :]
            row[series.first_day - first : series.first_day - first + stay] = values[:stay]
        return StationSeries(series.station_id, first, *whole)

    def notes(self, notes: Notes) -> Notes:
        kept = notes.take((notes.day <= self.issue) | ((notes.day > self.end) & (self.back > 0)))
        moved = dataclasses.replace(kept, day=np.where(kept.day > self.end, kept.day - self.back, kept.day))
        return moved.take(np.argsort(moved.day, kind="stable"))

    def rules(self, rules: Overrules) -> Overrules:
        back = np.where(rules.first > self.end, self.back, 0)
        return dataclasses.replace(rules, first=rules.first - back, last=rules.last - back)


@dataclass
class Known:
    """What was known on days of one target season, checked as of the end of the month before.

    Quality control looks at days up to the end of the month before the issue date only, and passes the few days since;
    so one check serves all issue dates of a month, and no day after an issue date has a say. ``checked`` keeps the
    weather by that day; folders of the same stations may share it (`around`).
    """

    season: Season
    span: SeasonSpan
    past_only: bool
    checked: dict[int, Mapping[str, StationSeries]] = field(default_factory=dict)

    def on(self, issue: int) -> Season:
        """Return the folder as known on an issue date (day number)."""
        end = day_number(to_date(issue + 1).replace(day=1)) - 1
        if end not in self.checked:
            self.checked[end] = checked_season(self._first(end), last_day=end).weather
        month, now = self.checked[end], self._first(issue)
        weather = {name: _joined(month[name], series, end) for name, series in now.weather.items()}
        readings, _ = ruled_notes(now.readings, now.overrules, "readings")
        ice, _ = ruled_notes(now.ice, now.overrules, "ice")
        return dataclasses.replace(now, weather=weather, readings=readings, ice=ice, checked_to=issue)

    def around(self, parts: Mapping[str, Season]) -> dict[str, Known]:
        """Return the same for parts of the folder, by name; those of the same stations share one check."""
        checks = {_stations(self.season): self.checked}
        return {
            name: Known(part, self.span, self.past_only, checks.setdefault(_stations(part), {}))
            for name, part in parts.items()
        }

    def true_day(self, season: Season, day: int) -> int:
        """Return the day number for which one of a folder from ``on`` stands."""
        return day if season.moved is None else int(season.moved.true_days(np.array([day]))[0])

    def _first(self, issue: int) -> Season:
        return others_first(self.season, self.span, issue=issue, past_only=self.past_only)


def _stations(season: Season) -> tuple[str, ...]:
    return tuple(season.stations.station_id.tolist())


def _joined(checked: StationSeries, raw: StationSeries, end: int) -> StationSeries:
    """Return a record as checked up to ``end``, as it came after; both begin on the same day or hold nothing."""
    n = max(0, min(end - raw.first_day + 1, len(checked.tmean_c), len(raw.tmean_c)))
    parts = [np.concatenate([getattr(checked, c)[:n], getattr(raw, c)[n:]]) for c in COLUMNS]
    return StationSeries(raw.station_id, raw.first_day, *parts)

"""What weather each lake has: stations, distance, height, coverage, gaps, last day, and what is odd about it."""

from __future__ import annotations

import datetime as dt
from collections.abc import Iterable, Mapping, Sequence
from dataclasses import asdict, dataclass, field, replace
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emergence.dates import to_date, year_of
from emergence.errors import NoWeatherError
from emergence.records import Season, StationSeries
from emergence.runs.checked import weather_files
from emergence.season.store import WeatherStore
from emergence.weather.gaps import last_weather_day, observed_means
from emergence.weather.left_out import LeftOut, leave_one_out
from emergence.weather.neighbours import assign_stations

FORMAT = 1
LEAST_GAP_DAYS = 4
"""Gaps from here on are listed; shorter ones are filled on a straight line."""
SCORED_DAYS = 3 * 365
"""Leave-one-station-out errors are those of the last so many days (our prior)."""


@dataclass(frozen=True)
class Gap:
    """Days without a measured temperature, both ends included."""

    first: dt.date
    last: dt.date
    days: int


@dataclass(frozen=True)
class StationCheck:
    """One station's record: ``coverage`` maps a year to the share of its days that were measured [1].

    ``share`` is that of all days from the first to the last, ``gaps`` are those of four days and more, longest first;
    ``origin`` is "meteostat" or "file"; ``ahead_to`` the last forecast day.
    """

    station_id: str
    name: str
    origin: str
    first_day: dt.date
    last_day: dt.date
    share: float
    coverage: Mapping[int, float]
    gaps: tuple[Gap, ...]
    ahead_to: dt.date | None


@dataclass(frozen=True)
class LakeStation:
    """A station of a lake: weight [1], distance [km], lake minus station height [m]."""

    station_id: str
    weight: float
    distance_km: float
    dz_m: float


@dataclass(frozen=True)
class LakeCheck:
    """What a lake has: its stations, heaviest first, and what any of them measured."""

    lake_id: str
    name: str
    stations: tuple[LakeStation, ...]
    last_day: dt.date | None
    coverage: Mapping[int, float]
    gaps: tuple[Gap, ...]


@dataclass(frozen=True)
class Suspicious:
    """Days of a station that quality control doubts: what was found, by which rule, and what the user can do."""

    station_id: str
    column: str
    found: str
    rule: str
    remedy: str


@dataclass(frozen=True)
class WeatherCheck:
    """The whole answer; ``suspicious`` and ``errors`` are added by `with_suspicious` and `with_errors`."""

    last_day: dt.date
    lakes: tuple[LakeCheck, ...]
    stations: tuple[StationCheck, ...]
    suspicious: tuple[Suspicious, ...] = ()
    errors: tuple[LeftOut, ...] = field(default=())

    def as_json(self) -> dict[str, Any]:
        """Return the check as plain values: dates as ISO text, years as keys."""
        return {"format": FORMAT, **_plain(asdict(self))}


def check_weather(season: Season, store: WeatherStore) -> WeatherCheck:
    """Return what weather each lake of a season has.

    Raises
    ------
    NoWeatherError
        When no station has a readable weather file.
    """
    seen = {name: _span(series) for name, series in season.weather.items()}
    if not any(seen.values()):
        raise NoWeatherError("No station has any weather: put daily temperatures into weather/STATION.csv.")
    has = np.array([bool(seen.get(s)) for s in season.stations.station_id.tolist()], dtype=bool)
    found = assign_stations(season.lakes, season.stations, has)
    last = last_weather_day(season.weather)
    lakes = []
    for k, lake_id in enumerate(season.lakes.lake_id.tolist()):
        columns = np.flatnonzero(found.station_index[k] >= 0)
        used = tuple(
            LakeStation(
                str(season.stations.station_id[found.station_index[k, j]]),
                float(found.weight[k, j]),
                float(found.distance_km[k, j]),
                float(found.dz_m[k, j]),
            )
            for j in columns
        )
        record = _union([season.weather[s.station_id] for s in used])
        day = None if record is None else to_date(record.last)
        cover, gaps = ({}, ()) if record is None else (record.coverage(), record.gaps())
        lakes.append(LakeCheck(lake_id, str(season.lakes.name[k]), used, day, cover, gaps))
    stations = tuple(
        _station(season, store, k, season.weather[name])
        for k, name in enumerate(season.stations.station_id.tolist())
        if seen.get(name)
    )
    return WeatherCheck(to_date(last), tuple(lakes), stations)


def with_suspicious(check: WeatherCheck, found: Iterable[Suspicious]) -> WeatherCheck:
    """Return the check with doubted days, in order of station and date."""
    return replace(check, suspicious=tuple(sorted(found, key=lambda s: (s.station_id, s.found, s.column))))


def with_errors(check: WeatherCheck, rows: Sequence[LeftOut]) -> WeatherCheck:
    """Return the check with the errors of stations told from the others."""
    return replace(check, errors=tuple(rows))


def doubted_values(checked: Season) -> tuple[Suspicious, ...]:
    """Return what quality control noted of a season that went through it (`checked.checked_season`)."""
    station_of = {file: name for name, file in weather_files(checked).items()}
    return tuple(
        Suspicious(station_of[p.file], p.column, p.value, p.rule, p.remedy)
        for p in checked.problems
        if p.file in station_of and p.severity == "note" and p.row == 0
    )


def left_out_errors(season: Season) -> tuple[LeftOut, ...]:
    """Return how well each station is told from the others over the last three years of the season's weather."""
    last = last_weather_day(season.weather)
    return leave_one_out(season.stations, season.weather, first_day=last - SCORED_DAYS + 1, last_day=last)


@dataclass(frozen=True)
class _Measured:
    """Which days from ``first`` to ``last`` were measured, ``truth`` (days,)."""

    first: int
    last: int
    truth: NDArray[np.bool_]

    def coverage(self) -> dict[int, float]:
        """Return the share of measured days of each calendar year [1]; the last year counts to its last day."""
        years = year_of(np.arange(self.first, self.last + 1))
        begin = int(years[0])
        count = np.bincount(years - begin, weights=self.truth)
        length = np.bincount(years - begin).astype(float)
        length[0] = _days_in(begin) if len(length) > 1 else length[0]
        return {begin + i: round(float(c / n), 4) for i, (c, n) in enumerate(zip(count, length, strict=True))}

    def gaps(self) -> tuple[Gap, ...]:
        """Return gaps of four days and more, longest first."""
        at = np.flatnonzero(self.truth)
        step = np.diff(at) - 1
        found = [
            Gap(to_date(self.first + at[i] + 1), to_date(self.first + at[i + 1] - 1), int(step[i]))
            for i in np.flatnonzero(step >= LEAST_GAP_DAYS)
        ]
        return tuple(sorted(found, key=lambda gap: (-gap.days, gap.first)))


def _days_in(year: int) -> int:
    return (dt.date(year + 1, 1, 1) - dt.date(year, 1, 1)).days


def _span(series: StationSeries) -> _Measured | None:
    known = np.isfinite(observed_means(series))
    at = np.flatnonzero(known)
    if not len(at):
        return None
    first, last = int(at[0]), int(at[-1])
    return _Measured(series.first_day + first, series.first_day + last, known[first : last + 1])


def _union(records: Sequence[StationSeries]) -> _Measured | None:
    spans = [span for span in map(_span, records) if span is not None]
    if not spans:
        return None
    first, last = min(s.first for s in spans), max(s.last for s in spans)
    truth = np.zeros(last - first + 1, dtype=bool)
    for span in spans:
        truth[span.first - first : span.last - first + 1] |= span.truth
    return _Measured(first, last, truth)


def _station(season: Season, store: WeatherStore, k: int, series: StationSeries) -> StationCheck:
    name = str(season.stations.station_id[k])
    span = _span(series)
    assert span is not None
    ahead = season.ahead.get(name)
    beyond = None if ahead is None else _span(ahead)
    entry = store.stations.get(name)
    fetched = entry is not None and f"weather/{name}.csv" in entry.files and store.is_ours(name)
    return StationCheck(
        station_id=name,
        name=str(season.stations.name[k]),
        origin=entry.source if entry is not None and fetched else "file",
        first_day=to_date(span.first),
        last_day=to_date(span.last),
        share=round(float(span.truth.mean()), 4),
        coverage=span.coverage(),
        gaps=span.gaps(),
        ahead_to=None if beyond is None else to_date(beyond.last),
    )


def _plain(value: Any) -> Any:
    if isinstance(value, Mapping):
        return {str(key): _plain(item) for key, item in value.items()}
    if isinstance(value, list | tuple):
        return [_plain(item) for item in value]
    if isinstance(value, dt.date):
        return value.isoformat()
    if isinstance(value, float):
        return None if value != value else round(value, 4)
    return value

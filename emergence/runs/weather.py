"""Weather that arrives by itself: lakes to stations, stations to daily files, kept in the season folder."""

from __future__ import annotations

import datetime as dt
from collections.abc import Callable, Iterable, Sequence
from dataclasses import dataclass, field, replace

import numpy as np

from emergence.dates import day_number, to_date, year_of
from emergence.errors import EmergenceError, NoWeatherError
from emergence.records import Floats, Lakes, Season, Stations
from emergence.season.store import Choice, DayTable, StationState, WeatherStore, locked_store
from emergence.weather.candidates import SILENT_DAYS, SPARE, rank_candidates, record_cost
from emergence.weather.constants import FARTHEST_STATION
from emergence.weather.meteostat import (
    SERVICE,
    DailyAnswer,
    DamagedAnswer,
    Limits,
    NetworkFault,
    StationList,
    get_daily,
    get_stations,
)

CORRECTED_DAYS = 30
"""Days that services still correct; the years that hold them are fetched again (common practice, no source)."""
AHEAD_DAYS = 14
"""Forecast days reach so far: at the end of December into the next year's file."""
MOST_FAULTS = 3
"""So many failed requests in a row end the update: then it is not one file, but the network or the service."""
SAVE_EVERY = 6
SEARCH_AGAIN_DAYS = 30
"""A lake with a silent station looks for others, at most once in so many days."""
KM_PER_DEGREE = 111.0
_NO_SOURCE = (
    "season.toml says that the weather comes from files of your own; to have it fetched write [weather] and below it "
    'source = "meteostat" (or "both", where your own stations count too).'
)

Tell = Callable[[str], None]


@dataclass(frozen=True)
class Wanted:
    """What to fetch: today's day number, years of record, stations a lake, and how long to wait."""

    today: int
    years: int = 30
    stations: int = 4
    limits: Limits = field(default_factory=Limits)


@dataclass
class Outcome:
    """What an update did. ``faults`` and ``damaged`` are sentences; ``without`` are lakes without any station.

    ``stations`` are those in use; ``own`` those left alone because the user's files are there; ``last_day`` is the
    last weather day of any lake's best station (day number).
    """

    lakes: int = 0
    stations: list[str] = field(default_factory=list)
    new_days: int = 0
    ahead_days: int = 0
    last_day: int | None = None
    requests: int = 0
    faults: list[str] = field(default_factory=list)
    damaged: list[str] = field(default_factory=list)
    without: list[str] = field(default_factory=list)
    own: list[str] = field(default_factory=list)
    silent: list[str] = field(default_factory=list)
    attribution: list[str] = field(default_factory=list)
    licences: list[str] = field(default_factory=list)

    @property
    def exit_code(self) -> int:
        """0 all is there, 3 lakes without a station or damaged answers, 4 a network fault or no weather at all."""
        if self.faults or (self.lakes and len(self.without) == self.lakes):
            return 4
        return 3 if self.without or self.damaged else 0


def update_weather(season: Season, wanted: Wanted, tell: Tell) -> Outcome:
    """Bring the weather of a season folder up to date.

    Parameters
    ----------
    season
        The folder as read; its ``stations.csv`` and ``weather/`` are written.
    wanted
        What to fetch.
    tell
        Takes words of progress.

    Returns
    -------
    Outcome
        What was done. A network fault ends the update early and is in ``faults``; what was fetched before is kept.

    Raises
    ------
    SourceError
        season.toml does not ask for fetched weather.
    StoreError
        Another update is at work, or update.json is damaged.
    NoWeatherError
        The stations cannot be searched and none are known from earlier.
    """
    if season.settings.weather_source == "files":
        raise SourceError(_NO_SOURCE)
    with locked_store(season.folder) as store:
        return _Update(season, wanted, tell, store).run()


class SourceError(EmergenceError):
    """season.toml does not ask for fetched weather."""


class _Update:
    """One update at work."""

    def __init__(self, season: Season, wanted: Wanted, tell: Tell, store: WeatherStore) -> None:
        self.season, self.wanted, self.tell, self.store = season, wanted, tell, store
        self.today, self.outcome = wanted.today, Outcome(lakes=len(season.lakes))
        self._date = to_date(wanted.today).isoformat()
        self.failed_in_a_row, self.answered = 0, False
        self.done: set[str] = set()

    def run(self) -> Outcome:
        """Search, fetch, sum up."""
        self._choose()
        while (todo := self._missing()) and not self._given_up():
            self.tell(f"fetching {len(todo)} stations: {', '.join(todo[:8])}{' …' if len(todo) > 8 else ''}")
            for place, station_id in enumerate(todo, start=1):
                if self._given_up():
                    break
                self._fetch_station(station_id, f"{place} of {len(todo)}")
        return self._sum_up()

    def _given_up(self) -> bool:
        return self.failed_in_a_row >= MOST_FAULTS

    # ------------------------------------------------------------ the choice

    def _choose(self) -> None:
        """Keep the choice of lakes that have one; search for the others."""
        lakes = self.season.lakes
        places = {str(lake): _place(lakes, k) for k, lake in enumerate(lakes.lake_id)}
        source = self.season.settings.weather_source
        known = self.store.lakes.items()
        old = {name: c for name, c in known if places.get(name) == c.place and c.source == source}
        stale = [name for name, c in old.items() if self._looks_again(c)]
        new = [k for k, name in enumerate(lakes.lake_id) if str(name) not in old or str(name) in stale]
        self.store.lakes = old
        if not new:
            return
        self.tell(f"searching stations for {len(new)} of {len(lakes)} lakes")
        try:
            listed = get_stations(
                lakes.latitude[new], reach_deg=FARTHEST_STATION.value / KM_PER_DEGREE, limits=self.wanted.limits
            )
        except (NetworkFault, DamagedAnswer) as error:
            self.outcome.requests += 1
            self.outcome.faults.append(str(error))
            if not old:
                raise NoWeatherError(_unreachable(str(error))) from error
            return
        self._rank(lakes.take(np.array(new)), listed)
        self.store.save()

    def _looks_again(self, choice: Choice) -> bool:
        age = _days_since(choice.searched, self.today)
        return age >= SEARCH_AGAIN_DAYS and any(
            self._is_silent(name) for name in choice.stations[: self.wanted.stations]
        )

    def _is_silent(self, station_id: str) -> bool:
        entry = self.store.stations.get(station_id)
        if entry is None or not entry.last_day:
            return False
        return day_number(dt.date.fromisoformat(entry.last_day)) < self.today - SILENT_DAYS.value

    def _rank(self, lakes: Lakes, listed: StationList) -> None:
        """Rank the listed stations for lakes, with the user's own beside them where season.toml says so."""
        last = listed.last_day.copy()
        for i, name in enumerate(listed.station_id):
            if self._is_silent(str(name)):
                last[i] = min(last[i], day_number(dt.date.fromisoformat(self.store.stations[str(name)].last_day)))
        cost = record_cost(listed.first_day, last, listed.completeness, listed.has_range, as_of=self.today)
        mine = self._own_stations(set(listed.station_id.tolist()))
        stations = Stations(
            *(np.concatenate([getattr(listed, f), getattr(mine, f)]) for f in Stations.__dataclass_fields__)
        )
        cost = np.concatenate([cost, self._own_cost(mine)])
        for lake, found in enumerate(rank_candidates(lakes, stations, cost, most=self.wanted.stations + SPARE)):
            named = np.flatnonzero(listed.station_id == lakes.station_id[lake]).tolist()
            found = [*named, *(i for i in found if i not in named)]
            ids = [str(stations.station_id[i]) for i in found]
            chosen = Choice(_place(lakes, lake), ids, self._date, self.season.settings.weather_source)
            self.store.lakes[str(lakes.lake_id[lake])] = chosen
            for i in found:
                if i < len(listed):
                    self._know(listed, i)

    def _own_stations(self, listed: set[str]) -> Stations:
        """Return the user's stations that count as stations of lakes."""
        stations = self.season.stations
        if self.season.settings.weather_source != "both":
            return stations.take(np.zeros(len(stations), dtype=bool))
        ours = self.store.stations
        held = [s in self.season.weather and s not in ours and s not in listed for s in stations.station_id.tolist()]
        return stations.take(np.array(held, dtype=bool))

    def _own_cost(self, mine: Stations) -> Floats:
        """Return what the user's records cost; their completeness is not counted, for the gaps can be his choice."""
        records = [self.season.weather[name] for name in mine.station_id.tolist()]
        first = np.array([r.first_day for r in records], dtype=np.int64)
        last = np.array([r.first_day + len(r.tmean_c) - 1 for r in records], dtype=np.int64)
        ranged = np.array([bool(np.isfinite(r.tmin_c).any()) for r in records], dtype=bool)
        return record_cost(first, last, np.ones(len(records)), ranged, as_of=self.today)

    def _know(self, listed: StationList, i: int) -> None:
        """Keep where a candidate stands and since when it measures."""
        name, held = str(listed.station_id[i]), bool(listed.first_day[i] <= listed.last_day[i])
        entry = self.store.stations.get(name, StationState())
        entry.empty = entry.empty and _days_since(entry.last_fetch, self.today) < SEARCH_AGAIN_DAYS
        entry.name, entry.latitude = str(listed.name[i]), float(listed.latitude[i])
        entry.longitude, entry.elevation_m = float(listed.longitude[i]), float(listed.elevation_m[i])
        entry.first_year = int(year_of(listed.first_day[i])) if held else 0
        self.store.stations[name] = entry

    def _stations_of(self, choice: Choice) -> list[str]:
        """Return a lake's stations: the best of the choice that are not known to be empty."""
        usable = [s for s in choice.stations if self.store.has_record(s) or self._may_have_one(s)]
        return usable[: self.wanted.stations]

    def _may_have_one(self, station_id: str) -> bool:
        entry = self.store.stations.get(station_id)
        return entry is not None and not entry.empty

    def _missing(self) -> list[str]:
        wanted = dict.fromkeys(s for c in self.store.lakes.values() for s in self._stations_of(c))
        return [s for s in wanted if s not in self.done and s in self.store.stations]

    # ------------------------------------------------------------ one station

    def _fetch_station(self, station_id: str, place: str) -> None:
        self.done.add(station_id)
        if not self.store.is_ours(station_id):
            self.outcome.own.append(station_id)
            return
        job = _StationJob(self.store, station_id, self.today)
        years, trouble = job.years(self.wanted.years), self._trouble()
        self.tell(f"  {place}: {station_id} {job.entry.name}, {_span(years)}")
        for count, year in enumerate(years, start=1):
            answer = self._ask(station_id, year)
            if self._given_up():
                break
            if not isinstance(answer, Exception):
                job.take(answer, year)
            if count % SAVE_EVERY == 0:
                job.save()
        job.finish(whole=self._trouble() == trouble)
        self.outcome.new_days += job.new_days
        self.outcome.ahead_days += job.ahead_days

    def _trouble(self) -> int:
        return len(self.outcome.faults) + len(self.outcome.damaged)

    def _ask(self, station_id: str, year: int) -> DailyAnswer | Exception | None:
        """Ask for one file, once more after a network fault; return the fault where it stays."""
        fault: Exception = NetworkFault("")
        for _ in range(2):
            self.outcome.requests += 1
            try:
                answer = get_daily(station_id, year, limits=self.wanted.limits)
            except NetworkFault as error:
                fault = error
                continue
            except DamagedAnswer as error:
                self.outcome.damaged.append(str(error))
                self.failed_in_a_row += 1
                return error
            self.failed_in_a_row, self.answered = 0, True
            return answer
        self.outcome.faults.append(str(fault))
        self.failed_in_a_row += 1
        return fault

    # ------------------------------------------------------------ the sum

    def _sum_up(self) -> Outcome:
        out, used = self.outcome, dict[str, None]()
        for lake in self.season.lakes.lake_id.tolist():
            choice = self.store.lakes.get(str(lake))
            stations = [s for s in self._stations_of(choice) if self.store.has_record(s)] if choice else []
            if not stations:
                out.without.append(str(lake))
            used.update(dict.fromkeys(stations))
        entries = {name: self.store.stations[name] for name in used if name in self.store.stations}
        lasts = [day_number(dt.date.fromisoformat(e.last_day)) for e in entries.values() if e.last_day]
        out.stations, out.last_day = list(used), max(lasts, default=None)
        out.silent = [name for name in entries if self._is_silent(name)]
        out.attribution = _in_order(name for e in entries.values() for name in e.attribution)
        out.licences = _in_order(name for e in entries.values() for name in e.licences)
        if out.damaged and not out.faults and (self._given_up() or not self.answered):
            out.faults.append(out.damaged.pop())
        return out


class _StationJob:
    """The record of one station while it is brought up to date."""

    def __init__(self, store: WeatherStore, station_id: str, today: int) -> None:
        self.store, self.station_id, self.today = store, station_id, today
        self.record = store.read(station_id)
        self.before = len(self.record.days)
        self.ahead: DayTable | None = None
        old = store.stations[station_id]
        self.entry = replace(old, years_done=list(old.years_done) if self.before else [], files=dict(old.files))
        self.attribution, self.licences = set(old.attribution), set(old.licences)
        self.settled = int(year_of(today - CORRECTED_DAYS))

    @property
    def new_days(self) -> int:
        """Number of days that were not there before."""
        return len(self.record.days) - self.before

    @property
    def ahead_days(self) -> int:
        """Number of forecast days after the record."""
        return 0 if self.ahead is None else len(self._after_record(self.ahead).days)

    def _after_record(self, table: DayTable) -> DayTable:
        return table.take(table.days > (self.record.days[-1] if len(self.record.days) else self.today))

    def years(self, most: int) -> list[int]:
        """Return the years to ask for, newest first."""
        now = int(year_of(self.today + AHEAD_DAYS))
        first = max(int(year_of(self.today)) - most, self.entry.first_year)
        return [year for year in range(now, first - 1, -1) if year not in self.entry.years_done]

    def take(self, answer: DailyAnswer | None, year: int) -> None:
        """Add an answer to the record."""
        if answer is not None:
            values = np.stack([answer.tmin_c, answer.tmax_c, answer.tmean_c], axis=1)
            table = DayTable(answer.days, values)
            self.record = self.record.under(table.take(~answer.forecast & (answer.days < self.today)))
            self.ahead = (self.ahead or DayTable()).under(table.take(answer.forecast))
            self.attribution |= set(answer.attribution)
            self.licences |= set(answer.licences)
        if year < self.settled:
            self.entry.years_done = sorted({*self.entry.years_done, year})

    def save(self) -> None:
        """Write what there is so far."""
        if not len(self.record.days):
            return
        last = int(self.record.days[-1])
        self.entry = replace(
            self.entry,
            last_day=to_date(last).isoformat(),
            attribution=sorted(self.attribution),
            licences=sorted(self.licences),
            empty=False,
        )
        self.store.add_stations([self.station_id])
        ahead = None if self.ahead is None else self._after_record(self.ahead)
        self.store.write(self.station_id, self.record, ahead, self.entry)

    def finish(self, *, whole: bool) -> None:
        """Write the station; where all was asked for and nothing came, remember that it is empty."""
        self.entry.last_fetch = to_date(self.today).isoformat()
        self.save()
        if whole and not len(self.record.days):
            self.store.stations[self.station_id] = replace(self.entry, empty=True)
            self.store.save()


def _place(lakes: Lakes, k: int) -> list[float]:
    return [float(lakes.latitude[k]), float(lakes.longitude[k]), float(lakes.elevation_m[k])]


def _days_since(date: str, today: int) -> int:
    """Return how long ago an ISO date was [d], very long for none."""
    return today - day_number(dt.date.fromisoformat(date)) if date else today


def _span(years: Sequence[int]) -> str:
    if not years:
        return "nothing to ask for"
    return str(years[0]) if len(years) == 1 else f"{years[-1]}-{years[0]}"


def _in_order(words: Iterable[str]) -> list[str]:
    """Return the words once each, in order, the service's own name first."""
    return sorted(set(words), key=lambda word: (word != SERVICE, word))


def _unreachable(why: str) -> str:
    return f"The weather service cannot be reached and no station is known from earlier: {why}. Try again later."

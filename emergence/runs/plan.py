"""From a season folder to what a run needs: lakes with usable weather, stations filled, sky slots, taxa."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace
from functools import lru_cache

import numpy as np
from numpy.typing import NDArray

from emergence.dates import SeasonSpan, month_of, seasons_to_forecast, to_date
from emergence.errors import NoWeatherError, Problem, SeasonError, WrongUseError
from emergence.records import Lakes, Season, StationSeries
from emergence.runs.checked import checked_season
from emergence.runs.taught import Learned, with_learned
from emergence.season.intake import shorten
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.model import Taxon
from emergence.taxa.names import find_taxon, group_taxa, nearest_taxon
from emergence.taxa.residence import residence
from emergence.water.shape import LakeShape, lake_shape
from emergence.water.spread import Spread, unseen_spread
from emergence.weather.ahead import station_outlooks
from emergence.weather.climate import annual_amplitude
from emergence.weather.constants import FARTHEST_STATION, HIGHEST_STATION
from emergence.weather.gaps import (
    FilledSeries,
    fill_record,
    first_fill_day,
    last_weather_day,
    too_little,
)
from emergence.weather.lapse import VARIABLES, Lapse, learned_lapse
from emergence.weather.mix import Links, link_stations, station_normals, weighted
from emergence.weather.neighbours import Assignment, assign_stations, station_neighbours
from emergence.weather.traces import Slots, choose_slots

Ints = NDArray[np.int64]
NO_INSECT = "no insect is called that"


@dataclass(frozen=True)
class Job:
    """One hemisphere and season: the span and the indices of its lakes in ``RunPlan.lakes``."""

    span: SeasonSpan
    lakes: Ints


@dataclass(frozen=True)
class RunPlan:
    """Everything a run needs, checked; ``lakes`` are those that will be forecast.

    ``links`` says how records of ``filled`` make up each lake's air, ``assignment`` (stations as in stations.csv) how
    far and high they are; ``slots`` and ``lapse`` have one row a station of ``filled``;
    ``warmest_max_c`` [°C] is the normal maximum of the warmest month at each lake; ``residence`` is (lakes, taxa) yes,
    unsure or no; ``dropped`` maps lake ids to reasons; ``aside`` says why fits that there are were not used.
    """

    season: Season
    as_of: int
    last_weather_day: int
    lakes: Lakes
    dropped: Mapping[str, str]
    filled: list[FilledSeries]
    links: Links
    assignment: Assignment
    lapse: Lapse
    slots: Slots
    replicates: int
    seed: int
    shape: LakeShape
    spread: Spread
    learned: Learned | None
    warmest_max_c: NDArray[np.float64]
    taxa: Mapping[str, Taxon]
    residence: NDArray[np.object_]
    jobs: list[Job]
    aside: str = ""


@lru_cache(maxsize=4)
def _catalogue(own: tuple[tuple[str, str], ...]) -> dict[str, Taxon]:
    """Return the catalogue and own taxa; kept, because hindcasts plan thousands of runs."""
    return load_catalogue(dict(own))


def choose_taxa(season: Season, wanted: tuple[str, ...]) -> dict[str, Taxon]:
    """Return the taxa to run: those asked for, else those of season.toml, else the whole catalogue and own taxa.

    Raises
    ------
    WrongUseError
        When a wanted word names no taxon; the nearest name is suggested.
    SeasonError
        When a word of season.toml or residents.csv names none.
    """
    catalogue = dict(_catalogue(tuple(sorted(season.own_taxa.items()))))
    if strangers := tuple(_strange_words(season, catalogue)):
        told = "\n".join(f"  {problem.sentence()}" for problem in strangers)
        raise SeasonError(f"Words of the season folder name no insect:\n{told}", strangers)
    words = wanted or season.settings.taxa
    if not words:
        return catalogue
    ids = set()
    for word in words:
        group = group_taxa(word, catalogue)
        found = find_taxon(word, catalogue)
        if found is None and group:
            ids |= set(group)
            continue
        if found is None:
            near = nearest_taxon(word, catalogue)
            hint = f" Did you mean {near}?" if near else ""
            raise WrongUseError(f"No taxon is called {word!r}.{hint} 'emergence taxa' lists them all.")
        ids.add(found)
    return {key: taxon for key, taxon in catalogue.items() if key in ids}


def _strange_words(season: Season, catalogue: Mapping[str, Taxon]) -> Iterator[Problem]:
    for word in season.settings.taxa:
        yield from _unless_known(word, catalogue, Problem("season.toml", 0, "taxa.run", "", NO_INSECT, "", "stop"))
    for word in dict.fromkeys(season.residents.taxon.tolist()):
        yield from _unless_known(word, catalogue, Problem("residents.csv", 0, "taxon", "", NO_INSECT, "", "stop"))


def strange_sightings(season: Season) -> Iterator[Problem]:
    """Yield the sightings' words that name no insect, each once; such sightings are left out."""
    catalogue = load_catalogue(season.own_taxa)
    for word in dict.fromkeys(season.sightings.taxon.tolist()):
        yield from _unless_known(
            word, catalogue, Problem("sightings.csv", 0, "taxon", "", f"{NO_INSECT}; left out", "")
        )


def _unless_known(word: str, catalogue: Mapping[str, Taxon], problem: Problem) -> Iterator[Problem]:
    """Yield the problem, with the word and the nearest name, where the word names no insect."""
    if find_taxon(word, catalogue) is None:
        near = nearest_taxon(word, catalogue)
        remedy = f"{f'Did you mean {near}? ' if near else ''}'emergence taxa' lists them all."
        yield replace(problem, value=shorten(word), remedy=remedy)


def choose_lakes(lakes: Lakes, wanted: tuple[str, ...]) -> Lakes:
    """Return the lakes asked for (all without a wish), in the user's order.

    Raises
    ------
    WrongUseError
        When a lake_id is not in lakes.csv.
    """
    if not wanted:
        return lakes
    known = set(lakes.lake_id.tolist())
    strangers = [w for w in wanted if w not in known]
    if strangers:
        raise WrongUseError(f"lakes.csv has no lake_id {', '.join(map(repr, strangers))}; it has {_some(known)}.")
    return lakes.take(np.isin(lakes.lake_id.astype(str), list(wanted)))


def _some(words: set[str], most: int = 12) -> str:
    ordered = sorted(words)
    return ", ".join(ordered[:most]) + (f" and {len(ordered) - most} more" if len(ordered) > most else "")


def prepare(
    season: Season,
    *,
    as_of: int | None = None,
    lakes: tuple[str, ...] = (),
    taxa: tuple[str, ...] = (),
    seed: int | None = None,
    learned: Learned | None = None,
) -> RunPlan:
    """Return the plan of a run; nothing measured after the issue date enters it.

    Parameters
    ----------
    season
        The season folder as read.
    as_of
        Issue date (day number); default the last day with weather in the folder.
    lakes, taxa
        Ids asked for; empty for all.
    seed
        Overrides the seed of season.toml.
    learned
        Fits of past seasons; left aside when they know notes of this season or later.

    Raises
    ------
    NoWeatherError
        When no lake has usable weather at the issue date.
    WrongUseError
        When lakes or taxa asked for do not exist.
    """
    last = last_weather_day(season.weather)
    issue = last if as_of is None else as_of
    chosen = choose_taxa(season, taxa)
    asked = choose_lakes(season.lakes, lakes)
    season = checked_season(season, last_day=issue)
    stations = _fill_stations(season, season.weather, issue, last)
    filled, slots = stations.records, stations.slots
    assignment = assign_stations(asked, season.stations, stations.place >= 0)
    keep = assignment.found
    dropped = {str(i): _reason(asked, season, stations.why, k) for k, i in enumerate(asked.lake_id) if not keep[k]}
    if not keep.any():
        raise NoWeatherError(_nothing_left(dropped, issue), season.problems)
    ready, assignment = asked.take(keep), assignment.take(keep)
    links = link_stations(assignment, stations.place, stations.lapse)
    shape = lake_shape(ready, weighted(np.array([annual_amplitude(f.calendar_c) for f in filled]), links))
    jobs, settings = _jobs(ready, issue), season.settings
    used = _fair(learned, jobs)
    replicates = -(-settings.slots * settings.replicates // len(slots.slot_year))
    return RunPlan(
        season=season,
        as_of=issue,
        last_weather_day=last,
        lakes=ready,
        dropped=dropped,
        filled=filled,
        links=links,
        assignment=assignment,
        lapse=stations.lapse,
        slots=slots,
        replicates=replicates,
        seed=settings.seed if seed is None else seed,
        shape=shape,
        spread=with_learned(unseen_spread(shape, links.height_sd_c), ready, used),
        learned=used,
        warmest_max_c=_warmest_max(filled, links),
        taxa=chosen,
        residence=residence(chosen, ready, season.residents),
        jobs=jobs,
        aside="" if used is learned else "it knows notes of the season forecast",
    )


def _fair(learned: Learned | None, jobs: list[Job]) -> Learned | None:
    """Return fits only where they know nothing of the seasons to be forecast."""
    return learned if learned is not None and learned.before <= min(job.span.start for job in jobs) else None


def _warmest_max(filled: list[FilledSeries], links: Links) -> NDArray[np.float64]:
    """Return the normal daily maximum [°C] of the warmest month at each lake."""
    month = month_of(np.arange(1, 366) + 364)  # the days of 1971, a common year
    normal = np.stack(
        [np.array([f.calendar_c[:365][month == m].mean() for m in range(1, 13)]) + f.half_range_c for f in filled]
    )
    usual = weighted(normal, links)
    warmest = usual.argmax(axis=1)[:, None]
    moved = links.correction_c[:, VARIABLES.index("tmax")]
    return np.asarray((np.take_along_axis(usual, warmest, 1) + np.take_along_axis(moved, warmest, 1))[:, 0])


def _jobs(lakes: Lakes, as_of: int) -> list[Job]:
    jobs = []
    for southern in (False, True):
        here = np.flatnonzero(lakes.southern == southern)
        if len(here):
            jobs += [Job(span, here) for span in seasons_to_forecast(as_of, southern)]
    return jobs


@dataclass(frozen=True)
class _Filled:
    """Stations that can carry a forecast: records, slots, lapse, and where each row of stations.csv went (-1: not)."""

    records: list[FilledSeries]
    place: Ints
    slots: Slots
    lapse: Lapse
    why: Mapping[str, str]


def _fill_stations(season: Season, weather: Mapping[str, StationSeries], as_of: int, last: int) -> _Filled:
    """Return stations filled to the issue date; ``last`` is the last day with weather in the folder as read."""
    stations = season.stations
    spans = [s for southern in set(season.lakes.southern.tolist()) for s in seasons_to_forecast(as_of, southern)]
    sim_start, horizon = min(s.sim_start for s in spans), max(s.end for s in spans)
    has = np.array([s in weather and len(weather[s].tmean_c) > 0 for s in stations.station_id.tolist()], dtype=bool)
    near = station_neighbours(stations, has)
    late = "its weather file has no day up to the issue date"
    why = {str(s): late if s in weather else _unread(season, str(s)) for s in stations.station_id}
    place = np.full(len(stations), -1)
    records: list[FilledSeries] = []
    for k in np.flatnonzero(has):
        name = str(stations.station_id[k])
        neighbours = [(weather[str(stations.station_id[j])], dz) for j, dz in near[k]]
        record = fill_record(
            weather[name],
            neighbours=neighbours,
            first_day=first_fill_day(weather[name], neighbours, sim_start),
            last_day=as_of,
            latitude=float(stations.latitude[k]),
            elevation_m=float(stations.elevation_m[k]),
        )
        why[name] = too_little(record, as_of=as_of)
        if not why[name]:
            place[k] = len(records)
            records.append(replace(record, moved=season.moved))
    if not records:
        stations_why = {f"station {name}": reason for name, reason in why.items()}
        raise NoWeatherError(_nothing_left(stations_why, as_of), season.problems)
    measured = {r.station_id: (r.first_day, r.measured) for r in records}
    slots = choose_slots(measured, as_of=as_of, horizon_day=horizon, n_slots=season.settings.slots)
    around = [[int(place[j]) for j, _ in near[k] if place[j] >= 0] for k in np.flatnonzero(place >= 0)]
    slots = replace(slots, outlook=station_outlooks(records, season.ahead, around, last_weather_day=last))
    lapse = learned_lapse(stations.take(place >= 0), np.stack([station_normals(r) for r in records]))
    return _Filled(records, place, slots, lapse, why)


def _unread(season: Season, station: str) -> str:
    """Return why a station of stations.csv has no series: its file is not there, or cannot be read."""
    file = f"weather/{station}.csv"
    met = {*season.checksums, *(problem.file for problem in season.problems)}
    return "it has no readable weather file" if met & {file, f"{file}.gz"} else f"{file} is missing"


def _reason(lakes: Lakes, season: Season, why: Mapping[str, str], k: int) -> str:
    station = str(lakes.station_id[k])
    if not station:
        near = assign_stations(lakes.take(np.array([k])), season.stations, np.ones(len(season.stations), dtype=bool))
        names = [str(season.stations.station_id[i]) for i in near.station_index[0] if i >= 0]
        return (
            f"no weather station with a usable record lies within {FARTHEST_STATION.value:.0f} km and "
            f"{HIGHEST_STATION.value:.0f} m of its height; "
            + ("; ".join(f"station {name}: {why[name]}" for name in names if why.get(name)) + "; " if names else "")
            + "name one as its station_id to use it all the same"
        )
    return f"its station {station}: {why.get(station, 'unknown')}"


def _nothing_left(dropped: Mapping[str, str], as_of: int) -> str:
    lines = [f"  {lake}: {reason}" for lake, reason in list(dropped.items())[:12]]
    return "\n".join([f"No lake has usable weather up to {to_date(as_of)}.", *lines])

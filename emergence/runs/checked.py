"""Weather and readings as they are used: quality control and the user's overrules over a season as read."""

from __future__ import annotations

import os
from collections.abc import Iterator, Mapping
from dataclasses import replace
from typing import TypeVar

import numpy as np
from numpy.typing import NDArray

from emergence.dates import to_date
from emergence.errors import Problem
from emergence.learning.suspicious import Doubted
from emergence.records import IceDates, Overrules, Readings, Season, StationSeries
from emergence.weather.expected import COLUMNS
from emergence.weather.gaps import truncate
from emergence.weather.neighbours import great_circle_km
from emergence.weather.quality import REASONS, Flags, check_stations, masked

AROUND, FARTHEST_KM = 6, 500.0
"""How many stations a record is compared with, and how far they may be (our prior): days' anomalies reach that far."""
Noted = TypeVar("Noted", Readings, IceDates)
MANY_STATIONS = 16
"""From here on records are checked on several threads; for fewer that is not worth it."""
Mask = NDArray[np.bool_]
Ints = NDArray[np.int64]


def checked_season(season: Season, *, last_day: int | None = None) -> Season:
    """Return the season without its flagged weather values and without notes that the user ruled out.

    Parameters
    ----------
    season
        The season as read.
    last_day
        Issue date (day number): weather is cut there first, so nothing later is looked at; None for all days.

    Returns
    -------
    Season
        What was flagged is in ``problems`` as notes, one for each run of days. A season that was checked before comes
        back as it is, cut at ``last_day``.
    """
    weather = dict(season.weather)
    if last_day is not None:
        weather = {name: truncate(series, last_day) for name, series in weather.items()}
    if season.checked_to is not None:
        return replace(season, weather=weather)
    flags = flagged_weather(season, weather)
    used, notes = {}, []
    files = weather_files(season)
    matched = np.zeros(len(season.overrules), dtype=bool)
    for name, series in weather.items():
        kept, out, here = _ruled(season.overrules, series, flags.get(name))
        matched |= here
        used[name] = _without(series, flags.get(name), kept, out)
        if name in flags:
            notes += list(flag_notes(flags[name], kept, files[name]))
    readings, read_here = ruled_notes(season.readings, season.overrules, "readings")
    ice, ice_here = ruled_notes(season.ice, season.overrules, "ice")
    notes += list(_idle(season.overrules, matched | read_here | ice_here, last_day))
    end = max((s.last_day for s in used.values() if len(s.tmean_c)), default=0)
    return replace(
        season,
        weather=used,
        readings=readings,
        ice=ice,
        problems=tuple(sorted({*season.problems, *notes})),
        checked_to=end if last_day is None else last_day,
    )


def flagged_weather(season: Season, weather: Mapping[str, StationSeries]) -> dict[str, Flags]:
    """Return the doubted values of each station that has a record; ``weather`` may be cut at an issue date."""
    there = {name: series for name, series in weather.items() if len(series.tmean_c)}
    threads = (os.cpu_count() or 1) if len(there) >= MANY_STATIONS else 1
    return check_stations(there, stations_around(season, there), threads=threads)


def stations_around(season: Season, weather: Mapping[str, StationSeries]) -> dict[str, list[str]]:
    """Return for each station with a record the six nearest others within 500 km, nearest first."""
    at = season.stations
    order = [k for k in np.argsort(at.station_id.astype(str), kind="stable") if str(at.station_id[k]) in weather]
    names = [str(at.station_id[k]) for k in order]
    around = {}
    for k, name in zip(order, names, strict=True):
        km = great_circle_km(at.latitude[k], at.longitude[k], at.latitude[order], at.longitude[order])
        near = [int(j) for j in np.argsort(km, kind="stable") if names[int(j)] != name and km[j] <= FARTHEST_KM]
        around[name] = [names[j] for j in near[:AROUND]]
    return around


def weather_files(season: Season) -> dict[str, str]:
    """Return the file that holds each station's record."""
    packed = {name for name in season.checksums if name.endswith(".csv.gz")}
    return {s: f"weather/{s}.csv.gz" if f"weather/{s}.csv.gz" in packed else f"weather/{s}.csv" for s in season.weather}


def _without(series: StationSeries, flags: Flags | None, kept: Mask, out: Mask) -> StationSeries:
    """Return the record without flagged values (``kept`` ones stay) and without those ruled out, (days, 3)."""
    if not out.any() and (flags is None or kept.all()):
        return series
    shown = series if flags is None else masked(series, flags, kept)
    value = np.stack([getattr(shown, c) for c in COLUMNS])
    value[out.T] = np.nan
    return StationSeries(series.station_id, series.first_day, *value)


def _ruled(rules: Overrules, series: StationSeries, flags: Flags | None) -> tuple[Mask, Mask, Mask]:
    """Return which flags are kept (flags,), which values are ruled out (days, 3), which rows did anything (rows,)."""
    kept = np.zeros(0 if flags is None else len(flags), dtype=bool)
    out = np.zeros((len(series.tmean_c), 3), dtype=bool)
    matched = np.zeros(len(rules), dtype=bool)
    for i in np.flatnonzero((rules.file == "weather") & (rules.id == series.station_id)):
        columns = [c for c in range(3) if rules.column[i] in ("", COLUMNS[c])]
        low, high = (max(0, int(d) - series.first_day) for d in (rules.first[i], rules.last[i] + 1))
        known = np.stack([np.isfinite(getattr(series, COLUMNS[c])[low:high]) for c in columns], axis=1)
        yes = rules.keep[i] == "yes"
        if flags is not None:
            mine = (flags.day >= rules.first[i]) & (flags.day <= rules.last[i])
            mine &= np.isin(flags.column.astype(str), [COLUMNS[c] for c in columns])
            kept[mine] = yes
            matched[i] = mine.any()
        matched[i] |= not yes and known.any()
        for c in columns:
            out[low:high, c] = not yes
    return kept, out, matched


def flag_notes(flags: Flags, kept: Mask, file: str) -> Iterator[Problem]:
    """Yield a note for each run of flagged days of one reason, those the user kept left aside."""
    use = np.flatnonzero(~kept)
    if flags.lag_days:
        word = "late" if flags.lag_days > 0 else "early"
        names = ", ".join(flags.lag_to)
        alone = " (with one station to compare, it may be that one)" if len(flags.lag_to) == 1 else ""
        rule = f"the whole record seems {abs(flags.lag_days)} days {word} against {names}{alone}; it was used as it is"
        yield Problem(file, 0, "date", "", rule, "Check to which day the values belong.", "note")
    for first, last, reason, columns in _groups(flags, use):
        mine = use[(flags.day[use] >= first) & (flags.day[use] <= last) & (flags.reason[use] == reason)]
        yield Problem(
            file,
            0,
            ", ".join(columns),
            _shown(flags, mine),
            f"{_rule(flags, mine)}; not used",
            _line(flags, mine),
            "note",
        )


def _groups(flags: Flags, use: Ints) -> Iterator[tuple[int, int, str, list[str]]]:
    """Yield first and last day, reason and columns of each run of flagged days; holes of two days do not end a run."""
    for reason in dict.fromkeys(flags.reason[use].tolist()):
        mine = use[flags.reason[use] == reason]
        days = np.unique(flags.day[mine])
        for run in np.split(days, np.flatnonzero(np.diff(days) > 3) + 1):
            inside = mine[(flags.day[mine] >= run[0]) & (flags.day[mine] <= run[-1])]
            columns = [c for c in COLUMNS if c in set(flags.column[inside].tolist())]
            yield int(run[0]), int(run[-1]), reason, columns


def _rule(flags: Flags, mine: Ints) -> str:
    detail = str(flags.detail[mine[0]])
    return REASONS[str(flags.reason[mine[0]])] + (f" ({detail})" if detail else "")


def _shown(flags: Flags, mine: Ints) -> str:
    first, last = int(flags.day[mine].min()), int(flags.day[mine].max())
    if first == last:
        return f"{to_date(first)} " + " ".join(f"{v:g}" for v in np.round(flags.value_c[mine], 2))
    return f"{to_date(first)} to {to_date(last)}, {len(np.unique(flags.day[mine]))} days"


def _line(flags: Flags, mine: Ints) -> str:
    first, last = to_date(int(flags.day[mine].min())), to_date(int(flags.day[mine].max()))
    names = set(flags.column[mine].tolist())
    column = names.pop() if len(names) == 1 else ""
    span = f"{first}" if first == last else f"{first}/{last}"
    return (
        f"If it is right, add to overrules.csv: weather/{flags.station_id}.csv,{flags.station_id},{span},{column},yes,"
    )


def note_rules(
    rules: Overrules, lake_id: NDArray[np.object_], day: Ints, file: str = "readings"
) -> tuple[Mask, Mask, Mask]:
    """Return which notes the user vouches for, which are ruled out (both (notes,)), and which rows matched.

    ``file`` is "readings" or "ice".
    """
    sure, out = np.zeros(len(day), dtype=bool), np.zeros(len(day), dtype=bool)
    matched = np.zeros(len(rules), dtype=bool)
    for i in np.flatnonzero(rules.file == file):
        mine = (lake_id == rules.id[i]) & (day >= rules.first[i]) & (day <= rules.last[i])
        sure[mine], out[mine] = rules.keep[i] == "yes", rules.keep[i] == "no"
        matched[i] = mine.any()
    return sure, out, matched


def doubt_problem(doubted: Doubted) -> Problem:
    """Return what to tell of a reading or an ice-off that was not used."""
    date, lake = to_date(doubted.day), doubted.lake_id
    if doubted.water_c is None:
        file, column, value, check = "ice.csv", "event", "off", "date and lake"
    else:
        file, column, value = "readings.csv", "water_c", f"{doubted.water_c:g}"
        check = "thermometer, unit, date and lake"
    remedy = (
        f"It was not used; check {check} (a note of the journal: emergence note list, undo). If it is right, add to "
        f"overrules.csv: {file},{lake},{date},{column},yes,"
    )
    return Problem(file, 0, column, f"{lake} {date} {value}", doubted.rule(), remedy)


def ruled_notes(notes: Noted, rules: Overrules, file: str) -> tuple[Noted, Mask]:
    """Return the readings or ice dates without those ruled out, and which rows of the overrules matched any."""
    _, out, matched = note_rules(rules, notes.lake_id, notes.day, file)
    return notes.take(~out) if out.any() else notes, matched


def _idle(rules: Overrules, matched: Mask, last_day: int | None) -> Iterator[Problem]:
    """Yield the rows that match nothing; rows of days after the issue date are not looked at."""
    for i in np.flatnonzero(~matched):
        if last_day is not None and rules.first[i] > last_day:
            continue
        span = str(to_date(int(rules.first[i])))
        span += f"/{to_date(int(rules.last[i]))}" if rules.last[i] != rules.first[i] else ""
        value = f"{rules.file[i]} {rules.id[i]} {span} {rules.column[i]}".strip()
        what = "flagged value" if rules.keep[i] == "yes" and rules.file[i] == "weather" else "value"
        rule = f"the row changes nothing: there is no {what} of that id, date and column"
        yield Problem("overrules.csv", int(rules.row[i]), "", value, rule, "Correct it, or remove the row.", "note")

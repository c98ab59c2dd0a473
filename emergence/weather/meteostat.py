"""Daily air temperature from Meteostat, through its client: the only code that touches the network.

What the client does with a fault decides what is here. A daily file that cannot be had or read is logged and becomes
an empty answer, so each request asks for one file (a station and a year) and its log says what an empty answer means.
The timeout of the client does not cover daily files, so the default of new sockets is set for the time of a request,
and a deadline holds the whole of it. Nothing is served from the client's cache. The list of stations is fetched beside
the old one and takes its place only when it can be read. Behaviour of meteostat 2.1.5, read in its source.
"""

from __future__ import annotations

import contextlib
import datetime as dt
import gzip
import logging
import os
import re
import secrets
import socket
import sqlite3
import tempfile
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from http.client import HTTPException
from typing import TYPE_CHECKING, Any, TypeVar
from urllib.error import HTTPError

import numpy as np
from numpy.typing import NDArray

from emergence.dates import day_number
from emergence.errors import EmergenceError
from emergence.records import Days, Floats, Table, Words

if TYPE_CHECKING:
    import pandas as pd

T = TypeVar("T")
Flags = NDArray[np.bool_]

SERVICE = "Meteostat"
SERVICE_TERMS = ("CC BY 4.0", "https://creativecommons.org/licenses/by/4.0/")
"""Licence of the service's own collection, as the client states it (meteostat 2.1.5, ``meteostat/__init__.py``)."""
ATTRIBUTION_LINK = "https://dev.meteostat.net"
_DAY_TEXT = slice(0, 10)
_ID = re.compile(r"[A-Za-z0-9][A-Za-z0-9_-]{0,31}")
"""What may become the name of a file."""
_BOUNDS = {"latitude": (-90, 90), "longitude": (-180, 180), "elevation": (-450, 9000)}
"""Places beyond these [degrees, m] are mistakes of the list."""
_FIELDS = ("tmin", "tmax", "temp")


class NetworkFault(EmergenceError):
    """The service could not be reached or did not answer in time (exit code 4)."""

    exit_code = 4


class DamagedAnswer(EmergenceError):
    """The service answered with something that is not the data asked for."""


@dataclass(frozen=True)
class Limits:
    """How long a request may wait: for each read of the network, and in all [s]."""

    read_s: float = 30.0
    whole_s: float = 120.0
    list_s: float = 600.0


@dataclass(frozen=True)
class StationList(Table):
    """Stations of the service with a daily temperature: latitude, longitude [degrees], elevation_m [m above sea].

    ``first_day``, ``last_day`` bound the record as the service's inventory tells it (day numbers [d], first above last
    where it tells nothing); ``completeness`` is the share of its days that are there [0..1], NaN where not told;
    ``has_range`` tells whether minima and maxima are there.
    """

    station_id: Words
    name: Words
    latitude: Floats
    longitude: Floats
    elevation_m: Floats
    first_day: Days
    last_day: Days
    completeness: Floats
    has_range: Flags


@dataclass(frozen=True)
class DailyAnswer:
    """One year of a station: one row a day in order, tmin_c, tmax_c, tmean_c [°C], NaN where missing.

    ``forecast`` tells the days of which any temperature comes from a weather model; ``attribution`` and ``licences``
    are those of the sources of these rows.
    """

    days: Days
    tmin_c: Floats
    tmax_c: Floats
    tmean_c: Floats
    forecast: Flags
    attribution: tuple[str, ...]
    licences: tuple[str, ...]


def get_daily(station_id: str, year: int, *, limits: Limits) -> DailyAnswer | None:
    """Return a station's daily temperatures of one calendar year, ``None`` where the service has none.

    Parameters
    ----------
    station_id
        Id of the station at the service.
    year
        Calendar year.
    limits
        Longest waits.

    Raises
    ------
    NetworkFault
        No connection, no answer in time, an answer cut off, or an error of the server.
    DamagedAnswer
        An answer that is no daily file: not gzip, a web page, unreadable columns, days of other years.

    Notes
    -----
    Only the service's own daily files are asked for (one request); its other sources would add one each.
    """
    import meteostat

    def ask() -> meteostat.TimeSeries:
        series: meteostat.TimeSeries = meteostat.daily(
            meteostat.Station(id=station_id),
            dt.date(year, 1, 1),
            dt.date(year, 12, 31),
            parameters=[meteostat.Parameter.TEMP, meteostat.Parameter.TMIN, meteostat.Parameter.TMAX],
            providers=[meteostat.Provider.DAILY],
        )
        return series

    what = f"station {station_id}, {year}"
    with _client(limits.read_s), _told() as told:
        series = _in_time(ask, limits.whole_s, what, told)
        told.raise_fault(what)
        if series.empty:
            return None
        try:
            answer = _answer(series, year)
            return answer if len(answer.days) else None
        except (ValueError, TypeError, KeyError) as error:
            raise DamagedAnswer(f"{what}: the answer cannot be read ({_short(error)})") from error


def get_stations(latitude: Floats, *, reach_deg: float, limits: Limits) -> StationList:
    """Return the service's stations with daily temperatures within a band of latitudes.

    Parameters
    ----------
    latitude
        Latitudes of the places [degrees], shape (places,).
    reach_deg
        How far beyond the southernmost and northernmost place [degrees].
    limits
        Longest waits.

    Returns
    -------
    StationList
        In order of station_id. Stations without a height are left out, because the air cannot be moved from them.

    Raises
    ------
    NetworkFault
        The list could not be fetched from any of its mirrors.
    DamagedAnswer
        What came is not the list.
    """
    south, north = float(np.min(latitude)) - reach_deg, float(np.max(latitude)) + reach_deg
    what = "the list of stations"
    with _client(limits.read_s), _told() as told:
        try:
            found, held = _in_time(lambda: _query_list(south, north), limits.list_s, what, told)
        except EmergenceError:
            raise
        except Exception as error:
            if _is_damage(error):
                raise DamagedAnswer(f"{what}: not a database ({_short(error)})") from error
            why = told.last_words() or _short(error)
            raise NetworkFault(f"{what} cannot be fetched ({why})") from error
    return _station_list(found, held)


# ---------------------------------------------------------------- the client, tamed


@contextlib.contextmanager
def _client(read_s: float) -> Iterator[None]:
    """Set what the client needs for one request and put everything back."""
    from meteostat import config

    wanted = {
        "cache_enable": False,
        "cache_ttl": 0,
        "cache_autoclean": False,
        "network_timeout": read_s,
        "network_max_retries": 0,
    }
    before: dict[str, Any] = {name: getattr(config, name) for name in wanted}
    waited = socket.getdefaulttimeout()
    socket.setdefaulttimeout(read_s)
    for name, value in wanted.items():
        setattr(config, name, value)
    try:
        yield
    finally:
        socket.setdefaulttimeout(waited)
        for name, value in before.items():
            setattr(config, name, value)


def _in_time(call: Callable[[], T], seconds: float, what: str, told: _Told) -> T:
    """Return what the call returns; it runs in a thread that is left behind when its time is over.

    A server that sends a byte now and then outlasts every timeout of single reads.
    """
    results: list[T] = []
    faults: list[BaseException] = []

    def run() -> None:
        told.thread = threading.get_ident()
        try:
            results.append(call())
        except BaseException as error:
            faults.append(error)

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    thread.join(seconds)
    if faults:
        raise faults[0]
    if not results:
        raise NetworkFault(f"{what}: no whole answer within {seconds:g} seconds")
    return results[0]


class _Told(logging.Handler):
    """Keeps what the client logs in the thread of one request: the only trace of a daily file it could not have."""

    def __init__(self) -> None:
        super().__init__(logging.INFO)
        self.thread = 0
        self.errors: list[BaseException] = []
        self.words: list[str] = []

    def emit(self, record: logging.LogRecord) -> None:
        """Keep the exception, or the words where there is none; requests left behind may still be talking."""
        if record.thread != self.thread:
            return
        error = record.exc_info[1] if record.exc_info else None
        if error is not None:
            self.errors.append(error)
        if record.levelno >= logging.WARNING:
            self.words.append(record.getMessage())

    def last_words(self) -> str:
        """Return the last warning, shortened."""
        return self.words[-1][:200] if self.words else ""

    def raise_fault(self, what: str) -> None:
        """Raise the fault that the client swallowed, if there was one; a missing file is none."""
        for error in self.errors:
            if isinstance(error, HTTPError):
                error.close()
        if not self.errors:
            return
        error = self.errors[0]
        if _is_damage(error):
            raise DamagedAnswer(f"{what}: {_damage_words(error)}") from error
        raise NetworkFault(f"{what}: {_short(error)}") from error


@contextlib.contextmanager
def _told() -> Iterator[_Told]:
    logger, told = logging.getLogger("meteostat"), _Told()
    level, passed_on = logger.level, logger.propagate
    logger.addHandler(told)
    logger.setLevel(logging.INFO)
    logger.propagate = False
    try:
        yield told
    finally:
        logger.removeHandler(told)
        logger.setLevel(level)
        logger.propagate = passed_on
        if not logger.handlers:  # a request left behind may still log; that is no message for the user
            logger.addHandler(logging.NullHandler())


def _is_damage(error: BaseException) -> bool:
    """Tell a damaged answer from a network fault.

    ``BadGzipFile`` is an ``OSError`` too, pandas wraps what sqlite3 raises, and the client raises a bare ``Exception``
    where it found no mirror.
    """
    if isinstance(error, gzip.BadGzipFile | sqlite3.DatabaseError) or type(error).__name__ == "DatabaseError":
        return True
    return not isinstance(error, OSError | HTTPException) and type(error) is not Exception


def _damage_words(error: BaseException) -> str:
    text = str(error)
    if isinstance(error, gzip.BadGzipFile) and "b'<" in text:
        return "a web page came instead of data (is this a network with a log-in page?)"
    return f"the answer is damaged ({_short(error)})"


def _short(error: BaseException) -> str:
    """Return the cause in one line."""
    if isinstance(error, HTTPError):
        return f"the server answered {error.code} {error.reason}".strip()
    if isinstance(error, TimeoutError):
        return "no answer in time"
    reason = getattr(error, "reason", None)
    text = str(reason if reason is not None else error) or type(error).__name__
    return " ".join(text.split())[:160]


# ---------------------------------------------------------------- answers to records


def _answer(series: Any, year: int) -> DailyAnswer:
    """Turn the client's series (one row a day, the best source of each value) into arrays."""
    import pandas as pd

    table = series.fetch(sources=True)
    days = pd.DatetimeIndex(table.index.get_level_values("time")).normalize()
    if not len(days) or (days.year != year).any() or days.has_duplicates:
        raise ValueError(f"its days are not those of {year}")
    values = {name: _numbers(table, name) for name in _FIELDS}
    kept = np.isfinite(np.stack(list(values.values()))).any(axis=0)
    sources = {name: _sources(table, name) for name in _FIELDS}
    marked = np.zeros(len(days), dtype=bool)
    different = {text for column in sources.values() for text in column}
    model = {text: _is_model(text) for text in different}
    for name in _FIELDS:
        marked |= np.array([model[text] for text in sources[name]], dtype=bool)
    attribution, licences = _terms(different)
    return DailyAnswer(
        days=np.array([day_number(d.date()) for d in days], dtype=np.int64)[kept],
        tmin_c=values["tmin"][kept],
        tmax_c=values["tmax"][kept],
        tmean_c=values["temp"][kept],
        forecast=marked[kept],
        attribution=attribution,
        licences=licences,
    )


def _numbers(table: pd.DataFrame, name: str) -> Floats:
    """Return a column as floats, NaN where missing or absent; the client leaves text where it cannot convert."""
    import pandas as pd

    if name not in table:
        return np.full(len(table), np.nan)
    values: Floats = pd.to_numeric(table[name]).to_numpy(dtype=np.float64, na_value=np.nan)
    return np.where(np.isfinite(values), values, np.nan)


def _sources(table: pd.DataFrame, name: str) -> list[str]:
    column = f"{name}_source"
    if column not in table:
        return [""] * len(table)
    return [text if isinstance(text, str) else "" for text in table[column].tolist()]


def _is_model(sources: str) -> bool:
    """Tell whether any of the sources of a value (ids separated by blanks) is a weather model."""
    from meteostat.core.providers import provider_service
    from meteostat.enumerations import Grade

    specs = (provider_service.get_provider(word) for word in sources.split())
    return any(spec is not None and spec.grade in (Grade.FORECAST, Grade.ANALYSIS) for spec in specs)


def _terms(sources: set[str]) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Return whom to name and under what licences, sorted."""
    from meteostat.core.providers import provider_service

    names, licences = {SERVICE}, {" ".join(SERVICE_TERMS)}
    for word in {word for text in sources for word in text.split()}:
        spec = provider_service.get_provider(word)
        if spec is not None and spec.license is not None:
            names.add(spec.license.attribution or spec.name)
            licences.add(" ".join(part for part in (spec.license.name, spec.license.url) if part))
    return tuple(sorted(names, key=lambda name: (name != SERVICE, name))), tuple(sorted(licences))


# ---------------------------------------------------------------- the list of stations

_LIST = """
SELECT s.id AS id, n.name AS name, s.latitude AS latitude, s.longitude AS longitude, s.elevation AS elevation
FROM stations s LEFT JOIN names n ON n.station = s.id AND n.language = 'en'
WHERE s.latitude BETWEEN :south AND :north AND s.elevation IS NOT NULL
GROUP BY s.id ORDER BY s.id
"""
_HELD = """
SELECT i.station AS station, i.provider AS provider, lower(i.parameter) AS parameter,
       i.start AS start, i.end AS end, i.completeness AS completeness
FROM inventory i JOIN stations s ON s.id = i.station
WHERE s.latitude BETWEEN :south AND :north AND lower(i.parameter) IN ('temp', 'tmin', 'tmax')
"""


def _query_list(south: float, north: float) -> tuple[pd.DataFrame, pd.DataFrame]:
    import meteostat

    bounds = {"south": south, "north": north}
    with _whole_list():
        return meteostat.stations.query(_LIST, params=bounds), meteostat.stations.query(_HELD, params=bounds)


@contextlib.contextmanager
def _whole_list() -> Iterator[None]:
    """Let the client use a list that is whole: it writes straight into its file, and would use half of one for days."""
    from meteostat import config
    from meteostat.core.cache import cache_service

    final, cache = str(config.stations_db_file), config.cache_directory
    folder = os.path.dirname(final) or "."
    if os.path.exists(final) and not cache_service.is_stale(final, config.stations_db_ttl) and _is_whole(final):
        yield
        return
    with contextlib.suppress(OSError):
        os.makedirs(folder, exist_ok=True)
    keep = os.path.isdir(folder) and os.access(folder, os.W_OK)
    folder = folder if keep else tempfile.gettempdir()
    fresh = os.path.join(folder, f".stations-{secrets.token_hex(4)}.db")
    config.stations_db_file, config.cache_directory = fresh, folder
    try:
        yield
        if keep:
            os.replace(fresh, final)
    finally:
        config.stations_db_file, config.cache_directory = final, cache
        with contextlib.suppress(OSError):
            os.unlink(fresh)


def _is_whole(path: str) -> bool:
    try:
        with contextlib.closing(sqlite3.connect(path)) as base:
            return bool(base.execute("PRAGMA quick_check(1)").fetchone()[0] == "ok")
    except sqlite3.Error:
        return False


def _station_list(found: pd.DataFrame, held: pd.DataFrame) -> StationList:
    numbers = {name: _numbers(found, name) for name in ("latitude", "longitude", "elevation")}
    sound = np.array([_ID.fullmatch(str(name)) is not None for name in found["id"]], dtype=bool)
    for name, (low, high) in _BOUNDS.items():
        sound &= (numbers[name] >= low) & (numbers[name] <= high)
    sound &= (numbers["latitude"] != 0) | (numbers["longitude"] != 0)
    found = found.iloc[np.flatnonzero(sound)]
    count = len(found)
    first, last = np.ones(count, dtype=np.int64), np.zeros(count, dtype=np.int64)
    complete, ranged = np.full(count, np.nan), np.zeros(count, dtype=bool)
    place = {str(name): i for i, name in enumerate(found["id"])}
    known: dict[int, dict[str, tuple[int, int, float]]] = {}
    model = {word: _is_model(str(word)) for word in held["provider"].unique()}
    for row in held[~held["provider"].map(model).astype(bool)].itertuples(index=False):
        i, span = place.get(str(row.station)), _span(row.start, row.end)
        if i is None or span is None:
            continue
        share = _share(row.completeness)
        old = known.setdefault(i, {}).get(str(row.parameter))
        new = (*span, share) if old is None else (min(old[0], span[0]), max(old[1], span[1]), np.fmax(old[2], share))
        known[i][str(row.parameter)] = new
    for i, by_parameter in known.items():
        ranged[i] = {"tmin", "tmax"} <= set(by_parameter)
        best = by_parameter["tmin"] if ranged[i] else by_parameter.get("temp", next(iter(by_parameter.values())))
        first[i], last[i], complete[i] = best
    ids = found["id"].astype(str).to_numpy(dtype=object)
    names = [_plain_name(name) or i for name, i in zip(found["name"], ids, strict=True)]
    return StationList(
        station_id=ids,
        name=np.array(names, dtype=object),
        latitude=numbers["latitude"][sound],
        longitude=numbers["longitude"][sound],
        elevation_m=numbers["elevation"][sound],
        first_day=first,
        last_day=last,
        completeness=complete,
        has_range=ranged,
    )


def _plain_name(name: object) -> str:
    """Return a name on one line, without what cannot be printed."""
    text = name if isinstance(name, str) else ""
    return " ".join("".join(c if c.isprintable() else " " for c in text).split())


def _span(start: object, end: object) -> tuple[int, int] | None:
    try:
        first, last = (dt.date.fromisoformat(str(text)[_DAY_TEXT]) for text in (start, end))
    except ValueError:
        return None
    return (day_number(first), day_number(last)) if first <= last else None


def _share(value: object) -> float:
    """Return a completeness as a share; the service may give it in percent."""
    try:
        share = float(str(value))
    except ValueError:
        return float("nan")
    share = share / 100 if share > 1 else share
    return min(max(share, 0.0), 1.0)

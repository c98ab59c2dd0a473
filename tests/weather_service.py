"""A copy of the weather service on this machine: invented daily files, a list of stations, and faults at will."""

from __future__ import annotations

import datetime as dt
import gzip
import io
import json
import math
import sqlite3
import tempfile
import threading
import time
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager
from dataclasses import dataclass, field
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from pathlib import Path
from typing import Any

HEADER = "year,month,day,temp,temp_source,tmin,tmin_source,tmax,tmax_source,prcp,prcp_source"
SOURCE, MODEL = "ghcnd", "metno_forecast"


@dataclass(frozen=True)
class Post:
    """A weather station: height [m], first and last day of its record, whether it gives minima and maxima."""

    name: str
    latitude: float
    longitude: float
    elevation_m: float | None
    first: dt.date = dt.date(1990, 1, 1)
    last: dt.date | None = None
    ranged: bool = True
    completeness: float | None = 0.98
    shown_last: str | None = None


@dataclass
class Service:
    """What the server gives. ``faults`` maps a path, or a part of one, to a function that spoils the answer."""

    posts: dict[str, Post]
    last_day: dt.date
    ahead_days: int = 0
    faults: dict[str, Callable[[BaseHTTPRequestHandler, bytes], None]] = field(default_factory=dict)
    lines: dict[str, str] = field(default_factory=dict)
    asked: list[str] = field(default_factory=list)
    delay_s: float = 0.0
    warmer_c: float = 0.0
    base: str = ""

    @property
    def daily(self) -> str:
        return self.base + "/daily/{year}/{station}.csv.gz"

    @property
    def list_url(self) -> str:
        return self.base + "/stations.db"

    def environment(self, home: Path) -> dict[str, str]:
        """Return what a process needs to use this service."""
        return {
            "MS_DAILY_ENDPOINT": self.daily,
            "MS_STATIONS_DB_ENDPOINTS": json.dumps([self.list_url]),
            "MS_STATIONS_DB_FILE": str(home / "list" / "stations.db"),
            "NO_PROXY": "127.0.0.1",
        }

    def body(self, path: str) -> bytes | None:
        if path == "/stations.db":
            return list_bytes(self.posts, self.last_day)
        _, _, year, name = path.split("/")
        text = self.text(name.removesuffix(".csv.gz"), int(year))
        return None if text is None else gzip.compress(text.encode(), mtime=0)

    def text(self, station: str, year: int) -> str | None:
        """Return the daily file of a year, ``None`` where the station has none."""
        key = f"{station}/{year}"
        if key in self.lines:
            return self.lines[key]
        post = self.posts.get(station)
        if post is None:
            return None
        last = min(self.last_day, post.last or self.last_day)
        rows = []
        for day in days_of(year):
            model = last < day <= last + dt.timedelta(self.ahead_days)
            if post.first <= day <= last or (model and post.last is None):
                rows.append(row(day, mean_air(day, post) + self.warmer_c, post.ranged, MODEL if model else SOURCE))
        return "\n".join([HEADER, *rows]) + "\n" if rows else None


def days_of(year: int) -> Iterator[dt.date]:
    first = dt.date(year, 1, 1)
    return (first + dt.timedelta(n) for n in range((dt.date(year + 1, 1, 1) - first).days))


def mean_air(day: dt.date, post: Post) -> float:
    """Return an invented daily mean [°C]: a yearly cycle, years that differ, waves of some days, 6 °C a kilometre."""
    n = day.toordinal()
    south = 182 if post.latitude < 0 else 0
    year = 1.5 * math.sin(day.year * 2.4)
    cycle = -13.0 * math.cos(2 * math.pi * (n - 20 + south) / 365.25)
    return round(8.0 + year + cycle + 3.0 * math.sin(n / 1.7 + day.year) - 0.006 * (post.elevation_m or 0.0), 1)


def row(day: dt.date, mean: float, ranged: bool, source: str) -> str:
    ends = f"{mean - 5:.1f},{source},{mean + 6:.1f},{source}" if ranged else ",,,"
    return f"{day.year},{day.month},{day.day},{mean:.1f},{source},{ends},0.4,{source}"


def list_bytes(posts: Mapping[str, Post], last_day: dt.date) -> bytes:
    """Return the list of stations as the bytes of an SQLite file."""
    with tempfile.TemporaryDirectory() as folder:
        path = Path(folder) / "stations.db"
        base = sqlite3.connect(path)
        base.executescript(
            "CREATE TABLE stations (id TEXT, country TEXT, region TEXT, latitude REAL, longitude REAL, elevation INT,"
            " timezone TEXT);"
            "CREATE TABLE names (station TEXT, language TEXT, name TEXT);"
            "CREATE TABLE identifiers (station TEXT, key TEXT, value TEXT);"
            "CREATE TABLE inventory (station TEXT, provider TEXT, parameter TEXT, start TEXT, end TEXT,"
            " completeness REAL);"
        )
        for key, post in posts.items():
            place = (key, "XX", None, post.latitude, post.longitude, post.elevation_m, "UTC")
            base.execute("INSERT INTO stations VALUES (?,?,?,?,?,?,?)", place)
            if post.name:
                base.execute("INSERT INTO names VALUES (?,?,?)", (key, "en", post.name))
            last = post.shown_last or str(post.last or last_day)
            for parameter in ("temp", "tmin", "tmax") if post.ranged else ("temp",):
                held = (key, "daily", parameter, str(post.first), last, post.completeness)
                base.execute("INSERT INTO inventory VALUES (?,?,?,?,?,?)", held)
            base.execute(
                "INSERT INTO inventory VALUES (?,?,?,?,?,?)", (key, MODEL, "temp", "2010-01-01", "2999-01-01", 1)
            )
        base.commit()
        base.close()
        return path.read_bytes()


# ---------------------------------------------------------------- faults


def status(code: int) -> Callable[[BaseHTTPRequestHandler, bytes], None]:
    def answer(handler: BaseHTTPRequestHandler, body: bytes) -> None:
        handler.send_response(code)
        handler.send_header("Content-Length", "0")
        handler.end_headers()

    return answer


def page(handler: BaseHTTPRequestHandler, body: bytes) -> None:
    """Answer with the log-in page of a network in between."""
    send(handler, b"<!DOCTYPE html><html><body>Please accept our terms</body></html>", "text/html")


def empty(handler: BaseHTTPRequestHandler, body: bytes) -> None:
    send(handler, b"")


def corrupt(handler: BaseHTTPRequestHandler, body: bytes) -> None:
    middle = len(body) // 2
    send(handler, body[:middle] + bytes(b ^ 0x5A for b in body[middle : middle + 40]) + body[middle + 40 :])


def cut_off(handler: BaseHTTPRequestHandler, body: bytes) -> None:
    """Promise the whole and close half-way."""
    handler.send_response(200)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body[: len(body) // 2])


def half(handler: BaseHTTPRequestHandler, body: bytes) -> None:
    """Send half of the file as if it were all."""
    send(handler, body[: len(body) // 2])


def slow(handler: BaseHTTPRequestHandler, body: bytes) -> None:
    time.sleep(1.0)
    send(handler, body)


def dripping(handler: BaseHTTPRequestHandler, body: bytes) -> None:
    """Send a byte now and then, each well within the timeout of one read."""
    handler.send_response(200)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    for i in range(40):
        handler.wfile.write(body[i : i + 1])
        handler.wfile.flush()
        time.sleep(0.05)


def text(content: str) -> Callable[[BaseHTTPRequestHandler, bytes], None]:
    """Answer with this text, gzipped."""
    return lambda handler, body: send(handler, gzip.compress(content.encode(), mtime=0))


def send(handler: BaseHTTPRequestHandler, body: bytes, kind: str = "application/octet-stream") -> None:
    handler.send_response(200)
    handler.send_header("Content-Type", kind)
    handler.send_header("Content-Length", str(len(body)))
    handler.end_headers()
    handler.wfile.write(body)


# ---------------------------------------------------------------- the server


class _Quiet(ThreadingHTTPServer):
    daemon_threads = True

    def handle_error(self, request: Any, client_address: Any) -> None:
        """Say nothing: clients that hang up are part of the tests."""


@contextmanager
def serving(service: Service) -> Iterator[Service]:
    """Serve on a free port of the loopback address for the time of the block."""

    class Handler(BaseHTTPRequestHandler):
        def do_GET(self) -> None:
            service.asked.append(self.path)
            if service.delay_s:
                time.sleep(service.delay_s)
            body = service.body(self.path)
            for part, spoil in list(service.faults.items()):
                if part in self.path:
                    spoil(self, body or b"")
                    return
            if body is None:
                status(404)(self, b"")
            else:
                send(self, body)

        def log_message(self, format: str, *args: Any) -> None:
            """Stay silent."""

    server = _Quiet(("127.0.0.1", 0), Handler)
    service.base = f"http://127.0.0.1:{server.server_address[1]}"
    thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01}, daemon=True)
    thread.start()
    try:
        yield service
    finally:
        server.shutdown()
        server.server_close()
        thread.join()


def point_client(monkeypatch: Any, service: Service, home: Path) -> None:
    """Let the client of this process ask the service."""
    import meteostat
    from meteostat.providers.meteostat import daily

    monkeypatch.setattr(daily, "ENDPOINT", service.daily)
    monkeypatch.setattr(meteostat.config, "stations_db_endpoints", [service.list_url])
    monkeypatch.setattr(meteostat.config, "stations_db_file", str(home / "list" / "stations.db"))
    monkeypatch.setenv("NO_PROXY", "127.0.0.1")


def read_table(text: str) -> list[dict[str, str]]:
    import csv

    return list(csv.DictReader(io.StringIO(text)))

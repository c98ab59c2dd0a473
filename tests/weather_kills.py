"""Updates killed at random moments: nothing that was there is lost, and the next update ends as if nothing had been."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import os
import random
import shutil
import signal
import subprocess
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from emergence.dates import day_number
from emergence.season import read_season
from tests.weather_service import Post, Service, serving

ROOT = Path(__file__).resolve().parents[1]
LAKES = """\
lake_id,name,latitude,longitude,elevation_m
upper,Upper Pond,50.10,-30.20,980
lower,Lower Pond,50.05,-30.10,430
"""
STATIONS = "station_id,name,latitude,longitude,elevation_m\njetty,Jetty,50.05,-30.11,431\n"
SETTINGS = '[weather]\nsource = "both"\n'
PLACES = {
    "T0001": ("Town, airfield", 50.00, -30.10, 410),
    "H0001": ("High hut", 50.15, -30.25, 1050),
}
OWN = ("lakes.csv", "season.toml", "weather/jetty.csv", "readings.csv")

# One process that has everything loaded forks a child for each update: a kill then meets the update, not its imports.
NURSERY = """
import os, sys
import emergence.cli.forecast, emergence.runs.weather, meteostat, pandas
from meteostat.providers.meteostat import daily
from emergence.cli.main import main
print("ready", flush=True)
for line in sys.stdin:
    child = os.fork()
    if child == 0:
        os.dup2(2, 1)
        main(["weather", "update", line.strip(), "--stations", "2"])
    print(child, flush=True)
    print(os.waitpid(child, 0)[1], flush=True)
"""


@dataclass(frozen=True)
class Kills:
    """What came of it: updates that were killed, that ended before, and what went wrong (empty: nothing)."""

    killed: int
    ended: int
    wrong: tuple[str, ...]


class Nursery:
    """Runs updates in children of one process."""

    def __init__(self, service: Service, home: Path) -> None:
        environment = {**os.environ, **service.environment(home), "PYTHONPATH": str(ROOT)}
        self.log = (home / "updates.log").open("w")
        self.process = subprocess.Popen(
            [sys.executable, "-c", NURSERY],
            stdin=subprocess.PIPE,
            stdout=subprocess.PIPE,
            stderr=self.log,
            text=True,
            env=environment,
        )
        self.answer()

    def answer(self) -> str:
        assert self.process.stdout is not None
        return self.process.stdout.readline().strip()

    def update(self, folder: Path, kill_after: float | None = None) -> int:
        """Run an update, killed after so many seconds; return its wait status."""
        assert self.process.stdin is not None
        self.process.stdin.write(f"{folder}\n")
        self.process.stdin.flush()
        child = int(self.answer())
        if kill_after is not None:
            time.sleep(kill_after)
            with contextlib.suppress(ProcessLookupError):
                os.kill(child, signal.SIGKILL)
        return int(self.answer())

    def close(self) -> None:
        assert self.process.stdin is not None and self.process.stdout is not None
        self.process.stdin.close()
        self.process.wait()
        self.process.stdout.close()
        self.log.close()


@contextlib.contextmanager
def nursery(service: Service, home: Path) -> Iterator[Nursery]:
    running = Nursery(service, home)
    try:
        yield running
    finally:
        running.close()


def write_start(folder: Path) -> None:
    """Write a season folder with files of the user's own."""
    (folder / "weather").mkdir(parents=True)
    (folder / "lakes.csv").write_text(LAKES, encoding="utf-8")
    (folder / "stations.csv").write_text(STATIONS, encoding="utf-8")
    (folder / "season.toml").write_text(SETTINGS, encoding="utf-8")
    (folder / "readings.csv").write_text("lake_id,date,water_c\nupper,2023-06-01,9.5\n", encoding="utf-8")
    rows = [f"{dt.date(2022, 1, 1) + dt.timedelta(n)},1.5,9.5" for n in range(400)]
    (folder / "weather" / "jetty.csv").write_text("\n".join(["date,tmin_c,tmax_c", *rows]) + "\n", encoding="utf-8")


def files_of(folder: Path) -> dict[str, bytes]:
    names = (p for p in sorted(folder.rglob("*")) if p.is_file() and not p.name.startswith("."))
    return {p.relative_to(folder).as_posix(): p.read_bytes() for p in names}


def what_was_lost(before: dict[str, bytes], folder: Path) -> list[str]:
    """Return what a killed update lost or left half-written; forecast days may give way to newer ones."""
    after, wrong = files_of(folder), []
    for name in OWN:
        if after.get(name) != before[name]:
            wrong.append(f"{name} changed")
    if not after["stations.csv"].startswith(before["stations.csv"]):
        wrong.append("rows of stations.csv changed")
    for name, content in before.items():
        if name.startswith("weather/") and name.endswith(".csv") and name not in OWN and ".ahead" not in name:
            left = {row["date"]: row for row in _rows(after.get(name, b""))}
            lost = [row for row in _rows(content) if left.get(row["date"]) != row]
            wrong += [f"{name}: {len(lost)} days lost"] if lost else []
    for name, content in after.items():
        if name.startswith("weather/") and name.endswith(".csv"):
            whole = content.endswith(b"\n") and len({line.count(b",") for line in content.splitlines()}) == 1
            wrong += [] if whole else [f"{name} is half-written"]
    problems = read_season(folder, today=day_number(dt.date.today())).problems
    return wrong + [p.sentence() for p in problems if p.severity != "note"]


def _rows(content: bytes) -> list[dict[str, str]]:
    return list(csv.DictReader(content.decode().splitlines()))


def kill_updates(home: Path, count: int, *, days: int, seed: int) -> Kills:
    """Kill so many updates (those that end before do not count) that fetch so many days of two stations.

    Each starts from a fresh copy of a folder with the user's own files and an earlier update.
    """
    today = dt.date.today()
    posts = {name: Post(*place, first=today - dt.timedelta(days)) for name, place in PLACES.items()}
    service = Service({"T0001": posts["T0001"]}, today - dt.timedelta(days // 2), ahead_days=5)
    dice, wrong, killed, ended = random.Random(seed), list[str](), 0, 0
    with serving(service), nursery(service, home) as updates:
        start = home / "start"
        write_start(start)
        assert updates.update(start) == 0
        service.posts, service.last_day = posts, today - dt.timedelta(days=1)
        (start / "lakes.csv").write_text(LAKES + "third,Third Pond,50.11,-30.21,990\n", encoding="utf-8")
        shutil.rmtree(home / "list")
        whole = home / "whole"
        shutil.copytree(start, whole)
        began = time.monotonic()
        assert updates.update(whole) == 0
        lasts, wanted, before = time.monotonic() - began, files_of(whole), files_of(start)
        while killed < count and ended < 2 * count + 5:
            number = killed + ended
            folder = home / f"killed-{number}"
            shutil.copytree(start, folder)
            status = updates.update(folder, kill_after=dice.uniform(0.0, lasts))
            killed, ended = killed + os.WIFSIGNALED(status), ended + (not os.WIFSIGNALED(status))
            lost = what_was_lost(before, folder)
            again = updates.update(folder)
            if again != 0:
                lost.append(f"the next update ended with {again}")
            elif files_of(folder) != wanted:
                lost.append("the next update gave other files than one that was not killed")
            wrong += [f"kill {number}: {words}" for words in lost]
            shutil.rmtree(folder)
    return Kills(killed, ended, tuple(wrong))

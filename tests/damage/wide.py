"""The season folder with everything in it, stored runs beside it, and the commands beside the weekly run."""

from __future__ import annotations

import contextlib
import csv
import datetime as dt
import functools
import json
import tempfile
import traceback
from collections.abc import Mapping
from pathlib import Path
from typing import Any

import numpy as np
from click.testing import CliRunner

from emergence.cli.main import main

from . import small_season
from .check import INTERNAL, Outcome, judge_words, snapshot
from .draft import DAMAGES, Draft, Rng, one_of
from .settings import learned_table

TRIPS = """\
party,size,earliest,latest,days,wants,change_lake,lakes,regions,not_lakes,booking,booked_lake,booked_start,decide_by
Moss,2,2024-06-05,2024-07-10,3,coenagrion:moving,no,,,,movable,,,
Reed,4,2024-06-01,2024-07-20,2,chironomus:hatch; coenagrion:moving:2,yes,,,cedar,movable,alder,2024-06-12,2024-06-03
Sedge,1,2024-06-10,2024-08-31,2,coenagrion:young,no,alder;birch,valley,,fixed,birch,2024-06-20,
"""
NEWER = {
    "trips.csv": TRIPS,
    "guides.csv": "guide,from,to,off,boats,guests_per_boat,skills,base,base_latitude,base_longitude\n"
    "Ada,2024-05-01,2024-09-30,sun,2,2,,home,51.25,-119.45\nBo,,,2024-06-20; mon,1,2,,hut,51.60,-119.85\n",
    "closures.csv": "lake_id,from,to,reason\nbirch,2024-06-01,2024-06-12,spawning\n"
    "alder,2024-06-03,2024-06-03,regatta\n",
    "access.csv": "lake_id,open_from,open_to,permit,quota_days,parties_per_day,parties_per_week\n"
    "alder,,,held,6,1,2\ncedar,2024-06-20,,missing,,1,\n",
    "travel.csv": "from,to,hours\nhome,alder,0.4\nhut,cedar,0.5\nalder,birch,0.3\n",
    "overrules.csv": "file,id,date,column,keep,note\nweather/low.csv,low,2023-07-10/2023-07-12,,no,moved\n"
    "readings.csv,alder,2024-05-04,water_c,yes,warm bay\nice.csv,alder,2024-04-02,event,yes,seen\n",
    "learned.json": "",
}
"""What the commands of trips, of overrules and of fits read; learned.json is made by `season_with_everything`."""
FREE = "\n[trips]\nheat_stop_c = 30.0\nturnover_chance = 1.0\nice_chance = 0.5\n"
NOTES = (
    "kind,lake_id,date,water_c,depth_m,hour,event,taxon,stage,level,minutes,observer,note\n"
    "reading,alder,2024-05-22,12.5,0.5,14,,,,,,,\nice,cedar,2024-05-21,,,,off,,,,,,\n"
    'sighting,birch,2024-05-23,,,,,chironomus,pupa,none,20,M,"cold, windy"\n'
)
COMMANDS = {
    "trips": 5, "trips --json": 2, "trips --why Moss": 1, "trips --cautious": 0.5, "trips --fresh": 1,
    "trips --bookings plan.csv": 3, "regions": 2, "regions --json": 1, "daysheet alder 2024-06-03": 2,
    "daysheet birch 2024-06-20 --html --output sheet.html": 1, "explain alder coenagrion": 1, "explain cedar": 0.5,
    "explain birch chironomus --json": 0.5, "hindcast --least-years 5": 0.7, "weather check": 1,
    "weather check --json": 0.5, "forecast": 4, "forecast --write windows,board,regions,calendar,map --guest": 1,
    "learn": 1, "note import notes.csv": 2, "note list": 0.3, "water --picture drawn --year 2024": 0.5,
}  # fmt: skip
WRITES = {"learn": {".", "learned.json"}, "note": {".", "journal.sqlite", "journal.backup.sqlite"}}
"""What a command may change in the season folder."""
ODD: tuple[Any, ...] = (None, "", [], {}, True, -1, 1e308, "31.05.2024", "x" * 3000, "a\x1bb", [[1]], {"a": {}}, 10**30)


def season_with_everything(season: Mapping[str, str]) -> Draft:
    """Return the sound small season with every file that any command reads."""
    draft = small_season(season)
    draft.files |= {name: text.encode() for name, text in NEWER.items()}
    draft.files["learned.json"] = json.dumps(learned_table()).encode()
    draft.files["season.toml"] += FREE.encode()
    return draft


def wide(season: Mapping[str, str], seed: int) -> tuple[Draft, Draft, str]:
    """Return a damaged season folder, what stands in the work folder (damaged in every other seed), and a command."""
    rng = np.random.default_rng([2026, seed])
    draft, weights = season_with_everything(season), np.array(list(COMMANDS.values()))
    command = str(rng.choice(list(COMMANDS), p=weights / weights.sum()))
    stored = Draft(dict(stored_files()) | {"notes.csv": NOTES.encode()})
    reads = command.split()[0] in ("trips", "forecast", "note")
    if not reads or rng.random() < 0.6:
        _some(draft, rng, set(NEWER) if rng.random() < 0.7 else set(draft.files))
    if reads and rng.random() < 0.6:
        names = {"notes.csv"} if command.startswith("note") else set(stored.files) - {"notes.csv"}
        _some(stored, rng, names)
    draft.done += [f"stored {told}" for told in stored.done]
    return draft, stored, command


def _some(draft: Draft, rng: Rng, names: set[str]) -> None:
    """Do one to three damages to the files of some names."""
    part = Draft({name: raw for name, raw in draft.files.items() if name in names})
    for _ in range(int(rng.integers(1, 4))):
        jsons = part.named(end=".json")
        if jsons and rng.random() < 0.3:
            name = str(one_of(rng, jsons))
            part.done.append(f"json_part_odd: {name} {_json_part_odd(part, name, rng)}")
            continue
        kind = str(one_of(rng, [k for k in DAMAGES if not k.startswith(("taxon", "setting", "numbers_of", "taxa"))]))
        with contextlib.suppress(KeyError, IndexError, ValueError):  # a kind may need a file that is not among these
            part.done.append(f"{kind}: {DAMAGES[kind](part, rng)}")
    for name in names:
        draft.files.pop(name, None)
    draft.files |= part.files
    draft.instead |= part.instead
    draft.done += part.done


def _json_part_odd(draft: Draft, name: str, rng: Rng) -> str:
    """Replace or drop some part of a JSON file."""
    try:
        table = json.loads(draft.files[name])
    except ValueError:
        return "is none"
    node, path = table, ""
    while isinstance(node, dict | list) and len(node):
        key = one_of(rng, list(node) if isinstance(node, dict) else list(range(len(node))))
        path += f"/{key}"
        inner = node[key]
        if not isinstance(inner, dict | list) or not len(inner) or rng.random() < 0.25:
            if isinstance(node, dict) and rng.random() < 0.3:
                del node[key]
                path += " lost"
            else:
                node[key] = one_of(rng, ODD)
                path += f" {str(node[key])[:20]!r}"
            break
        node = inner
    draft.files[name] = json.dumps(table).encode()
    return path


@functools.cache
def stored_files() -> Mapping[str, bytes]:
    """Return what an earlier week's forecast and plan of the sound season leave in a work folder."""
    from tests.season_folder import season_files

    with tempfile.TemporaryDirectory() as name:
        season, work = season_with_everything(season_files()).write(Path(name, "season")), Path(name, "work")
        work.mkdir()
        with contextlib.chdir(work):
            for words in (["forecast", "--as-of", "2024-05-24"], ["trips", "--as-of", "2024-05-24"]):
                result = CliRunner().invoke(main, [words[0], str(season), *words[1:]])
                assert result.exit_code == 0, result.output
        files = [p for p in sorted(work.rglob("*")) if p.suffix in (".json", ".csv") and p.is_file()]
        found = {p.relative_to(work).as_posix(): p.read_bytes() for p in files if "latest" not in p.parts}
    plans = [name for name in found if name.endswith("plan.csv")]
    return found | {"plan.csv": found[plans[0]]}


def run_wide(season: Path, work: Path, stored: Draft, command: str, *, charset: str = "utf-8") -> Outcome:
    """Run a command on a written season folder with a work folder as earlier weeks left it; judge what came of it."""
    stored.write(work)
    there = set(work.rglob("*"))
    verb, *options = command.split()
    words = (
        [verb, *options[:1], str(season), *options[1:]]
        if verb in ("note", "weather")
        else [verb, str(season), *options]
    )
    if verb == "trips":
        words += ["--time-limit", "5"]
    before, runner, trace = snapshot(season), CliRunner(charset=charset), ""
    with contextlib.chdir(work):
        result = runner.invoke(main, words)
        if INTERNAL in result.output or (result.exception and not isinstance(result.exception, SystemExit)):
            again = runner.invoke(main, words, env={"EMERGENCE_DEBUG": "1"})
            trace = "".join(traceback.format_exception(again.exception)) if again.exception else "not seen again"
    after = snapshot(season)
    outcome = Outcome(command, result.exit_code, result.output, trace=trace)
    changed = {name for name in before.keys() | after.keys() if before.get(name) != after.get(name)}
    if changed - WRITES.get(verb, set()):
        outcome.faults.append(f"the season folder was changed: {sorted(changed)}")
    words_judged = "" if "--json" in command and result.exit_code in (0, 3) else result.output
    outcome.faults += judge_words(result.exit_code, words_judged or "--json")
    outcome.faults += [f"left behind: {p.name}" for p in set(work.rglob(".*")) - there]
    if result.exit_code in (0, 3):
        outcome.faults += _judge_result(command, result.stdout, work)
    return outcome


def _judge_result(command: str, stdout: str, work: Path) -> list[str]:
    """Return what is wrong with a result: JSON that is none, rows of nowhere, days outside a party's span."""
    faults = []
    try:
        if "--json" in command:
            json.loads(stdout, parse_constant=_no_constant)
        if command.startswith("trips") and "--why" not in command:
            for path in work.glob("reports/*/trips/*/plan.csv"):
                if "latest" not in path.parts and "2024-05-24" not in path.parts:
                    faults += _judge_plan(path)
    except (ValueError, KeyError) as error:
        faults.append(f"a result cannot be read: {error!r}")
    return faults


def _no_constant(word: str) -> float:
    raise ValueError(f"JSON holds {word}")


def _judge_plan(path: Path) -> list[str]:
    with path.open(encoding="utf-8", newline="") as file:
        rows = list(csv.DictReader(file, strict=True))
    faults = []
    for row in rows:
        if row["date"]:
            dt.date.fromisoformat(row["date"])
        if row["chance_any"] and not 0 <= float(row["chance_any"]) <= 1:
            faults.append(f"chance_any is {row['chance_any']}")
        if row["expected_moving_days"] and not -1 <= float(row["expected_moving_days"]) <= 60:
            faults.append(f"expected_moving_days is {row['expected_moving_days']}")
    return faults

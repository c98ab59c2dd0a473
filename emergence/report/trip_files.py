"""The files of a trip plan: plan.csv, plan.json, and a calendar for each guide and each party (RFC 5545)."""

from __future__ import annotations

import datetime as dt
import hashlib
import json
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
from icalendar import Calendar, Event, vText

from emergence.dates import day_number
from emergence.report.calendar import DOMAIN, SEQUENCE_FROM
from emergence.report.folders import RUN_FILE, point_latest, replaced_folder, safe_name
from emergence.report.tables import as_text
from emergence.report.text import plain
from emergence.report.trips import option_words, runs_of, trips_text
from emergence.report.words import CAUTIONS, day_and_year, percent
from emergence.report.write import RunNotes, run_home, run_record
from emergence.runs.trip_results import Insisting, PlannedTrip, TripOption, TripsResult

FORMAT = 1
PLAN, PLAN_JSON, TEXT, HOME = "plan.csv", "plan.json", "plan.txt", "trips"
PRODUCT = "-//aquatic-insect-emergence//trips//EN"
KEPT_BACK = "a private lake; your guide tells you"


def plan_table(result: TripsResult) -> pd.DataFrame:
    """Return plan.csv: one row for each party and day on the water, in the order of parties and days."""
    rows = []
    for trip in result.trips:
        for one in trip.chosen.days:
            b = next((b for b in trip.plan_b if b.first <= one.date <= b.last), None)
            rows.append(
                {
                    "party": trip.party,
                    "lake_id": one.lake_id,
                    "date": pd.Timestamp(one.date),
                    "guide": trip.chosen.guide,
                    "expected_moving_days": one.expected,
                    "chance_any": trip.chosen.chance,
                    "status": trip.status,
                    "decide_by": pd.NaT if trip.decide_by is None else pd.Timestamp(trip.decide_by),
                    "plan_b": "" if b is None else b.lake_id,
                    "plan_b_chance": float("nan") if b is None else b.chance,
                }
            )
    frame = pd.DataFrame(rows)
    return frame.astype({"date": "datetime64[ns]", "decide_by": "datetime64[ns]"})


def plan_json(result: TripsResult, why: tuple[PlannedTrip, tuple[Insisting, ...]] | None = None) -> str:
    """Return the plan as JSON; its schema is ``schemas/trips.schema.json``."""
    record: dict[str, Any] = {
        "format": FORMAT,
        "name": result.info.name,
        "as_of": result.info.as_of.isoformat(),
        "seed": result.info.seed,
        "members": result.info.slots * result.info.replicates,
        "planned": bool(result.trips),
        "gap": result.gap if result.trips else None,
        "wanted_gap": result.wanted_gap,
        "finished": result.finished,
        "caution": result.caution,
        "caution_proven": None if result.caution is None else result.caution_proven,
        "trips": [_trip(trip) for trip in result.trips],
        "conflict": list(result.conflict),
        "conflict_proven": result.conflict_proven,
        "left_out": list(result.left_out),
        "notes": list(result.notes),
    }
    if why is not None:
        record["why"] = {"party": why[0].party, "insisting": [_insisting(o) for o in why[1]]}
    return json.dumps(record, indent=2, ensure_ascii=False, allow_nan=False) + "\n"


def _trip(trip: PlannedTrip) -> dict[str, Any]:
    return {
        "party": trip.party,
        "size": trip.size,
        "wants": trip.wants,
        "status": trip.status,
        "decide_by": None if trip.decide_by is None else trip.decide_by.isoformat(),
        "chosen": _option(trip.chosen),
        "best_alone": _option(trip.best),
        "booked": None if trip.booked is None else _option(trip.booked),
        "gain": round(trip.gain, 4),
        "reasons": list(trip.reasons),
        "alternates": [_option(o) for o in trip.alternates],
        "plan_b": [
            {
                "lake_id": b.lake_id,
                "first": b.first.isoformat(),
                "last": b.last.isoformat(),
                "chance": round(b.chance, 4),
                "correlation": None if b.correlation is None else round(b.correlation, 4),
                "chance_if_plan_a_fails": None if b.if_a_fails is None else round(b.if_a_fails, 4),
            }
            for b in trip.plan_b
        ],
    }


def _option(option: TripOption) -> dict[str, Any]:
    days = [
        {"date": d.date.isoformat(), "lake_id": d.lake_id, "chance_moving": round(d.expected, 4)} for d in option.days
    ]
    return {
        "days": days,
        "guide": option.guide,
        "expected_moving_days": round(option.expected, 4),
        "chance_any": round(option.chance, 4),
        "value": round(option.value, 4),
        "hours_on_road": None if option.road_h is None else round(option.road_h, 2),
    }


def _insisting(other: Insisting) -> dict[str, Any]:
    return {
        "lake_id": other.lake_id,
        "option": None if other.option is None else _option(other.option),
        "costs_party": None if other.option is None else round(other.own, 4),
        "costs_others": None if other.others is None else round(other.others, 4),
        "blocked_by": list(other.blocked),
    }


def calendars(result: TripsResult, *, private: bool = True) -> dict[str, str]:
    """Return calendar texts by file name: one for each guide with all its trips, one for each party with its own alone.

    ``private`` keeps the names of lakes that may not be shared out of the parties' calendars.
    """
    shared = dict(zip(result.info.lakes["lake_id"], result.info.lakes["share"] == "yes", strict=True))
    hidden = {lake for lake, share in shared.items() if not share} if private else set()
    files: dict[str, str] = {}
    for guide in dict.fromkeys(t.chosen.guide for t in result.trips):
        mine = [t for t in result.trips if t.chosen.guide == guide]
        events = [e for trip in mine for e in _events(result, trip, set(), guide=True)]
        files[f"guide-{safe_name(guide, fallback='guide')}.ics"] = _calendar(result, guide, events)
    for trip in result.trips:
        events = list(_events(result, trip, hidden, guide=False))
        files[f"party-{safe_name(trip.party, fallback='party')}.ics"] = _calendar(result, trip.party, events)
    return files


def _calendar(result: TripsResult, whose: str, events: list[Event]) -> str:
    calendar = Calendar()
    calendar.add("prodid", PRODUCT)
    calendar.add("version", "2.0")
    calendar.add("calscale", "GREGORIAN")
    calendar.add("method", "PUBLISH")
    calendar.add("x-wr-calname", vText(f"{plain(result.info.name)}: {plain(whose)}"))
    calendar.add("x-wr-caldesc", vText(f"As of {day_and_year(result.info.as_of)}. {' '.join(CAUTIONS)}"))
    for event in events:
        calendar.add_component(event)
    return str(calendar.to_ical(), "utf-8")


def _events(result: TripsResult, trip: PlannedTrip, hidden: set[str], *, guide: bool) -> Iterator[Event]:
    """Yield one event for each run of days at a lake; a moved trip keeps its identifier."""
    as_of = result.info.as_of
    for number, (first, last) in enumerate(runs_of(trip.chosen.days)):
        lake = KEPT_BACK if first.lake_id in hidden else plain(first.lake)
        days = [d for d in trip.chosen.days if first.date <= d.date <= last.date]
        said = [f"Chance that it shows: {', '.join(f'{d.date.day} {percent(d.expected)}' for d in days)}."]
        said.append(f"Wanted: {plain(trip.wants)}.")
        if guide:
            said += [f"Guests: {trip.size}. {plain(b.lake)} is plan B ({percent(b.chance)})." for b in trip.plan_b]
        else:
            said.append(f"Guide: {plain(trip.chosen.guide)}.")
        if trip.decide_by is not None:
            said.append(f"Can be moved until {day_and_year(trip.decide_by)}.")
        event = Event()
        event.add("uid", _uid(result.info.name, trip.party, number))
        event.add("dtstamp", dt.datetime(as_of.year, as_of.month, as_of.day, tzinfo=dt.UTC))
        event.add("sequence", max(day_number(as_of) - day_number(SEQUENCE_FROM), 0))
        event.add("dtstart", first.date)
        event.add("dtend", last.date + dt.timedelta(days=1))
        event.add("summary", f"{plain(trip.party)}: {lake}" if guide else f"Fishing: {lake}")
        event.add("location", lake)
        event.add("description", "\n".join(said))
        event.add("status", "CONFIRMED" if trip.status in ("fixed", "kept") else "TENTATIVE")
        yield event


def _uid(name: str, party: str, number: int) -> str:
    key = "\x1f".join((name, "trip", party, str(number)))
    return f"{hashlib.blake2b(key.encode('utf-8', 'surrogatepass'), digest_size=16).hexdigest()}@{DOMAIN}"


def trips_home(reports_root: Path, name: str) -> Path:
    """Return the folder that holds all trip plans of a season name."""
    return run_home(reports_root, name) / HOME


def earlier_plan(reports_root: Path, name: str, as_of: dt.date) -> Path | None:
    """Return the newest plan.csv of an earlier issue date, None where there is none."""
    home = trips_home(reports_root, name)
    found = [
        f for f in home.glob(f"*/{PLAN}") if plan_date(f.parent.name) is not None and f.parent.name < as_of.isoformat()
    ]
    return max(found, key=lambda f: f.parent.name, default=None)


def plan_date(text: str) -> dt.date | None:
    """Return the issue date that a folder of a plan is named after, None for another folder."""
    try:
        found = dt.date.fromisoformat(text)
    except ValueError:
        return None
    return found if found.isoformat() == text else None


def write_trips(result: TripsResult, out: Path, *, private: bool = True, notes: RunNotes | None = None) -> Path:
    """Write a plan's folder and return its path; an earlier plan there is replaced whole.

    Raises
    ------
    WrongUseError
        A folder that is not ours to replace.
    WriteError
        The file system refused; what stood there still stands.
    """
    with replaced_folder(out) as folder:
        texts = {PLAN_JSON: plan_json(result), TEXT: trips_text(result)}
        if result.trips:
            texts[PLAN] = as_text(plan_table(result), "plan").to_csv(index=False, lineterminator="\n")
            texts |= calendars(result, private=private)
        for name, text in texts.items():
            (folder / name).write_bytes(text.encode())
        record = run_record(result.info, notes or RunNotes()) | {"files": sorted(texts)}
        told = json.dumps(record, indent=2, sort_keys=True, ensure_ascii=False, allow_nan=False) + "\n"
        (folder / RUN_FILE).write_text(told, encoding="utf-8", newline="\n")
    return out.resolve()


def write_dated_trips(result: TripsResult, reports_root: Path, *, private: bool = True) -> Path:
    """Write ``reports_root/<name>/trips/<as_of>``, let ``latest`` beside it lead there, and return the folder."""
    out = trips_home(reports_root, result.info.name) / result.info.as_of.isoformat()
    folder = write_trips(result, out, private=private)
    point_latest(folder)
    return folder


__all__ = [
    "calendars",
    "earlier_plan",
    "option_words",
    "plan_date",
    "plan_json",
    "plan_table",
    "trips_home",
    "write_dated_trips",
    "write_trips",
]

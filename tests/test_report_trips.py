"""The files and the text of a trip plan: tables and JSON by their schemas, calendars that hold only their own."""

import dataclasses
import datetime as dt
import json
from importlib import resources

import jsonschema
import pytest
from icalendar import Calendar
from run_result import make_result

from emergence.errors import WrongUseError
from emergence.report.tables import as_text, columns
from emergence.report.trip_files import calendars, earlier_plan, plan_json, plan_table, write_dated_trips, write_trips
from emergence.report.trips import trips_text, why_text
from emergence.runs.trip_results import Insisting, PlannedTrip, TripB, TripDay, TripOption, TripsResult

DAY = dt.date(2026, 6, 12)
INFO = make_result().info
INFO.lakes["share"] = ["no", *["yes"] * (len(INFO.lakes) - 1)]
PRIVATE, OPEN = INFO.lakes["lake_id"].iloc[:2]


def option(lake: str, *days: int, guide: str = "Ada", chance: float = 0.8) -> TripOption:
    found = tuple(TripDay(DAY + dt.timedelta(d), lake, lake.title(), 0.4) for d in days)
    return TripOption(found, guide, 0.4 * len(days), chance, 0.4 * len(days) - 0.1)


def trip(party: str, chosen: TripOption, **more) -> PlannedTrip:
    b = TripB(OPEN, OPEN.title(), chosen.days[0].date, chosen.days[-1].date, 0.5, -0.25, 0.75)
    given = {
        "size": 2, "wants": "spring damselflies on the move", "status": "new", "best": chosen, "plan_b": (b,),
        "alternates": (option(OPEN, 20, 21),), "booked": None, "gain": 0.0, "reasons": (), "decide_by": None,
    } | more  # fmt: skip
    return PlannedTrip(party=party, chosen=chosen, **given)


def result(*trips: PlannedTrip, **more) -> TripsResult:
    given = {
        "conflict": (), "conflict_proven": True, "gap": 0.012, "wanted_gap": 0.02, "finished": True, "caution": None,
        "left_out": (), "notes": (),
    } | more  # fmt: skip
    return TripsResult(info=INFO, trips=trips, **given)


MOVED = trip(
    "Moss", option(PRIVATE, 0, 1, 4), status="moved", booked=option(OPEN, 7, 8, 9), gain=0.6,
    decide_by=dt.date(2026, 6, 1), reasons=("Alder is closed",),
)  # fmt: skip
OTHER = trip("Reed, \u202eand <co>", option(OPEN, 0, 1, guide="Bo"))
PLAN = result(MOVED, OTHER)


def test_the_table_follows_its_schema_one_row_a_day():
    table = plan_table(PLAN)
    assert tuple(table.columns) == columns("plan")
    rows = as_text(table, "plan")
    assert len(rows) == 5 and rows["date"].tolist()[:3] == ["2026-06-12", "2026-06-13", "2026-06-16"]
    assert rows["decide_by"].tolist() == ["2026-06-01"] * 3 + [""] * 2 and set(rows["expected_moving_days"]) == {
        "0.400"
    }


def test_the_json_follows_its_schema():
    schema = json.loads(resources.files("emergence.report").joinpath("schemas", "trips.schema.json").read_text())
    blocked = Insisting(OPEN, OPEN.title(), None, float("nan"), None, ("it is closed",))
    why = (MOVED, (blocked, Insisting(OPEN, OPEN.title(), option(OPEN, 3), 0.25, -0.125, ())))
    for text in (plan_json(PLAN), plan_json(PLAN, why), plan_json(result(conflict=("a", "b"), gap=float("inf")))):
        jsonschema.validate(json.loads(text), schema)
    assert json.loads(plan_json(PLAN))["format"] == 1
    assert json.loads(plan_json(PLAN, why))["why"]["insisting"][1]["costs_others"] == -0.125


def test_a_party_gets_only_its_own_days_and_no_private_lake():
    files = {name: Calendar.from_ical(text) for name, text in calendars(PLAN).items()}
    assert len(files) == 4
    moss = files["party-Moss.ics"].walk("VEVENT")
    assert [(e["dtstart"].dt.day, e["dtend"].dt.day) for e in moss] == [(12, 14), (16, 17)]
    text = calendars(PLAN)["party-Moss.ics"]
    assert "Reed" not in text and PRIVATE.title() not in text and "private lake" in text
    assert PRIVATE.title() in calendars(PLAN, private=False)["party-Moss.ics"]
    ada = files["guide-Ada.ics"].walk("VEVENT")
    assert {str(e["summary"]) for e in ada} == {f"Moss: {PRIVATE.title()}"}
    assert {str(e["status"]) for e in ada} == {"TENTATIVE"}


def test_a_moved_trip_keeps_its_identifier():
    later = result(dataclasses.replace(MOVED, chosen=option(OPEN, 2, 3, 4)))
    ids = [Calendar.from_ical(calendars(r)["party-Moss.ics"]).walk("VEVENT")[0]["uid"] for r in (PLAN, later)]
    assert ids[0] == ids[1]


def test_the_text_says_what_changes_and_until_when():
    text = trips_text(PLAN)
    assert "CHANGES: 1 booking moves" in text and "+0.6 moving days" in text
    assert "The booking cannot stand: Alder is closed. Decide by 1 Jun 2026." in " ".join(text.split())
    assert "chance 50 %, holds in 75 % of the seasons in which plan A fails" in " ".join(text.split())
    assert "correlation" not in text and '"correlation": -0.25' in plan_json(PLAN)
    assert "1.2 % better" in text and "\u202e" not in text
    assert "Never judge ice" in text


def test_the_text_without_a_plan_names_the_rules():
    text = trips_text(result(conflict=("Moss: 3 days", "Ada guides one party a day")))
    assert "cannot hold together" in text and "  - Ada guides one party a day" in text
    assert "--time-limit" in trips_text(result())


def test_why_says_what_insisting_costs():
    others = (
        Insisting("a", "A", option("a", 3), 0.25, -0.001, ()),
        Insisting("b", "B", None, float("nan"), None, ("it is closed",)),
    )
    text = " ".join(why_text(dataclasses.replace(MOVED, best=option(OPEN, 1, 2, 3, 5)), others).split())
    assert "costs the party 0.25, the others nothing moving days" in text
    assert "B cannot be had: it is closed." in text and "Alone it would have" in text


def test_folders_are_written_whole_and_the_earlier_one_is_found(tmp_path):
    first = dataclasses.replace(PLAN, info=dataclasses.replace(INFO, as_of=dt.date(2026, 5, 1)))
    folder = write_dated_trips(first, tmp_path)
    names = {p.name for p in folder.iterdir()}
    assert {"plan.csv", "plan.json", "plan.txt", "run.json", "guide-Ada.ics", "party-Moss.ics"} < names
    before = {p.name: p.read_bytes() for p in folder.iterdir()}
    write_dated_trips(first, tmp_path)
    assert {p.name: p.read_bytes() for p in folder.iterdir()} == before
    assert earlier_plan(tmp_path, INFO.name, dt.date(2026, 5, 8)) == folder / "plan.csv"
    assert earlier_plan(tmp_path, INFO.name, dt.date(2026, 5, 1)) is None
    (tmp_path / "mine").mkdir()
    (tmp_path / "mine" / "thesis.txt").write_text("x")
    with pytest.raises(WrongUseError, match="holds other things"):
        write_trips(PLAN, tmp_path / "mine")

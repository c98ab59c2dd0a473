"""Trips on the board: decisions first, the plan's age, names stay text, guests get nothing, damage is told."""

from __future__ import annotations

import dataclasses
import datetime as dt
import json
import re
from pathlib import Path
from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest
from board_page import HOSTILE, Page, board_result
from run_result import AS_OF, make_result

from emergence.cli.board import boards
from emergence.report.board import Beside, board_html
from emergence.report.board_parts import Part, Shade, Table
from emergence.report.board_trips import trips_part
from emergence.report.text import cells
from emergence.report.trip_files import plan_json, write_dated_trips
from emergence.report.trip_stored import newest_plan, read_plan
from emergence.report.trips import trips_text, why_text
from emergence.runs import lake_pages
from emergence.runs.trip_results import Insisting, PlannedTrip, TripB, TripDay, TripOption, TripsResult

LAKES = {"L0": "Alder Mere", "L1": "Long Water", "L2": "Otter Pool"}


def day(after: int) -> dt.date:
    return AS_OF + dt.timedelta(days=after)


def chance(words: str, share: float) -> Shade:
    return Shade(words.replace(" %", "\u00a0%"), share)


def option(lake: str, *days: int, guide: str = "Ada", chance: float = 0.8) -> TripOption:
    found = tuple(TripDay(day(d), lake, LAKES[lake], 0.4) for d in days)
    return TripOption(found, guide, 0.4 * len(days), chance, 0.4 * len(days))


def trip(party: str, chosen: TripOption, **more: Any) -> PlannedTrip:
    b = TripB("L2", LAKES["L2"], chosen.days[0].date, chosen.days[-1].date, 0.5, -0.25, 0.75)
    given: dict[str, Any] = {
        "size": 2, "wants": "bluets on the move", "status": "new", "best": chosen, "plan_b": (b,), "booked": None,
        "alternates": (option("L1", 20, 21, chance=0.6),), "gain": 0.0, "reasons": (), "decide_by": None,
    } | more  # fmt: skip
    return PlannedTrip(party=party, chosen=chosen, **given)


LATE = trip("Late", option("L1", 30, 31), decide_by=day(15))
SOON = trip("Soon", option("L0", 20, 21, 24, chance=0.46), decide_by=day(14), status="kept")
TODAY = trip(
    "Today", option("L0", 10, 11), decide_by=day(0), status="moved", booked=option("L1", 12, 13), gain=0.6,
    reasons=("Long Water is closed",),
)  # fmt: skip
PASSED = trip("Passed", option("L2", 3), decide_by=day(-1), status="fixed", alternates=())
OVER = trip("Over", option("L1", -2, -1), status="done")


def result(*trips: PlannedTrip, as_of: dt.date = AS_OF) -> TripsResult:
    info = dataclasses.replace(make_result().info, as_of=as_of)
    return TripsResult(info, trips, (), True, 0.01, 0.02, True, None, (), ())


def stored(root: Path, *trips: PlannedTrip, age: int = 0) -> Path:
    return write_dated_trips(result(*trips, as_of=day(-age)), root) / "plan.json"


def part_of(root: Path, *trips: PlannedTrip, age: int = 0, month_first: bool = False) -> Part:
    part = trips_part(read_plan(stored(root, *trips, age=age), LAKES), AS_OF, month_first=month_first)
    assert part is not None
    return part


def tables(part: Part) -> dict[str, Table]:
    return {table.caption: table for table in part.tables}


def test_decisions_come_first_then_trips_by_day_then_plan_b(tmp_path: Path) -> None:
    part = part_of(tmp_path, LATE, SOON, TODAY, PASSED, OVER)
    due, moved, by_day, plan_b = part.tables
    assert due.caption == "To decide by 11 Jun"  # 28 May and 14 days
    assert [list(row) for row in due.rows] == [
        ["Today", "28 May, that day", "7-8 Jun", "Alder Mere", chance("likely, 80 %", 0.8), "17-18 Jun", "Long Water",
         chance("over even, 60 %", 0.6), "moved"],
        ["Soon", "11 Jun, in 14 days", "17-18 Jun, 21 Jun", "Alder Mere", chance("about even, 46 %", 0.46), "17-18 Jun",
         "Long Water", chance("over even, 60 %", 0.6), "kept"],
    ]  # fmt: skip
    assert [list(row) for row in moved.rows] == [
        ["Today", "9-10 Jun", "Long Water", "7-8 Jun", "Alder Mere", "+0.6", "Long Water is closed"]
    ]
    assert [row[:2] for row in by_day.rows] == [
        ("Passed", "31 May"), ("Today", "7-8 Jun"), ("Soon", "17-18 Jun"), ("Soon", "21 Jun"), ("Late", "27-28 Jun"),
    ]  # fmt: skip
    assert [row[4] for row in by_day.rows] == ["0.4 of 1", "0.8 of 2", "0.8 of 2", "0.4 of 1", "0.8 of 2"]
    assert [row[6] for row in by_day.rows] == ["27 May, passed", "28 May", "11 Jun", "11 Jun", "12 Jun"]
    assert plan_b.rows[0] == ("Passed", "31 May", "Otter Pool", "Otter Pool", chance("about even, 50 %", 0.5),
                              chance("likely, 75 %", 0.75))  # fmt: skip


@pytest.mark.parametrize(
    ("age", "words"),
    [
        (0, "Plan as of 28 May 2023, the issue date of this board."),
        (1, "Plan as of 27 May 2023, 1 day older than this board"),
        (7, "Plan as of 21 May 2023, 7 days older than this board"),
    ],
)
def test_the_age_of_the_plan_is_said(tmp_path: Path, age: int, words: str) -> None:
    assert part_of(tmp_path, LATE, age=age).rule.startswith(words)


def test_month_first_where_the_season_says_so(tmp_path: Path) -> None:
    part = part_of(tmp_path, SOON, month_first=True)
    assert part.rule.startswith("Plan as of May 28, 2023") and "To decide by Jun 11" in tables(part)


def test_no_tab_once_every_trip_is_over_and_a_stranger_lake_keeps_its_id(tmp_path: Path) -> None:
    assert trips_part(read_plan(stored(tmp_path, OVER, age=7), LAKES), AS_OF) is None
    under_way = dataclasses.replace(OVER, chosen=option("L1", 0, 1))
    assert part_of(tmp_path, under_way).tables[0].rows[0][1] == "28-29 May"
    plan = read_plan(stored(tmp_path, SOON), {})
    assert {d.lake for d in plan.trips[0].chosen.days} == {"L0"}


def test_the_newest_plan_that_is_not_of_a_later_day(tmp_path: Path) -> None:
    name = make_result().info.name
    assert newest_plan(tmp_path, name, AS_OF) is None
    for age in (-7, 3, 10):
        stored(tmp_path, SOON, age=age)
    home = tmp_path / name / "trips"
    (home / "20230528").mkdir()
    (home / "20230528" / "plan.json").write_text("{}", encoding="utf-8")
    assert newest_plan(tmp_path, name, AS_OF) == home / day(-3).isoformat() / "plan.json"
    assert newest_plan(tmp_path, name, day(-3)) == home / day(-3).isoformat() / "plan.json"
    assert newest_plan(tmp_path, name, day(-4)) == home / day(-10).isoformat() / "plan.json"
    assert newest_plan(tmp_path, name, day(-11)) is None


def test_what_is_written_is_read_back(tmp_path: Path) -> None:
    plan = read_plan(stored(tmp_path, LATE, SOON, TODAY), LAKES)
    assert plan_json(result(*plan.trips)) == plan_json(result(LATE, SOON, TODAY))


def test_page_shows_names_as_text_without_scripts_and_guests_get_nothing(tmp_path: Path) -> None:
    trips = [trip(name + "\u202e", option("L0", 5 + k, guide=name), decide_by=day(3)) for k, name in enumerate(HOSTILE)]
    part = part_of(tmp_path, *trips)
    page = Page(board_html(board_result(), Beside(parts=[part])))
    for name in HOSTILE:
        assert name in page.text
    assert "\u202e" not in page.html and len(page.scripts) == 2
    assert not [values for tag, values in page.tags if tag == "img" or any(key.startswith("on") for key in values)]
    assert "To decide by 11 Jun" in page.text and 'href="#trips"' in page.html
    guests = Page(board_html(make_result(), Beside(parts=[part]), guests=("L0",)))
    assert "#trips" not in guests.html and "Plan B" not in guests.text and HOSTILE[3] not in guests.text


DAMAGE = {
    "is damaged": lambda plan: "{",
    "has format 2, this program reads 1": lambda plan: json.dumps(plan | {"format": 2, "trips": "elsewhere"}),
    "its folder says otherwise": lambda plan: json.dumps(plan | {"as_of": "2023-05-01"}),
    "(trips.0.party: ": lambda plan: json.dumps(plan | {"trips": [{**plan["trips"][0], "party": None}]}),
    "trips.0.gain": lambda plan: json.dumps(plan | {"trips": [{**plan["trips"][0], "gain": float("nan")}]}),
    "(Invalid JSON: ": lambda plan: "[" * 100_000,
}


@pytest.mark.parametrize("words", DAMAGE)
def test_a_plan_that_cannot_be_read_is_told_in_one_line(tmp_path: Path, words: str) -> None:
    path = stored(tmp_path, SOON)
    path.write_text(DAMAGE[words](json.loads(path.read_text(encoding="utf-8"))), encoding="utf-8")
    with pytest.raises(ValueError, match=re.escape(words)) as told:
        read_plan(path, LAKES)
    assert str(told.value).endswith("Plan anew with emergence trips.") and "\n" not in str(told.value)


def test_the_board_is_made_with_the_plan_and_without_a_damaged_one(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    monkeypatch.setattr(lake_pages, "lake_pages", lambda plan: None)
    lakes = SimpleNamespace(lake_id=np.array(list(LAKES)), name=np.array(list(LAKES.values())))
    plan: Any = SimpleNamespace(season=SimpleNamespace(lakes=lakes, settings=SimpleNamespace(guests_see_lakes="all")))
    path = stored(tmp_path, SOON)
    made = boards(make_result(), plan, since=None, root=tmp_path, guest=True)
    assert not capsys.readouterr().err
    assert 'id="trips"' in made["board.html"] and 'id="trips"' not in made["board_guest.html"]
    path.write_bytes(b"\xff{")
    made = boards(make_result(), plan, since=None, root=tmp_path, guest=False)
    assert 'id="trips"' not in made["board.html"] and "</html>" in made["board.html"]
    assert capsys.readouterr().err.startswith("the board goes without trips: ")


def test_the_text_fits_80_columns_and_names_stay_whole() -> None:
    long = "The Upper Tarrel and Quarlow Angling Society"
    wide = dataclasses.replace(SOON, party=long, chosen=option("L0", *range(2, 16), guide="Bartholomew Q."))
    plan = dataclasses.replace(
        result(TODAY, wide, *(trip(name, option("L0", 3)) for name in HOSTILE)), earlier="x" * 90
    )
    plan = dataclasses.replace(plan, info=dataclasses.replace(plan.info, name="Season " * 20))
    why = why_text(wide, [Insisting("L1", "Long " * 30, option("L1", 3), 0.25, 0.1, ())])
    for text in (trips_text(plan), why):
        assert max(map(cells, text.splitlines())) <= 80
    club = dataclasses.replace(wide, party="Upper Tarrel Anglers")
    table = trips_text(result(club)).split("\n\n")[1].splitlines()
    assert [line.split("  ")[0] for line in table] == ["party", "Upper", "Tarrel", "Anglers"]
    assert "Bartholo" in table[1] and "mew Q." in table[2]


def test_a_plan_whose_trips_are_all_over_has_a_text() -> None:
    assert "guest-days" not in trips_text(result(OVER)) and "guest-days" in trips_text(result(SOON))

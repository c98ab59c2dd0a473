"""windows.ics and windows.geojson: read by other libraries, changed in place by a later run, safe with any text."""

from __future__ import annotations

import datetime as dt
import json
from collections.abc import Iterator
from dataclasses import replace
from typing import Any

import geojson
import icalendar
import pandas as pd
import pytest
from run_result import AS_OF, NAMES, make_result

from emergence.cli.further import FILES, GUEST_FILES, further_files
from emergence.report.board_guest import guest_result, shared_lakes
from emergence.report.calendar import calendar_text
from emergence.report.geojson import map_text
from emergence.runs.results import NoteEffect, RunResult

NASTY = (
    "<script>alert(1)</script>",
    "\u202eבריכת השחר",
    '🐟 o\'clock "pool", fish; chips\\n & sons',
    "Line\r\nBEGIN:VEVENT\r\nSUMMARY:forged",
    "x" * 300,
)


def events(text: str) -> dict[str, icalendar.Event]:
    """Return the events of a calendar by UID, each of which must be its own."""
    found = icalendar.Calendar.from_ical(text).walk("VEVENT")
    by_uid = {str(event["uid"]): event for event in found}
    assert len(by_uid) == len(found)
    return by_uid


@pytest.fixture(scope="module")
def result() -> RunResult:
    return make_result(NAMES)


def expected(result: RunResult) -> Iterator[tuple[dt.date, dt.date]]:
    """Yield first day and day after the last of every best week and even window of known residents."""
    for row in result.windows.itertuples():
        if row.residence == "yes" and row.taxon != "-" and row.best_week_chance >= 0.2:
            yield row.best_week_start.date(), row.best_week_start.date() + dt.timedelta(7)
        if row.residence == "yes" and not pd.isna(row.even_start):
            yield row.even_start.date(), row.even_end.date() + dt.timedelta(1)


def test_calendar_holds_every_best_week_and_even_window(result: RunResult) -> None:
    found = events(calendar_text(result)).values()
    spans = sorted((e.decoded("dtstart"), e.decoded("dtend")) for e in found)
    assert spans == sorted(expected(result))
    assert not any(isinstance(day, dt.datetime) for span in spans for day in span)  # all-day


def test_calendar_obeys_rfc_5545(result: RunResult) -> None:
    text = calendar_text(make_result(NASTY))
    assert text.replace("\r\n", "").count("\n") == text.replace("\r\n", "").count("\r") == 0  # 3.1: CR LF alone
    assert all(len(line.encode()) <= 75 for line in text.split("\r\n"))  # 3.1: at most 75 octets
    calendar = icalendar.Calendar.from_ical(text)
    assert calendar["version"] == "2.0" and calendar["prodid"] and calendar["method"] == "PUBLISH"
    for event in calendar.walk("VEVENT"):
        assert not event.errors
        for name in ("uid", "dtstamp", "dtstart"):  # 3.6.1: required, once
            assert not isinstance(event[name], list)
        assert event.decoded("dtend") > event.decoded("dtstart")


def test_stamp_and_sequence_come_from_the_issue_date(result: RunResult) -> None:
    for event in events(calendar_text(result)).values():
        assert event.decoded("dtstamp") == dt.datetime(AS_OF.year, AS_OF.month, AS_OF.day, tzinfo=dt.UTC)
        assert event.decoded("sequence") == (AS_OF - dt.date(2000, 1, 1)).days
    later_clock = replace(result, info=replace(result.info, today=dt.date(2031, 1, 1)))
    assert calendar_text(later_clock) == calendar_text(result)


def test_later_run_changes_dates_in_place(result: RunResult) -> None:
    later = make_result(NAMES, as_of=AS_OF + dt.timedelta(days=7), later=3.0)
    before, after = events(calendar_text(result)), events(calendar_text(later, earlier=result.windows))
    assert set(before) <= set(after)
    for uid, event in before.items():
        assert after[uid].decoded("sequence") > event.decoded("sequence")
        if after[uid]["status"] != "CANCELLED" and "turnover" not in event["summary"]:  # which stays where it was
            assert after[uid].decoded("dtstart") - event.decoded("dtstart") == dt.timedelta(days=3)


def test_window_that_is_no_more_is_cancelled(result: RunResult) -> None:
    gone = result.windows.assign(even_start=pd.NaT, even_end=pd.NaT)
    now = replace(result, windows=gone, info=replace(result.info, as_of=AS_OF + dt.timedelta(days=1)))
    before, after = events(calendar_text(result)), events(calendar_text(now, earlier=result.windows))
    lost = {uid for uid, event in before.items() if event["categories"].to_ical() == b"even window"}
    assert lost and {uid for uid, event in after.items() if event["status"] == "CANCELLED"} == lost
    assert set(after) == set(before)


def test_lakes_that_were_not_asked_for_are_not_cancelled(result: RunResult) -> None:
    one = guest_result(result, {"L0"})
    assert not [e for e in events(calendar_text(one, earlier=result.windows)).values() if e["status"] == "CANCELLED"]


def test_description_gives_chance_reason_and_notes(result: RunResult) -> None:
    noted = NoteEffect(
        "L0",
        "bluets",
        "migration",
        2023,
        "sightings",
        1,
        "empty skins",
        AS_OF,
        dt.date(2023, 6, 9),
        dt.date(2023, 6, 7),
        14,
        9,
    )
    told = replace(result, info=replace(result.info, note_effects=(noted,)))
    first = next(iter(events(calendar_text(told)).values()))
    words = str(first["description"])
    assert "95 % (almost certain)" in words
    assert "Why: by then the water has gathered the heat it needs" in words
    assert "Your notes: empty skins on 28 May moved it 2 days earlier" in words
    same = replace(told, info=replace(told.info, note_effects=(replace(noted, width_after=14),)))
    assert "moved it 2 days earlier, to 7 Jun." in str(next(iter(events(calendar_text(same)).values()))["description"])
    assert "Never judge ice" in words
    assert "95 %" in str(first["summary"])


def test_notes_are_told_of_the_first_brood_alone() -> None:
    """Effects are worked out for the first brood; another brood's dates moved otherwise or not at all."""
    day = dt.date(2023, 6, 1)
    noted = NoteEffect("L0", "speckled_dun", "emergence", 2023, "sightings", 1, "pupae", AS_OF, day, day, 14, 9)
    result = make_result(NAMES[:1], unsure=())
    told = replace(result, info=replace(result.info, note_effects=(noted,)))
    found = [e for e in events(calendar_text(told)).values() if "Speckled" in e["summary"]]
    with_notes = {str(e["summary"]).split(": ")[1].split(",")[1] for e in found if "Your notes" in e["description"]}
    assert with_notes == {" brood 1 hatch"} and any("brood 2" in e["summary"] for e in found)


def test_a_thin_brood_has_no_event() -> None:
    """A best week under 10 % (our prior): no best week and no even window either; at 10 % the even window stands."""
    for chance, kinds in ((0.099, set()), (0.1, {b"even window"})):
        result = make_result(NAMES[:1], unsure=())
        windows = result.windows.copy()
        windows.loc[windows["brood"] == 2, "best_week_chance"] = chance
        found = events(calendar_text(replace(result, windows=windows))).values()
        assert {e["categories"].to_ical() for e in found if "brood 2" in e["summary"]} == kinds


def test_unsure_insects_are_shown_where_no_other_is_known() -> None:
    everything = make_result(NAMES[:1], unsure=("bluets", "spreadwings", "lake_midge", "speckled_dun", "boatmen"))
    words = [str(e["description"]) for e in events(calendar_text(everything)).values()]
    assert sum("may live here" in w for w in words) > 8
    some = make_result(NAMES[:1], unsure=("speckled_dun",))
    assert not any("may live here" in str(e["description"]) for e in events(calendar_text(some)).values())


def test_any_text_stays_text() -> None:
    result = make_result(NASTY)
    found = events(calendar_text(result))
    assert len(found) == len(list(expected(result)))
    assert not any(str(e["summary"]).startswith("forged") for e in found.values())
    assert {str(e["location"]) for e in found.values()} == {
        "<script>alert(1)</script>", "בריכת השחר", "🐟 o'clock \"pool\", fish; chips\\n & sons",
        "Line BEGIN:VEVENT SUMMARY:forged", "x" * 300,
    }  # fmt: skip
    assert [f["properties"]["name"] for f in json.loads(map_text(result))["features"]][4] == "x" * 300


# ---------------------------------------------------------------- the map


def test_map_is_valid_geojson(result: RunResult) -> None:
    found = geojson.loads(map_text(result))
    assert isinstance(found, geojson.FeatureCollection) and found.is_valid and not found.errors()
    assert len(found["features"]) == len(NAMES)
    for feature, lake in zip(found["features"], result.info.lakes.itertuples(), strict=True):
        assert feature["geometry"]["coordinates"] == [lake.longitude, lake.latitude]  # 3.1.1: longitude first
        mine = result.windows[result.windows["lake_id"] == lake.lake_id]
        windows = feature["properties"]["windows"]
        assert [w["taxon"] for w in windows] == mine["taxon"].tolist()
        assert [w["best_week_start"] for w in windows] == mine["best_week_start"].dt.strftime("%Y-%m-%d").tolist()
    assert "crs" not in found  # 4: always WGS 84


def test_map_says_what_comes_next(result: RunResult) -> None:
    said = json.loads(map_text(result))["features"][0]["properties"]["next"]
    assert said.startswith("Bluets, nymphs on the move: ") and said.endswith("%")


def test_missing_or_turned_coordinates(result: RunResult) -> None:
    lakes = result.info.lakes.assign(longitude=[190.0, *[-3.0] * 5], latitude=[54.0] * 5 + [float("nan")])
    features = json.loads(map_text(replace(result, info=replace(result.info, lakes=lakes))))["features"]
    assert features[0]["geometry"]["coordinates"][0] == -170.0
    assert features[5]["geometry"] is None


# ---------------------------------------------------------------- guests


def test_guest_copies_hold_shared_lakes_alone_and_no_place(result: RunResult) -> None:
    lakes = result.info.lakes.assign(share=["yes", "no", "yes", "", "no", "no"])
    private = replace(result, info=replace(result.info, lakes=lakes))
    pages = further_files(private, {"calendar", "map"}, None, shared_lakes(private))
    assert set(pages) == {*FILES.values(), *GUEST_FILES.values()}
    pages = {name: str(text) for name, text in pages.items()}
    calendar, points = pages["windows_guest.ics"], json.loads(pages["windows_guest.geojson"])
    for name in (NAMES[1], *NAMES[3:]):
        assert name in pages["windows.ics"] and name not in calendar + pages["windows_guest.geojson"]
    assert "GEO:" in pages["windows.ics"] and "GEO:" not in calendar
    assert [f["properties"]["name"] for f in points["features"]] == [NAMES[0], NAMES[2]]
    assert all(f["geometry"] is None for f in points["features"])
    assert geojson.loads(pages["windows_guest.geojson"]).is_valid
    text: Any = pages["windows_guest.geojson"]
    assert "latitude" not in text and "coordinates" not in text


def test_nothing_asked_for_nothing_made(result: RunResult) -> None:
    assert further_files(result, {"windows"}, None, ("L0",)) == {}

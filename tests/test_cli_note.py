"""``emergence note`` on the command line: one line a note, words guides use, refusals, doubts, tables in and out."""

from __future__ import annotations

import datetime as dt
import json
import math
import os
import shutil
import sqlite3
import subprocess
import sys
import tomllib
from collections.abc import Sequence
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from hypothesis import given
from hypothesis import strategies as st

from emergence.cli import noting
from emergence.cli.main import main
from emergence.dates import day_number
from emergence.journal import checks
from emergence.journal.checks import Place, clock, doubt, number, usual_water
from emergence.journal.entries import Body, Entry, IceDate, Note, Reading, Sighting, Stamp, standing
from emergence.journal.errors import FILE
from emergence.journal.notes import open_journal, read_notes
from emergence.journal.plain_files import kind_csv, union_csv
from emergence.journal.words import find_level, find_stage, the_words
from emergence.records import LEVELS, STAGES
from emergence.season import observations, read_season
from emergence.taxa.catalogue_io import load_catalogue
from tests.season_folder import write_season

ROOT = Path(__file__).resolve().parents[1]
NOW = dt.datetime(2024, 6, 1, 5, 30, tzinfo=dt.UTC)
"""Still 31 May in the time zone of the season folder of the tests (America/Vancouver)."""
TODAY = day_number(dt.date(2024, 5, 31))
CELSIUS = 'name = "High lakes"\ntime_zone = "America/Vancouver"\n'


@pytest.fixture(autouse=True)
def _clock(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(noting, "now", lambda: NOW)
    monkeypatch.setattr(noting, "writer", lambda: "mara")


@pytest.fixture
def season(tmp_path: Path) -> Path:
    return write_season(tmp_path / "season", {"season.toml": CELSIUS, "taxa/coenagrion.toml": None})


def call(command: str, season: Path, *words: str, given: str | None = None) -> Result:
    return CliRunner().invoke(main, ["note", command, str(season), *words], input=given)


def bodies(season: Path) -> list[Body]:
    return [note.body for note in standing(read_notes(season))]


def said(result: Result) -> str:
    return " ".join(result.output.split())


# ---------------------------------------------------------------- one line


def test_a_reading_in_one_line_takes_the_last_lake_and_today(season: Path) -> None:
    assert call("reading", season, "9.5", "--lake", "birch").exit_code == 0
    result = call("reading", season, "11")
    assert result.exit_code == 0 and result.stdout == "note 2: Birch Lake, 31 May 2024, 11 °C\n"
    assert bodies(season) == [Reading("birch", TODAY, 9.5), Reading("birch", TODAY, 11.0)]
    (note, _) = read_notes(season)
    assert note.stamp == Stamp("2024-06-01T05:30:00.000000Z", "command", "mara")


def test_a_folder_in_fahrenheit_is_told_in_fahrenheit_and_feet(season: Path) -> None:
    (season / "season.toml").write_text(CELSIUS + '[units]\ntemperature = "F"\nlength = "ft"\n', encoding="utf-8")
    assert "between 28.4 °F and 113 °F" in said(call("reading", season, "20", "--lake", "alder"))
    warm = said(call("reading", season, "80", "--lake", "alder", "--date", "2024-03-01", "--depth", "200"))
    assert "80 °F in March is far from usual here (about 3" in warm and "°C in" not in warm
    assert "200 ft below the surface of a lake that is" in warm


def test_notes_of_a_lake_are_listed_by_its_name_and_a_wrong_one_is_told(season: Path) -> None:
    call("reading", season, "9.5", "--lake", "birch")
    assert "9.5 °C" in call("list", season, "--lake", "birch LAKE").stdout
    wrong = call("list", season, "--lake", "Bich Lake")
    assert wrong.exit_code == 2 and "Did you mean 'birch lake'?" in wrong.stderr


def test_of_many_doubtful_notes_the_first_are_named(season: Path, tmp_path: Path) -> None:
    rows = "".join(f"alder,2023-01-{day:02d},20\n" for day in range(1, 31))
    table = tmp_path / "warm.csv"
    table.write_text("lake_id,date,water_c\n" + rows, encoding="utf-8")
    result = call("reading", season, "--from", str(table))
    assert result.exit_code == 0 and result.stderr.count("doubtful: ") == 20
    assert "and 10 more doubtful ones" in result.stderr
    undone = call("undo", season)
    assert undone.stdout.count("undone, note") == 20 and "and 10 more of the same import" in undone.stdout


def test_the_only_lake_need_not_be_named(tmp_path: Path) -> None:
    lakes = "lake_id,latitude,longitude,elevation_m\nalder,51.2,-119.4,420\n"
    season = write_season(tmp_path, {"season.toml": CELSIUS, "lakes.csv": lakes, "residents.csv": None})
    assert call("ice", season, "off", "--date", "2024-04-20").exit_code == 0
    assert bodies(season) == [IceDate("alder", day_number(dt.date(2024, 4, 20)), "off")]


@pytest.mark.parametrize(
    ("words", "water_c"),
    [(("56F",), 13.3333), (("56", "--f"), 13.3333), (("13,5",), 13.5), (("13.5 °C",), 13.5), (("-0.5",), -0.5)],
)
def test_units_of_a_reading(season: Path, words: tuple[str, ...], water_c: float) -> None:
    result = call("reading", season, *words, "--lake", "cedar", "--depth", "2ft", "--hour", "14:30")
    assert result.exit_code == 0, result.output
    assert bodies(season) == [Reading("cedar", TODAY, water_c, 0.6096, 14.5)]


def test_a_bare_number_is_in_the_units_of_the_season(season: Path) -> None:
    (season / "season.toml").write_text(CELSIUS + '[units]\ntemperature = "F"\nlength = "ft"\n', encoding="utf-8")
    result = call("reading", season, "56", "--lake", "alder", "--depth", "2")
    assert "56 °F (13.3 °C) at 2 ft" in result.stdout
    assert call("reading", season, "13.5C").exit_code == 0
    assert bodies(season) == [Reading("alder", TODAY, 13.3333, 0.6096), Reading("alder", TODAY, 13.5)]


@pytest.mark.parametrize(
    ("words", "taxon", "stage", "level"),
    [
        ("damsel high swimming many", "coenagrion", "moving", "many"),
        ("coenagrion near bottom", "coenagrion", "young", "few"),
        ("damsel climbing 25", "coenagrion", "moving", "many"),
        ("migrating nymph coenagrion", None, "", ""),
        ("damsel nymph none", "coenagrion", "young", "none"),
        ("traveller sedge adults flying a few", "phryganeid", "adult", "few"),
        ("sedge empty skins 3", "phryganeid", "empty_skin", "few"),
        ("chironomid pupae hanging lots", "chironomus", "pupa", "many"),
        ("bloodworm 0", "chironomus", "young", "none"),
        ("hex spinner many", "hexagenia", "adult", "many"),
        ("coenagrion empty_skin few", "coenagrion", "empty_skin", "few"),
        ("many damsels climbing", "coenagrion", "moving", "many"),
        ("saw none traveller sedge adults", "phryganeid", "adult", "none"),
    ],
)
def test_words_guides_use(season: Path, words: str, taxon: str | None, stage: str, level: str) -> None:
    result = call("sighting", season, *words.split(), "--lake", "alder", "--minutes", "20")
    if taxon is None:
        assert result.exit_code == 2 and bodies(season) == []
        return
    assert result.exit_code == 0, result.output
    assert bodies(season) == [Sighting("alder", TODAY, taxon, stage, level, 20.0)]


def test_looked_and_saw_none_is_an_observation(season: Path) -> None:
    words = ("damsel", "climbing", "none", "--lake", "alder", "--minutes", "45", "--observer", "M", "--note", "wind, 4")
    result = call("sighting", season, *words)
    assert result.stdout == "note 1: Alder Pond, 31 May 2024, coenagrion moving: none, looked 45 min, M, wind, 4\n"
    assert bodies(season) == [Sighting("alder", TODAY, "coenagrion", "moving", "none", 45.0, "M", "wind, 4")]


@pytest.mark.parametrize(
    ("command", "words", "sentences"),
    [
        ("reading", ("13", "--lake", "aldr"), ["found 'aldr'", "Did you mean 'alder'?"]),
        ("reading", ("13", "--lake", "Birch Lak"), ["Did you mean 'birch lake'?"]),
        ("reading", ("13",), ["the lake is missing"]),
        ("reading", ("--lake", "alder"), ["the temperature is missing"]),
        ("reading", ("56", "--lake", "alder"), ["between -2 °C and 45 °C", "56F"]),
        ("reading", ("warm", "--lake", "alder"), ["this is no number"]),
        ("reading", ("nan", "--lake", "alder"), ["this is no number"]),
        ("reading", ("13ft", "--lake", "alder"), ["the unit does not belong here"]),
        ("reading", ("13", "--lake", "alder", "--hour", "25"), ["between 0 and 24"]),
        ("reading", ("13", "--lake", "alder", "--depth=-1"), ["the depth in metres must lie between"]),
        ("reading", ("13", "--lake", "alder", "--date", "2024-06-01"), ["after today (2024-05-31)"]),
        ("reading", ("13", "--lake", "alder", "--date", "31.5.2024"), ["this is no date"]),
        ("reading", ("13", "--lake", "alder", "--date", "2023-02-29"), ["this is no date"]),
        ("reading", ("99", "--lake", "elder", "--date", "x"), ["elder", "99", "this is no date"]),
        ("ice", ("gone", "--lake", "alder"), ["must be on or off"]),
        ("sighting", ("damzel", "moving", "--lake", "alder"), ["Did you mean coenagrion?", "emergence taxa"]),
        ("sighting", ("damselfly", "moving", "--lake", "alder"), ["coenagrion or ischnura or lestes"]),
        ("sighting", ("damsel", "climing", "--lake", "alder"), ["Did you mean 'climbing'?"]),
        ("sighting", ("damsel", "pupa", "--lake", "alder"), ["coenagrion has no pupa"]),
        ("sighting", ("damsel", "moving", "--minutes", "2000", "--lake", "alder"), ["between 0 and 1440"]),
        ("sighting", ("damsel", "moving", "--note", "a\nb", "--lake", "alder"), ["line breaks"]),
        ("sighting", ("--lake", "alder"), ["the insect is missing"]),
        ("sighting", ("damsel", "none", "--lake", "alder"), ["the stage is missing (which one did you see, or look"]),
        ("sighting", ("damsel", "looked,", "saw", "none", "--lake", "alder"), ["stage: the stage is missing"]),
    ],
)
def test_what_cannot_be_is_refused_with_the_reason(
    season: Path, command: str, words: tuple[str, ...], sentences: Sequence[str]
) -> None:
    result = call(command, season, *words)
    assert result.exit_code == 2, result.output
    assert "nothing was noted" in result.output and "Traceback" not in result.output
    assert not [sentence for sentence in sentences if sentence not in said(result)], result.output
    assert not (season / FILE).exists()


def test_the_same_note_twice_counts_once(season: Path) -> None:
    for _ in range(2):
        result = call("reading", season, "56F", "--lake", "alder")
    assert result.exit_code == 0 and "note 1 says that already (counted once)" in result.stdout
    assert len(bodies(season)) == 1


def test_ice_on_against_ice_off_is_refused_until_one_is_undone(season: Path) -> None:
    call("ice", season, "off", "--lake", "alder", "--date", "2024-04-20")
    result = call("ice", season, "on", "--lake", "alder", "--date", "2024-04-20")
    assert result.exit_code == 2 and "note undo SEASON 1" in said(result)
    assert call("undo", season, "1").exit_code == 0
    assert call("ice", season, "on", "--lake", "alder", "--date", "2024-04-20").exit_code == 0


def test_a_season_that_is_no_folder_and_one_without_lakes(tmp_path: Path) -> None:
    for command in ("reading", "ice", "sighting", "list", "undo", "export", "restore"):
        words = ("13",) if command in ("reading", "ice", "sighting") else ()
        result = call(command, tmp_path / "nowhere", *words)
        assert result.exit_code == 2 and "is not a folder" in result.output, command
    result = call("reading", tmp_path, "13")
    assert result.exit_code == 1 and "lakes.csv" in result.output


# ---------------------------------------------------------------- doubts


def test_a_doubtful_note_is_kept_and_marked_where_nobody_can_be_asked(season: Path) -> None:
    result = call("reading", season, "26", "--lake", "alder", "--date", "2024-04-10")
    assert result.exit_code == 0 and "26 °C in April is far from usual here" in result.stderr
    (note,) = read_notes(season)
    assert note.stands and "April" in note.doubt and not note.confirmed
    assert "(doubtful: 26 °C in April" in call("list", season).stdout


@pytest.mark.parametrize(("answer", "kept"), [("y", True), ("", True), ("n", False)])
def test_at_a_terminal_a_doubtful_note_is_asked_about(
    season: Path, monkeypatch: pytest.MonkeyPatch, answer: str, kept: bool
) -> None:
    monkeypatch.setattr(noting, "at_terminal", lambda: True)
    result = call("ice", season, "off", "--lake", "alder", "--date", "2023-07-20", given=f"{answer}\n")
    assert result.exit_code == 0 and "Note it all the same?" in result.stderr
    notes = read_notes(season)
    assert [note.confirmed for note in notes] == ([True] if kept else [])
    assert ("not noted" in result.stderr) is not kept


@pytest.mark.parametrize(("before", "doubtful"), [(0, False), (1, True), (60000, True)])
def test_a_date_before_the_weather_begins_is_doubted(season: Path, before: int, doubtful: bool) -> None:
    first = min(p.read_text(encoding="utf-8").splitlines()[1][:10] for p in (season / "weather").glob("*.csv"))
    date = dt.date.fromisoformat(first) - dt.timedelta(before)
    result = call("sighting", season, "damsel", "young", "few", "--lake", "alder", "--date", str(date))
    assert result.exit_code == 0, result.output
    (note,) = read_notes(season)
    assert note.stands and (f"{date} lies before the weather begins ({first})" in note.doubt) is doubtful
    assert ("marked as doubtful" in result.stderr) is doubtful


def test_without_weather_no_date_is_doubted(season: Path) -> None:
    shutil.rmtree(season / "weather")
    assert call("sighting", season, "damsel", "young", "few", "--lake", "alder", "--date", "1960-06-01").exit_code == 0
    assert read_notes(season)[0].doubt == ""


VALLEY, FELL, FAR_SOUTH = Place(51.2, 420.0), Place(51.6, 1480.0), Place(-44.0, 300.0)


@pytest.mark.parametrize(
    ("place", "date", "water_c", "doubtful"),
    [
        (VALLEY, "2024-04-10", 26.0, True),
        (VALLEY, "2024-04-10", 8.0, False),
        (VALLEY, "2024-07-25", 26.0, False),
        (VALLEY, "2024-07-25", 38.0, True),
        (VALLEY, "2024-07-25", 5.0, True),
        (FELL, "2024-07-25", 12.0, False),
        (FELL, "2024-07-25", 30.0, True),
        (FAR_SOUTH, "2024-01-25", 20.0, False),
        (FAR_SOUTH, "2024-07-25", 20.0, True),
        (Place(), "2024-01-01", 40.0, False),
    ],
)
def test_readings_far_from_the_usual_are_doubted(place: Place, date: str, water_c: float, doubtful: bool) -> None:
    body = Reading("x", day_number(dt.date.fromisoformat(date)), water_c)
    assert bool(doubt(body, place)) is doubtful


def test_deep_water_may_be_cold_and_insects_do_not_fly_in_midwinter() -> None:
    july, january = (day_number(dt.date(2024, month, 15)) for month in (7, 1))
    assert not doubt(Reading("x", july, 5.0, depth_m=12.0), VALLEY)
    assert doubt(Sighting("x", january, "chironomus", "adult", "few"), FELL)
    assert not doubt(Sighting("x", january, "chironomus", "adult", "none"), FELL)
    assert not doubt(Sighting("x", january, "chironomus", "young", "few"), FELL)


def test_no_note_of_the_demo_is_doubted() -> None:
    """The demo's waters come from another model of an invented country; honest notes must not be doubted."""
    season = read_season(ROOT / "data_demo", today=day_number(dt.date(2026, 12, 31)))
    rows = zip(season.lakes.lake_id, season.lakes.latitude, season.lakes.elevation_m, strict=True)
    places = {lake: Place(float(latitude), float(height)) for lake, latitude, height in rows}
    r, ice = season.readings, season.ice
    readings = [
        Reading(lake, int(day), float(water), None if math.isnan(depth) else float(depth))
        for lake, day, water, depth in zip(r.lake_id, r.day, r.water_c, r.depth_m, strict=True)
    ]
    dates = [IceDate(*row) for row in zip(ice.lake_id, ice.day.tolist(), ice.event, strict=True)]
    assert len(readings) > 500 and len(dates) > 100
    assert not [body for body in (*readings, *dates) if doubt(body, places[body.lake_id])]


def test_usual_water_turns_with_the_hemisphere() -> None:
    """Half a year later in the south, the same height and latitude give the same water."""
    north, south = usual_water(Place(50.0, 0.0), 19_900), usual_water(Place(-50.0, 0.0), 19_900 + 182)
    assert north == pytest.approx(south, abs=0.3)  # the half year is 183 of 365 days: one day, at most 0.26 °C


# ---------------------------------------------------------------- numbers and words


def test_the_journal_refuses_what_the_files_would_leave_out() -> None:
    """What is acknowledged must count: the bounds are those of readings.csv and sightings.csv."""
    for mine, files in (
        (checks.WATER_C, observations.WATER),
        (checks.DEPTH_M, observations.DEPTH),
        (checks.HOUR, observations.HOUR),
        (checks.MINUTES, observations.MINUTES),
    ):
        assert mine == (files.low, files.high)
    assert day_number(dt.date(1800, 1, 1)) == checks.FIRST_DAY


def test_units_are_converted_as_defined() -> None:
    """°F by its fixed points (32 °F = 0 °C, 212 °F = 100 °C); the foot is 0.3048 m by definition (1959)."""
    assert number("32F", "C") == 0.0 and number("212", "F") == pytest.approx(100.0, abs=1e-12)
    assert number("10ft", "m") == pytest.approx(3.048, abs=1e-12) and number("10'", "m") == number("10", "ft")
    assert (clock("14:30"), clock("14"), clock("0:06")) == (14.5, 14.0, 0.1)
    assert [clock(hour) for hour in ("2pm", "2:30 PM", "12am", "12:15 p.m.", "9:06am")] == [14, 14.5, 0, 12.25, 9.1]


def test_each_word_leads_to_one_stage_or_level() -> None:
    words = the_words()
    assert set(words.stages.values()) == set(STAGES) and set(words.levels.values()) == set(LEVELS)
    assert all(find_stage(stage) == stage for stage in STAGES) and all(find_level(level) == level for level in LEVELS)
    table = tomllib.loads((ROOT / "emergence" / "journal" / "words.toml").read_text(encoding="utf-8"))
    listed = [word for group in ("stages", "levels") for named in table[group].values() for word in named]
    assert len(listed) == len(set(listed)) > 100, "a word stands under two stages"
    assert not set(words.stages) & set(words.levels), "a word that is a stage and an amount cannot be told apart"
    asked = ("near bottom", "high swimming", "climbing", "empty skins", "adults flying", "pupae hanging", "shucks")
    assert [find_stage(word) for word in asked] == [
        *("young", "moving", "moving", "empty_skin", "adult", "pupa", "empty_skin"),
    ]
    assert [find_level(word) for word in ("0", "1", "9", "10", "200+", "-1", "1.5")] == [
        *("none", "few", "few", "many", "many", None, None),
    ]


def test_a_taxons_own_words_come_first() -> None:
    assert find_stage("dun", {"dun": "mature"}) == "mature"
    for taxon in load_catalogue().values():
        assert all(find_stage(word, taxon.stage_words) == stage for word, stage in taxon.stage_words.items())


# ---------------------------------------------------------------- tables in and out

LINE = st.text(st.characters(exclude_categories=("Cc", "Cs", "Zl", "Zp")), max_size=30).map(
    lambda t: " ".join(t.split())
)
DAYS = st.integers(0, TODAY)
BODIES = st.one_of(
    st.builds(
        Reading,
        st.sampled_from(["alder", "birch"]),
        DAYS,
        st.floats(-2, 45),
        st.none() | st.floats(0, 1700),
        st.none() | st.floats(0, 24),
    ),
    st.builds(IceDate, st.sampled_from(["alder", "cedar"]), DAYS, st.just("off")),
    st.builds(
        Sighting,
        st.sampled_from(["alder", "cedar"]),
        DAYS,
        st.just("chironomus"),
        st.sampled_from(STAGES),
        st.sampled_from(LEVELS),
        st.none() | st.floats(0, 1440),
        LINE,
        LINE,
    ),
)


@given(st.lists(BODIES, max_size=12))
def test_what_is_exported_comes_back_the_same(tmp_path_factory: pytest.TempPathFactory, written: list[Body]) -> None:
    folder = tmp_path_factory.mktemp("round")
    season = write_season(folder / "a", {"season.toml": CELSIUS, "taxa/coenagrion.toml": None})
    notes = tuple(Note(k, body, Stamp("t")) for k, body in enumerate(written, start=1))
    path = folder / "notes.csv"
    path.write_text(union_csv(notes), encoding="utf-8")
    desk = noting.open_desk(season)
    drafts = [row.draft for row in noting.read_rows(str(path), None, desk)]
    assert all(isinstance(draft, Entry) for draft in drafts), drafts
    assert {draft.body for draft in drafts if isinstance(draft, Entry)} == set(written)


def test_export_and_import_carry_a_journal_over(season: Path, tmp_path: Path) -> None:
    call("reading", season, "56F", "--lake", "alder", "--depth", "2ft")
    call("ice", season, "off", "--lake", "cedar", "--date", "2024-05-02")
    call("sighting", season, "damsel", "climbing", "none", "--lake", "birch", "--note", 'said "no", twice')
    call("reading", season, "7", "--lake", "alder")
    call("undo", season)
    out = call("export", season)
    assert out.stdout.splitlines()[0] == (
        "kind,lake_id,date,water_c,depth_m,hour,event,taxon,stage,level,minutes,observer,note"
    )
    other = write_season(tmp_path / "other", {"season.toml": CELSIUS, "taxa/coenagrion.toml": None})
    result = call("import", other, "-", given=out.stdout)
    assert result.exit_code == 0 and "3 noted, 0 noted before (counted once), 0 refused" in result.stdout
    assert sorted(map(str, bodies(other))) == sorted(map(str, bodies(season)))
    assert {note.stamp.source for note in read_notes(other)} == {"import standard input"}
    again = call("import", other, "-", given=out.stdout)
    assert "0 noted, 3 noted before (counted once), 0 refused" in again.stdout
    assert call("export", other).stdout == out.stdout
    undone = call("undo", other)
    assert undone.stdout.count("undone, note") == 3 and bodies(other) == []


def test_exported_files_have_the_form_of_the_season_folder_and_overwrite_nothing(season: Path, tmp_path: Path) -> None:
    call("import", season, "-", given="kind,lake_id,date,water_c\nreading,alder,2024-05-20,11\n")
    call("ice", season, "off", "--lake", "cedar", "--date", "2024-05-02")
    out = tmp_path / "out"
    assert call("export", season, "--out", str(out)).exit_code == 0
    assert (out / "readings.csv").read_text(encoding="utf-8") == (
        "lake_id,date,water_c,depth_m,hour\nalder,2024-05-20,11,,\n"
    )
    assert (out / "ice.csv").read_text(encoding="utf-8") == "lake_id,date,event\ncedar,2024-05-02,off\n"
    header = "lake_id,date,taxon,stage,level,minutes,observer,note\n"
    assert (out / "sightings.csv").read_text(encoding="utf-8") == header
    before = {path.name: path.read_bytes() for path in out.iterdir()}
    refused = call("export", season, "--out", str(out), "--kind", "ice")
    assert refused.exit_code == 2 and "nothing was written" in refused.output
    assert {path.name: path.read_bytes() for path in out.iterdir()} == before
    one = call("export", season, "--kind", "ice")
    assert one.stdout == kind_csv(read_notes(season), "ice")


def test_exported_files_come_back_each_by_its_columns_and_count_once(season: Path, tmp_path: Path) -> None:
    call("reading", season, "56F", "--lake", "alder", "--depth", "2ft", "--hour", "14:30")
    call("ice", season, "off", "--lake", "cedar", "--date", "2024-05-02")
    call("sighting", season, "damsel", "climbing", "none", "--lake", "birch", "--minutes", "45")
    out = tmp_path / "out"
    call("export", season, "--out", str(out))
    other = write_season(tmp_path / "other", {"season.toml": CELSIUS, "taxa/coenagrion.toml": None})
    for name in ("readings.csv", "ice.csv", "sightings.csv"):
        assert call("import", other, str(out / name)).exit_code == 0
    assert sorted(map(str, bodies(other))) == sorted(map(str, bodies(season)))
    for name in ("readings.csv", "ice.csv", "sightings.csv"):
        again = call("import", other, str(out / name))
        assert again.exit_code == 0 and len(bodies(other)) == 3
    (out / "f.csv").write_text("lake_id,date,water_f\nalder,2024-05-20,50\n", encoding="utf-8")
    assert call("import", other, str(out / "f.csv")).exit_code == 0 and bodies(other)[-1].water_c == 10.0  # type: ignore[union-attr]  # a reading


def test_rows_with_faults_are_listed_and_the_others_noted(season: Path, tmp_path: Path) -> None:
    table = tmp_path / "notes.csv"
    table.write_text(
        "kind,lake_id,date,water_f,depth_ft,taxon,stage,level,event,minutes\n"
        "reading,Alder Pond,2024-05-20,52,2,,,,,\n"
        "reading,alder,2024-05-21,520,2,,,,,\n"
        "sighting,birch,2024-05-20,,,damsel,high swimming,lots,,20\n"
        "sighting,birch,2024-05-20,,,damzel,high swimming,lots,,20\n"
        "ice,cedar,2024-05-02,,,,,,off,\n"
        "ice,cedar,2024-05-02,,,,,,on,\n"
        "ice,cedar,,,,,,,off,\n"
        "swim,cedar,2024-05-02,,,,,,,\n"
        "ice,cedar,2024-05-03,9,,,,,off,\n"
        "reading,alder,2024-04-10,79,NA,,,,,\n"
        "reading,alder,2024-04-11,45,,,,,,,too many cells\n",
        encoding="utf-8",
    )
    result = call("import", season, str(table))
    assert result.exit_code == 1
    assert "4 noted, 0 noted before (counted once), 7 refused" in result.stdout
    told = said(result)
    for row, sentence in (
        (3, "water_c: water must lie between"),
        (5, "taxon: no insect is called that (found 'damzel'). Did you mean coenagrion?"),
        (8, "date: the date is missing"),
        (9, "kind: it must be one of reading, ice, sighting"),
        (10, "water_c: a note of kind ice has no water_c"),
    ):
        assert f"refused: notes.csv, row {row}, {sentence}" in told, told
    assert "row 7: note 3 gives the opposite ice event" in told and "row 12" in told
    assert "doubtful: notes.csv, row 11" in told
    day = day_number(dt.date(2024, 5, 20))
    assert bodies(season) == [
        Reading("alder", day, 11.1111, 0.6096),
        Sighting("birch", day, "coenagrion", "moving", "many", 20.0),
        IceDate("cedar", day_number(dt.date(2024, 5, 2)), "off"),
        Reading("alder", day_number(dt.date(2024, 4, 10)), 26.1111),
    ]


def test_from_takes_the_columns_of_one_kind(season: Path) -> None:
    result = call("reading", season, "--from", str(season / "readings.csv"))
    assert result.exit_code == 0 and "3 noted" in result.stdout
    assert [body.lake_id for body in bodies(season)] == ["alder", "alder", "birch"]
    assert call("ice", season, "--from", str(season / "ice.csv")).exit_code == 0
    assert call("sighting", season, "--from", str(season / "sightings.csv")).exit_code == 0
    assert len(bodies(season)) == 8
    both = call("reading", season, "--from", "x.csv", "--lake", "alder")
    assert both.exit_code == 2 and "leave out lake_id" in both.output


@pytest.mark.parametrize(
    ("content", "sentence"),
    [
        (b"lake_id,date\nalder,2024-05-01\n", "the column kind is missing"),
        (b"lake_id,date,water_c,event\nalder,2024-05-01,9,\n", "not those of one kind of note"),
        (b"PK\x03\x04", "an Excel or OpenDocument workbook"),
        (b"", "the file is empty"),
        (b"kind,lake_id,date\n\xff\xfe", "not UTF-8"),
    ],
)
def test_a_table_that_cannot_be_read_is_refused_whole(season: Path, content: bytes, sentence: str) -> None:
    (season / "x.csv").write_bytes(content)
    result = call("import", season, str(season / "x.csv"))
    assert result.exit_code == 1 and sentence in said(result) and not (season / FILE).exists()
    missing = call("import", season, str(season / "y.csv"))
    assert missing.exit_code == 1 and "cannot be opened" in said(missing)


def test_list_shows_the_latest_and_json_all_that_is_known(season: Path) -> None:
    assert "no notes" in call("list", season).stderr
    for k in range(4):
        call("reading", season, str(10 + k), "--lake", "alder" if k % 2 else "birch")
    call("undo", season)
    assert [line.split()[0] for line in call("list", season, "--last", "2").stdout.splitlines()] == ["2", "3"]
    assert [line.split()[0] for line in call("list", season, "--lake", "birch").stdout.splitlines()] == ["1", "3"]
    assert "(undone 2024-06-01)" in call("list", season, "--undone").stdout
    held = json.loads(call("list", season, "--json", "--undone").stdout)
    assert held["format"] == 1 and [n["id"] for n in held["notes"]] == [1, 2, 3, 4]
    assert held["notes"][0] == {
        "id": 1, "kind": "reading", "lake_id": "birch", "date": "2024-05-31", "water_c": 10.0, "depth_m": None,
        "hour": None, "about": {
            "created": "2024-06-01T05:30:00.000000Z", "source": "command", "writer": "mara", "doubt": "",
            "confirmed": False, "undone": "",
        },
    }  # fmt: skip


def test_undo_without_a_journal_and_of_somebody_else(season: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    assert call("undo", season).exit_code == 2
    call("reading", season, "10", "--lake", "alder")
    monkeypatch.setattr(noting, "writer", lambda: "tove")
    result = call("undo", season)
    assert result.exit_code == 1 and "nothing to undo" in result.output
    assert call("undo", season, "1").exit_code == 0


# ---------------------------------------------------------------- trouble


def test_a_damaged_journal_says_the_way_out_and_the_way_works(season: Path) -> None:
    for k in range(60):
        with open_journal(season, now=NOW) as journal:
            journal.add([Entry(Reading("alder", 19_000 + k, 10.0))], Stamp("t", "command", "mara"))
    call("reading", season, "10", "--lake", "alder")  # this makes the backup copy
    path = season / FILE
    path.write_bytes(path.read_bytes()[:8192] + bytes(20_000) + path.read_bytes()[28_192:])
    for command, words in (("reading", ("11", "--lake", "alder")), ("list", ()), ("undo", ())):
        result = call(command, season, *words)
        assert result.exit_code == 1 and "damaged" in result.output and "note restore" in result.output, command
        assert "Traceback" not in result.output
    out = call("export", season)
    assert out.exit_code == 1 and "could be read" in out.stderr and out.stdout.startswith("kind,")
    restored = call("restore", season)
    assert restored.exit_code == 0 and "new journal: 61 notes" in restored.stdout
    assert len(bodies(season)) == 61
    assert "sound: 61 notes" in call("restore", season).stdout
    assert call("reading", season, "11").exit_code == 0


def test_the_note_is_safe_when_only_the_copy_fails(season: Path) -> None:
    (season / "journal.backup.sqlite").mkdir()
    (season / FILE).write_bytes(b"")
    result = call("reading", season, "10", "--lake", "alder")
    assert result.exit_code == 0 and "The note is safe, but" in result.stderr and len(bodies(season)) == 1


def test_note_loads_no_tables_or_fits(season: Path) -> None:
    """A note is written on the water: nothing slow may be loaded for it."""
    code = (
        "import sys\nfrom click.testing import CliRunner\nfrom emergence.cli.main import main\n"
        f"words = ['note', 'reading', {str(season)!r}, '5', '--lake', 'alder', '--date', '2024-05-01']\n"
        "assert CliRunner().invoke(main, words).exit_code == 0\n"
        "heavy = {'pandas', 'scipy', 'statsmodels', 'vl_convert', 'rich', 'numba', 'meteostat'}\n"
        "print(','.join(sorted(heavy & set(sys.modules))))\n"
    )
    words = [sys.executable, "-c", code]
    done = subprocess.run(words, capture_output=True, text=True, check=True, env=dict(os.environ), cwd=ROOT)
    assert done.stdout.strip() == ""


def test_the_journal_is_an_ordinary_sqlite_file(season: Path) -> None:
    call("reading", season, "10.5", "--lake", "alder")
    connection = sqlite3.connect(season / FILE)
    rows = connection.execute("SELECT lake_id, date, water_c, depth_m, hour FROM readings").fetchall()
    connection.close()
    assert rows == [("alder", "2024-05-31", 10.5, None, None)]

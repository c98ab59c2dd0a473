"""The command from folder to files: a plan, a plan a week later, no plan, and why."""

import csv
import json

import pytest
from click.testing import CliRunner
from trip_season import TRIPS, trip_season

from emergence.cli.main import main


@pytest.fixture
def work(tmp_path, monkeypatch):
    (tmp_path / "work").mkdir()
    monkeypatch.chdir(tmp_path / "work")
    return tmp_path


def run(*arguments):
    return CliRunner().invoke(main, ["trips", *map(str, arguments)])


def rows(folder):
    with (folder / "plan.csv").open(newline="") as file:
        return list(csv.DictReader(file))


def test_a_plan_then_the_week_after_it_stands_or_says_what_it_gains(work):
    season = trip_season(work / "season")
    before = sorted((p, p.stat().st_mtime_ns) for p in season.rglob("*"))
    first = run(season, "--as-of", "2024-05-24")
    assert first.exit_code == 0, first.output
    assert sorted((p, p.stat().st_mtime_ns) for p in season.rglob("*")) == before  # only read
    home = work / "work" / "reports" / "High lakes" / "trips"
    made = rows(home / "2024-05-24")
    assert {r["party"] for r in made} == {"Moss", "Reed & co", "Sedge"} and {r["status"] for r in made} == {"new"}
    second = run(season, "--as-of", "2024-05-31")
    assert second.exit_code == 0 and "Bookings: reports/High lakes/trips/2024-05-24/plan.csv" in second.output
    again = rows(home / "2024-05-31")
    assert {r["status"] for r in again} <= {"kept", "moved", "fixed"}
    kept = [r for r in again if r["status"] != "moved"]
    old = {(r["party"], r["lake_id"], r["date"]) for r in made}
    assert kept and all((r["party"], r["lake_id"], r["date"]) in old for r in kept)
    assert "CHANGES:" in second.output
    fresh = run(season, "--as-of", "2024-05-31", "--fresh", "--json", "--out", work / "elsewhere")
    assert {t["status"] for t in json.loads(fresh.stdout)["trips"]} == {"new"}
    assert (work / "elsewhere" / "plan.csv").is_file()


def test_without_a_plan_the_rules_are_named_and_nothing_is_written(work):
    trips = TRIPS.replace(
        "Sedge,1,2024-06-10,2024-08-31,2,coenagrion:young,", "Sedge,1,2024-06-03,2024-06-08,2,coenagrion,birch"
    )
    made = run(trip_season(work / "season", trips=trips))
    assert made.exit_code == 1 and "cannot hold together" in made.output and "(spawning)" in made.output
    assert not (work / "work" / "reports").exists()


def test_why_and_what_is_wrong_use(work):
    season = trip_season(work / "season")
    made = run(season, "--why", "moss")
    assert made.exit_code == 0 and made.output.startswith("Moss: ") and "TO INSIST" in made.output
    for arguments, words in (
        (("--why", "mos"), "Did you mean 'Moss'"),
        (("--as-of", "2999-01-01"), "after today"),
        (("--fresh", "--bookings", "x.csv"), "opposite"),
        (("--bookings", "x.csv"), "x.csv is not there"),
    ):
        wrong = run(season, *arguments)
        assert wrong.exit_code == 2 and words in wrong.output, arguments
    none = run(trip_season(work / "none", trips=None))
    assert none.exit_code == 2 and "no trips.csv" in none.output


def test_cautious_says_how_low_the_lowest_chance_is(work):
    made = run(trip_season(work / "season"), "--cautious")
    assert made.exit_code == 0 and "Cautious: every party has at least" in made.output
    assert "no plan gives all of them more" in " ".join(made.output.split())

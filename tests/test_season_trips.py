"""trips.csv, guides.csv, closures.csv, access.csv, travel.csv and [trips]: what is read, and what is wrong with it."""

import math

import pytest
from season_folder import TODAY, write_season

from emergence.dates import day_number, to_date
from emergence.errors import SeasonError
from emergence.records import NO_DAY, TripSettings, Want
from emergence.season import read_season

TRIPS = "party,size,earliest,latest,days,wants,consecutive,lakes,not_regions,booking,booked_lake,booked_start\n"
FINE = "Moss,2,2024-05-01,2024-06-30,3,coenagrion:moving:2; chironomus,,alder; birch,,,,\n"
GUIDES = "guide,from,to,off,boats,guests_per_boat,skills,base,base_latitude,base_longitude\n"
CLOSURES = "lake_id,from,to,reason\n"
ACCESS = "lake_id,open_from,open_to,permit,quota_days,parties_per_day,parties_per_week\n"
TRAVEL = "from,to,hours\n"


def booking(tmp_path, **files):
    named = {f"{name}.csv": text for name, text in files.items()}
    return read_season(write_season(tmp_path, named), today=TODAY).booking


def only(tmp_path, **files):
    named = {f"{name}.{'toml' if name == 'season' else 'csv'}": text for name, text in files.items()}
    with pytest.raises(SeasonError) as caught:
        read_season(write_season(tmp_path, named), today=TODAY)
    (problem,) = [p for p in caught.value.problems if p.severity == "stop"]
    return problem


def test_without_trips_there_is_nothing_to_plan(tmp_path):
    assert booking(tmp_path) is None


def test_parties_are_read_with_their_defaults(tmp_path):
    found = booking(tmp_path, trips=TRIPS + FINE).trips
    assert found.party.tolist() == ["Moss"] and found.size.tolist() == [2] and found.days.tolist() == [3]
    assert to_date(int(found.earliest[0])).isoformat() == "2024-05-01"
    assert found.wants[0] == (Want("coenagrion", "moving", 2.0), Want("chironomus", "moving", 1.0))
    assert found.lakes[0] == ("alder", "birch") and found.regions[0] == ()
    assert (found.consecutive[0], found.change_lake[0], found.booking[0], found.poor_days[0]) == (
        *("yes", "no", "movable", "no"),
    )
    assert found.booked_start[0] == NO_DAY and found.decide_by[0] == NO_DAY and math.isnan(found.move_cost_days[0])


def test_guides_closures_access_and_travel_are_read(tmp_path):
    found = booking(
        tmp_path,
        trips=TRIPS + FINE,
        guides=GUIDES + "Ada,2024-05-01,,sun; 2024-06-02,2,3,fly; boat,home,,\nBo,,,,,,,,51.2,-119.5\n",
        closures=CLOSURES + "birch,2024-06-01,2024-06-15,spawning\n",
        access=ACCESS + "alder,2024-05-10,,held,12,1,2\n",
        travel=TRAVEL + "home,alder,1.5\nhome,birch,2\n",
    )
    guides = found.guides
    assert guides.guide.tolist() == ["Ada", "Bo"]
    assert guides.first[0] == day_number(to_date(guides.first[0])) and guides.last.tolist() == [NO_DAY, NO_DAY]
    assert guides.off[0] == ("sun", "2024-06-02") and guides.boats.tolist() == [2, 1]
    assert guides.guests_per_boat.tolist() == [3, 2] and guides.skills[0] == ("fly", "boat")
    assert found.closures.last[0] - found.closures.first[0] == 14 and found.closures.reason[0] == "spawning"
    assert found.access.quota_days[0] == 12 and found.access.permit[0] == "held" and found.access.open_to[0] == NO_DAY
    assert found.travel.hours.tolist() == [1.5, 2.0]


ROW = "Moss,2,2024-05-01,2024-06-30,3,coenagrion,,,,,,\n"
CASES = [
    ("trips", TRIPS + ROW + ROW.lower(), 3, "party", "there twice", "already in row 2"),
    ("trips", TRIPS + ROW.replace("Moss", ""), 2, "party", "no name", "Write a name"),
    ("trips", TRIPS + ROW.replace(",2,", ",2.5,"), 2, "size", "whole number", "how many guests"),
    ("trips", TRIPS + ROW.replace(",2,", ",0,"), 2, "size", "between 1 and 60", "how many guests"),
    ("trips", TRIPS + ROW.replace("2024-06-30", "2024-04-30"), 2, "latest", "before the earliest", "correct"),
    ("trips", TRIPS + ROW.replace("2024-06-30", "2024-05-02"), 2, "days", "more days are wanted", "There are 2 days"),
    ("trips", TRIPS + ROW.replace("coenagrion", ""), 2, "wants", "what the party wants", "taxon:stage:weight"),
    ("trips", TRIPS + ROW.replace("coenagrion", "coenagrion:movin"), 2, "wants", "moving, hatch, young",
     "Did you mean 'moving'"),
    ("trips", TRIPS + ROW.replace("coenagrion", "coenagrion:moving:-1"), 2, "wants", "weight", "taxon:stage:weight"),
    ("trips", TRIPS + ROW.replace("coenagrion", "coenagrion:moving:1:2"), 2, "wants", "read as wants", "semicolons"),
    ("trips", TRIPS + ROW.replace("coenagrion,,,", "coenagrion,,aldr,"), 2, "lakes", "not in lakes.csv",
     "Did you mean 'alder'"),
    ("trips", TRIPS + ROW.replace("coenagrion,,,,,", "coenagrion,,,,firm,"), 2, "booking", "movable, fixed", "one of"),
    ("trips", TRIPS + ROW.replace("coenagrion,,,,,,", "coenagrion,,,,,alder,"), 2, "booked_lake", "belong together",
     "both"),
    ("trips", TRIPS + ROW.replace("coenagrion,,,,,,", "coenagrion,,,,,alder,2024-06-29"), 2, "booked_start",
     "outside earliest and latest", "widen"),
    ("guides", GUIDES + "Ada,,,sunday,,,,,,\n", 2, "off", "weekdays or dates", "mon to sun"),
    ("guides", GUIDES + "Ada,,,,,,,,51,\n", 2, "base_latitude", "both coordinates", "neither"),
    ("guides", GUIDES + "Ada,,,,,,,home,,\n", 2, "base", "not a place in travel.csv", "Add it"),
    ("guides", GUIDES + "Ada,2024-06-02,2024-06-01,,,,,,,\n", 2, "to", "before the first", "correct"),
    ("closures", CLOSURES + "brich,2024-06-01,2024-06-15,\n", 2, "lake_id", "not in lakes.csv", "Did you mean 'birch'"),
    ("closures", CLOSURES + "birch,2024-06-16,2024-06-15,\n", 2, "to", "before the first", "Exchange"),
    ("access", ACCESS + "birch,,,,,,\nbirch,,,,,,\n", 3, "lake_id", "there twice", "closures.csv"),
    ("access", ACCESS + "birch,,,lost,,,\n", 2, "permit", "held, missing", "one of"),
    ("access", ACCESS + "birch,,,,,0.5,\n", 2, "parties_per_day", "whole number", "how many parties"),
    ("travel", TRAVEL + "alder,birhc,1\n", 2, "to", "neither a lake", "Did you mean 'birch'"),
    ("travel", TRAVEL + "alder,birch,1\nalder,birch,2\n", 3, "hours", "other hours", "Row 2"),
    ("season", "[trips]\nfairness = 2.0\n", 2, "trips.fairness", "number from 0 to 1", "fairness = 0.5"),
]  # fmt: skip


@pytest.mark.parametrize(("file", "text", "row", "column", "says", "remedy"), CASES)
def test_what_is_wrong_is_told_with_place_and_remedy(tmp_path, file, text, row, column, says, remedy):
    problem = only(tmp_path, **{file: text})
    assert (problem.row, problem.column) == (row, column)
    assert says in problem.rule and remedy in problem.remedy


def test_settings_of_trips(tmp_path):
    season = read_season(write_season(tmp_path, {"season.toml": "[trips]\nheat_stop_c = 19\n"}), today=TODAY)
    assert season.settings.trips == TripSettings(heat_stop_c=19.0)


def test_reversed_days_are_told_beside_other_errors_of_the_row(tmp_path):
    files = {
        "trips.csv": TRIPS + ROW.replace(",2,", ",0,").replace("2024-06-30", "2024-04-30"),
        "guides.csv": GUIDES + "Ada,2024-06-02,2024-06-01,sunday,,,,,,\n",
        "closures.csv": CLOSURES + "brich,2024-06-16,2024-06-15,\n",
        "access.csv": ACCESS + "birch,2024-06-16,2024-06-15,lost,,,\n",
    }
    with pytest.raises(SeasonError) as caught:
        read_season(write_season(tmp_path, files), today=TODAY)
    told = {(p.file, p.column) for p in caught.value.problems if p.severity == "stop"}
    assert {("trips.csv", "latest"), ("guides.csv", "to"), ("closures.csv", "to"), ("access.csv", "open_to")} <= told
    assert {("trips.csv", "size"), ("guides.csv", "off"), ("closures.csv", "lake_id"), ("access.csv", "permit")} <= told

"""From a season folder to the case of a trip plan: members, names, hours on the road, bookings."""

import dataclasses
import datetime as dt

import numpy as np
import pytest
from season_folder import TODAY
from trip_season import TRIPS, trip_season

from emergence.dates import day_number, season_span, to_date
from emergence.errors import SeasonError, WrongUseError
from emergence.planning.plan import Search
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.plan import prepare
from emergence.runs.trip_members import trip_members
from emergence.runs.trip_plan import explain_trip, plan_trips
from emergence.runs.trips import Kept, make_case, read_bookings, wanted_taxa, wishes_of
from emergence.season import read_season

EXACT = Search(gap=0.0)
COLD = 60.0  # °C, no day is that hot


def run_of(folder, as_of="2024-05-31", **more):
    season = read_season(folder, today=TODAY)
    return prepare(season, as_of=day_number(dt.date.fromisoformat(as_of)), taxa=wanted_taxa(season), **more)


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    return run_of(trip_season(tmp_path_factory.mktemp("season")))


@pytest.fixture(scope="module")
def members(run):
    span = season_span(2024, False)
    wishes = (("coenagrion", "moving"), ("coenagrion", "hatch"), ("coenagrion", "young"))
    return trip_members(run, wishes, first=span.start, last=span.end, heat_stop_c=COLD, unsure_share=1.0)


def test_members_have_the_chances_of_the_forecast(run, members):
    """Where no day is hot, a day's share of moving members is the forecast's less days under ice or in the overturn."""
    days = run_plan(run, Wanted(water=False, threads=1)).days
    for k, event in enumerate(("migration", "emergence")):
        rows = days[(days["lake_id"] == "alder") & (days["taxon"] == "coenagrion") & (days["event"] == event)]
        index = (rows["date"] - np.datetime64(to_date(members.first_day))).dt.days.to_numpy()
        share = members.moving[k, index, 0].mean(axis=1)
        lost = members.poor[0, index, 0] + members.poor[1, index, 0]
        forecast = rows["chance_moving"].to_numpy()
        assert (share <= forecast + 1e-9).all() and (share >= forecast - lost - 1e-9).all()
        assert share[lost == 0] == pytest.approx(forecast[lost == 0], abs=1e-9)
        assert forecast[lost == 0].max() > 0.2  # the check is not empty


def test_nobody_moves_where_the_user_says_no(run, members):
    cedar = run.lakes.lake_id.tolist().index("cedar")
    assert not members.moving[:, :, cedar].any()


def test_an_unsure_insect_is_there_in_a_share_of_the_members(run):
    first = day_number(dt.date(2024, 6, 1))
    made = [
        trip_members(run, [("chironomus", "hatch")], first=first, last=first + 80, heat_stop_c=COLD, unsure_share=s)
        for s in (0.0, 0.5, 1.0)
    ]
    birch = run.lakes.lake_id.tolist().index("birch")
    none, half, all_of_them = (m.moving[0, :, birch].any(axis=0) for m in made)
    assert not none.any() and all_of_them.mean() > 0.75  # the others' first brood is over before June
    assert (half <= all_of_them).all()
    assert abs(half.sum() - len(half) / 2) <= (~all_of_them).sum()


def test_young_nymphs_grow_up(run, members):
    """Of a one-year insect none are young once half the heat is gathered; one that takes years always has some."""
    span = season_span(2024, False)
    more = trip_members(
        run, [("chironomus", "young")], first=span.start, last=span.end, heat_stop_c=COLD, unsure_share=1.0
    )
    day = {d: (dt.date(2024, *d) - to_date(span.start)).days for d in ((3, 1), (5, 12), (7, 1))}
    one_year, longer = more.moving[0, :, 1].mean(axis=1), members.moving[2, :, 0].mean(axis=1)
    assert one_year[day[3, 1]] == longer[day[3, 1]] == 0  # under ice
    assert one_year[day[5, 12]] > 0.5 and longer[day[5, 12]] > 0.5
    assert one_year[day[7, 1]] == 0 and longer[day[7, 1]] == 1


def test_heat_counts_from_the_stop_on(run):
    first = day_number(dt.date(2024, 7, 10))
    hot, cold = (
        trip_members(run, [("coenagrion", "young")], first=first, last=first + 9, heat_stop_c=s, unsure_share=1.0)
        for s in (5.0, COLD)
    )
    assert (hot.poor[2, :, 0] == 1).all() and not hot.moving.any() and (cold.poor[2] == 0).all()


def test_neighbours_change_no_members(run, tmp_path):
    season = read_season(trip_season(tmp_path), today=TODAY)
    alone = prepare(season, as_of=run.as_of, taxa=wanted_taxa(season), lakes=("birch",))
    first = day_number(dt.date(2024, 6, 1))
    one, all_three = (
        trip_members(p, [("coenagrion", "moving")], first=first, last=first + 60, heat_stop_c=20.0, unsure_share=0.5)
        for p in (alone, run)
    )
    birch = run.lakes.lake_id.tolist().index("birch")
    np.testing.assert_array_equal(one.moving[0, :, 0], all_three.moving[0, :, birch])


def test_wishes_share_out_groups_and_add_up_to_one(tmp_path):
    trips = TRIPS.replace("3,coenagrion:moving", "3,damselflies:moving:3; coenagrion:hatch:1")
    season = read_season(trip_season(tmp_path, trips=trips), today=TODAY)
    weights = wishes_of(season)[0]
    assert sum(weights.values()) == pytest.approx(1.0) and weights["coenagrion", "hatch"] == pytest.approx(0.25)
    group = [w for (_, stage), w in weights.items() if stage == "moving"]
    assert len(group) > 1 and group == pytest.approx([0.75 / len(group)] * len(group))


def test_an_unknown_insect_is_told_with_its_row(tmp_path):
    season = read_season(trip_season(tmp_path, trips=TRIPS.replace("chironomus:", "chironomos:")), today=TODAY)
    with pytest.raises(SeasonError, match=r"trips.csv, row 3, wants: .*chironomos.*Did you mean"):
        wishes_of(season)


def test_hours_are_given_or_by_road(run, tmp_path):
    """0.1 degree of latitude is 11.12 km; times 1.4 at 60 km/h."""
    case = make_case(run, {}).case
    alder = run.lakes.lake_id.tolist().index("alder")
    by_road = case.guides[0].hours[alder]
    assert by_road == pytest.approx(
        np.hypot(0.05 * 111.2, 0.05 * 111.2 * np.cos(np.radians(51.2))) * 1.4 / 60, rel=0.01
    )
    given = run_of(trip_season(tmp_path, travel="from,to,hours\nalder,home,1.25\nalder,birch,2\n"))
    case = make_case(given, {}).case
    birch = given.lakes.lake_id.tolist().index("birch")
    assert case.guides[0].hours[alder] == 1.25 and case.between[birch, alder] == 2.0


def test_guides_days_seats_and_sundays(run):
    ada, bo = make_case(run, {}).case.guides
    assert (ada.seats, bo.seats) == (4, 2)
    first = make_case(run, {}).case.outlook.first_day
    sundays = [to_date(first + k).weekday() == 6 for k in range(len(ada.works))]
    assert (ada.works == ~np.array(sundays)).all() and bo.works.all()


def test_without_guides_one_is_assumed_and_told(tmp_path):
    made = make_case(run_of(trip_season(tmp_path, guides=None)), {})
    assert len(made.case.guides) == 1 and "no guides.csv" in made.notes[0]


def test_a_kept_booking_stands_until_its_day_has_passed(run):
    cells = (("alder", day_number(dt.date(2024, 6, 20))), ("alder", day_number(dt.date(2024, 6, 21))))
    kept = {"reed & co": Kept(cells, "ada"), "nobody": Kept(cells)}
    made = make_case(run, kept)
    party = made.case.parties[1]
    assert party.booked and party.booked_guide == 0 and not party.fixed
    assert made.decide_by[1] == day_number(dt.date(2024, 6, 20))
    late = make_case(dataclasses.replace(run, as_of=run.as_of), {"moss": Kept(
        tuple(("birch", day_number(dt.date(2024, 6, 13)) + k) for k in range(3)))})  # fmt: skip
    assert late.case.parties[0].fixed and late.decide_by[0] is None  # fewer than 14 days' notice


def test_a_trip_under_way_keeps_its_guide_and_one_that_is_over_its_place_in_the_quota(tmp_path):
    """Moss is out with Ada until 1 June, Sedge was out until 30 May: the 5 guided days of alder are used up."""
    access = "lake_id,quota_days\nalder,5\n"
    run = run_of(trip_season(tmp_path / "a", access=access))
    under_way = Kept(tuple(("alder", day_number(dt.date(2024, 5, 30)) + k) for k in range(3)), "Ada")
    over = Kept(tuple(("alder", day_number(dt.date(2024, 5, 29)) + k) for k in range(2)), "Bo")
    made = plan_trips(run, {"moss": under_way, "sedge": over}, EXACT).result
    assert {t.party: t.status for t in made.trips} == {"Moss": "fixed", "Reed & co": "new", "Sedge": "done"}
    reed = next(t for t in made.trips if t.party == "Reed & co")
    assert {d.lake_id for d in reed.chosen.days} == {"birch"}
    assert reed.chosen.days[0].date > dt.date(2024, 6, 1) and reed.chosen.guide == "Ada"  # four guests
    closed = "lake_id,from,to,reason\nalder,2024-05-29,2024-05-30,told too late\n"
    run = run_of(trip_season(tmp_path / "b", access=access, closures=closed))
    later = plan_trips(run, {"sedge": over}, EXACT).result
    assert {t.party for t in later.trips} == {"Moss", "Reed & co"} and "do not count" in " ".join(later.notes)


def test_parties_whose_days_are_over_are_left_out_by_name(tmp_path):
    over = TRIPS + "Old,1,2024-05-01,2024-05-20,2,coenagrion,,,,,\nNext,1,2025-06-01,2025-06-20,2,coenagrion,,,,,\n"
    made = make_case(run_of(trip_season(tmp_path, trips=over)), {})
    assert [p.name for p in made.case.parties] == ["Moss", "Reed & co", "Sedge"]
    assert "Old: fewer than 2 of its days" in made.left_out[0] and "ends on 2024-12-31" in made.left_out[1]


def test_the_plan_comes_in_names_and_dates_and_again_the_same(run):
    one, two = (plan_trips(run, {}, EXACT).result for _ in range(2))
    assert one.trips == two.trips
    for trip in one.trips:
        assert trip.status == "new" and len({d.lake_id for d in trip.chosen.days}) == 1
        assert trip.chosen.expected == pytest.approx(sum(d.expected for d in trip.chosen.days), abs=1e-6)
        for b in trip.plan_b:
            assert b.lake_id != trip.chosen.days[0].lake_id


def test_a_new_movable_trip_can_be_moved_until_two_weeks_before(tmp_path):
    """Moss says its date, Reed & co and Sedge do not; Reed & co is fixed once booked. The run is of 31 May."""
    trips = (
        "party,size,earliest,latest,days,wants,booking,decide_by\n"
        "Moss,2,2024-06-20,2024-07-10,3,coenagrion:moving,movable,2024-06-05\n"
        "Reed & co,2,2024-06-20,2024-07-10,2,coenagrion,fixed,\n"
        "Sedge,1,2024-06-20,2024-07-10,2,coenagrion,,\n"
        "Soon,1,2024-06-04,2024-06-12,2,coenagrion,,\n"
    )
    made = {t.party: t for t in plan_trips(run_of(trip_season(tmp_path, trips=trips)), {}, EXACT).result.trips}
    assert made["Moss"].decide_by == dt.date(2024, 6, 5) and made["Reed & co"].decide_by is None
    assert made["Sedge"].decide_by == made["Sedge"].chosen.days[0].date - dt.timedelta(days=14)
    assert made["Soon"].decide_by is None  # fewer than 14 days away


def test_why_tells_what_another_lake_costs(run):
    trips = plan_trips(run, {}, EXACT)
    trip, others = explain_trip(run, trips, "moss", EXACT)
    assert trip.party == "Moss" and {o.lake_id for o in others} == {"alder", "birch", "cedar"} - {
        trip.chosen.days[0].lake_id
    }
    total = sum(t.chosen.value for t in trips.result.trips)
    for other in others:
        if other.option is not None:
            assert other.option.value == pytest.approx(trip.chosen.value - other.own)
            assert other.others is not None and total - other.own - other.others <= total + 1e-6 + 0.6 * len(others)
    with pytest.raises(WrongUseError, match="Did you mean 'Moss'"):
        explain_trip(run, trips, "Mos", EXACT)


def test_what_cannot_hold_together_is_said_in_words(tmp_path):
    trips = TRIPS.replace(
        "Sedge,1,2024-06-10,2024-08-31,2,coenagrion:young,", "Sedge,1,2024-06-03,2024-06-08,2,coenagrion,birch"
    )
    result = plan_trips(run_of(trip_season(tmp_path, trips=trips)), {}, EXACT).result
    assert not result.trips and result.conflict_proven
    assert result.conflict[0] == "Sedge (trips.csv, row 4): 2 days in a row from 2024-06-03 to 2024-06-08"
    assert "Birch Lake is closed 2024-06-01 to 2024-06-12 (spawning)" in result.conflict
    assert "Sedge goes only to the lakes and regions that it named" in result.conflict and len(result.conflict) == 3


def test_a_file_that_is_no_plan_is_told(tmp_path):
    file = tmp_path / "plan.csv"
    file.write_text("party,lake_id,date,guide\nMoss,alder,soon,Ada\n")
    with pytest.raises(WrongUseError, match=r"plan.csv, row 2: this is no row of a plan"):
        read_bookings(file)
    with pytest.raises(WrongUseError, match="is not there"):
        read_bookings(tmp_path / "none.csv")

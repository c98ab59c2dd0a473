"""What closures.csv and access.csv say of a lake and day, also without a trips.csv: expectations read off the files."""

from season_folder import TODAY, write_season

from emergence.dates import day_number, to_date
from emergence.runs.lake_access import LakeAccess, lake_access, shut_lakes
from emergence.season import read_season

CLOSURES = "lake_id,from,to,reason\nbirch,2024-06-01,2024-06-15,spawning\n"
ACCESS = (
    "lake_id,open_from,open_to,permit,quota_days,parties_per_day,parties_per_week,note\n"
    "alder,2024-05-10,2024-05-20,held,12,1,2,ask at the farm\n"
)


def day(text):
    return day_number(to_date(0).fromisoformat(text))


def folder(tmp_path, access=ACCESS):
    return read_season(write_season(tmp_path, {"closures.csv": CLOSURES, "access.csv": access}), today=TODAY)


def test_a_closure_holds_on_its_first_and_last_day_and_not_beside_them(tmp_path):
    season = folder(tmp_path)
    for date, closed in (("05-31", False), ("06-01", True), ("06-15", True), ("06-16", False)):
        assert bool(lake_access(season, "birch", day(f"2024-{date}")).closed) is closed
    said = "2024-06-01 to 2024-06-15, spawning (closures.csv)"
    assert lake_access(season, "birch", day("2024-06-03")).closed == (said,)


def test_a_road_is_open_on_its_first_and_last_day(tmp_path):
    season = folder(tmp_path)
    for date, shut in (("05-09", True), ("05-10", False), ("05-20", False), ("05-21", True)):
        found = lake_access(season, "alder", day(f"2024-{date}"))
        assert bool(found.shut) is shut
        where = found.shut[0] if shut else found.terms[0]
        assert where.startswith("road and launch open from 2024-05-10 to 2024-05-20")
        assert ("alder" in shut_lakes(season, day(f"2024-{date}"))) is shut


def test_terms_are_told_in_words(tmp_path):
    found = lake_access(folder(tmp_path), "alder", day("2024-05-12"))
    assert found.terms[1:] == (
        "permit held", "12 guided days a season", "1 party a day", "2 parties a week", "ask at the farm",
    )  # fmt: skip
    assert not found.shut and not found.closed


def test_a_missing_permit_shuts_a_lake_all_season(tmp_path):
    season = folder(tmp_path, "lake_id,permit\nalder,missing\n")
    assert lake_access(season, "alder", day("2024-08-01")).shut == ("the permit is missing (access.csv)",)
    assert shut_lakes(season, day("2024-06-01")) == {"alder", "birch"}


def test_a_lake_of_which_nothing_is_said_is_open(tmp_path):
    assert lake_access(folder(tmp_path), "birch", day("2024-07-01")) == LakeAccess()

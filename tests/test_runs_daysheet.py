"""From a season folder to the sheet: it agrees with the run's own tables, knows its season, and refuses the rest."""

from __future__ import annotations

import datetime as dt
import math
from pathlib import Path

import pytest
from click.testing import CliRunner, Result
from season_folder import LAST, SETTINGS, TODAY, season_files, write_season

from emergence.angling.sheet import DaySheet
from emergence.angling.sums import HeatTiers
from emergence.cli.main import main
from emergence.dates import day_number
from emergence.errors import SeasonError, WrongUseError
from emergence.records import Season
from emergence.runs.daysheet import day_sheet
from emergence.runs.elsewhere import with_elsewhere
from emergence.runs.execute import run_plan
from emergence.runs.plan import prepare
from emergence.runs.stage_board import find_lake
from emergence.season import read_season

JUNE = day_number(dt.date(2024, 6, 20))


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    return write_season(tmp_path_factory.mktemp("season"))


@pytest.fixture(scope="module")
def season(folder: Path) -> Season:
    return read_season(folder, today=TODAY)


def made(season: Season, day: int = JUNE, lake: str = "alder") -> DaySheet:
    return day_sheet(prepare(season, lakes=(lake,)), day)


@pytest.fixture(scope="module")
def june(season: Season) -> DaySheet:
    return made(season)


def test_chances_and_water_are_those_of_the_run(season: Season, june: DaySheet) -> None:
    result = run_plan(prepare(season, lakes=("alder",)))
    days = result.days[result.days.date == "2024-06-20"]
    for insect in june.board.insects:
        for event in insect.events:
            row = days[(days.taxon == insect.taxon) & (days.event == event.event) & (days.brood == event.brood)]
            moving = float(row.chance_moving.iloc[0]) if len(row) else 0.0
            assert event.moving == pytest.approx(moving, abs=6e-4)  # days.csv: three digits
    water = result.water[result.water.date == "2024-06-20"].iloc[0]
    assert june.water == pytest.approx((water.water_p10, water.water_p50, water.water_p90), abs=0.051)


def test_stage_shares_sum_to_one_and_stay_within(june: DaySheet) -> None:
    told = [i.stages for i in june.board.insects if i.stages is not None]
    assert told
    for s in told:
        assert s.young + s.mature + s.moving + s.adult == pytest.approx(1.0)
        assert 0 <= s.soft <= s.adult


def test_the_afternoon_is_warmer_and_its_range_reaches_higher(june: DaySheet) -> None:
    usual, upper = june.afternoon_c
    assert june.water[1] < usual < upper and june.water[2] < upper
    assert upper - june.water[2] < 1.4 * 3.5 + 0.01  # half of 7 °C (Woolway et al. 2016) on a calm day


def test_sun_by_the_clock_of_the_time_zone(june: DaySheet) -> None:
    """51.2 N, 119.4 W, summer time UTC-7: noon 12 + 119.4 / 15 - 7 + 1.5 min equation of time = 12:59 on 20 June."""
    assert june.clock and june.sun[1] == pytest.approx(12 + 59 / 60, abs=0.02)
    assert june.sun[2] - june.sun[0] == pytest.approx(16.6, abs=0.1)


def test_without_a_time_zone_hours_are_the_suns(tmp_path: Path) -> None:
    text = SETTINGS.replace('time_zone = "America/Vancouver"\n', "")
    sheet = made(read_season(write_season(tmp_path, {"season.toml": text}), today=TODAY))
    assert not sheet.clock and sheet.sun[1] == pytest.approx(12.0)


def test_it_says_what_the_air_is_made_of(season: Season) -> None:
    words = {day: made(season, day_number(dt.date(2024, *day))).basis for day in ((5, 20), (6, 2), (6, 20))}
    assert words == {(5, 20): "measured", (6, 2): "forecast", (6, 20): "past springs"}


def test_depths_end_at_the_bottom(june: DaySheet) -> None:
    assert june.deepest_m == 5.0 and not june.deepest_guessed
    assert all(i.depth_m[1] <= 5.0 for i in june.board.insects)


def test_frost_comes_in_autumn_and_adults_end_by_it(june: DaySheet) -> None:
    low, middle, high = june.board.frost
    assert "2024-08-15" < low <= middle <= high
    damsel = next(i for i in june.board.insects if i.taxon == "coenagrion")
    assert damsel.adult_from < "2024-06-20" < damsel.adult_until <= high
    assert damsel.life_d == 15.0 and damsel.flies_after_h == 2.0  # catalogue: 7 d to mature, 8 d from then on


def test_insects_that_do_not_live_there_are_left_out(season: Season) -> None:
    assert "coenagrion" not in [i.taxon for i in made(season, lake="cedar").board.insects]


def test_ice_out_day_is_cold_and_icy(season: Season) -> None:
    sheet = made(season, day_number(dt.date(2024, 3, 28)), lake="cedar")
    assert sheet.ice_chance > 0.5 and sheet.water[0] < 4 and sheet.afternoon_c[0] < 8


def test_own_tiers_of_heat(tmp_path: Path) -> None:
    own = '\n[heat."bull trout"]\nstop_c = 15\nclosure_f = 64.4\n\n[heat.rainbow]\n'
    season = read_season(write_season(tmp_path, {"season.toml": SETTINGS + own}), today=TODAY)
    bull, rainbow = made(season).tiers
    assert (bull.species, bull.caution_c, bull.stop_c) == ("bull trout", 15.0, 15.0)
    assert bull.closure_c == pytest.approx(18.0) and rainbow == HeatTiers("rainbow", 18.0, 20.0, 22.8)


@pytest.mark.parametrize(
    "wrong", ["stop_c = 60", "stop_c = 20\ncaution_c = 21", "stop = 20", "stop_c = 20\nstop_f = 68"]
)
def test_wrong_tiers_are_told_with_the_line(tmp_path: Path, wrong: str) -> None:
    text = f"{SETTINGS}\n[heat.trout]\n{wrong}\n"
    with pytest.raises(SeasonError, match=r"season\.toml.*caution_c, stop_c and closure_c"):
        read_season(write_season(tmp_path, {"season.toml": text}), today=TODAY)


def test_lakes_go_by_id_or_name(season: Season) -> None:
    assert find_lake(season.lakes, "birch") == find_lake(season.lakes, "BIRCH LAKE") == "birch"
    with pytest.raises(WrongUseError, match="Did you mean 'alder'"):
        find_lake(season.lakes, "Alder Pnd")
    with pytest.raises(WrongUseError, match="no lake called 'zzz'"):
        find_lake(season.lakes, "zzz")


def test_days_outside_name_the_nearest(season: Season) -> None:
    with pytest.raises(WrongUseError, match=r"2024-01-01 to 2024-12-31\. The nearest day is 2024-12-31"):
        made(season, day_number(dt.date(2025, 2, 1)))
    with pytest.raises(WrongUseError, match="The nearest day is 2024-01-01"):
        made(season, day_number(dt.date(2023, 6, 1)))


def call(folder: Path, *words: str) -> Result:
    return CliRunner().invoke(main, ["daysheet", str(folder), *words])


def test_command_writes_text_and_page(folder: Path, tmp_path: Path) -> None:
    page = tmp_path / "sheet.html"
    written = call(folder, "alder", "2024-06-20", "--sink", "1.5in", "--html", "--output", str(page))
    assert written.exit_code == 0 and written.stdout == "" and "written to" in written.stderr
    assert page.read_text(encoding="utf-8").startswith("<!doctype html>") and "fly 1.5 in/s" in page.read_text("utf-8")
    text = call(folder, "Alder Pond", "2024-06-20")
    assert text.exit_code == 0 and "ALDER POND, Thu 20 Jun 2024" in text.stdout
    assert max(map(len, text.stdout.splitlines())) <= 80


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("aldr", "2024-06-20"), "Did you mean 'alder'"),
        (("alder", "2029-06-20"), "nearest day is 2024-12-31"),
        (("alder", "20.6.2024"), "write it as"),
        (("alder", "2024-06-20", "--sink", "fast"), "is no sink rate"),
        (("alder", "2024-06-20", "--sink", "0"), "0.1 to 100 cm/s"),
    ],
)
def test_wrong_use_is_told(folder: Path, words: tuple[str, ...], said: str) -> None:
    result = call(folder, *words)
    assert result.exit_code == 2 and said in result.stderr


def test_the_day_before_the_last_weather_is_known_air(season: Season) -> None:
    sheet = made(season, day_number(LAST))
    assert sheet.air_max[0] == pytest.approx(sheet.air_max[2], abs=1e-3) and not math.isnan(sheet.air_max[0])


def test_a_closed_lake_is_told_with_its_dates_also_without_trips(tmp_path: Path) -> None:
    rows = "lake_id,from,to,reason\nalder,2024-06-01,2024-06-20,spawning\nbirch,2024-06-01,2024-06-30,\n"
    season = read_season(write_season(tmp_path, {"closures.csv": rows}), today=TODAY)
    assert made(season).closures == ("2024-06-01 to 2024-06-20, spawning (closures.csv)",)
    assert made(season, JUNE + 1).closures == ()
    assert made(season, lake="birch").closures == ("2024-06-01 to 2024-06-30 (closures.csv)",)


def test_the_stop_of_the_trip_plan_is_the_usual_one(tmp_path: Path) -> None:
    text = f"{SETTINGS}\n[trips]\nheat_stop_c = 17\n"
    (tiers,) = made(read_season(write_season(tmp_path, {"season.toml": text}), today=TODAY)).tiers
    assert (tiers.caution_c, tiers.stop_c, tiers.closure_c) == (17.0, 17.0, 22.8)


def test_elsewhere_are_open_near_lakes_with_the_same_chances_as_in_the_run(tmp_path: Path) -> None:
    closed = "lake_id,from,to,reason\nbirch,2024-06-01,2024-06-30,\n"
    everywhere = "lake_id,taxon,residence\nalder,coenagrion,yes\ncedar,coenagrion,yes\n"
    season = read_season(write_season(tmp_path, {"closures.csv": closed, "residents.csv": everywhere}), today=TODAY)
    first = made(season, day_number(dt.date(2024, 6, 8)))
    told = with_elsewhere(first, season, day_number(dt.date(2024, 6, 8)))
    assert told.elsewhere_of and "Birch Lake" not in [e.lake for e in told.elsewhere]
    result = run_plan(prepare(season, lakes=("cedar",)))
    for other in told.elsewhere:
        days = result.days[(result.days.date == "2024-06-08") & (result.days.lake_id == "cedar")]
        assert other.chance in days.chance_moving.tolist() and 40 < other.km < 70  # 0.4° north, 0.48° west
    winter = made(season, day_number(dt.date(2024, 2, 1)))
    assert with_elsewhere(winter, season, day_number(dt.date(2024, 2, 1))).elsewhere == ()


def test_in_the_south_june_is_winter(tmp_path: Path) -> None:
    """44.8 S on 20 June: the sun is up for some 8.8 h (almanac, 45 degrees), and the afternoon adds little."""
    files = season_files()
    south = {name: files[name].replace(",51.", ",-44.") for name in ("lakes.csv", "stations.csv")}
    sheet = made(read_season(write_season(tmp_path, south), today=TODAY))
    assert sheet.board.season == 2023
    assert sheet.sun[2] - sheet.sun[0] == pytest.approx(8.8, abs=0.2)
    assert sheet.afternoon_c[0] - sheet.water[1] < 1.0


def test_near_lakes_without_weather_are_no_reason_to_fail(tmp_path: Path) -> None:
    """Birch's and cedar's only station has no record."""
    lakes = season_files()["lakes.csv"].replace(
        "birch,Birch Lake,valley,51.3,-119.5,610,85,,14.5,low", "birch,,,51.3,-119.5,610,,,,high"
    )
    season = read_season(write_season(tmp_path, {"lakes.csv": lakes, "weather/high.csv": None}), today=TODAY)
    day = day_number(dt.date(2024, 6, 8))
    assert with_elsewhere(made(season, day), season, day).elsewhere == ()


def test_the_commands_on_the_sheet_work(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    text = call(folder, "alder", "2024-05-20").stdout.replace("\n  ", " ")
    commands = [line for line in text.splitlines() if line.startswith("emergence note")]
    assert len(commands) == 2
    for command in commands:
        words = [str(folder) if word == "SEASON" else word for word in command.split()[1:]]
        noted = CliRunner().invoke(main, words)
        assert noted.exit_code == 0, noted.output
    listed = CliRunner().invoke(main, ["note", "list", str(folder)]).stdout
    assert "2024-05-20" in listed or "20 May" in listed

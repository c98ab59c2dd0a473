"""Weather that arrives by itself: a folder of two files goes to windows; faults, locks, the user's own files."""

from __future__ import annotations

import csv
import datetime as dt
import gzip
import json
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pytest
from click.testing import CliRunner, Result
from filelock import FileLock

from emergence.cli.main import main
from emergence.dates import day_number
from tests import weather_service as ws
from tests.weather_kills import kill_updates
from tests.weather_service import Post, Service, point_client, serving

pytestmark = pytest.mark.allow_hosts(["127.0.0.1"])

ROOT = Path(__file__).resolve().parents[1]
TODAY = dt.date(2024, 6, 3)
YESTERDAY = dt.date(2024, 6, 2)
FIRST = dt.date(2020, 1, 1)
LAKES = """\
lake_id,name,latitude,longitude,elevation_m,area_ha,mean_depth_m
upper,Upper Pond,50.10,-30.20,980,12,3.5
lower,Lower Pond,50.05,-30.10,430,8,2.5
"""
SETTINGS = """\
name = "Two ponds"

[weather]
source = "meteostat"

[taxa]
run = ["coenagrion"]

[ensemble]
slots = 4
replicates = 2
"""
POSTS = {
    "T0001": Post("Town, airfield", 50.00, -30.10, 410, first=FIRST),
    "H0001": Post("High hut", 50.15, -30.25, 1050, first=dt.date(2022, 7, 1)),
    "FAR01": Post("Far off", 53.00, -30.10, 420, first=FIRST),
    "LOST1": Post("Lost", 50.02, -30.12, 420, first=FIRST, last=dt.date(2012, 1, 1), shown_last="2024-06-02"),
}


@pytest.fixture
def service(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Service]:
    clock(monkeypatch, TODAY)
    with serving(Service(dict(POSTS), YESTERDAY)) as running:
        point_client(monkeypatch, running, tmp_path)
        monkeypatch.chdir(tmp_path)
        yield running


def clock(monkeypatch: pytest.MonkeyPatch, date: dt.date) -> None:
    for module in ("options", "weather", "forecast"):
        monkeypatch.setattr(f"emergence.cli.{module}.today", lambda: day_number(date))


@pytest.fixture
def season(tmp_path: Path) -> Path:
    folder = tmp_path / "season"
    folder.mkdir()
    (folder / "lakes.csv").write_text(LAKES, encoding="utf-8")
    (folder / "season.toml").write_text(SETTINGS, encoding="utf-8")
    return folder


def call(*words: object) -> Result:
    return CliRunner().invoke(main, [str(word) for word in words])


def update(season: Path, *words: object) -> Result:
    return call("weather", "update", season, *(words or ("--stations", 2)))


def table(path: Path) -> list[dict[str, str]]:
    with path.open(encoding="utf-8", newline="") as file:
        return list(csv.DictReader(file))


def files_of(folder: Path) -> dict[str, bytes]:
    """Return the files but for the lock."""
    found = (p for p in sorted(folder.rglob("*")) if p.is_file() and p.name != ".update.lock")
    return {str(p.relative_to(folder)): p.read_bytes() for p in found}


def test_a_folder_of_two_files_goes_to_windows_in_two_commands(service: Service, season: Path, tmp_path: Path) -> None:
    fetched = update(season)
    assert fetched.exit_code == 0, fetched.output
    assert fetched.stdout.splitlines()[0].startswith("Weather of 2 lakes from 2 stations up to 2 Jun 2024")
    assert "Weather data: Meteostat, NOAA GHCN-Daily (CC BY 4.0" in fetched.stdout
    result = call("forecast", season)
    assert result.exit_code == 0, result.output
    assert "Weather known to 2 Jun 2024, 1 day ago." in " ".join(result.stdout.split())
    windows = table(tmp_path / "reports" / "Two ponds" / "latest" / "windows.csv")
    assert {row["lake_id"] for row in windows} == {"upper", "lower"}
    assert all(row["onset_p50"] for row in windows if row["event"] == "emergence")
    run = json.loads((tmp_path / "reports" / "Two ponds" / "latest" / "run.json").read_text(encoding="utf-8"))
    assert run["last_weather_day"] == "2024-06-02"


def test_the_files_are_plain_and_hold_what_the_service_gave(service: Service, season: Path) -> None:
    assert update(season).exit_code == 0
    rows = table(season / "weather" / "T0001.csv")
    assert list(rows[0]) == ["date", "tmin_c", "tmax_c", "tmean_c"]
    assert [row["date"] for row in rows] == [str(FIRST + dt.timedelta(n)) for n in range(len(rows))]
    assert rows[-1]["date"] == "2024-06-02"
    for row in rows[:: len(rows) // 40]:
        day = dt.date.fromisoformat(row["date"])
        assert row["tmean_c"] == f"{ws.mean_air(day, POSTS['T0001']):.1f}"
    stations = table(season / "stations.csv")
    assert {row["station_id"] for row in stations} == {"T0001", "H0001"}
    town = next(row for row in stations if row["station_id"] == "T0001")
    assert town["name"] == "Town, airfield" and float(town["elevation_m"]) == 410
    state = json.loads((season / "weather" / "update.json").read_text(encoding="utf-8"))
    assert state["format"] == 1 and state["stations"]["T0001"]["source"] == "meteostat"


def test_years_once_then_only_the_year_that_runs(
    service: Service, season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    update(season)
    assert any("/2020/T0001" in path for path in service.asked)
    service.asked.clear()
    service.last_day = YESTERDAY + dt.timedelta(7)
    clock(monkeypatch, TODAY + dt.timedelta(7))
    again = update(season)
    assert sorted(service.asked) == ["/daily/2024/H0001.csv.gz", "/daily/2024/T0001.csv.gz"]
    assert "up to 9 Jun 2024, 14 new days" in again.stdout  # seven at each of two stations


def test_days_that_the_service_corrected_are_taken_over(service: Service, season: Path) -> None:
    update(season)
    before = table(season / "weather" / "T0001.csv")
    service.warmer_c = 2.0
    update(season)
    after = table(season / "weather" / "T0001.csv")
    shift = {
        row["date"][:4]: float(row["tmean_c"]) - float(old["tmean_c"]) for row, old in zip(after, before, strict=True)
    }
    assert shift["2024"] == pytest.approx(2.0) and shift["2023"] == 0.0


def test_in_january_the_year_before_is_fetched_again(
    service: Service, season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    service.posts = {"T0001": POSTS["T0001"]}
    service.last_day = dt.date(2023, 12, 30)
    clock(monkeypatch, dt.date(2023, 12, 31))
    assert update(season).exit_code == 0
    assert any("/2024/" in path for path in service.asked)  # where forecast days of January would stand
    service.asked.clear()
    service.last_day = dt.date(2024, 1, 9)
    clock(monkeypatch, dt.date(2024, 1, 10))
    assert update(season).exit_code == 0
    assert [path.split("/")[2] for path in service.asked] == ["2024", "2023"]
    assert table(season / "weather" / "T0001.csv")[-1]["date"] == "2024-01-09"


def test_forecast_days_go_into_a_file_of_their_own(service: Service, season: Path) -> None:
    service.ahead_days = 9
    assert "forecast days" in update(season).stdout
    ahead = table(season / "weather" / "T0001.ahead.csv")
    assert [row["date"] for row in ahead] == [str(YESTERDAY + dt.timedelta(n)) for n in range(1, 10)]
    assert table(season / "weather" / "T0001.csv")[-1]["date"] == str(YESTERDAY)
    service.ahead_days = 0
    update(season)
    assert not (season / "weather" / "T0001.ahead.csv").exists()  # old forecasts are worse than none


def test_forecast_days_stay_when_the_service_cannot_be_reached(service: Service, season: Path) -> None:
    service.ahead_days = 9
    update(season)
    service.faults["/daily/"] = ws.status(503)
    assert update(season).exit_code == 4
    assert len(table(season / "weather" / "T0001.ahead.csv")) == 9


def test_a_station_without_minima_and_maxima_gives_a_file_of_means(service: Service, season: Path) -> None:
    service.posts = {"M0001": Post("Means", 50.0, -30.1, 410, first=FIRST, ranged=False)}
    assert update(season).exit_code == 0
    assert list(table(season / "weather" / "M0001.csv")[0]) == ["date", "tmean_c"]
    assert call("forecast", season).exit_code == 0


# ---------------------------------------------------------------- which stations


def test_stations_that_turn_out_empty_give_way_to_the_next(service: Service, season: Path) -> None:
    """LOST1 is nearest and said to be there, but has no file."""
    update(season)
    assert any("LOST1" in path for path in service.asked)
    assert not (season / "weather" / "LOST1.csv").exists()
    assert "LOST1" not in (season / "stations.csv").read_text(encoding="utf-8")
    service.asked.clear()
    update(season)
    assert not any("LOST1" in path for path in service.asked)


def test_stations_are_shared_by_lakes_and_fetched_once(service: Service, season: Path) -> None:
    update(season)
    assert len(service.asked) == len(set(service.asked))


def test_a_new_lake_gets_stations_and_the_others_keep_theirs(service: Service, season: Path) -> None:
    update(season, "--stations", 1)
    service.asked.clear()
    service.posts["W0001"] = Post("West", 50.0, -36.0, 300, first=FIRST)
    (season / "lakes.csv").write_text(LAKES + "west,West Pond,50.01,-36.01,310,5,2\n", encoding="utf-8")
    shutil.rmtree(season.parent / "list")
    assert update(season, "--stations", 1).exit_code == 0
    assert (season / "weather" / "W0001.csv").exists()
    assert not any("/2020/T0001" in path for path in service.asked)


def test_a_lake_far_from_everything_is_named_and_the_others_are_done(service: Service, season: Path) -> None:
    (season / "lakes.csv").write_text(LAKES + "south,South Pond,-40.0,60.0,310,5,2\n", encoding="utf-8")
    result = update(season)
    assert result.exit_code == 3 and "no station for south" in result.stderr
    assert "Weather of 2 lakes from 2 stations" in result.stdout and "1 lake without a station" in result.stdout
    assert call("forecast", season).exit_code == 3


def test_own_stations_count_where_season_toml_says_both(service: Service, season: Path) -> None:
    toml = season / "season.toml"
    toml.write_text(SETTINGS.replace('"meteostat"', '"both"'), encoding="utf-8")
    head = "station_id,name,latitude,longitude,elevation_m\n"
    (season / "stations.csv").write_text(head + "jetty,Jetty,50.05,-30.10,431\n", encoding="utf-8")
    (season / "weather").mkdir()
    rows = [f"{FIRST + dt.timedelta(n)},1.5,9.5" for n in range((TODAY - FIRST).days)]
    (season / "weather" / "jetty.csv").write_text("\n".join(["date,tmin_c,tmax_c", *rows]) + "\n", encoding="utf-8")
    assert update(season, "--stations", 1).exit_code == 0
    assert [row["station_id"] for row in table(season / "stations.csv")] == ["jetty", "H0001"]


# ---------------------------------------------------------------- what the user wrote


def own_file(season: Path, name: str = "T0001.csv") -> bytes:
    (season / "weather").mkdir(exist_ok=True)
    content = b"date,tmin_c,tmax_c\n2024-05-01,1.0,9.0\n2024-05-02,2.0,8.0\n"
    (season / "weather" / name).write_bytes(gzip.compress(content) if name.endswith("gz") else content)
    return (season / "weather" / name).read_bytes()


@pytest.mark.parametrize("name", ["T0001.csv", "T0001.csv.gz"])
def test_a_file_of_the_users_own_is_never_touched(service: Service, season: Path, name: str) -> None:
    head = "station_id,name,latitude,longitude,elevation_m\n"
    (season / "stations.csv").write_text(head + "T0001,My town,50.0,-30.1,410\n", encoding="utf-8")
    mine = own_file(season, name)
    result = update(season)
    assert result.exit_code == 0 and "T0001 has files of your own" in result.stderr
    assert (season / "weather" / name).read_bytes() == mine
    assert (season / "stations.csv").read_text(encoding="utf-8").startswith(head + "T0001,My town,50.0,-30.1,410\n")
    assert not any("T0001" in path for path in service.asked)
    assert len(list((season / "weather").glob("T0001*"))) == 1


def test_a_fetched_file_changed_by_hand_is_left_as_it_is(service: Service, season: Path) -> None:
    update(season)
    path = season / "weather" / "T0001.csv"
    path.write_text(path.read_text(encoding="utf-8").replace("2024-05-01,", "2024-05-01,-9.9,", 1), encoding="utf-8")
    mine = path.read_bytes()
    assert "T0001 has files of your own, or fetched files changed by hand" in update(season).stderr
    assert path.read_bytes() == mine


def test_a_fetched_file_that_was_removed_is_fetched_anew(service: Service, season: Path) -> None:
    update(season)
    before = (season / "weather" / "T0001.csv").read_bytes()
    (season / "weather" / "T0001.csv").unlink()
    update(season)
    assert (season / "weather" / "T0001.csv").read_bytes() == before


@pytest.mark.parametrize("end", ["\n", "\r\n", ""], ids=["unix", "windows", "no last line break"])
def test_own_rows_of_stations_csv_stay_byte_for_byte(service: Service, season: Path, end: str) -> None:
    line = end or "\n"
    mine = f"\ufeffname,station_id,elevation_ft,latitude,longitude{line}Jetty,jetty,1400,50.05,-30.1{end}".encode()
    (season / "stations.csv").write_bytes(mine)
    assert update(season).exit_code == 0
    whole = (season / "stations.csv").read_bytes()
    assert whole.startswith(mine)
    if end == "\r\n":
        assert whole.count(b"\n") == whole.count(b"\r\n")
    rows = list(csv.DictReader(whole.decode("utf-8-sig").splitlines()))
    town = next(row for row in rows if row["station_id"] == "T0001")
    assert float(town["elevation_ft"]) * 0.3048 == pytest.approx(410, abs=0.05) and town["name"] == "Town, airfield"


def test_stations_csv_gz_grows_too(service: Service, season: Path) -> None:
    mine = b"station_id,name,latitude,longitude,elevation_m\njetty,Jetty,50.05,-30.1,420\n"
    (season / "stations.csv.gz").write_bytes(gzip.compress(mine))
    assert update(season).exit_code == 0
    whole = gzip.decompress((season / "stations.csv.gz").read_bytes())
    assert whole.startswith(mine) and b"T0001" in whole and not (season / "stations.csv").exists()


# ---------------------------------------------------------------- faults


def test_source_files_says_what_to_write(service: Service, season: Path) -> None:
    (season / "season.toml").write_text('name = "Two ponds"\n', encoding="utf-8")
    result = update(season)
    assert result.exit_code == 1 and 'source = "meteostat"' in result.stderr and "Traceback" not in result.output
    assert not (season / "weather").exists() and service.asked == []


def test_before_the_first_update_forecast_says_how_to_fetch(service: Service, season: Path) -> None:
    result = call("forecast", season)
    assert result.exit_code == 4 and "emergence weather update" in result.stderr


def test_no_network_at_the_first_update(service: Service, season: Path) -> None:
    service.faults["/"] = ws.status(503)
    result = update(season)
    assert result.exit_code == 4 and "cannot be reached" in result.stderr and "Traceback" not in result.output
    assert files_of(season).keys() == {"lakes.csv", "season.toml"}


def test_a_network_fault_keeps_the_record_and_forecast_goes_on(
    service: Service, season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    update(season)
    before = files_of(season)
    clock(monkeypatch, TODAY + dt.timedelta(9))
    service.faults["/daily/"] = ws.status(503)
    result = update(season)
    assert result.exit_code == 4 and "answered 503" in result.stderr and "kept" in result.stderr
    assert "not complete: the network failed" in result.stdout
    after = files_of(season)
    assert {k: v for k, v in after.items() if "update.json" not in k} == {
        k: v for k, v in before.items() if "update.json" not in k
    }
    forecast = call("forecast", season)
    assert forecast.exit_code == 0 and "2 Jun 2024, 10 days ago" in " ".join(forecast.stdout.split())


def test_a_network_that_fails_half_way_keeps_what_came_and_goes_on_there(service: Service, season: Path) -> None:
    del service.posts["LOST1"]
    service.faults["/2022/"] = service.faults["/2021/"] = service.faults["/2020/"] = ws.status(503)
    result = update(season, "--stations", 1)
    assert result.exit_code == 4
    kept = {row["date"][:4] for row in table(season / "weather" / "T0001.csv")}
    assert kept == {"2023", "2024"}
    service.faults.clear()
    service.asked.clear()
    assert update(season, "--stations", 1).exit_code == 0
    years = sorted(path.split("/")[2] for path in service.asked if "T0001" in path)
    assert years == ["2020", "2021", "2022", "2024"]
    assert len(table(season / "weather" / "T0001.csv")) == (TODAY - FIRST).days


def test_one_broken_file_does_not_stop_the_others(service: Service, season: Path) -> None:
    service.faults["/2021/T0001"] = ws.corrupt
    result = update(season)
    assert result.exit_code == 3 and "damaged, will be asked for again: station T0001, 2021" in result.stderr
    years = {row["date"][:4] for row in table(season / "weather" / "T0001.csv")}
    assert "2021" not in years and {"2020", "2022"} <= years
    service.faults.clear()
    assert update(season).exit_code == 0
    assert "2021" in {row["date"][:4] for row in table(season / "weather" / "T0001.csv")}


def test_a_log_in_page_for_every_file_is_told_as_such(service: Service, season: Path) -> None:
    update(season)
    service.faults["/daily/"] = ws.page
    result = update(season)
    assert result.exit_code == 4 and "log-in page" in result.stderr


def test_a_station_that_vanishes_keeps_its_record_and_is_named(
    service: Service, season: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    update(season)
    before = (season / "weather" / "T0001.csv").read_bytes()
    del service.posts["T0001"]
    service.last_day = dt.date(2024, 9, 1)
    clock(monkeypatch, dt.date(2024, 9, 2))
    result = update(season)
    assert (season / "weather" / "T0001.csv").read_bytes() == before
    assert "station T0001 has given nothing for two months" in result.stderr


def test_two_updates_at_once_do_not_mix(service: Service, season: Path) -> None:
    (season / "weather").mkdir()
    with FileLock(season / "weather" / ".update.lock"):
        result = update(season)
    assert result.exit_code == 1 and "another weather update" in result.stderr


@pytest.mark.parametrize("content", ["{", "[]", '{"format": 1, "stations": {"a": {"b": 1}}, "lakes": {}}'])
def test_a_damaged_state_is_told_and_nothing_is_changed(service: Service, season: Path, content: str) -> None:
    update(season)
    (season / "weather" / "update.json").write_text(content, encoding="utf-8")
    before = files_of(season)
    result = update(season)
    assert result.exit_code == 1 and "update.json" in result.stderr and "Traceback" not in result.output
    assert files_of(season) == before


def test_a_state_of_a_newer_version_is_told(service: Service, season: Path) -> None:
    (season / "weather").mkdir()
    (season / "weather" / "update.json").write_text('{"format": 99}', encoding="utf-8")
    assert "newer version" in update(season).stderr


# ---------------------------------------------------------------- check


def test_check_shows_stations_distance_height_and_coverage(service: Service, season: Path) -> None:
    service.lines["T0001/2021"] = "\n".join(
        [
            ws.HEADER,
            *(ws.row(d, ws.mean_air(d, POSTS["T0001"]), True, ws.SOURCE) for d in ws.days_of(2021) if d.month > 6),
        ]
    )
    update(season)
    result = call("weather", "check", season)
    assert result.exit_code == 0, result.output
    text = result.stdout
    assert re.search(r"H0001 High hut +\d+ % +7 km +-70 m +2 Jun 2024", text), text
    assert "2021 50 %" in text and "2021-01-01 to 2021-06-30 (181 days)" in text
    assert "T0001" in text and max(map(len, text.splitlines())) <= 80
    held = json.loads(call("weather", "check", season, "--json").stdout)
    assert held["last_day"] == "2024-06-02" and held["format"] == 1
    (upper,) = [lake for lake in held["lakes"] if lake["lake_id"] == "upper"]
    (hut,) = [s for s in upper["stations"] if s["station_id"] == "H0001"]
    assert hut["dz_m"] == -70 and hut["distance_km"] == pytest.approx(6.6, abs=0.1)
    assert {s["station_id"]: s["origin"] for s in held["stations"]} == {"T0001": "meteostat", "H0001": "meteostat"}
    assert held["errors"] and held["suspicious"] is not None


def test_check_lists_suspicious_values(service: Service, season: Path) -> None:
    text = service.text("T0001", 2023)
    assert text is not None
    wrong = [
        re.sub(r",[-0-9.]+,ghcnd,[-0-9.]+,ghcnd,[-0-9.]+,", ",45.0,ghcnd,40.0,ghcnd,51.0,", line)
        for line in text.splitlines()
    ]
    service.lines["T0001/2023"] = "\n".join(
        w if ",5,17," in w else t for w, t in zip(wrong, text.splitlines(), strict=True)
    )
    update(season)
    result = call("weather", "check", season)
    said = " ".join(result.stdout.split())
    assert re.search(r"T0001 tmin_c, tmax_c, tmean_c 2023-05-17 40 51 45: .*; not used\. If it is right", said), said
    held = json.loads(call("weather", "check", season, "--json").stdout)["suspicious"]
    assert any(s["station_id"] == "T0001" and s["found"] == "2023-05-17 40 51 45" for s in held)


def test_check_of_the_demo_counts_its_own_files() -> None:
    held: dict[str, Any] = json.loads(call("weather", "check", ROOT / "data_demo", "--json").stdout)
    assert {s["origin"] for s in held["stations"]} == {"file"} and len(held["lakes"]) == 12


def test_check_without_weather_is_exit_4(service: Service, season: Path) -> None:
    assert call("weather", "check", season).exit_code == 4


# ---------------------------------------------------------------- killed


def test_updates_killed_at_random_moments_lose_nothing(tmp_path: Path) -> None:
    kills = kill_updates(tmp_path, 10, days=150, seed=4)
    assert not kills.wrong, "\n".join(kills.wrong)
    assert kills.killed == 10, kills  # else they came too late to tell anything

"""The demo folder: its generator still makes it, and its invented nature is the one that was planted."""

import ast
import csv
import datetime as dt
import gzip
import importlib.util
import io
import re
import tomllib
from pathlib import Path

import numpy as np
import pytest

from emergence.dates import day_number
from emergence.records import LEVELS, RESIDENCES, STAGES, STEMS
from emergence.season import read_season

DEMO = Path(__file__).parents[1] / "data_demo"
TAXA = set(
    "coenagrion ischnura lestes aeshna libellula anax early_midge chironomus summer_midge chaoborus "
    "callibaetis caenis hexagenia limnephilid phryganeid boatman".split()
)
LAST = "2026-05-24"


def text_of(path):
    raw = path.read_bytes()
    raw = gzip.decompress(raw) if path.suffix == ".gz" else raw
    return raw.decode("utf-8").replace("\r\n", "\n")


def rows_of(name):
    return list(csv.DictReader(io.StringIO(text_of(DEMO / name))))


@pytest.fixture(scope="module")
def maker():
    spec = importlib.util.spec_from_file_location("make_demo", DEMO / "make_demo.py")
    module = importlib.util.module_from_spec(spec)
    spec.loader.exec_module(module)
    return module


@pytest.fixture(scope="module")
def weather():
    """Station -> (dates, columns by name), NaN where blank."""
    out = {}
    for path in sorted((DEMO / "weather").iterdir()):
        rows = rows_of(f"weather/{path.name}")
        columns = {k: np.array([float(r[k] or "nan") for r in rows]) for k in rows[0] if k != "date"}
        dates = np.array([r["date"] for r in rows], dtype="datetime64[D]")
        out[path.name.removesuffix(".csv.gz")] = dates, columns
    return out


def month(dates):
    return dates.astype("datetime64[M]").astype(int) % 12 + 1


def year(dates):
    return dates.astype("datetime64[Y]").astype(int) + 1970


def mean_air(columns):
    return columns["tmean_c"] if "tmean_c" in columns else (columns["tmin_c"] + columns["tmax_c"]) / 2


def test_the_generator_makes_the_committed_files(maker, tmp_path):
    # Packed bytes may differ between zlib versions, so packed files are compared by what they hold.
    maker.main(tmp_path)
    made = {p.relative_to(tmp_path) for p in tmp_path.rglob("*") if p.is_file()}
    kept = {p.relative_to(DEMO) for p in DEMO.rglob("*") if p.is_file() and p.suffix not in (".py", ".pyc")}
    assert made == kept
    for name in made:
        assert text_of(tmp_path / name) == text_of(DEMO / name), name


def test_packed_files_carry_no_clock_and_no_name():
    # RFC 1952: flags in byte 3 (0 = no name), modification time in bytes 4-7.
    for path in (DEMO / "weather").iterdir():
        assert path.read_bytes()[3:8] == bytes(5)


def test_the_generator_knows_nothing_of_the_program():
    tree = ast.parse((DEMO / "make_demo.py").read_text(encoding="utf-8"))
    names = {a.name for n in ast.walk(tree) if isinstance(n, ast.Import) for a in n.names}
    names |= {n.module for n in ast.walk(tree) if isinstance(n, ast.ImportFrom)}
    assert names <= {"__future__", "csv", "gzip", "io", "sys", "pathlib", "typing", "numpy"}


def test_lakes_and_stations():
    lakes, stations = rows_of("lakes.csv"), rows_of("stations.csv")
    assert len(lakes) == 12 and {r["region"] for r in lakes} == {"coast", "valley", "fell"}
    assert len(stations) == 5 and len({r["elevation_m"] for r in stations}) == 5
    heights = [float(r["elevation_m"]) for r in lakes]
    assert min(heights) == 10 and max(heights) == 1350
    assert all(2 <= float(r["area_ha"]) <= 120 for r in lakes)
    depths = [float(r["mean_depth_m"]) for r in lakes if r["mean_depth_m"]]
    assert len(depths) == 11 and min(depths) >= 1.5 and max(depths) <= 12
    assert all(float(r["max_depth_m"]) > float(r["mean_depth_m"]) for r in lakes if r["mean_depth_m"])
    assert [r["share"] for r in lakes].count("no") == 1 and {r["stems"] for r in lakes} <= set(STEMS)
    assert {r["station_id"] for r in lakes} - {""} < {r["station_id"] for r in stations}
    for row in lakes + stations:  # open Atlantic: no land within 600 km
        assert 49 <= float(row["latitude"]) <= 51 and -31 <= float(row["longitude"]) <= -29


def test_settings():
    settings = tomllib.loads(text_of(DEMO / "season.toml"))
    assert settings["name"] == "Orrowmark" and re.fullmatch(r"UTC|Etc/\S+", settings["time_zone"])


def test_thirty_one_years_with_gaps(weather):
    assert len(weather) == 5
    mean_only = [s for s, (_, c) in weather.items() if list(c) == ["tmean_c"]]
    assert mean_only == ["ulvenny_ridge"]
    late = 0
    for dates, columns in weather.values():
        steps = np.diff(dates).astype(int)
        assert str(dates[-1]) == LAST and steps.min() == 1
        assert 10 < (steps > 1).sum() < 80
        assert any(np.isnan(c).any() for c in columns.values())
        late += str(dates[0]) > "1996-01-04"
        if "tmin_c" in columns:
            assert not (columns["tmin_c"] > columns["tmax_c"]).any()
    assert late == 1
    assert len(np.unique(year(weather["odderly_green"][0]))) == 31
    assert np.diff(weather["skellan_gate"][0]).astype(int).max() > 28


def test_planted_lapse_rate_shows_in_station_means(maker, weather):
    # 0.6 °C/km: about three standard errors. The valley's and the fell's own weather (sd 1.3 °C, lag-1
    # correlation 0.7) differ by 0.15 °C in the mean of 27 months, over 0.87 km; gaps and rounding add less.
    heights = {r["station_id"]: float(r["elevation_m"]) / 1000 for r in rows_of("stations.csv")}
    inland = ["odderly_green", "skellan_gate", "crannow_top"]
    common = set.intersection(*(set(weather[s][0].astype(int).tolist()) for s in inland))
    doy = np.arange(1, 366)
    planted = dict(zip(("tmax_c", "tmin_c"), maker.lapse(doy), strict=True))
    month_of_doy = month(np.datetime64("2001-01-01") + doy - 1)
    for column, rates in planted.items():
        slopes = []
        for m in range(1, 13):
            means = []
            for s in inland:
                dates, columns = weather[s]
                use = (month(dates) == m) & np.isin(dates.astype(int), list(common))
                means.append(np.nanmean(columns[column][use]))
            slopes.append(-np.polyfit([heights[s] for s in inland], means, 1)[0])
        monthly = [rates[month_of_doy == m].mean() for m in range(1, 13)]
        assert slopes == pytest.approx(monthly, abs=0.6), column
        assert slopes[4] - slopes[10] > 1.0  # May steeper than November
    assert planted["tmax_c"].mean() - planted["tmin_c"].mean() > 2


def test_coast_is_damped_and_valley_has_inversions(weather):
    swing = {}
    for station in ("pellor_head", "odderly_green"):
        dates, columns = weather[station]
        air = mean_air(columns)
        swing[station] = np.nanmean(air[month(dates) == 7]) - np.nanmean(air[month(dates) == 1])
    assert 9 < swing["pellor_head"] < 13 and 20 < swing["odderly_green"] < 26
    (low, a), (high, b) = weather["odderly_green"], weather["skellan_gate"]
    _, i, j = np.intersect1d(low, high, return_indices=True)
    colder_below = np.nanmean(a["tmin_c"][i] < b["tmin_c"][j])
    assert 0.05 < colder_below < 0.4


def test_weather_has_memory_and_one_sky(weather):
    dates, _ = weather["odderly_green"]
    anomalies = {}
    for station in ("pellor_head", "odderly_green", "skellan_gate"):
        when, columns = weather[station]
        air = np.full(int((dates[-1] - dates[0]).astype(int)) + 1, np.nan)
        air[(when - dates[0]).astype(int)] = mean_air(columns)
        calendar = month(dates[0] + np.arange(len(air)))
        for m in range(1, 13):
            air[calendar == m] -= np.nanmean(air[calendar == m])
        anomalies[station] = air
    table = np.array(list(anomalies.values()))
    table = table[:, ~np.isnan(table).any(axis=0)]
    together = np.corrcoef(table)
    assert together[0, 1] > 0.7 and together[1, 2] > 0.75
    yesterday = np.corrcoef(table[1, :-1], table[1, 1:])[0, 1]
    assert 0.6 < yesterday < 0.95


def test_warm_and_cold_springs_differ(weather):
    springs = {}
    for station in ("pellor_head", "odderly_green"):
        dates, columns = weather[station]
        air, spring = mean_air(columns), np.isin(month(dates), (4, 5))
        springs[station] = np.array([np.nanmean(air[spring & (year(dates) == y)]) for y in range(1996, 2026)])
    valley = springs["odderly_green"]
    assert np.ptp(valley) > 3 and 0.8 < valley.std() < 2.2
    assert np.corrcoef(springs["pellor_head"], valley)[0, 1] > 0.5


def test_notes_use_the_allowed_words_and_do_not_look_ahead():
    lakes = {r["lake_id"] for r in rows_of("lakes.csv")}
    sightings, residents = rows_of("sightings.csv"), rows_of("residents.csv")
    readings, ice = rows_of("readings.csv"), rows_of("ice.csv")
    for row in sightings + readings + ice:
        assert row["lake_id"] in lakes and dt.date.fromisoformat(row["date"]).isoformat() <= LAST
    assert {r["taxon"] for r in sightings} <= TAXA and {r["taxon"] for r in residents} == TAXA
    assert {r["stage"] for r in sightings} == set(STAGES) and {r["level"] for r in sightings} == set(LEVELS)
    assert {r["residence"] for r in residents} == set(RESIDENCES)
    assert {r["event"] for r in ice} == {"on", "off"}
    assert all(0 <= float(r["water_c"]) < 30 for r in readings)
    for table in (sightings, readings, ice):
        assert any(r["date"] >= "2026-04-01" for r in table)
    for table, keys in ((sightings, ("lake_id", "date", "taxon", "stage")), (ice, ("lake_id", "date"))):
        found = [tuple(r[k] for k in keys) for r in table]
        assert len(found) == len(set(found))


def test_ice_leaves_the_valley_before_the_fell():
    off = {}
    for row in rows_of("ice.csv"):
        if row["event"] == "off":
            off.setdefault(row["lake_id"], []).append(dt.date.fromisoformat(row["date"]).timetuple().tm_yday)
    median = {lake: np.median(days) for lake, days in off.items()}
    assert 75 < median["quennaby"] < 105
    assert median["quennaby"] + 14 < median["skellan"] < median["umberlow"]
    assert 110 < median["umberlow"] < 145


def test_the_folder_reads_without_a_problem():
    season = read_season(DEMO, today=day_number(dt.date(2026, 5, 30)))
    assert season.problems == ()
    assert len(season.lakes) == 12 and len(season.weather) == 5 and season.settings.name == "Orrowmark"

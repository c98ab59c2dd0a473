"""What a good season folder gives, in all the forms in which it may be written."""

import datetime as dt
import gzip
import hashlib
import random

import numpy as np
import pytest
from season_folder import (
    FIRST,
    ICE,
    LAKES,
    LAST,
    READINGS,
    RESIDENTS,
    SIGHTINGS,
    STATIONS,
    TODAY,
    mean_air,
    season_files,
    weather_high,
    weather_low,
    write_season,
)

from emergence.dates import day_number
from emergence.errors import Problem, SeasonError
from emergence.records import Season, Settings
from emergence.season import intake, read_season


def read(folder, changes=None) -> Season:
    return read_season(write_season(folder, changes), today=TODAY)


def assert_same(a: Season, b: Season) -> None:
    for table in ("lakes", "stations", "readings", "ice", "sightings", "residents"):
        for name, column in vars(getattr(a, table)).items():
            np.testing.assert_array_equal(column, getattr(getattr(b, table), name), err_msg=f"{table}.{name}")
    for records in ("weather", "ahead"):
        first, second = getattr(a, records), getattr(b, records)
        assert list(first) == list(second)
        for station in first:
            for name, value in vars(first[station]).items():
                np.testing.assert_array_equal(value, getattr(second[station], name), err_msg=f"{station}.{name}")


def test_a_good_folder_has_no_problems(tmp_path):
    season = read(tmp_path)
    assert season.problems == ()
    lakes = season.lakes
    assert list(lakes.lake_id) == ["alder", "birch", "cedar"]
    assert list(lakes.name) == ["Alder Pond", "Birch Lake", "cedar"]
    np.testing.assert_array_equal(lakes.mean_depth_m, [2.1, np.nan, np.nan])
    np.testing.assert_array_equal(lakes.area_ha, [12.5, 85, np.nan])
    assert np.isnan(lakes.secchi_m).all()
    assert list(lakes.share) == ["yes", "no", "no"]
    assert list(lakes.stems) == ["much", "", "none"]
    assert lakes.notes[0] == "reeds, north end"
    assert list(season.stations.station_id) == ["low", "high"]
    assert list(season.residents.residence) == ["yes", "no", "unsure"]
    assert season.own_taxa["taxa/coenagrion.toml"].startswith("format")


def test_settings_are_taken_over(tmp_path):
    said = read(tmp_path).settings
    assert said == Settings(
        name="High lakes",
        time_zone="America/Vancouver",
        weather_source="files",
        taxa=("coenagrion", "chironomus"),
        slots=20,
        replicates=6,
        seed=7,
        temperature_unit="F",
        length_unit="ft",
        guests_see_lakes="share",
        said=said.said,
    )
    assert said.said == {
        *("name", "time_zone", "weather.source", "taxa.run", "ensemble.slots", "ensemble.replicates"),
        *("ensemble.seed", "units.temperature", "units.length", "guests.lakes"),
    }


def test_weather_lies_on_the_calendar(tmp_path):
    season = read(tmp_path)
    low, high = season.weather["low"], season.weather["high"]
    assert (low.first_day, low.last_day) == (day_number(FIRST), day_number(LAST))
    midsummer = (dt.date(2023, 7, 1) - FIRST).days
    expected = mean_air(dt.date(2023, 7, 1))
    # The files carry one decimal.
    assert low.tmin_c[midsummer] == pytest.approx(expected - 5, abs=0.051)
    assert low.tmax_c[midsummer] == pytest.approx(expected + 6, abs=0.051)
    assert np.isnan(low.tmean_c).all() and len(low.tmean_c) == len(low.tmin_c)
    assert np.isnan(high.tmin_c).all() and np.isfinite(high.tmean_c).all()
    assert season.ahead["low"].first_day == TODAY
    np.testing.assert_array_equal(season.ahead["low"].tmax_c, [17.5, 19.0])


def test_gaps_and_blank_days_are_missing_values(tmp_path):
    text = "date,tmean_c\n2024-03-01,\n2024-03-02,1.5\n2024-03-05,NA\n2024-03-06,-2\n2024-03-07,\n"
    high = read(tmp_path, {"weather/high.csv": text}).weather["high"]
    assert high.first_day == day_number(dt.date(2024, 3, 2))
    np.testing.assert_array_equal(high.tmean_c, [1.5, np.nan, np.nan, np.nan, -2])


def test_observations_are_sorted_and_equal_ones_count_once(tmp_path):
    again = "birch,2024-05-12,8.0,1.0,9.5\nalder,2024-05-01,5,,\nalder,2024-05-12,12.25,,\n"
    season = read(
        tmp_path,
        {
            "readings.csv": READINGS + again,
            "ice.csv": ICE + "alder,2024-04-02,Off\n",
            "sightings.csv": SIGHTINGS + SIGHTINGS.splitlines()[1] + "\n",
            "residents.csv": RESIDENTS + "alder,coenagrion,YES\n",
        },
    )
    assert season.problems == ()
    assert list(season.readings.lake_id) == ["alder", "alder", "alder", "birch"]
    np.testing.assert_array_equal(season.readings.water_c, [5, 9.5, 12.25, 8])
    np.testing.assert_array_equal(season.readings.hour, [np.nan, 14, np.nan, 9.5])
    assert len(season.ice) == 3 and len(season.sightings) == 2 and len(season.residents) == 3
    assert list(season.sightings.note) == ["near the reeds, windy", ""]
    np.testing.assert_array_equal(season.sightings.minutes, [40, 20])


def test_two_readings_of_one_day_both_count(tmp_path):
    season = read(tmp_path, {"readings.csv": READINGS + "birch,2024-05-12,9,1,9.5\n"})
    assert len(season.readings) == 4


def test_only_lakes_and_weather_are_needed(tmp_path):
    optional = ("season.toml", "readings.csv", "ice.csv", "sightings.csv", "residents.csv")
    gone = dict.fromkeys((*optional, "taxa/coenagrion.toml", "weather/low.ahead.csv"))
    season = read(tmp_path, gone)
    assert season.problems == () and season.settings == Settings()
    assert len(season.readings) == len(season.ice) == len(season.sightings) == len(season.residents) == 0
    assert season.ahead == {} and season.own_taxa == {}


def test_lakes_alone_can_be_read(tmp_path):
    (tmp_path / "lakes.csv").write_text("lake_id,latitude,longitude,elevation_m\na,-44,170,500\n")
    season = read_season(tmp_path, today=TODAY)
    assert season.problems == () and season.weather == {}
    assert season.lakes.southern[0] and season.lakes.name[0] == "a" and season.lakes.region[0] == ""


def bom(text: str) -> bytes:
    return text.encode("utf-8-sig")


def windows_lines(text: str) -> bytes:
    return text.replace("\n", "\r\n").encode()


def old_mac_lines(text: str) -> bytes:
    return text.replace("\n", "\r").encode()


def spaces(text: str) -> bytes:
    """Put spaces around every cell except the quoted ones."""
    pieces = text.split('"')
    pieces[::2] = [piece.replace(",", " , ").replace(" , \n", " ,\n") for piece in pieces[::2]]
    return '"'.join(pieces).replace('" ,', '",').encode()


def capitals_in_header(text: str) -> bytes:
    head, _, rest = text.partition("\n")
    return f"{head.title()}\n{rest}".encode()


def blank_rows(text: str) -> bytes:
    head, *rows = text.splitlines()
    blank = "," * head.count(",")
    return "\n".join(["", head, blank, *rows[:1], "", *rows[1:], blank, ""]).encode()


def trailing_commas(text: str) -> bytes:
    return text.replace("\n", ",,\n").encode()


def quoted(text: str) -> bytes:
    head, *rows = text.splitlines()
    rows = [row if '"' in row else ",".join(f'"{cell}"' for cell in row.split(",")) for row in rows]
    return "\n".join([head, *rows]).encode()


def reversed_columns(text: str) -> bytes:
    if '"' in text:
        return text.encode()
    return "\n".join(",".join(reversed(row.split(","))) for row in text.splitlines()).encode()


FORMS = [bom, windows_lines, old_mac_lines, spaces, capitals_in_header, blank_rows, trailing_commas, quoted,
         reversed_columns]  # fmt: skip


@pytest.mark.parametrize("form", FORMS, ids=lambda form: form.__name__)
def test_every_form_of_csv_reads_the_same(tmp_path, form):
    files = season_files()
    changes = {name: form(text) for name, text in files.items() if name.endswith(".csv")}
    other = read(tmp_path / "other", changes)
    assert other.problems == ()
    assert_same(read(tmp_path / "plain"), other)


def test_compressed_files_read_the_same(tmp_path):
    changes: dict[str, bytes | None] = {}
    for name, text in season_files().items():
        if name.endswith(".csv"):
            changes |= {name: None, f"{name}.gz": gzip.compress(text.encode())}
    other = read(tmp_path / "gz", changes)
    assert other.problems == () and "weather/low.csv.gz" in other.checksums
    assert_same(read(tmp_path / "plain"), other)


def test_row_order_changes_nothing_but_the_order_of_lakes(tmp_path):
    rng = random.Random(4)
    changes = {}
    for name, text in season_files().items():
        if name.endswith(".csv") and name not in ("lakes.csv", "stations.csv", "residents.csv"):
            head, *rows = text.splitlines()
            changes[name] = "\n".join([head, *rng.sample(rows, len(rows))])
    assert_same(read(tmp_path / "plain"), read(tmp_path / "shuffled", changes))
    head, *rows = LAKES.splitlines()
    turned = read(tmp_path / "turned", {"lakes.csv": "\n".join([head, *reversed(rows)])})
    assert list(turned.lakes.lake_id) == ["cedar", "birch", "alder"]


def in_fahrenheit(text: str) -> str:
    head, *rows = text.splitlines()
    cells = [row.split(",") for row in rows]
    warm = [[date, *(f"{float(t) * 9 / 5 + 32:.2f}" for t in temperatures)] for date, *temperatures in cells]
    return "\n".join([head.replace("_c", "_f"), *(",".join(row) for row in warm)])


def test_fahrenheit_feet_and_acres_give_the_same_season(tmp_path):
    lakes = (
        "lake_id,name,region,latitude,longitude,elevation_ft,area_ac,mean_depth_ft,max_depth_ft,station_id,stems,"
        "share,notes,secchi_ft\n"
        f"alder,Alder Pond,valley,51.2,-119.4,{420 / 0.3048!r},{12.5 / 0.40468564224!r},{2.1 / 0.3048!r},"
        f'{5 / 0.3048!r},low,much,yes,"reeds, north end",{3 / 0.3048!r}\n'
        f"birch,Birch Lake,valley,51.3,-119.5,{610 / 0.3048!r},{85 / 0.40468564224!r},,{14.5 / 0.3048!r},low,,no,,\n"
        f"cedar,,fell,51.6,-119.9,{1480 / 0.3048!r},,,,high,none,,,\n"
    )
    readings = "lake_id,date,water_f,depth_ft,hour\nalder,2024-05-04,49.1,1.640419947506562,14\n"
    changed = {
        "lakes.csv": lakes,
        "weather/low.csv": in_fahrenheit(weather_low()),
        "weather/high.csv": in_fahrenheit(weather_high()),
        "readings.csv": readings,
    }
    plain, other = read(tmp_path / "c"), read(tmp_path / "f", changed)
    assert other.problems == ()
    # Conversion factors are exact (international foot and acre), so only rounding of doubles remains.
    for name in ("elevation_m", "area_ha", "mean_depth_m", "max_depth_m"):
        np.testing.assert_allclose(getattr(other.lakes, name), getattr(plain.lakes, name), rtol=1e-12)
    assert other.lakes.secchi_m[0] == pytest.approx(3, rel=1e-12)
    for station in ("low", "high"):
        for name in ("tmin_c", "tmax_c", "tmean_c"):
            same = getattr(other.weather[station], name), getattr(plain.weather[station], name)
            # 0.1 °C steps are 0.18 °F steps, which two decimals hold exactly.
            np.testing.assert_allclose(*same, rtol=0, atol=1e-9)
    assert other.readings.water_c[0] == pytest.approx(9.5, abs=1e-9)
    assert other.readings.depth_m[0] == pytest.approx(0.5, rel=1e-12)


def test_checksums_are_those_of_the_files(tmp_path):
    season = read(tmp_path)
    assert list(season.checksums) == sorted(season_files())
    for name, digest in season.checksums.items():
        assert digest == hashlib.sha256((tmp_path / name).read_bytes()).hexdigest()


def test_same_day_twice_with_the_same_values_is_silent(tmp_path):
    season = read(tmp_path, {"weather/high.csv": weather_high() + f"{LAST},{mean_air(LAST, 6.0):.1f}\n"})
    assert season.problems == ()


def test_letters_of_any_alphabet_are_fine(tmp_path):
    lakes = LAKES.replace("birch,Birch Lake", "björk-2,Björksjön").replace("fell", "fjäll")
    composed = {"lakes.csv": lakes, "readings.csv": "lake_id,date,water_c\nbjo\u0308rk-2,2024-05-01,4\n"}
    season = read(tmp_path, {**composed, "sightings.csv": None, "residents.csv": None})
    assert season.problems == () and list(season.readings.lake_id) == ["björk-2"]


def test_files_of_others_are_ignored(tmp_path):
    others = {"plan.csv": "x", "learned.json": "{", "photo.jpg": b"\0"}
    season = read(tmp_path, {**others, ".lakes.csv": "x", "weather/readme.txt": "x", "taxa/notes.md": "x"})
    assert season.problems == () and "plan.csv" not in season.checksums


def test_problems_are_sorted_and_told_once(tmp_path):
    changes = {"readings.csv": READINGS + "alder,2024-05-30,x,,\nalder,2024-05-31,99,,\n", "ice.csv": ICE + "alder\n"}
    first, second = read(tmp_path / "a", changes), read(tmp_path / "b", changes)
    assert first.problems == second.problems == tuple(sorted(first.problems))
    assert len(first.problems) == 4 and all(isinstance(p, Problem) for p in first.problems)
    assert len(set(first.problems)) == 4


def test_a_header_without_rows_is_fine_for_notes(tmp_path):
    heads = {"readings.csv": READINGS, "ice.csv": ICE, "sightings.csv": SIGHTINGS, "residents.csv": RESIDENTS}
    season = read(tmp_path, {name: text.splitlines()[0] for name, text in heads.items()})
    assert season.problems == () and len(season.sightings) == 0


def test_empty_settings_are_the_defaults(tmp_path):
    assert read(tmp_path, {"season.toml": "\n"}).settings == Settings()


def test_no_stations_file_is_needed_without_weather(tmp_path):
    no_station = LAKES.replace(",low,", ",,").replace(",high,", ",,")
    gone = dict.fromkeys(name for name in season_files() if name.startswith("weather/"))
    season = read(tmp_path, {**gone, "stations.csv": None, "lakes.csv": no_station})
    assert season.problems == () and len(season.stations) == 0


def test_stations_keep_their_order_in_the_weather(tmp_path):
    head, *rows = STATIONS.splitlines()
    season = read(tmp_path, {"stations.csv": "\n".join([head, *reversed(rows)])})
    assert list(season.weather) == ["high", "low"]


def test_every_file_is_opened_once_however_many_lakes(tmp_path, monkeypatch):
    opened: list[str] = []
    plain = intake._read_bytes
    monkeypatch.setattr(intake, "_read_bytes", lambda path: opened.append(path.name) or plain(path))
    rows = [f"pond{k},,,51.2,-119.4,420,,,,low,,,\n" for k in range(500)]
    season = read(tmp_path, {"lakes.csv": LAKES + "".join(rows)})
    assert len(season.lakes) == 503
    assert sorted(opened) == sorted(set(opened))
    assert "low.csv" in opened


def test_an_id_of_two_lines_is_refused(tmp_path):
    with pytest.raises(SeasonError, match="lake_id must be 1 to 64 letters"):
        read(tmp_path, {"lakes.csv": LAKES.replace("birch,", '"birch\nlake",')})

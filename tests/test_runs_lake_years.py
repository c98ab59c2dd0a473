"""What a picture of a lake's year stands on: the years, the band, notes believed or not; and the command that draws."""

from __future__ import annotations

import dataclasses
import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from click.testing import CliRunner
from season_folder import TODAY, write_season

from emergence.cli.main import main
from emergence.dates import season_span
from emergence.errors import WrongUseError
from emergence.learning.suspicious import Doubted
from emergence.records import Season
from emergence.runs.lake_years import chosen_years, lake_year
from emergence.runs.learn import learn_lakes
from emergence.runs.record import Record, central_water, simulate_record
from emergence.runs.results import LakeYear
from emergence.runs.taught import Learned, with_learned
from emergence.season import read_season
from emergence.water.spread import Spread

WHOLE = 2023  # the only whole calendar year of the folder's weather
NOTHING = Learned(0, {}, {})


@pytest.fixture(scope="module")
def season(tmp_path_factory: pytest.TempPathFactory) -> Season:
    return read_season(write_season(tmp_path_factory.mktemp("season")), today=TODAY)


@pytest.fixture(scope="module")
def record(season: Season) -> Record:
    return simulate_record(season, season.lakes)


def drawn(season: Season, record: Record, learned: Learned = NOTHING, *, lake: int = 0, year: int = WHOLE) -> LakeYear:
    central = central_water(record, with_learned(record.spread, record.lakes, learned))
    return lake_year(season, record, learned, central, lake=lake, span=season_span(year, False))


def test_without_a_year_the_last_whole_one_is_drawn(record: Record) -> None:
    assert [s.year for s in chosen_years(record, 0, ())] == [WHOLE]
    assert [s.year for s in chosen_years(record, 0, (2024, 2022))] == [2024, 2022]
    with pytest.raises(WrongUseError, match=r"--year 1999: the weather of alder reaches from 2022-06-01 to 2024-05-31"):
        chosen_years(record, 0, (1999,))


def test_a_short_record_is_drawn_as_far_as_it_goes(record: Record) -> None:
    for days, year in ((400, 2023), (700, 2024)):  # from 2023-07-06 and 2024-05-01 on
        short = dataclasses.replace(record, first=record.first + days)
        assert [s.year for s in chosen_years(short, 0, ())] == [year]


def test_days_end_with_the_weather(season: Season, record: Record) -> None:
    year = drawn(season, record, year=2024)
    assert year.days["date"].iloc[-1] == pd.Timestamp(2024, 5, 31)
    assert len(drawn(season, record).days) == 365


def test_band_is_the_unseen_spread(season: Season, record: Record) -> None:
    """In July, far from ice, it spans 2.56 standard deviations of level, seasonal shape, year and day to day.

    5 %: quantiles of 1,000 draws on 31 correlated days.
    """
    year = drawn(season, record)
    july = year.days[(year.days["date"] >= "2023-07-01") & (year.days["date"] <= "2023-07-31")]
    spread: Spread = record.spread
    variance = spread.year_c[0] ** 2 + spread.day_c[0] ** 2
    at = (july["date"] - pd.Timestamp(record.days[0], unit="D")).dt.days.to_numpy()
    known = record.known.at(at, 0)
    own = np.einsum("nk,kl,ml,nm->n", known, spread.root[0], spread.root[0], known)
    sd = np.sqrt(own + variance)
    assert (july["high"] - july["low"]).mean() == pytest.approx(2 * 1.2816 * sd.mean(), rel=0.05)
    middle = (july["high"] + july["low"]) / 2
    assert np.abs(middle - july["middle"]).max() < 0.25  # an error of a tenth of the band in its centre


def test_ice_grows_surer_and_band_lies_at_zero_under_it(season: Season, record: Record) -> None:
    year = drawn(season, record, lake=2)
    spring = year.days[year.days["date"] < "2023-07-01"]
    assert spring["ice_chance"].iloc[0] == 1.0 and spring["ice_chance"].iloc[-1] == 0.0
    assert (spring.loc[spring["ice_chance"] == 1, "high"] == 0).all()
    unsure = ((spring["ice_chance"] > 0.1) & (spring["ice_chance"] < 0.9)).sum()
    sd = record.spread.ice_sd_d[2]
    assert unsure == pytest.approx(2 * 1.2816 * sd, abs=4)  # days of 8 in 10 ice-offs: whole days, 1,000 draws


def test_drawn_again_it_is_the_same(season: Season, record: Record) -> None:
    a, b = (drawn(season, record, lake=1).days for _ in range(2))
    pd.testing.assert_frame_equal(a, b)
    alone = simulate_record(season, season.lakes.take(np.array([1])))
    pd.testing.assert_frame_equal(a, drawn(season, alone).days)


def test_notes_of_the_year_are_in_it(season: Season, record: Record) -> None:
    learned = learn_lakes(season, record, before=10**6)
    year = drawn(season, record, learned, year=2024)
    assert year.readings["water_c"].tolist() == [9.5, 12.25]
    assert year.ice[["event"]].to_numpy().ravel().tolist() == ["off"]
    assert (year.fitted, year.temperature_unit) == (learned.lakes["alder"].readings, "F")
    assert drawn(season, record, learned).ice["event"].tolist() == ["on"]


def test_unbelievable_and_deep_readings(season: Season, record: Record) -> None:
    r = season.readings
    one = r.take(np.flatnonzero(r.lake_id == "alder")[:1])
    odd = dataclasses.replace(one, water_c=one.water_c + 40)
    deep = dataclasses.replace(one, depth_m=np.array([6.0]))
    year = drawn(dataclasses.replace(season, readings=odd), record, year=2024)
    assert year.readings["used"].tolist() == [False]
    assert drawn(dataclasses.replace(season, readings=deep), record, year=2024).readings.empty
    doubted = Doubted("alder", int(odd.day[0]), float(odd.water_c[0]), 10.0, "far")
    for told, used in (((), True), ((doubted,), False)):  # the fits looked, and the user may have overruled them
        learned = Learned(10**6, {}, {}, doubted=told)
        year = drawn(dataclasses.replace(season, readings=odd), record, learned, year=2024)
        assert year.readings["used"].tolist() == [used]


def run(*args: str) -> tuple[int, str, str]:
    result = CliRunner().invoke(main, ["water", *args])
    return result.exit_code, result.stdout, result.stderr


def test_command_draws_and_keeps_the_table_for_out(tmp_path: Path) -> None:
    folder, pictures = write_season(tmp_path / "season"), tmp_path / "pictures"
    code, out, err = run(str(folder), "--picture", str(pictures), "--lake", "alder", "--year", "2023", "--year", "2024")
    assert (code, out) == (0, "")
    assert f"2 pictures in {pictures}, each as PNG and SVG" in err
    assert sorted(p.name for p in pictures.iterdir()) == [
        f"alder-{year}.{ending}" for year in (2023, 2024) for ending in ("png", "svg")
    ]
    table = tmp_path / "water.csv"
    code, out, _ = run(str(folder), "--picture", str(pictures), "--lake", "cedar", "--out", str(table))
    assert (code, out) == (0, "") and table.read_text(encoding="utf-8").startswith("lake_id,date,water_c,ice\ncedar,")
    assert (pictures / f"cedar-{WHOLE}.svg").is_file()


def test_command_says_what_is_wrong(tmp_path: Path) -> None:
    folder = write_season(tmp_path / "season")
    code, _, err = run(str(folder), "--year", "2023")
    assert code == 2 and "--picture" in err
    code, _, err = run(str(folder), "--year", "1890", "--picture", str(tmp_path / "p"))
    assert code == 2 and "--year 1890" in err and "2022-06-01" in err
    (tmp_path / "file").write_text("", encoding="utf-8")
    code, _, err = run(str(folder), "--picture", str(tmp_path / "file"))
    assert code == 1 and "cannot write" in err


def test_south_has_its_own_seasons(tmp_path: Path) -> None:
    lakes = "lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m,station_id\n"
    changes = {"lakes.csv": lakes + "wren,Wren Tarn,,-43,170,500,12,3,8,low\n", "residents.csv": None}
    changes |= {"readings.csv": None, "ice.csv": None, "sightings.csv": None}
    season = read_season(write_season(tmp_path, changes), today=TODAY)
    record = simulate_record(season, season.lakes)
    (span,) = chosen_years(record, 0, ())
    assert (span.year, span.southern) == (2022, True)
    central = central_water(record, record.spread)
    year = lake_year(season, record, NOTHING, central, lake=0, span=span)
    assert year.days["date"].iloc[0] == pd.Timestamp(dt.date(2022, 7, 1)) and len(year.days) == 365

"""Regions side by side: the demo's planted climb, planted warm springs, shares against the members themselves."""

from __future__ import annotations

import csv
import datetime as dt
import io
import math
import sys
from pathlib import Path
from typing import Any

import numpy as np
import pandas as pd
import pytest
from season_folder import READINGS, write_season

from emergence.dates import day_number
from emergence.records import Season
from emergence.report.tables import columns, published
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.plan import prepare
from emergence.runs.regions import Ask, compare_regions, without_notes
from emergence.runs.results import RegionsResult
from emergence.season import read_season

ROOT = Path(__file__).parents[1]
sys.path.insert(0, str(ROOT / "data_demo"))
import make_demo  # noqa: E402  the demo lies beside the package, not in it

FIRST, LAST = dt.date(2015, 6, 1), dt.date(2024, 5, 31)
SPRINGS = {2016: 1.5, 2017: -1.0, 2018: 0.5, 2019: -2.0, 2020: 2.5, 2021: 0.0, 2022: -0.5, 2023: 1.0}
"""Planted departures of the air from February on [°C]."""
SETTINGS = """\
name = "Planted springs"
[taxa]
run = ["coenagrion"]
[ensemble]
slots = 20
replicates = 12
seed = 7
"""
LAKES = """\
lake_id,name,region,latitude,longitude,elevation_m,area_ha,mean_depth_m,max_depth_m
alder,Alder Pond,valley,51.2,-119.4,420,12.5,2.1,5
birch,Birch Lake,valley,51.3,-119.5,610,85,4,14
cedar,Cedar Tarn,,51.4,-119.6,700,8,3,7
"""


def air(warm: float, lapse: float) -> str:
    """Return a weather file: a seasonal cycle, a wave of eleven days, and springs of their own."""
    rows = ["date,tmin_c,tmax_c"]
    for k in range((LAST - FIRST).days + 1):
        date = FIRST + dt.timedelta(k)
        n = day_number(date)
        mean = 8.0 - lapse - 13.0 * math.cos(2 * math.pi * (n - 20) / 365.25) + 3.0 * math.sin(n / 1.75)
        mean += (SPRINGS | {2024: warm}).get(date.year, 0.0) * (2 <= date.month <= 6)
        rows.append(f"{date},{mean - 5:.1f},{mean + 6:.1f}")
    return "\n".join(rows) + "\n"


def season(folder: Path, warm: float, **files: str | None) -> Season:
    """Return a season whose last spring departs by ``warm`` [°C]."""
    bare: dict[str, Any] = dict.fromkeys(
        ("readings.csv", "ice.csv", "sightings.csv", "residents.csv", "taxa/coenagrion.toml", "weather/low.ahead.csv")
    )
    bare |= {"season.toml": SETTINGS, "lakes.csv": LAKES, "weather/low.csv": air(warm, 0.0)}
    return read_season(
        write_season(folder, bare | {"weather/high.csv": air(warm, 6.0)} | files), today=day_number(LAST)
    )


@pytest.fixture(scope="module")
def folders(tmp_path_factory: pytest.TempPathFactory) -> dict[float, Season]:
    return {warm: season(tmp_path_factory.mktemp("season"), warm) for warm in (-2.0, 2.5)}


@pytest.fixture(scope="module")
def results(folders: dict[float, Season]) -> dict[float, RegionsResult]:
    return {warm: compare_regions(folder, Ask()) for warm, folder in folders.items()}


def test_warm_spring_is_ahead_and_cold_behind_like_the_years_planted_so(results: dict[float, RegionsResult]) -> None:
    for warm in (-2.0, 2.5):
        row = results[warm].seasons.iloc[0]
        assert (row["region"], row["band"], row["lakes"]) == ("*", "*", 3)
        assert SPRINGS[row["like_year"]] * warm > 0
        assert np.sign(row["days_vs_normal"]) == -np.sign(warm)
        assert (
            abs(row["days_vs_normal"]) > 4
        )  # 2 °C and more on some 5 °C rise a month: over a week, weather to come aside
        years = results[warm].years
        all_lakes = years[(years["region"] == "*") & (years["band"] == "*")].set_index("year")["days_vs_normal"]
        assert all_lakes.corr(pd.Series(SPRINGS)) < -0.9


def test_noise_of_a_past_year_is_told(folders: dict[float, Season], results: dict[float, RegionsResult]) -> None:
    """Other seeds, other draws: their spread is what noise_days says, eight years and two seeds allowing a factor 2."""
    other = compare_regions(folders[2.5], Ask(seed=8))
    one, two = (
        r.years[(r.years[["region", "band"]] == "*").all(axis=1)]["days_vs_normal"] for r in (results[2.5], other)
    )
    between = np.sqrt(np.mean((one - two) ** 2) / 2)
    told = results[2.5].seasons["noise_days"].iloc[0]
    assert told / 2 < between < 2 * told


def test_table_is_published_and_holds_every_group(results: dict[float, RegionsResult]) -> None:
    table = results[2.5].table
    assert list(table.columns) == list(columns("regions"))
    rows = published(table, "regions")
    groups = set(zip(rows["region"], rows["band"], strict=True))
    assert groups == {
        ("*", "*"), ("valley", "*"), ("-", "*"), ("*", "300-600"), ("*", "600-900"),
        ("valley", "300-600"), ("valley", "600-900"), ("-", "600-900"),
    }  # fmt: skip
    assert not rows.duplicated(["region", "band", "taxon", "brood", "event", "season", "week_start"]).any()
    assert (rows["week_start"].dt.day_of_week == 0).all()
    assert rows["share_active"].between(0.01, 1).all()


def test_shares_and_dates_are_those_of_the_members(
    folders: dict[float, Season], results: dict[float, RegionsResult]
) -> None:
    members = run_plan(prepare(folders[2.5]), Wanted(water=False, days=False, members=True)).members
    mine = members[(members["event"] == "emergence") & members["lake_id"].isin(["alder", "birch"])]
    rows = results[2.5].table
    rows = rows[(rows["event"] == "emergence") & (rows["region"] == "valley") & (rows["band"] == "*")]
    for row in rows.itertuples():
        on = (mine["onset"] <= row.week_start + pd.Timedelta(days=6)) & ~(mine["end"] < row.week_start)
        assert row.share_active == pytest.approx(on.groupby(mine["lake_id"]).mean().mean())
    peaks = np.sort(mine["peak"].fillna(pd.Timestamp.max).to_numpy())
    assert rows["peak_p50"].iloc[0] == peaks[len(peaks) // 2 - 1]
    spread = peaks[int(np.ceil(0.9 * len(peaks))) - 1] - peaks[int(np.ceil(0.1 * len(peaks))) - 1]
    assert rows["spread_days"].iloc[0] == spread / np.timedelta64(1, "D")


def test_next_comes_the_first_week_ahead_with_half_of_the_lakes(results: dict[float, RegionsResult]) -> None:
    result = results[-2.0]
    assert len(result.moves)
    for move in result.moves.itertuples():
        same = result.table
        for key in ("taxon", "brood", "event", "region", "band"):
            same = same[same[key] == getattr(move, key)]
        half = same[same["share_active"] >= 0.5]["week_start"]
        assert half.min() == move.week_start > pd.Timestamp(result.as_of)


def test_notes_move_the_dates_but_not_the_comparison(tmp_path: Path, results: dict[float, RegionsResult]) -> None:
    cold = READINGS.splitlines()[0] + "\n" + "".join(f"alder,2024-05-{d:02d},5.0,,\n" for d in range(2, 30, 3))
    noted = season(tmp_path, 2.5, **{"readings.csv": cold})
    assert len(without_notes(noted, day_number(dt.date(2023, 9, 1))).readings.day) == 0
    found, before = compare_regions(noted, Ask()), results[2.5]
    at = {"lake_id": "alder", "event": "emergence"}
    late, early = (
        r.dates[(r.dates[list(at)] == list(at.values())).all(axis=1)]["middle"].iloc[0] for r in (found, before)
    )
    assert late > early
    assert found.seasons["days_vs_normal"].tolist() == before.seasons["days_vs_normal"].tolist()


def test_on_the_first_day_the_season_is_the_normal_year(folders: dict[float, Season]) -> None:
    result = compare_regions(folders[2.5], Ask(as_of=day_number(dt.date(2024, 1, 1))))
    assert result.normal_as_of == dt.date(2024, 1, 1)
    assert set(result.seasons["days_vs_normal"]) == {0.0}


def test_some_lakes_alone_have_the_same_rows(folders: dict[float, Season], results: dict[float, RegionsResult]) -> None:
    alone = compare_regions(folders[2.5], Ask(lakes=("cedar",))).table
    whole = results[2.5].table
    pick = (alone["region"] == "-") & (alone["band"] == "*")
    there = whole[(whole["region"] == "-") & (whole["band"] == "*")].reset_index(drop=True)
    pd.testing.assert_frame_equal(alone[pick].reset_index(drop=True), there)


def planted_climb(taxon: str, years: range) -> float:
    """Return the demo's planted days for each 100 m: true lakes against twins that lie 100 m higher, all else equal."""
    sky, days = make_demo.shared_sky(), []
    for row in csv.DictReader(io.StringIO(make_demo.LAKES)):
        lake, region, height = row["lake_id"], row["region"], float(row["elevation_m"])
        if taxon not in make_demo.HERE[lake].split():
            continue
        depth = make_demo.TRUE_DEPTH.get(lake) or float(row["mean_depth_m"])
        twins = []
        for higher in (0.0, 100.0):
            tmin, tmax = make_demo.air(lake, region, height + higher, sky)
            water, _ = make_demo.true_water(lake, region, (height + higher) / 1000, depth, 0.5 * (tmin + tmax))
            left = [make_demo.cohort(lake, taxon, year, water, tmax).left for year in years]
            twins.append(np.array([np.median(one) for one in left]))
        days.append(np.mean((twins[1] - twins[0])[twins[1] < 366]))
    return float(np.mean(days))


def test_demo_shows_its_planted_climb() -> None:
    """Synthetic truth. The demo's coast is maritime and late: a line through all lakes would miss the climb."""
    planted = planted_climb("coenagrion", range(2006, 2026))
    result = compare_regions(
        read_season(ROOT / "data_demo", today=day_number(dt.date(2026, 5, 25))), Ask(taxa=("coenagrion",))
    )
    climbs = result.climbs.set_index("event")
    for event in ("migration", "emergence"):
        row = climbs.loc[event]
        assert row["lakes"] == 11 and row["within"]
        assert 0 < row["per_100m_low"] <= planted <= row["per_100m_high"]
        assert (
            row["per_100m_high"] - row["per_100m_low"] < 2 * planted
        )  # no climb and twice the climb cannot both be in it

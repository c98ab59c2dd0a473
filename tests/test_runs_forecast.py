"""The whole chain on small season folders: determinism, independence of neighbours, no leak of the future."""

from __future__ import annotations

import dataclasses
import datetime as dt
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from emergence.dates import day_number
from emergence.errors import NoWeatherError, WrongUseError
from emergence.records import Season
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.plan import prepare
from emergence.runs.results import RunResult
from emergence.season import read_season

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
TODAY = day_number(dt.date(2026, 6, 1))
LAKES = ("pellor", "quennaby", "crannow")
TAXA = ("coenagrion", "callibaetis", "boatman")


@cache
def demo() -> Season:
    return read_season(DEMO, today=TODAY)


def small(season: Season, slots: int = 6, replicates: int = 3) -> Season:
    return dataclasses.replace(
        season, settings=dataclasses.replace(season.settings, slots=slots, replicates=replicates)
    )


def without_notes(season: Season) -> Season:
    return dataclasses.replace(season, readings=season.readings.take(slice(0)), ice=season.ice.take(slice(0)))


def run(
    season: Season,
    lakes: tuple[str, ...] = LAKES,
    taxa: tuple[str, ...] = TAXA,
    as_of: str | None = None,
    **wanted: int,
) -> RunResult:
    issue = None if as_of is None else day_number(dt.date.fromisoformat(as_of))
    return run_plan(prepare(season, as_of=issue, lakes=lakes, taxa=taxa), Wanted(members=True, **wanted))


def same(a: RunResult, b: RunResult) -> None:
    for name in ("windows", "days", "water", "members"):
        pd.testing.assert_frame_equal(getattr(a, name), getattr(b, name), check_exact=True)


def test_same_inputs_same_numbers_whatever_the_threads_and_blocks() -> None:
    season = small(demo())
    first = run(season, threads=1, block=64)
    same(first, run(season, threads=1, block=64))
    same(first, run(season, threads=2, block=1))
    same(first, run(season, threads=2, block=2))


def test_neighbours_and_order_change_nothing() -> None:
    season = small(demo())
    all_three = run(season)
    alone = run(season, lakes=("crannow",), taxa=("coenagrion",))
    for name in ("windows", "days", "members"):
        frame = getattr(all_three, name)
        part = frame[(frame.lake_id == "crannow") & (frame.taxon == "coenagrion")].reset_index(drop=True)
        other = getattr(alone, name)
        other = other[other.taxon == "coenagrion"].reset_index(drop=True)  # the lake's turnover comes with any taxon
        pd.testing.assert_frame_equal(part, other, check_exact=True)
    turned = dataclasses.replace(season, lakes=season.lakes.take(np.arange(len(season.lakes))[::-1]))
    other = run(turned)
    assert other.windows.lake_id.iloc[0] == "crannow"
    keys = ["lake_id", "taxon", "brood", "event"]
    left, right = (r.windows.sort_values(keys).reset_index(drop=True) for r in (all_three, other))
    pd.testing.assert_frame_equal(left, right, check_exact=True)


def test_another_seed_gives_other_numbers_near_by() -> None:
    season = small(demo(), 30, 8)
    first = run(season, lakes=("quennaby",), taxa=("coenagrion",))
    plan = prepare(season, lakes=("quennaby",), taxa=("coenagrion",), seed=99)
    second = run_plan(plan, Wanted())
    assert not first.windows.onset_p50.equals(second.windows.onset_p50) or not first.days.equals(second.days)
    # 240 members with a spread of about 10 days: the median's own error is 10 * 1.25 / sqrt(240) = 0.8 days
    assert abs((first.windows.peak_p50 - second.windows.peak_p50).dt.days).max() <= 4


def test_nothing_after_the_issue_date_leaks_in() -> None:
    """An absurd future, planted after as_of, changes nothing."""
    season = small(demo())
    issue = day_number(dt.date(2024, 5, 1))
    absurd = {
        k: dataclasses.replace(
            v,
            **{
                c: np.where(np.arange(len(v.tmean_c)) + v.first_day > issue, 45.0, getattr(v, c))
                for c in ("tmin_c", "tmax_c", "tmean_c")
            },
        )
        for k, v in season.weather.items()
    }
    late = season.readings.day > issue
    readings = dataclasses.replace(season.readings, water_c=np.where(late, 1.6, season.readings.water_c))
    ice = dataclasses.replace(season.ice, day=np.where(season.ice.day > issue, issue + 40, season.ice.day))
    planted = dataclasses.replace(season, weather=absurd, readings=readings, ice=ice)
    assert late.any()
    same(run(season, as_of="2024-05-01"), run(planted, as_of="2024-05-01"))


def insects(result: RunResult) -> pd.DataFrame:
    """Windows without the rows of the lake itself (turnover), which have no peak."""
    return result.windows[result.windows.taxon != "-"].reset_index(drop=True)


def noted(season: Season, lake: str, day: str, water_c: float) -> Season:
    own = dataclasses.replace(
        demo().readings.take(slice(0, 1)),
        lake_id=np.array([lake], dtype=object),
        day=np.array([day_number(dt.date.fromisoformat(day))]),
        water_c=np.array([water_c]),
        depth_m=np.array([np.nan]),
        hour=np.array([np.nan]),
    )
    return dataclasses.replace(season, readings=own)


def test_a_reading_pulls_the_water_and_the_dates_its_way() -> None:
    season = small(without_notes(demo()), 12, 6)
    wish = {"lakes": ("quennaby",), "taxa": ("callibaetis",), "as_of": "2025-05-01"}
    day = pd.Timestamp("2025-05-01")
    plain = run(season, **wish)
    on = plain.water.set_index("date").loc[day]
    colder = run(noted(season, "quennaby", "2025-05-01", on.water_p50 - 2.5), **wish)
    then = colder.water.set_index("date").loc[day]
    # prior sd about 1.6 °C, reading error about 0.6 °C: nearly nine tenths of the way, and narrower
    assert on.water_p50 - 2.5 - 0.3 <= then.water_p50 <= on.water_p50 - 1.5
    assert then.water_p90 - then.water_p10 < 0.6 * (on.water_p90 - on.water_p10)
    assert (insects(colder).peak_p50 >= insects(plain).peak_p50).all()
    assert colder.windows.peak_p50.iloc[0] > plain.windows.peak_p50.iloc[0]
    same(plain, run(noted(season, "pellor", "2025-05-01", 9.0), **wish))


def test_an_absurd_reading_is_not_used_and_is_named() -> None:
    season = small(without_notes(demo()), 12, 6)
    wish = {"lakes": ("quennaby",), "taxa": ("callibaetis",), "as_of": "2025-05-10"}
    absurd = run(noted(season, "quennaby", "2025-05-08", 44.0), **wish)
    same(run(season, **wish), absurd)
    assert any("44" in p.value and p.file == "readings.csv" for p in absurd.info.problems)


def test_an_ice_date_is_kept_by_every_member() -> None:
    season = small(without_notes(demo()), 12, 6)
    ice = dataclasses.replace(
        demo().ice.take(slice(0, 1)),
        lake_id=np.array(["crannow"], dtype=object),
        day=np.array([day_number(dt.date(2025, 5, 3))]),
        event=np.array(["off"], dtype=object),
    )
    result = run(dataclasses.replace(season, ice=ice), lakes=("crannow",), taxa=("early_midge",), as_of="2025-05-10")
    chance = result.water.set_index("date").ice_chance
    assert chance[pd.Timestamp("2025-04-29")] >= 0.97 and chance[pd.Timestamp("2025-05-07")] <= 0.03


def test_a_warm_april_brings_the_windows_forward() -> None:
    season = small(demo(), 20, 4)
    low, high = day_number(dt.date(2024, 3, 20)), day_number(dt.date(2024, 5, 1))

    def warmer(extra: float) -> Season:
        shifted = {}
        for key, v in season.weather.items():
            day = np.arange(len(v.tmean_c)) + v.first_day
            add = np.where((day >= low) & (day <= high), extra, 0.0)
            shifted[key] = dataclasses.replace(v, tmin_c=v.tmin_c + add, tmax_c=v.tmax_c + add, tmean_c=v.tmean_c + add)
        return dataclasses.replace(season, weather=shifted)

    dates = [run(warmer(x), taxa=("callibaetis",), as_of="2024-05-01").windows.onset_p50 for x in (0.0, 3.0)]
    assert ((dates[0] - dates[1]).dt.days >= 2).sum() >= 5


def test_members_agree_with_the_quantiles() -> None:
    result = run(small(demo()))
    rows = result.windows.set_index(["lake_id", "taxon", "brood", "event"])
    for key, group in result.members.groupby(["lake_id", "taxon", "brood", "event"]):
        ordered = group.onset.sort_values(na_position="last").to_numpy()
        median = ordered[int(np.ceil(0.5 * len(ordered))) - 1]
        expected = rows.loc[key].onset_p50
        assert (pd.isna(median) and pd.isna(expected)) or median == expected
        assert rows.loc[key].chance_not_this_season == pytest.approx(group.onset.isna().mean())


def test_chances_and_order_of_quantiles() -> None:
    result = run(small(demo()))
    for column in ("chance_active", "chance_moving", "intensity"):
        assert result.days[column].between(0, 1).all()
    for event in ("onset", "peak", "end"):
        block = result.windows[[f"{event}_{q}" for q in ("p05", "p10", "p25", "p50", "p75", "p90", "p95")]]
        numbers = block.astype("int64").where(block.notna(), np.iinfo(np.int64).max).to_numpy()
        assert (np.diff(numbers, axis=1) >= 0).all()
    water = result.water
    assert (water.water_p10 <= water.water_p50).all() and (water.water_p50 <= water.water_p90).all()
    assert (water.water_p10 >= 0).all() and water.ice_chance.between(0, 1).all()


def test_the_last_quarter_forecasts_the_next_season_too() -> None:
    result = run(small(demo()), taxa=("coenagrion",), as_of="2025-11-10")
    assert result.info.season_years == (2025, 2026)
    assert set(result.windows.season) == {2025, 2026}
    assert (insects(result)[insects(result).season == 2026].onset_p50 > pd.Timestamp("2026-04-01")).all()


def test_new_years_eve_and_leap_day_run() -> None:
    for day in ("2024-12-31", "2024-02-29", "2025-01-01"):
        assert len(run(small(demo()), lakes=("pellor",), taxa=("coenagrion",), as_of=day).windows)


def test_the_south_comes_half_a_year_later() -> None:
    season = small(without_notes(demo()))
    lakes, stations = season.lakes, season.stations
    turned = dataclasses.replace(
        season,
        lakes=dataclasses.replace(lakes, latitude=-lakes.latitude),
        stations=dataclasses.replace(stations, latitude=-stations.latitude),
        weather={k: dataclasses.replace(v, first_day=v.first_day + 184) for k, v in season.weather.items()},
    )
    north = insects(run(season, taxa=("coenagrion",), as_of="2025-05-10"))
    south = insects(run(turned, taxa=("coenagrion",), as_of="2025-11-10"))
    shift = (south.peak_p50 - north.peak_p50).dt.days
    assert (abs(shift - 184) <= 8).all()  # the sun is nearer in the southern summer; the rest is the same weather


def test_strangers_are_wrong_use() -> None:
    with pytest.raises(WrongUseError, match="no lake_id 'nessy'"):
        prepare(demo(), lakes=("nessy",))
    with pytest.raises(WrongUseError, match="No taxon"):
        prepare(demo(), taxa=("unicorns",))


def test_no_weather_is_said() -> None:
    with pytest.raises(NoWeatherError, match="No weather file"):
        prepare(dataclasses.replace(demo(), weather={}))
    with pytest.raises(NoWeatherError):
        prepare(demo(), as_of=day_number(dt.date(1980, 1, 1)))

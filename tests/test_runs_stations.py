"""Stations in a run: which lake has which, what is said of it, and what must change nothing."""

from __future__ import annotations

import dataclasses
import datetime as dt
from functools import cache
from pathlib import Path

import numpy as np
import pytest

from emergence.dates import day_number
from emergence.records import Lakes, Season, Stations, StationSeries
from emergence.report.write import RunNotes, run_record
from emergence.runs.assumptions import assumptions
from emergence.runs.execute import Wanted, run_info, run_plan
from emergence.runs.plan import prepare
from emergence.runs.record import simulate_record
from emergence.season import read_season

DEMO = Path(__file__).resolve().parents[1] / "data_demo"
AS_OF = day_number(dt.date(2025, 5, 10))


@cache
def demo() -> Season:
    """The demo with few possible seasons and without notes."""
    season = read_season(DEMO, today=day_number(dt.date(2026, 6, 1)))
    settings = dataclasses.replace(season.settings, slots=6, replicates=3)
    return dataclasses.replace(
        season, settings=settings, readings=season.readings.take(slice(0)), ice=season.ice.take(slice(0))
    )


def with_station(season: Season, station_id: str, place: tuple[float, float, float], series: StationSeries) -> Season:
    """The season with one more station."""
    s = season.stations
    name = np.array([station_id], dtype=object)
    more = Stations(name, name, *(np.array([x]) for x in place))
    joined = Stations(*(np.concatenate([a, b]) for a, b in zip(vars(s).values(), vars(more).values(), strict=True)))
    weather = dict(season.weather) | {station_id: dataclasses.replace(series, station_id=station_id)}
    return dataclasses.replace(season, stations=joined, weather=weather)


def changed(season: Season, lake_id: str, **values: object) -> Season:
    """The season with some columns of one lake changed."""
    lakes = {name: column.copy() for name, column in vars(season.lakes).items()}
    for name, value in values.items():
        lakes[name][season.lakes.lake_id == lake_id] = value
    return dataclasses.replace(season, lakes=Lakes(**lakes))


def warmer(series: StationSeries, extra: float) -> StationSeries:
    return dataclasses.replace(
        series, tmin_c=series.tmin_c + extra, tmax_c=series.tmax_c + extra, tmean_c=series.tmean_c + extra
    )


def test_each_lake_s_stations_and_weights_are_told() -> None:
    plan = prepare(demo(), as_of=AS_OF)
    told = run_info(plan).lake_stations
    assert told["pellor"] == {"pellor_head": 1.0}  # named in lakes.csv
    assert told["odderly"] == {"odderly_green": 1.0}
    assert list(told["marrowend"])[:2] == ["odderly_green", "skellan_gate"]
    assert list(told) == plan.lakes.lake_id.tolist()
    for weights in told.values():
        assert sum(weights.values()) == pytest.approx(1.0, abs=0.003)  # five numbers of three digits
        assert list(weights.values()) == sorted(weights.values(), reverse=True)
    assert run_record(run_info(plan), RunNotes(versions={}))["lake_stations"]["pellor"] == {"pellor_head": 1.0}
    several = sum(len(w) > 1 for w in told.values())
    assert any(f"air over {several} of 12 lakes" in line for line in assumptions(plan))


def test_a_station_far_away_changes_nothing() -> None:
    """Two more stations, 600 km away and 30 °C colder, before all others by name."""
    season = demo()
    away = warmer(season.weather["pellor_head"], -30.0)
    more = with_station(season, "aaa", (55.5, -30.0, 700.0), away)
    more = with_station(more, "aab", (55.6, -30.2, 1500.0), away)
    wanted = {"as_of": AS_OF, "lakes": ("marrowend", "pellor"), "taxa": ("callibaetis",)}
    before, after = prepare(season, **wanted), prepare(more, **wanted)
    names = [f.station_id for f in after.filled]
    kept = [names.index(f.station_id) for f in before.filled]
    assert np.array_equal(after.lapse.rate_c_km[kept], before.lapse.rate_c_km)
    assert np.array_equal(after.links.height_sd_c, before.links.height_sd_c)
    one, other = (run_plan(p, Wanted(members=True, threads=1)) for p in (before, after))
    for table in ("windows", "water", "members"):
        assert getattr(one, table).equals(getattr(other, table)), table


def test_a_station_near_by_is_taken_in() -> None:
    """A second station beside Quennaby, 3 °C warmer: the lake warms by its share of it, named lakes do not."""
    season = demo()
    near = warmer(season.weather["odderly_green"], 3.0)
    more = with_station(season, "quennaby_quay", (49.97, -30.03, 330.0), near)
    wanted = {"as_of": AS_OF, "lakes": ("quennaby", "odderly"), "taxa": ("callibaetis",)}
    before, after = prepare(season, **wanted), prepare(more, **wanted)
    share = run_info(after).lake_stations["quennaby"]["quennaby_quay"]
    assert 0.5 < share < 0.9
    lake = after.lakes.lake_id.tolist().index("quennaby")
    rise = after.warmest_max_c - before.warmest_max_c
    # the same record 3 °C up, its calendar mean drawn a little towards the prior; lapse rates move little over 10 m
    assert rise[lake] == pytest.approx(3.0 * share, abs=0.1)
    assert abs(rise[1 - lake]) < 0.1


def test_a_lake_far_above_every_station_drops_out_unless_it_names_one() -> None:
    season = changed(demo(), "umberlow", elevation_m=3400.0)
    plan = prepare(season, as_of=AS_OF, lakes=("umberlow", "skellan"))
    assert "500 km and 2000 m" in plan.dropped["umberlow"]
    assert plan.lakes.lake_id.tolist() == ["skellan"]
    named = changed(season, "umberlow", station_id="crannow_top")
    plan = prepare(named, as_of=AS_OF, lakes=("umberlow", "skellan"))
    assert not plan.dropped
    lake = plan.lakes.lake_id.tolist().index("umberlow")
    # 2190 m at 1.5 °C/km (or what the stations tell), and 1.5 °C/km more for what is beyond 1000 m
    assert plan.links.height_sd_c[lake] > 2.19 * 1.0 + 1.19 * 1.5
    assert any("spread is widened for it: umberlow" in line for line in assumptions(plan))


def test_the_error_of_the_height_reaches_the_spread() -> None:
    low, high = (
        prepare(changed(demo(), "ovrick", elevation_m=z, station_id="crannow_top"), as_of=AS_OF, lakes=("ovrick",))
        for z in (1210.0, 1810.0)
    )
    assert low.links.height_sd_c[0] == 0.0
    added = high.spread.root[0, 0, 0] ** 2 - low.spread.root[0, 0, 0] ** 2
    assert added >= high.links.height_sd_c[0] ** 2 - 1e-9 > 0.2


def test_lapse_rates_know_nothing_after_the_issue_date() -> None:
    season = demo()

    def hotter(series: StationSeries) -> StationSeries:
        later = np.arange(len(series.tmean_c)) + series.first_day > AS_OF
        add = np.where(later, 9.0, 0.0)
        return dataclasses.replace(
            series, tmin_c=series.tmin_c + add, tmax_c=series.tmax_c + add, tmean_c=series.tmean_c + add
        )

    later = dataclasses.replace(season, weather={k: hotter(v) for k, v in season.weather.items()})
    one, other = prepare(season, as_of=AS_OF), prepare(later, as_of=AS_OF)
    assert np.array_equal(one.lapse.rate_c_km, other.lapse.rate_c_km)
    assert np.array_equal(one.lapse.sd_c_km, other.lapse.sd_c_km)


def test_a_record_spans_all_stations_of_a_lake() -> None:
    """Its second station began years earlier: the lake's record begins there; other lakes keep theirs."""
    season = demo()
    late = {k: dataclasses.replace(v) for k, v in season.weather.items()}
    cut = day_number(dt.date(2015, 1, 1))
    own = late["skellan_gate"]
    n = cut - own.first_day
    late["skellan_gate"] = StationSeries(own.station_id, cut, own.tmin_c[n:], own.tmax_c[n:], own.tmean_c[n:])
    lakes = season.lakes.take(np.isin(season.lakes.lake_id.astype(str), ["skellan", "crannow"]))
    record = simulate_record(dataclasses.replace(season, weather=late), lakes)
    whole = simulate_record(season, lakes)
    top = season.weather["crannow_top"].first_day
    assert whole.first.tolist() == [own.first_day, top]
    assert record.first.tolist() == [top, top]
    assert top < cut
    alone = simulate_record(dataclasses.replace(season, weather=late), lakes.take(lakes.lake_id == "crannow"))
    both = record.path.water_c[:, lakes.lake_id == "crannow"]
    assert np.array_equal(alone.path.water_c, both[-len(alone.path.water_c) :])


def test_a_missing_weather_file_is_named() -> None:
    """The lake's only station near enough has no file: none of that name was read or met with a problem."""
    season = changed(demo(), "umberlow", latitude=10.0, longitude=-100.0)
    lost = with_station(season, "lost", (10.0, -100.1, 700.0), season.weather["odderly_green"])
    lost = dataclasses.replace(lost, weather=season.weather)
    plan = prepare(lost, as_of=AS_OF, lakes=("umberlow", "skellan"))
    assert "station lost: weather/lost.csv is missing" in plan.dropped["umberlow"]
    damaged = dataclasses.replace(lost, checksums={**season.checksums, "weather/lost.csv.gz": "0"})
    plan = prepare(damaged, as_of=AS_OF, lakes=("umberlow", "skellan"))
    assert "station lost: it has no readable weather file" in plan.dropped["umberlow"]


def test_notes_are_counted_on_the_lakes_that_run() -> None:
    season = read_season(DEMO, today=day_number(dt.date(2026, 6, 1)))
    as_of = day_number(dt.date(2026, 5, 10))

    def told(*lakes: str) -> dict[str, int]:
        lines = assumptions(prepare(season, as_of=as_of, lakes=lakes, taxa=("callibaetis",)))
        (line,) = [line for line in lines if line.startswith("Used from this season's notes: ")] or [": ."]
        pairs = [part.split(" ", 1) for part in line.removesuffix(".").split(": ")[1].split(", ") if part]
        return {word: int(number) for number, word in pairs}

    every = season.lakes.lake_id.tolist()
    alone = [told(lake) for lake in every]
    assert told() == {word: sum(one.get(word, 0) for one in alone) for word in told()}
    assert any(one != told() for one in alone)


@pytest.mark.parametrize(("latitude", "said"), [(0.0, True), (-24.9, True), (25.0, False), (-44.0, False)])
def test_lakes_near_the_equator_are_worth_knowing(latitude: float, said: bool) -> None:
    season = changed(demo(), "skellan", latitude=latitude, station_id="skellan_gate")
    info = run_info(prepare(season, as_of=AS_OF, lakes=("skellan",), taxa=("callibaetis",)))
    found = [p.sentence() for p in info.problems if "equator" in p.rule and p.severity == "note"]
    assert bool(found) == said
    assert all("skellan" in text and "dates there mean little" in text for text in found)

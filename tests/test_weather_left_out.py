"""Stations left out in turn: on real networks, and what must not leak into what is told."""

import dataclasses
import datetime as dt
from functools import cache
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from emergence.dates import day_number, day_of_year
from emergence.records import Stations, StationSeries
from emergence.weather import constants as k
from emergence.weather.left_out import LeftOut, leave_one_out, overall_rmse

DATA = Path(__file__).parent / "data"
Network = tuple[Stations, dict[str, StationSeries]]


def _day(year: int, month: int, day: int) -> int:
    return day_number(dt.date(year, month, day))


def _network(table: pd.DataFrame) -> Network:
    """Stations and daily records from a table of station, place, day and temperatures."""
    place = table.groupby("station", sort=True)[["latitude", "longitude", "elevation_m"]].first()
    ids = np.array(place.index.tolist(), dtype=object)
    stations = Stations(ids, ids, *(place[c].to_numpy(float) for c in ("latitude", "longitude", "elevation_m")))
    weather = {}
    for name, part in table.groupby("station"):
        days = np.arange(part.day.min(), part.day.max() + 1)
        daily = part.set_index("day").reindex(days)
        weather[name] = StationSeries(
            name, int(days[0]), *(daily[c].to_numpy(float) for c in ("tmin_c", "tmax_c", "tmean_c"))
        )
    return stations, weather


@cache
def colorado() -> Network:
    """31 stations from 1418 to 3445 m; each month's mean stands on all its days (the source has months only)."""
    table = pd.read_csv(DATA / "colorado_monthly.csv.gz", dtype={"station": str})
    first = pd.to_datetime(table[["year", "month"]].assign(day=1))
    length = first.dt.days_in_month
    daily = table.loc[table.index.repeat(length)].assign(tmean_c=np.nan)
    start = (first - pd.Timestamp("1970-01-01")).dt.days
    daily["day"] = start.repeat(length) + daily.groupby(level=0).cumcount()
    return _network(daily)


@cache
def new_york() -> Network:
    """Three airports within 35 km at sea level, the days of 2013."""
    table = pd.read_csv(DATA / "new_york_daily.csv.gz")
    return _network(table.assign(day=(pd.to_datetime(table.date) - pd.Timestamp("1970-01-01")).dt.days))


def planted(n: int = 16, seed: int = 2, fall: float = 8.5) -> Network:
    """Synthetic: one sky that changes slowly over 150 km, planted fall with height, siting, daily noise; five years."""
    rng = np.random.default_rng(seed)
    days = np.arange(_day(2015, 1, 1), _day(2020, 1, 1))
    ids = np.array([f"p{i:02d}" for i in range(n)], dtype=object)
    lat, lon, z = rng.uniform(46, 47.4, n), rng.uniform(9, 11, n), rng.uniform(300, 1900, n)
    sky = rng.normal(0, 1, (3, len(days)))
    for day in range(1, len(days)):
        sky[:, day] = 0.75 * sky[:, day - 1] + 0.66 * sky[:, day]
    season = 12.0 - 11.0 * np.cos(2 * np.pi * (day_of_year(days) - 20) / 365.25)
    weather = {}
    for i, name in enumerate(ids):
        wave = 3.5 * sky[0] + (lat[i] - 46.7) * sky[1] + 0.7 * (lon[i] - 10) * sky[2]
        mean = season + wave - fall * z[i] / 1000.0 + rng.normal(0, 0.4) + rng.normal(0, 0.6, len(days))
        half = 4.0 + rng.normal(0, 0.4)
        weather[name] = StationSeries(name, int(days[0]), mean - half, mean + half, np.full(len(days), np.nan))
    return Stations(ids, ids, lat, lon, z), weather


def _left_out(network: Network, first: int, last: int) -> tuple[LeftOut, ...]:
    return leave_one_out(*network, first_day=first, last_day=last)


@pytest.mark.parametrize("variable", ["tmin", "tmean", "tmax"])
def test_real_mountain_network_beats_the_nearest_station(variable: str) -> None:
    rows = _left_out(colorado(), _day(1985, 1, 1), _day(1989, 12, 31))
    ours, nearest = overall_rmse(rows, variable)
    # 150 to 1000 m between neighbours at some 5 °C/km: height alone must take away a third of the error
    assert ours < 0.67 * nearest
    mine = [r for r in rows if r.variable == variable]
    assert len(mine) == 31
    assert np.mean([r.rmse_c < r.nearest_rmse_c for r in mine]) > 0.6


def test_real_network_at_sea_level_is_no_worse() -> None:
    rows = _left_out(new_york(), _day(2013, 1, 1), _day(2013, 12, 31))
    assert {r.stations for r in rows} == {2}
    for variable in ("tmin", "tmean", "tmax"):
        ours, nearest = overall_rmse(rows, variable)
        assert ours < nearest


def test_planted_fall_with_height_is_found_out(monkeypatch: pytest.MonkeyPatch) -> None:
    """Synthetic: 8.5 °C/km is not the table's 5.5; rates learned without the station serve it better than the table."""
    network = planted()
    first, last = _day(2018, 1, 1), _day(2019, 12, 31)
    ours, nearest = overall_rmse(_left_out(network, first, last), "tmean")
    assert ours < 0.3 * nearest
    monkeypatch.setattr(k, "LEARNED_SHARE", k.LEARNED_SHARE.model_copy(update={"value": 0.0}))  # nothing is learned
    table, _ = overall_rmse(_left_out(network, first, last), "tmean")
    assert ours < 0.9 * table


def test_a_station_left_out_tells_nothing_of_itself() -> None:
    stations, weather = planted(8)
    first, last = _day(2018, 1, 1), _day(2019, 12, 31)
    plain = {(r.station_id, r.variable): r for r in _left_out((stations, weather), first, last)}
    own = weather["p03"]
    warmer = weather | {"p03": dataclasses.replace(own, tmin_c=own.tmin_c + 10.0, tmax_c=own.tmax_c + 10.0)}
    moved = {(r.station_id, r.variable): r for r in _left_out((stations, warmer), first, last)}
    for variable in ("tmin", "tmean", "tmax"):
        before, after = plain["p03", variable], moved["p03", variable]
        # what is told stays, what is measured rises by 10 °C
        assert after.bias_c == pytest.approx(before.bias_c - 10.0, abs=1e-9)
        assert after.nearest_bias_c == pytest.approx(before.nearest_bias_c - 10.0, abs=1e-9)


def test_nothing_after_the_last_day_is_looked_at() -> None:
    stations, weather = planted(6)
    first, last = _day(2017, 1, 1), _day(2017, 12, 31)
    cut = last - _day(2015, 1, 1) + 1
    past = {
        k: StationSeries(k, v.first_day, v.tmin_c[:cut], v.tmax_c[:cut], v.tmean_c[:cut]) for k, v in weather.items()
    }
    assert _left_out((stations, weather), first, last) == _left_out((stations, past), first, last)


def test_order_changes_no_row() -> None:
    stations, weather = planted(6)
    first, last = _day(2018, 1, 1), _day(2018, 12, 31)
    turned = stations.take(slice(None, None, -1))
    rows = _left_out((turned, weather), first, last)
    assert sorted(rows, key=repr) == sorted(_left_out((stations, weather), first, last), key=repr)


def test_gaps_lone_stations_and_silence() -> None:
    stations, weather = planted(3)
    first, last = _day(2018, 1, 1), _day(2018, 12, 31)
    one = stations.take(slice(0, 1))
    assert leave_one_out(one, weather, first_day=first, last_day=last) == ()
    assert leave_one_out(stations, {}, first_day=first, last_day=last) == ()
    hole = weather["p00"].tmin_c.copy()
    hole[first - weather["p00"].first_day : first - weather["p00"].first_day + 100] = np.nan
    broken = weather | {"p00": dataclasses.replace(weather["p00"], tmin_c=hole)}
    rows = {(r.station_id, r.variable): r for r in _left_out((stations, broken), first, last)}
    assert rows["p00", "tmin"].days == 265
    assert rows["p00", "tmax"].days == 365
    assert np.isnan(overall_rmse((), "tmean")).all()

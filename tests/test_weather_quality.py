"""Quality control finds planted errors in synthetic records and leaves sound ones alone.

Records are synthetic but one (annual cycle, autocorrelated weather that neighbours share) and say so; real station
records are scored by ``tests/benchmarks/weather_quality.py``.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from season_folder import TODAY, write_season

from emergence.dates import day_number, month_of
from emergence.records import StationSeries
from emergence.runs.checked import checked_season
from emergence.season import read_season
from emergence.weather.misread import climbing_runs
from emergence.weather.quality import REASONS, check_series, check_stations, masked

FIRST = day_number(np.datetime64("2005-01-01").item())
DAYS = 12 * 365 + 3
DATA = Path(__file__).parent / "data"


def network(seed: int = 1) -> list[StationSeries]:
    """Four stations under one sky: 2.5 °C of shared weather, 0.9 °C of their own, one decimal as observers write."""
    rng = np.random.default_rng(seed)
    days = np.arange(DAYS)
    usual = 6 - 13 * np.cos(2 * np.pi * (days - 20) / 365.25)

    def weather(sd: float) -> np.ndarray:
        out = np.zeros(DAYS)
        for k in range(1, DAYS):
            out[k] = 0.75 * out[k - 1] + rng.normal(0, sd * np.sqrt(1 - 0.75**2))
        return out

    sky = weather(3.5)
    stations = []
    for k in range(4):
        mean = usual + sky + weather(0.9) - 0.7 * k
        half = np.clip(rng.gamma(6.0, 0.8, DAYS), 0.5, None)
        low, high = np.round(mean - half, 1), np.round(mean + half, 1)
        stations.append(StationSeries(f"s{k}", FIRST, low, high, (low + high) / 2))
    return stations


@pytest.fixture(scope="module")
def stations() -> list[StationSeries]:
    return network()


def changed(series: StationSeries, rows: slice, how: Callable[[np.ndarray], np.ndarray]) -> StationSeries:
    low, high = series.tmin_c.copy(), series.tmax_c.copy()
    low[rows], high[rows] = how(low[rows]), how(high[rows])
    return StationSeries(series.station_id, series.first_day, low, high, (low + high) / 2)


def flagged(series: StationSeries, around: list[StationSeries], rows: slice) -> tuple[float, set[str], int]:
    """Share of the days of ``rows`` that are flagged, the reasons there, and days flagged elsewhere."""
    flags = check_series(series, neighbours=around)
    days = set((flags.day - FIRST).tolist())
    wanted = set(range(*rows.indices(DAYS)))
    inside = np.isin(flags.day - FIRST, list(wanted))
    return len(days & wanted) / len(wanted), set(flags.reason[inside].tolist()), len(days - wanted)


def test_sound_records_keep_nearly_all_their_days(stations: list[StationSeries]) -> None:
    """At most 0.5 % of good days, the bound that quality control is held to; Durre et al. 2010 flag 0.24 %."""
    for k, series in enumerate(stations):
        flags = check_series(series, neighbours=[s for j, s in enumerate(stations) if j != k])
        assert len(np.unique(flags.day)) <= 0.005 * DAYS
        assert flags.lag_days == 0


JULY = slice(2382, 2413)  # July 2011
PLANTED = {
    "a month in °F": (JULY, lambda v: np.round(v * 1.8 + 32, 1), {"fahrenheit"}),
    "a day in °F": (slice(2400, 2401), lambda v: np.round(v * 1.8 + 32, 1), {"fahrenheit", "spike", "outlier"}),
    "sign": (slice(2390, 2400), lambda v: -v, {"sign"}),
    "decimal": (slice(2390, 2391), lambda v: v * 10, {"decimal", "outlier", "spike"}),
    "spike": (slice(2390, 2391), lambda v: v + 18, {"spike", "outlier"}),
}


@pytest.mark.parametrize("kind", PLANTED)
def test_planted_errors_are_found_and_named(stations: list[StationSeries], kind: str) -> None:
    rows, how, reasons = PLANTED[kind]
    share, found, elsewhere = flagged(changed(stations[0], rows, how), stations[1:], rows)
    assert share >= 0.9
    assert found & reasons
    assert elsewhere <= 0.006 * DAYS


def test_a_repeated_week_and_a_duplicated_month_are_found(stations: list[StationSeries]) -> None:
    week = changed(stations[0], slice(2400, 2407), lambda v: v)
    for column in (week.tmin_c, week.tmax_c, week.tmean_c):
        column[2400:2407] = column[2390:2397]
    assert flagged(week, stations[1:], slice(2400, 2407))[0] == 1
    month = changed(stations[0], slice(0, 0), lambda v: v)
    for column in (month.tmin_c, month.tmax_c, month.tmean_c):
        column[JULY] = column[JULY.start - 365 : JULY.stop - 365]
    share, found, _ = flagged(month, stations[1:], JULY)
    assert share == 1 and "repeated" in found


def test_exchanged_extremes_and_a_frozen_sensor_are_found(stations: list[StationSeries]) -> None:
    one = stations[0]
    low, high = one.tmin_c.copy(), one.tmax_c.copy()
    low[2390:2393], high[2390:2393] = one.tmax_c[2390:2393], one.tmin_c[2390:2393]
    swapped = StationSeries("s0", FIRST, low, high, (low + high) / 2)
    assert flagged(swapped, [], slice(2390, 2393))[:2] == (1.0, {"order"})
    still = changed(one, slice(2380, 2400), lambda v: np.full_like(v, v[0]))
    assert flagged(still, [], slice(2380, 2400))[0] == 1


def test_a_record_two_days_late_is_told_and_not_moved(stations: list[StationSeries]) -> None:
    late = StationSeries("s0", FIRST + 2, *(getattr(stations[0], c) for c in ("tmin_c", "tmax_c", "tmean_c")))
    flags = check_series(late, neighbours=stations[1:])
    assert flags.lag_days == 2 and set(flags.lag_to) <= {"s1", "s2", "s3"}
    np.testing.assert_array_equal(masked(late, flags).first_day, late.first_day)
    assert len(np.unique(flags.day)) <= 0.01 * DAYS  # a late record is not torn to pieces


def test_a_bad_neighbour_does_not_spoil_a_good_record(stations: list[StationSeries]) -> None:
    bad = changed(stations[1], JULY, lambda v: np.round(v * 1.8 + 32, 1))
    flags = check_series(stations[0], neighbours=[bad, stations[2]])
    assert not np.isin(flags.day - FIRST, range(JULY.start, JULY.stop)).any()


def test_masked_takes_out_what_is_flagged_but_what_is_kept(stations: list[StationSeries]) -> None:
    wrong = changed(stations[0], slice(2390, 2391), lambda v: v + 18)
    flags = check_series(wrong, neighbours=stations[1:])
    mine = flags.day == FIRST + 2390
    assert mine.any() and set(flags.reason.tolist()) <= set(REASONS)
    assert np.isnan(masked(wrong, flags).tmean_c[2390])
    assert np.isfinite(masked(wrong, flags, keep=mine).tmean_c[2390])


def test_stations_checked_together_get_the_flags_of_each_alone(stations: list[StationSeries]) -> None:
    wrong = changed(stations[0], slice(2390, 2391), lambda v: v + 18)
    weather = {"s0": wrong} | {s.station_id: s for s in stations[1:]}
    around = {name: [other for other in weather if other != name] for name in weather}
    together = check_stations(weather, around)
    alone = check_series(wrong, neighbours=stations[1:])
    np.testing.assert_array_equal(together["s0"].day, alone.day)
    np.testing.assert_array_equal(together["s0"].reason, alone.reason)
    for name, flags in check_stations(weather, around, threads=3).items():
        np.testing.assert_array_equal(flags.day, together[name].day)
        np.testing.assert_array_equal(flags.reason, together[name].reason)


def madison() -> StationSeries:
    """The real record of Madison (NTL-LTER, CC0; see data/SOURCES.md)."""
    table = pd.read_csv(DATA / "madison_air.csv.gz", parse_dates=["date"])
    day = table["date"].to_numpy().astype("datetime64[D]").astype(np.int64)
    mean = np.full(int(day[-1] - day[0]) + 1, np.nan)
    mean[day - day[0]] = table["tmean_c"]
    blank = np.full(len(mean), np.nan)
    return StationSeries("madison", int(day[0]), blank, blank, mean)


def with_mean(series: StationSeries, mean: np.ndarray) -> StationSeries:
    return StationSeries(series.station_id, series.first_day, series.tmin_c, series.tmax_c, mean)


def test_a_real_record_keeps_its_days_and_gives_up_planted_ones() -> None:
    """Errors planted in a real record, alone: at most 0.5 % of days flagged before, 90 % and more found after."""
    series = madison()
    sound = np.unique(check_series(series).day)
    assert len(sound) <= 0.005 * np.isfinite(series.tmean_c).sum()
    mean, rng = series.tmean_c.copy(), np.random.default_rng(5)
    rows = np.arange(60, len(mean) - 60, 120) + rng.integers(0, 60, len(np.arange(60, len(mean) - 60, 120)))
    size = rng.choice([-1.0, 1.0], len(rows)) * rng.uniform(15, 25, len(rows))
    mean[rows] += size
    found = np.isin(series.first_day + rows, check_series(with_mean(series, mean)).day)
    assert found.mean() >= 0.9
    july = np.flatnonzero(month_of(series.first_day + np.arange(len(mean))) == 7)
    july = july[(july >= 3650) & (july < 3650 + 365)]
    for read in (lambda v: 1.8 * v + 32, np.negative, lambda v: (v - 32) / 1.8):
        mean = series.tmean_c.copy()
        mean[july] = read(mean[july])
        assert np.isin(series.first_day + july, check_series(with_mean(series, mean)).day).mean() >= 0.9


def test_days_to_come_change_no_flag_of_a_record_that_ends_today(tmp_path: Path, stations: list[StationSeries]) -> None:
    """The issue date cuts the record before anything is looked at: what comes later cannot act."""
    season = read_season(write_season(tmp_path), today=TODAY)
    sky = {"low": stations[0], "high": stations[1]}
    later = {name: changed(s, slice(3000, DAYS), lambda v: v + 12) for name, s in sky.items()}
    issue = FIRST + 2999
    seen = [checked_season(replace(season, weather=w), last_day=issue) for w in (sky, later)]
    for name in sky:
        np.testing.assert_array_equal(seen[0].weather[name].tmin_c, seen[1].weather[name].tmin_c)
        assert seen[0].weather[name].last_day == issue
    assert seen[0].problems == seen[1].problems


def test_a_month_of_another_station_is_told_with_its_name(stations: list[StationSeries]) -> None:
    """The copied station lies under another climate (5 °C warmer, other weather), so whose days they are is clear."""
    far = network(seed=9)[0]
    far = StationSeries("far", FIRST, far.tmin_c + 5, far.tmax_c + 5, far.tmean_c + 5)
    one = changed(stations[0], slice(0, 0), lambda v: v)
    for column in ("tmin_c", "tmax_c", "tmean_c"):
        getattr(one, column)[JULY] = getattr(far, column)[JULY]
    flags = check_stations({"s0": one, "s1": stations[1], "far": far}, {"s0": ["s1"], "s1": ["s0"]})
    mine = np.isin(flags["s0"].day - FIRST, range(JULY.start, JULY.stop))
    assert len(np.unique(flags["s0"].day[mine])) == JULY.stop - JULY.start
    assert set(flags["s0"].detail[mine]) == {"far"} and set(flags["s0"].reason[mine]) == {"copied"}


@pytest.mark.parametrize("seed", range(5))
def test_climbing_runs_are_those_of_a_plain_loop(seed: int) -> None:
    """Page's CUSUM, written out day by day."""
    gain = np.round(np.random.default_rng(seed).normal(-0.3, 1.5, 300), 2)
    expected = np.zeros(300, dtype=bool)
    height, begin, top, peak = 0.0, 0, 0.0, 0
    for k, g in enumerate([*gain.tolist(), -1e9]):
        height += g
        if height <= 1e-9:
            if top >= 6:
                expected[begin : peak + 1] = True
            height, begin, top = 0.0, k + 1, 0.0
        elif height > top:
            top, peak = height, k
    assert expected.any() or seed
    np.testing.assert_array_equal(climbing_runs(gain, 6.0), expected)

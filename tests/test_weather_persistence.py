"""Fitted persistence: planted processes (synthetic) come back, real weather is forecast better than by raw traces."""

import dataclasses
import datetime as dt
from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from emergence.dates import YEAR_DAYS, day_number, same_day_in
from emergence.records import StationSeries
from emergence.verification.scores import crps_fair, crps_normal
from emergence.weather.ahead import Outlook
from emergence.weather.gaps import CALENDAR, OBSERVED, FilledSeries, fill_record, truncate
from emergence.weather.persistence import (
    departures,
    fit_persistence,
    recent_means,
    trace_shift,
    unsaid_covariance,
    warming,
)
from emergence.weather.traces import CALENDAR_YEAR, lay_traces

FIRST = day_number(dt.date(1960, 1, 1))
RHO, SD = 0.7, 4.0
DATA = Path(__file__).parent / "data"


def _ar1(n: int, seed: int, rho: float = RHO) -> np.ndarray:
    rng = np.random.default_rng(seed)
    out = np.empty(n)
    value = SD * rng.standard_normal()
    for k, shock in enumerate(rng.standard_normal(n)):
        out[k] = value
        value = rho * value + SD * np.sqrt(1 - rho**2) * shock
    return out


def _record(mean: np.ndarray, first: int = FIRST) -> FilledSeries:
    """A record whose calendar mean is known to be 0 and whose range is 10 °C."""
    n = len(mean)
    how, no = np.full(n, OBSERVED, dtype=np.uint8), np.zeros(n, dtype=bool)
    return FilledSeries("here", first, mean - 4.0, mean + 6.0, mean, how, no, np.zeros(366), np.full(12, 5.0))


def _until(series: FilledSeries, last: int) -> FilledSeries:
    n = last - series.first_day + 1
    cut = {name: getattr(series, name)[:n] for name in ("tmin_c", "tmax_c", "tmean_c", "how", "range_estimated")}
    return dataclasses.replace(series, **cut)


def _day(text: str) -> int:
    return day_number(dt.date.fromisoformat(text))


@pytest.fixture(scope="module")
def long() -> FilledSeries:
    return _record(_ar1(22_000, seed=1))


@pytest.mark.parametrize("rho", [0.5, 0.7, 0.85])
def test_the_planted_coefficient_comes_back(rho: float) -> None:
    fit = fit_persistence(_record(_ar1(22_000, seed=3, rho=rho)))
    leads = np.arange(1, 11)
    kept = fit.kept(leads)
    # The share of the last day itself, and of the four days before it, which in AR(1) say nothing more.
    today = kept[0] + kept[1] / 5 + kept[2] / 30
    before = kept[1] / 5 + kept[2] / 30
    # 60 seasons of 91 days: standard error sqrt((1 - rho²) / 5460) <= 0.012, so 0.04 is three of them; three fixed
    # curves fit rho^lead within 0.03 (0.5 falls faster than the fastest curve).
    assert today == pytest.approx(rho**leads, abs=0.07)
    assert today[0] == pytest.approx(rho, abs=0.06)
    assert before == pytest.approx(np.zeros(10), abs=0.04)


def test_what_is_left_unsaid_grows_from_one_day_to_climate(long: FilledSeries) -> None:
    spread = np.sqrt(np.diag(unsaid_covariance(long, fit_persistence(long))))
    lead = np.arange(1, len(spread) + 1)
    # 60 seasons: a standard deviation is known to about 2 %, the prior (5 °C) adds less than 1 %
    assert spread == pytest.approx(SD * np.sqrt(1 - RHO ** (2 * lead)), rel=0.06)


def test_scores_approach_the_analytic_ones() -> None:
    """Members of the means of days 1, 1-7 and 1-14 score as the exact conditional distribution of AR(1) does."""
    whole = _record(_ar1(22_000, seed=8))
    ours, exact, raw = [], [], []
    for year in range(1991, 2019):
        for month in (2, 4, 6, 9, 11):
            as_of = day_number(dt.date(year, month, 10))
            filled = _until(whole, as_of)
            years = np.arange(year - 30, year)
            outlook = Outlook(fit_persistence(filled))
            kept = {"as_of": as_of, "n_days": 14, "years": years}
            traces = lay_traces(filled, **kept, outlook=outlook)[1]
            plain = lay_traces(filled, **kept)[1]
            came = whole.tmean_c[len(filled.tmean_c) :][:14]
            rows = [[], [], []]
            for n in (1, 7, 14):
                truth = came[:n].mean()
                lead = np.arange(1, n + 1)
                share = (RHO**lead).mean()
                both = RHO ** np.abs(lead[:, None] - lead) - RHO ** (lead[:, None] + lead)
                rows[0].append(crps_fair(traces[:n].mean(axis=0), truth))
                rows[1].append(crps_normal(share * filled.tmean_c[-1], SD * np.sqrt(both.mean()), truth))
                rows[2].append(crps_fair(plain[:n].mean(axis=0), truth))
            for into, row in zip((ours, exact, raw), rows, strict=True):
                into.append(row)
    ours, exact, raw = (np.mean(v, axis=0) for v in (ours, exact, raw))
    # Members of 30: against the exact distribution in the same 140 cases the noise of the ratio is about 2 %.
    assert ours / exact == pytest.approx(np.ones(3), abs=0.06)
    # the exact scores themselves are near SD sqrt(1 - rho²) / sqrt(pi) on day 1: 140 cases, standard error 7 %
    assert exact[0] == pytest.approx(SD * np.sqrt(1 - RHO**2) / np.sqrt(np.pi), rel=0.2)
    # raw traces score as climate: 1 / sqrt(1 - rho²) times as badly on day 1, that is 1.40
    assert np.all(raw > 1.04 * ours)
    assert raw[0] > 1.25 * ours[0]


def test_members_spread_from_one_day_to_climate(long: FilledSeries) -> None:
    spread = []
    for year in range(1992, 2020):
        filled = _until(long, day_number(dt.date(year, 5, 1)))
        laid = lay_traces(
            filled,
            as_of=filled.last_day,
            n_days=60,
            years=np.arange(year - 30, year),
            outlook=Outlook(fit_persistence(filled)),
        )
        spread.append(laid[1].var(axis=1, ddof=1))
    spread = np.sqrt(np.mean(spread, axis=0))
    want = SD * np.sqrt(1 - RHO ** (2 * np.arange(1, 61)))
    # overlapping sets of 58 years: a standard deviation is known to 1 / sqrt(2 * 58) = 9 %
    assert spread[[0, 1, 3, 6]] == pytest.approx(want[[0, 1, 3, 6]], rel=0.2)
    assert spread[20:].mean() == pytest.approx(want[20:].mean(), rel=0.06)


def test_the_issue_date_s_anomaly_moves_the_first_days_only(long: FilledSeries) -> None:
    filled = _until(long, _day("2010-05-01"))
    fit, years = fit_persistence(filled), np.arange(1980, 2010)
    warmer = dataclasses.replace(fit, recent_c=fit.recent_c + np.array([6.0, 1.2, 0.2]))  # 6 °C more on the last day
    gain = trace_shift(filled, warmer, n_days=90, years=years) - trace_shift(filled, fit, n_days=90, years=years)
    assert gain[0] == pytest.approx(np.full(30, 6.0 * RHO), abs=0.5)  # as in the planted coefficient
    assert np.abs(gain[20:]).max() < 0.3


def test_nothing_measured_after_the_issue_date_enters() -> None:
    days = np.arange(12_000)
    mean = 8.0 - 11.0 * np.cos(2 * np.pi * (days - 20) / YEAR_DAYS) + _ar1(12_000, seed=4)
    short = StationSeries("here", FIRST, mean - 5, mean + 5, mean)
    as_of = FIRST + 10_000
    later = mean.copy()
    later[10_001:] += 50.0
    other = StationSeries("here", FIRST, later - 5, later + 5, later)
    fits = [
        fit_persistence(fill_record(s, neighbours=[], first_day=FIRST, last_day=as_of, latitude=46.0, elevation_m=0.0))
        for s in (short, truncate(short, as_of), other)
    ]
    for fit in fits[1:]:
        assert np.array_equal(fit.response, fits[0].response)
        assert np.array_equal(fit.recent_c, fits[0].recent_c)
        assert fit.warming_c == fits[0].warming_c


def test_an_old_last_day_counts_from_when_it_was_measured(long: FilledSeries) -> None:
    filled = _until(long, _day("2010-05-01"))
    how = filled.how.copy()
    how[-6:] = CALENDAR
    silent = dataclasses.replace(filled, how=how)
    fit = fit_persistence(silent)
    assert fit.as_of - fit.origin == 6
    z = np.where(silent.measured, filled.tmean_c, 0.0)
    assert fit.recent_c[0] == pytest.approx(z[-7], abs=0.2)  # less the warming that is fitted to noise
    # of six days ago rho^7 is left on the first day ahead
    gain = trace_shift(
        silent, dataclasses.replace(fit, recent_c=fit.recent_c + np.array([6.0, 1.2, 0.2])), n_days=1, years=[1990]
    )
    gain -= trace_shift(silent, fit, n_days=1, years=[1990])
    assert gain[0, 0] == pytest.approx(6.0 * RHO**7, abs=0.3)
    assert len(unsaid_covariance(silent, fit)) == len(unsaid_covariance(filled, fit_persistence(filled))) - 6


def test_planted_warming_comes_back_and_moves_old_years_most() -> None:
    days = np.arange(30 * 366)
    planted = 0.05 / YEAR_DAYS
    filled = _record(_ar1(len(days), seed=6) + planted * (days - days.mean()))
    fit = fit_persistence(filled)
    # Annual means of AR(1) with 4 °C and 0.7 vary by 0.5 °C: error of the slope over 30 years 0.011 °C a year; drawn by
    # 0.03² / (0.03² + 0.011²) = 0.88
    assert fit.warming_c * YEAR_DAYS == pytest.approx(0.88 * 0.05, abs=3 * 0.011)
    still = dataclasses.replace(fit, response=np.zeros((3, 3)))
    shift = trace_shift(filled, still, n_days=5, years=[1965, 1985, CALENDAR_YEAR])
    ago = fit.as_of - np.array([same_day_in(y, fit.as_of) for y in (1965, 1985)])
    assert shift[0, :2] == pytest.approx(fit.warming_c * ago, abs=1e-12)
    assert shift[0, 2] == pytest.approx(fit.warming_c * (fit.as_of - filled.first_day) / 2, abs=0.01)


def test_a_short_record_is_drawn_to_no_trend_and_little_persistence() -> None:
    values = _ar1(800, seed=2)
    assert warming(FIRST + np.arange(800), values) == 0.0  # fewer than three years of 300 days
    few = fit_persistence(_record(values[:200]))
    assert np.abs(few.kept([1]).T @ [1, 1, 1]).max() < 1.0
    none = fit_persistence(_record(values[:60]))
    assert not none.response.any()
    nine = warming(FIRST + np.arange(9 * 365), np.repeat(np.arange(9) * 0.1, 365))
    # 0.1 °C a year, spread at least 0.5 °C: error 0.5 / sqrt(60) = 0.065, drawn by 0.03² / (0.03² + 0.065²) = 0.18
    assert nine * YEAR_DAYS == pytest.approx(0.1 * 0.18, abs=0.003)


def test_recent_means_by_hand() -> None:
    means = recent_means(np.arange(40.0))
    assert means.shape == (40, 3)
    assert means[39] == pytest.approx([39.0, 37.0, 24.5])


def test_a_trace_s_own_recent_days_are_taken_out(long: FilledSeries) -> None:
    """The shift against (this year's recent means less that year's) times what is kept, from the whole record."""
    filled = _until(long, _day("2010-05-01"))
    fit, z = fit_persistence(filled), departures(filled)[0]
    then = recent_means(z)[_day("1987-05-01") - FIRST]
    want = (fit.recent_c - then) @ fit.kept(np.arange(1, 21)) + fit.warming_c * (fit.as_of - _day("1987-05-01"))
    shift = trace_shift(filled, fit, n_days=20, years=[1987])
    assert shift[:, 0] == pytest.approx(want, abs=1e-9)  # rounding of running sums over 18,000 days


def test_real_weather_is_forecast_better_than_by_raw_traces() -> None:
    """Madison 1989-2019 (CC0): mean temperature of days 1-7 and 1-14, only earlier years known."""
    table = pd.read_csv(DATA / "madison_air.csv.gz", parse_dates=["date"])
    day = (table.date - pd.Timestamp("1970-01-01")).dt.days.to_numpy()
    first = int(day[0])
    values = np.full(int(day[-1]) - first + 1, np.nan)
    values[day - first] = table.tmean_c.to_numpy()
    empty = np.full(len(values), np.nan)
    series = StationSeries("madison", first, empty, empty, values)
    scores = []
    for year in range(2004, 2020):
        for month in (3, 4, 5, 6):
            as_of = day_number(dt.date(year, month, 15))
            filled = fill_record(
                truncate(series, as_of), neighbours=[], first_day=first, last_day=as_of, latitude=43.1, elevation_m=262
            )
            years = np.arange(1989, year) if month > 3 else np.arange(1990, year)
            kept = {"as_of": as_of, "n_days": 14, "years": years}
            came = values[as_of + 1 - first :][:14]
            ensembles = (
                lay_traces(filled, **kept)[1],
                lay_traces(filled, **kept, outlook=Outlook(fit_persistence(filled)))[1],
            )
            scores.append([[crps_fair(e[:n].mean(axis=0), came[:n].mean()) for e in ensembles] for n in (1, 7, 14)])
    raw, persistent = np.mean(scores, axis=0).T
    ratio = persistent / raw
    # long records give 0.67, 0.88 and 0.92 (tests/benchmarks/traces.py); 64 cases leave an error of about 0.05
    assert ratio[0] < 0.82
    assert ratio[1] < 0.98
    assert ratio[2] < 0.98

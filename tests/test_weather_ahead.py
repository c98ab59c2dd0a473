"""Forecast days: which of them count, how far they are trusted, and what they do to the traces."""

import dataclasses
import datetime as dt
from pathlib import Path

import numpy as np
import pytest
from season_folder import LAST, write_season

from emergence.dates import day_number, to_date
from emergence.records import StationSeries
from emergence.runs.assumptions import assumptions
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.plan import RunPlan, prepare
from emergence.season import read_season
from emergence.weather.ahead import (
    AheadDays,
    Outlook,
    ahead_error_sd,
    blend_ahead,
    moved_ahead,
    station_outlooks,
    usable_ahead,
)
from emergence.weather.gaps import FilledSeries, fill_record
from emergence.weather.persistence import fit_persistence, unsaid_covariance
from emergence.weather.traces import lay_traces

FIRST = day_number(dt.date(1980, 1, 1))
AS_OF = day_number(dt.date(2012, 5, 15))
SD, RHO = 4.0, 0.75


def _station(seed: int, name: str = "here") -> FilledSeries:
    n = AS_OF - FIRST + 1
    rng = np.random.default_rng(seed)
    noise, value = np.empty(n), 0.0
    for k, shock in enumerate(rng.standard_normal(n)):
        value = RHO * value + SD * np.sqrt(1 - RHO**2) * shock
        noise[k] = value
    mean = 9.0 - 11.0 * np.cos(2 * np.pi * (np.arange(n) - 20) / 365.25) + noise
    series = StationSeries(name, FIRST, mean - 5.0, mean + 6.0, mean)
    return fill_record(series, neighbours=[], first_day=FIRST, last_day=AS_OF, latitude=46.0, elevation_m=300.0)


def _ahead(*means: float, first: int = AS_OF + 1, name: str = "here") -> StationSeries:
    values = np.array(means, dtype=float)
    empty = np.full(len(values), np.nan)
    return StationSeries(name, first, empty, empty, values)


FILLED = _station(1)
YEARS = np.arange(1982, 2012)


def _laid(ahead: StationSeries | None, n_days: int = 60) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    given = {"here": ahead} if ahead is not None else {}
    (outlook,) = station_outlooks([FILLED], given, [[]], last_weather_day=AS_OF)
    return lay_traces(FILLED, as_of=AS_OF, n_days=n_days, years=YEARS, outlook=outlook)


def test_error_grows_as_stated() -> None:
    # 1.2 °C on the first day, doubled every three days (our prior)
    assert ahead_error_sd([1, 4, 7, 10]) == pytest.approx([1.2, 2.4, 4.8, 9.6])


def test_the_variance_kept_follows_the_logistic_law() -> None:
    """dE/dt = a E (1 - E / V), the law of Lorenz (1982), by Euler steps of 1/1000 day."""
    climate, rate = 4.5**2, 2 * np.log(2) / 3
    kept = 1 / (1 / climate + 1 / ahead_error_sd([1])[0] ** 2)
    for _ in range(9 * 1000):
        kept += rate * kept * (1 - kept / climate) / 1000
    want = 1 / (1 / climate + 1 / ahead_error_sd([10])[0] ** 2)
    assert kept == pytest.approx(want, rel=2e-3)  # error of the steps
    assert np.sqrt(want) == pytest.approx(4.1, abs=0.05)  # nearly climate


def test_only_days_after_the_issue_date_count() -> None:
    series = _ahead(10, 11, np.nan, 13, 14, first=AS_OF - 1)
    found = usable_ahead(series, as_of=AS_OF, last_weather_day=AS_OF)
    assert found is not None
    assert found.day.tolist() == [AS_OF + 2, AS_OF + 3]
    assert found.tmean_c.tolist() == [13.0, 14.0]
    # it begins on the day before the issue date, so that it was made on the day before that: leads 4 and 5
    assert found.error_sd_c == pytest.approx(ahead_error_sd([4, 5]))


def test_a_forecast_that_was_not_there_yet_is_not_used() -> None:
    assert usable_ahead(_ahead(10, 11), as_of=AS_OF, last_weather_day=AS_OF + 1) is None
    assert usable_ahead(_ahead(10, first=AS_OF), as_of=AS_OF, last_weather_day=AS_OF) is None
    assert usable_ahead(_ahead(np.nan), as_of=AS_OF, last_weather_day=AS_OF) is None


def test_a_later_issue_date_counts_leads_from_the_last_weather_day() -> None:
    found = usable_ahead(_ahead(10, 11, 12), as_of=AS_OF + 1, last_weather_day=AS_OF)
    assert found is not None
    assert found.day.tolist() == [AS_OF + 2, AS_OF + 3]
    assert found.error_sd_c == pytest.approx(ahead_error_sd([2, 3]))


def test_beyond_fifteen_days_nothing_counts() -> None:
    found = usable_ahead(_ahead(*[10.0] * 40), as_of=AS_OF, last_weather_day=AS_OF)
    assert found is not None
    assert len(found.day) == 15


def test_one_forecast_day_has_the_textbook_weight() -> None:
    traces = lay_traces(FILLED, as_of=AS_OF, n_days=30, years=YEARS, outlook=Outlook(fit_persistence(FILLED)))
    cov = unsaid_covariance(FILLED, fit_persistence(FILLED))
    told = traces[1][2].mean() + 5.0
    nan = np.full(1, np.nan)
    one = AheadDays(np.array([AS_OF + 3]), np.array([told]), nan, nan, np.array([2.0]), "here")
    after = blend_ahead(traces, one, as_of=AS_OF, covariance=cov)
    weight = cov[2, 2] / (cov[2, 2] + 4.0)
    assert (after[1] - traces[1]).mean(axis=1)[2] == pytest.approx(5.0 * weight)
    assert (after[1] - traces[1]).mean(axis=1)[4] == pytest.approx(5.0 * cov[4, 2] / (cov[2, 2] + 4.0))
    assert after[1][2].std() / traces[1][2].std() == pytest.approx(np.sqrt(1 - weight))


def test_many_members_keep_the_exact_posterior_covariance() -> None:
    """Against the Kalman update P - P H' (H P H' + R)^-1 H P with the members' own covariance."""
    rng = np.random.default_rng(3)
    lead = np.arange(1, 21)
    prior = 16.0 * (0.75 ** np.abs(lead[:, None] - lead) - 0.75 ** (lead[:, None] + lead))
    members = (np.linalg.cholesky(prior) @ rng.standard_normal((20, 400))) + 10.0
    cov = np.cov(members, ddof=0)
    at, told = np.arange(7), np.linspace(12, 16, 7)
    sd = ahead_error_sd(at + 1)
    nan = np.full(7, np.nan)
    ahead = AheadDays(AS_OF + 1 + at, told, nan, nan, sd, "here")
    after = blend_ahead((members - 5, members, members + 5), ahead, as_of=AS_OF, covariance=cov)[1]
    r = sd[:, None] * sd * 0.7 ** np.abs(at[:, None] - at)
    gain = cov[:, at] @ np.linalg.inv(cov[np.ix_(at, at)] + r)
    # the square-root form is exact: only rounding is left
    assert np.cov(after, ddof=0) == pytest.approx(cov - gain @ cov[at], abs=1e-9)
    mean = members.mean(axis=1)
    assert after.mean(axis=1) == pytest.approx(mean + gain @ (told - mean[at]), abs=1e-9)


def test_members_spread_naturally_from_day_one_to_climate() -> None:
    before, after = _laid(None), _laid(_ahead(*[12.0] * 10))
    share = after[1].std(axis=1) / before[1].std(axis=1)
    assert after[1][0].std() < 1.3  # 1.2 °C and less, as what persistence says counts too
    assert share[0] < 0.6
    assert np.all(np.diff(share[:10]) > -0.03)  # the forecast's worth falls day by day
    assert share[9] > 0.8
    assert share[45:] == pytest.approx(np.ones(15), abs=1e-12)
    # no step where the forecast ends: from day 10 to 11 the mean moves less than weather does in a day (2.6 °C)
    moved = (after[1] - before[1]).mean(axis=1)
    assert abs(moved[10] - moved[9]) < 0.5
    assert moved[45:] == pytest.approx(np.zeros(15), abs=1e-12)


def test_every_slot_keeps_its_own_weather() -> None:
    before, after = _laid(None)[1], _laid(_ahead(*[12.0] * 10))[1]
    apart = [x - x.mean(axis=1, keepdims=True) for x in (before, after)]
    for day in (2, 5, 9, 20):
        assert np.corrcoef(apart[0][day], apart[1][day])[0, 1] > 0.85


def test_the_range_moves_with_the_mean_and_never_turns_over() -> None:
    low, mean, high = _laid(_ahead(12.0, 15.0))
    assert mean - low == pytest.approx(np.full(mean.shape, 5.0))
    assert high - mean == pytest.approx(np.full(mean.shape, 6.0))
    values = np.array([12.0, 15.0])
    told = StationSeries("here", AS_OF + 1, values, values + 0.5, np.full(2, np.nan))  # hardly any range
    low, mean, high = _laid(told)
    assert np.all(low <= mean)
    assert np.all(mean <= high)
    assert (high - low)[0].mean() < 4.5
    assert (high - low)[5].mean() == pytest.approx(11.0)


def test_a_neighbour_s_forecast_is_moved_with_a_wider_error() -> None:
    other = _station(1, "there")
    shifted = dataclasses.replace(other, calendar_c=other.calendar_c - 3.0, tmean_c=other.tmean_c - 3.0)
    rng = np.random.default_rng(9)
    noisy = dataclasses.replace(shifted, tmean_c=shifted.tmean_c + rng.normal(0, 1.5, len(shifted.tmean_c)))
    given = {"here": _ahead(15.0, 16.0)}
    outlooks = station_outlooks([FILLED, noisy], given, [[1], [0]], last_weather_day=AS_OF)
    own, moved = outlooks[0].ahead, outlooks[1].ahead
    assert own is not None
    assert moved is not None
    assert moved.source == "here"
    assert moved.tmean_c == pytest.approx([12.0, 13.0])
    # sd of ten years of noise: 1.5 °C within 1.2 % (standard error), and the trends fitted to it
    assert moved.error_sd_c == pytest.approx(np.hypot(own.error_sd_c, 1.5), rel=0.03)
    assert moved_ahead(own, FILLED, FILLED).error_sd_c == pytest.approx(own.error_sd_c)
    alone = station_outlooks([noisy], given, [[]], last_weather_day=AS_OF)
    assert alone[0].ahead is None


# ---------------------------------------------------------------- whole runs


def _plan(folder: Path, as_of: int | None = None, **files: str | None) -> RunPlan:
    changes = {f"weather/{name.replace('_', '.', 1)}.csv": text for name, text in files.items()}
    write_season(folder, changes)
    return prepare(read_season(folder, today=day_number(LAST) + 1), as_of=as_of)


HOT = "date,tmin_c,tmax_c\n" + "".join(f"{LAST + dt.timedelta(k)},18,32\n" for k in range(1, 8))


def test_a_warm_forecast_warms_the_first_week_and_sets_no_issue_date(tmp_path: Path) -> None:
    plain, hot = _plan(tmp_path / "a", low_ahead=None), _plan(tmp_path / "b", low_ahead=HOT)
    assert plain.as_of == hot.as_of == day_number(LAST)
    assert plain.slots.outlook[0].ahead is None
    laid = [
        lay_traces(p.filled[0], as_of=p.as_of, n_days=30, years=p.slots.year[0], outlook=p.slots.outlook[0])[1]
        for p in (plain, hot)
    ]
    assert laid[1][0].mean() > laid[0][0].mean() + 3.0
    assert any("7 forecast days" in line and "low" in line for line in assumptions(hot))
    assert any("no weather forecast is used" in line for line in assumptions(plain))


def test_an_earlier_issue_date_does_not_see_the_forecast(tmp_path: Path) -> None:
    early = day_number(LAST) - 3
    plain, hot = (_plan(tmp_path / n, early, low_ahead=text) for n, text in (("a", None), ("b", HOT)))
    assert all(outlook.ahead is None for outlook in hot.slots.outlook)
    told = [line for line in assumptions(hot) if "forecast days" in line]
    assert len(told) == 1
    assert f"later than {to_date(early)}" in told[0]
    wanted = Wanted(threads=1)
    assert run_plan(plain, wanted).windows.equals(run_plan(hot, wanted).windows)


def _in_fahrenheit(text: str) -> str:
    head, *rows = text.splitlines()
    cells = (row.split(",") for row in rows)
    turned = (",".join([row[0], *(f"{float(v) * 1.8 + 32:.4f}" for v in row[1:])]) for row in cells)
    return "\n".join([head.replace("_c", "_f"), *turned]) + "\n"


def test_fahrenheit_gives_the_same_dates(tmp_path: Path) -> None:
    """The same weather, past and ahead, in columns tmin_f, tmax_f and tmean_f."""
    celsius = write_season(tmp_path / "c", {"weather/low.ahead.csv": HOT})
    names = ("low.csv", "high.csv", "low.ahead.csv")
    turned = {f"weather/{name}": _in_fahrenheit((celsius / "weather" / name).read_text("utf-8")) for name in names}
    assert "tmean_f" in turned["weather/high.csv"]
    fahrenheit = write_season(tmp_path / "f", turned)
    plans = [prepare(read_season(folder, today=day_number(LAST) + 1)) for folder in (celsius, fahrenheit)]
    ahead = [plan.slots.outlook[0].ahead for plan in plans]
    assert ahead[0] is not None
    assert ahead[1] is not None
    assert ahead[1].tmean_c == pytest.approx(ahead[0].tmean_c, abs=1e-4)  # four decimals of °F
    assert ahead[1].below_c == pytest.approx(ahead[0].below_c, abs=1e-4)
    first, second = (run_plan(plan, Wanted(threads=1)).windows for plan in plans)
    dates = [c for c in first.columns if str(first[c].dtype).startswith("datetime") or c in ("lake_id", "taxon")]
    assert len(dates) > 10
    assert first[dates].equals(second[dates])

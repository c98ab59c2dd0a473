"""Baselines and scores of hindcasts: against scipy, the library ``scores``, published numbers and planted truths."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy import stats
from scores.probability import crps_for_ensemble

from emergence.degreedays.milestones import MILESTONES
from emergence.runs.hindcast import Rerun, Target
from emergence.verification.baselines import (
    CALENDAR_SD_D,
    climatology_members,
    left_out_errors,
    reference_scores,
    regression_members,
)
from emergence.verification.hindcast import (
    CLIMATOLOGY,
    MODEL,
    REGRESSION,
    chosen_method,
    hindcast_result,
    rows_table,
    scored,
    skill_table,
)

RNG = np.random.default_rng(11)
ANSCOMBE_X = np.array([10, 8, 13, 9, 11, 14, 6, 4, 12, 7, 5], dtype=float)
ANSCOMBE_Y = np.array([8.04, 6.95, 7.58, 8.81, 8.33, 9.96, 7.24, 4.26, 10.84, 4.82, 5.68])
"""Anscombe 1973 Am Stat 27:17, data set 1; its table gives slope 0.5, intercept 3 and 13.75 residual squares."""


def test_mean_date_is_the_fair_score_of_an_independent_library() -> None:
    dates = np.array([130.0, 141, 128, 150, 137, 139])
    found = reference_scores(dates, 133.0)
    theirs = crps_for_ensemble(
        xr.DataArray(dates, dims="m"), xr.DataArray(133.0), ensemble_member_dim="m", method="fair"
    )
    assert found.mean_date == pytest.approx(float(theirs), rel=1e-12)


def test_calendar_rule_is_right_to_ten_days_in_eight_of_ten_years() -> None:
    assert stats.norm.cdf(10 / CALENDAR_SD_D) - stats.norm.cdf(-10 / CALENDAR_SD_D) == pytest.approx(0.8, abs=1e-9)


def test_climatology_members_are_the_prediction_interval_of_a_textbook() -> None:
    """Mean ± t sd sqrt(1 + 1/n) holds the next value with the stated chance, here scipy's t."""
    dates = RNG.normal(140, 7, 9)
    members = climatology_members(dates, 1999)
    wide = stats.t.ppf(0.9, 8) * dates.std(ddof=1) * np.sqrt(1 + 1 / 9)
    # the 1800th of 1999 even quantiles stands at 0.9000
    assert members[1799] - dates.mean() == pytest.approx(wide, rel=2e-3)
    assert np.median(members) == pytest.approx(dates.mean(), abs=1e-9)


def test_regression_reproduces_anscombe() -> None:
    members = regression_members(ANSCOMBE_X, ANSCOMBE_Y, 12.0, 4001)
    assert np.median(members) == pytest.approx(3.0 + 0.5 * 12.0, abs=0.01)  # printed to one decimal and three digits
    error = np.sqrt(13.75 / 9 * (1 + 1 / 11 + (12.0 - 9.0) ** 2 / 110.0))  # textbook form; 110 = squares of x
    assert members[4000 * 9 // 10] - np.median(members) == pytest.approx(stats.t.ppf(0.9, 9) * error, rel=5e-3)


def test_left_out_errors_are_those_of_leaving_out() -> None:
    rows = np.arange(len(ANSCOMBE_X))
    mean = [ANSCOMBE_Y[k] - ANSCOMBE_Y[rows != k].mean() for k in rows]
    line = []
    for k in rows:
        slope, cut = np.polyfit(ANSCOMBE_X[rows != k], ANSCOMBE_Y[rows != k], 1)
        line.append(ANSCOMBE_Y[k] - cut - slope * ANSCOMBE_X[k])
    np.testing.assert_allclose(left_out_errors(ANSCOMBE_Y), mean, rtol=1e-10)
    np.testing.assert_allclose(left_out_errors(ANSCOMBE_Y, ANSCOMBE_X), line, rtol=1e-9)


def _rerun(**given: object) -> Rerun:
    years = np.arange(2000, 2012)
    dates = given.pop("other_date", RNG.integers(130, 150, len(years)))
    base: dict[str, object] = {
        "target": Target("tarn", MILESTONES[2], int(given.pop("year", 2012)), 28, 15_000, 15_030),
        "start": 14_900,
        "truth": 140,
        "members": RNG.integers(135, 146, (30, 8)),
        "other_year": years,
        "other_date": dates,
        "hindsight": np.asarray(dates, dtype=float),
        "hindsight_sd": np.full(len(years), 2.0),
        "air_c": 5.0,
        "other_air_c": RNG.normal(5, 2, len(years)),
        "asked": None,
        "read": 2,
    }
    return Rerun(**(base | given))  # type: ignore[arg-type]  # a table of fields


def test_a_model_that_follows_is_kept() -> None:
    assert chosen_method([_rerun()]) == MODEL


def test_a_model_that_cannot_follow_falls_back() -> None:
    dates = np.array([130, 150, 131, 149, 133, 147, 135, 145, 132, 148, 134, 146])
    lost = dates[::-1].astype(float)  # late in early years
    assert chosen_method([_rerun(other_date=dates, hindsight=lost)]) == CLIMATOLOGY
    telling = 5.0 - (dates - 140) / 3.0
    assert chosen_method([_rerun(other_date=dates, hindsight=lost, other_air_c=telling)]) == REGRESSION
    blind = _rerun(other_date=dates, hindsight=lost, other_air_c=telling, air_c=float("nan"))
    assert chosen_method([blind]) == CLIMATOLOGY
    nothing = _rerun(other_date=dates, hindsight=np.full(len(dates), np.nan))
    assert chosen_method([nothing]) == CLIMATOLOGY


def test_the_target_season_has_no_say_in_the_choice() -> None:
    dates = np.array([130, 150, 131, 149, 133, 147, 135, 145, 132, 148, 134, 146])
    lost = dates[::-1].astype(float)
    chosen = {chosen_method([_rerun(other_date=dates, hindsight=lost, truth=t)]) for t in (100, 140, 200)}
    assert chosen == {CLIMATOLOGY}


def test_scores_of_a_perfect_forecast_and_of_one_day_off() -> None:
    sure = np.full((30, 8), 140)
    done = scored([_rerun(members=sure), _rerun(members=sure + 1)], recalibrate=False)
    assert [s.crps for s in done] == [0.0, 1.0]
    assert [s.median for s in done] == [140.0, 141.0]


def test_calibrated_members_are_found_calibrated() -> None:
    """Truth and members drawn alike: spans hold their share within three binomial standard errors, Brier is honest."""
    reruns = []
    rng = np.random.default_rng(5)
    others = np.arange(128, 152, 2)
    for year in range(600):
        centre = rng.normal(140, 6)
        members = np.rint(rng.normal(centre, 4, (30, 8))).astype(np.int64)
        truth = int(np.rint(rng.normal(centre, 4)))
        reruns.append(_rerun(members=members, truth=truth, year=1400 + year, other_date=others))
    table = skill_table(scored(reruns, fall_back=False, recalibrate=False)).iloc[0]
    for share in (50, 80, 90):
        error = np.sqrt(share / 100 * (1 - share / 100) / 600)
        assert table[f"cover_{share}"] == pytest.approx(share / 100, abs=3 * error)
    assert table["width_80"] == pytest.approx(2 * 1.2816 * 4, abs=0.5)  # whole days
    assert table["dates"] == 600
    # E CRPS of N(m, s) about its own draws is s / sqrt(pi); three standard errors, and whole days
    assert table["crps"] == pytest.approx(4 / np.sqrt(np.pi), abs=0.25)


def test_skill_is_the_mean_over_lakes() -> None:
    near, far = np.full((30, 8), 141), np.full((30, 8), 150)
    one = _rerun(members=near)
    other = _rerun(members=far, target=Target("mere", MILESTONES[2], 2012, 28, 15_000, 15_030))
    done = scored([one, other], recalibrate=False)
    by_hand = np.mean([1 - s.crps / s.crps_mean_date for s in done])
    table = skill_table(done)
    assert table["skill_mean_date"].iloc[0] == pytest.approx(by_hand)
    lakes = skill_table(done, ("lake_id",))
    assert lakes["lake_id"].tolist() == ["mere", "tarn"]
    assert lakes["off_days"].tolist() == [10.0, 1.0]


def test_rows_and_result() -> None:
    done = scored([_rerun()])
    rows = rows_table(done, known_years="other")
    assert rows["p05"].iloc[0] <= rows["p50"].iloc[0] <= rows["p95"].iloc[0]
    result = hindcast_result(done, name="x", known_years="other", readings="all")
    assert result.pit["share"].sum() == pytest.approx(1.0)
    assert result.reliability["cases"].sum() == 5


def test_few_other_years_are_left_out() -> None:
    few = _rerun()
    short = {
        name: getattr(few, name)[:3]
        for name in ("other_year", "other_date", "hindsight", "hindsight_sd", "other_air_c")
    }
    assert scored([_rerun(**short)]) == []

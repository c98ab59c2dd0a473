"""Baselines and scores of hindcasts: against scipy, the library ``scores``, published numbers and planted truths."""

from __future__ import annotations

import numpy as np
import pytest
import xarray as xr
from scipy import stats
from scores.probability import crps_for_ensemble

from emergence.degreedays.milestones import MILESTONES
from emergence.runs.hindcast import Rerun, water_target
from emergence.verification.baselines import (
    CALENDAR_SD_D,
    climatology_members,
    left_out_errors,
    reference_scores,
    regression_members,
)
from emergence.verification.hindcast import (
    AS_THEY_ARE,
    CLIMATOLOGY,
    MODEL,
    finished,
    hindcast_result,
    rows_table,
    scored,
    skill_table,
)
from emergence.verification.recalibration import (
    TOGETHER,
    hindsight_miss,
    joined,
    model_weight,
    recalibrated,
    water_share,
    weather_square,
)

RNG = np.random.default_rng(11)
MEMBERS = RNG.integers(132, 149, (30, 8))
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
        "target": water_target("tarn", MILESTONES[2], int(given.pop("year", 2012)), 28, (15_000, 15_030)),
        "start": 14_900,
        "truth": 140,
        "members": RNG.integers(135, 146, (30, 8)),
        "other_year": years,
        "other_date": dates,
        "hindsight": np.asarray(dates, dtype=float),
        "hindsight_sd": np.full(len(years), 2.0),
        "air_c": np.full(3, 5.0),
        "other_air_c": RNG.normal(5, 2, (len(years), 3)),
        "asked": None,
        "read": 2,
    }
    return Rerun(**(base | given))  # type: ignore[arg-type]  # a table of fields


SWAYING = np.array([130, 150, 131, 149, 133, 147, 135, 145, 132, 148, 134, 146])
LOST = SWAYING[::-1].astype(float)  # late in early years
TELLING = (5.0 - (SWAYING - 140) / 3.0 + np.tile([0.3, -0.3, 0.2, -0.2], 3))[:, None].repeat(3, axis=1)


def test_a_model_that_follows_weighs_most() -> None:
    given = finished([_rerun(other_date=SWAYING)])[0]
    assert given.method == "model and regression"
    assert given.model_weight > 0.8


def test_a_model_that_cannot_follow_is_left_out() -> None:
    given = finished([_rerun(other_date=SWAYING, hindsight=LOST, other_air_c=TELLING, air_c=np.full(3, 2.0))])[0]
    assert (given.method, given.model_weight) == ("regression", 0.0)
    assert np.median(given.members) == pytest.approx(140 + 3 * 3, abs=1.0)  # 3 days later for each °C less
    blind = _rerun(other_date=SWAYING, hindsight=LOST, other_air_c=TELLING, air_c=np.full(3, np.nan))
    assert finished([blind])[0].method == CLIMATOLOGY
    nothing = _rerun(other_date=SWAYING, hindsight=np.full(len(SWAYING), np.nan), air_c=np.full(3, np.nan))
    assert finished([nothing])[0].method == CLIMATOLOGY


def test_the_target_season_has_no_say_in_what_is_given() -> None:
    given = [
        finished([_rerun(members=MEMBERS, other_air_c=TELLING, other_date=SWAYING, truth=t)])[0] for t in (90, 190)
    ]
    assert given[0].members.tobytes() == given[1].members.tobytes()
    assert given[0].model_weight == given[1].model_weight


def test_rules_can_be_left_out() -> None:
    given = finished([_rerun(members=MEMBERS)], AS_THEY_ARE)[0]
    assert given.method == MODEL
    np.testing.assert_array_equal(given.members, MEMBERS.ravel())


def test_members_move_against_the_usual_miss_and_widen_about_their_slot() -> None:
    """Twelve years, each five days late, by hand: shift 60 / 16; misses do not vary, so the scale is sqrt(8 / 20)."""
    miss = hindsight_miss([np.full(12, 5.0)], [np.full(12, 2.0)])
    assert miss.shift_d[0] == pytest.approx(60 / 16)
    assert miss.scale == pytest.approx(np.sqrt(8 / 20))
    assert miss.square_d2 == pytest.approx((5 - 60 / 16) ** 2)
    members = np.array([[138.0, 142.0], [150.0, 150.0]])
    moved = recalibrated(members, shift_d=2.0, scale=1.5, share=0.5)
    np.testing.assert_allclose(moved, [[140 - 3 - 0.5, 140 + 3 - 0.5], [149.5, 149.5]])


def test_too_narrow_members_are_widened_to_calibration() -> None:
    """Planted: misses twice the members' spread. With 200 years the scale is 2 but for the prior's 8 and chance."""
    rng = np.random.default_rng(2)
    miss = hindsight_miss([rng.normal(0, 4, 200), rng.normal(0, 4, 200)], [np.full(200, 2.0)] * 2)
    assert miss.scale == pytest.approx(2.0, abs=0.15)


def test_share_of_the_water_error_still_open() -> None:
    rng = np.random.default_rng(8)
    weather = rng.normal(140, 6, (30, 1))
    assert water_share(weather + rng.normal(0, 1, (30, 40)), 2.0) == pytest.approx(0.5, abs=0.05)
    assert water_share(weather + rng.normal(0, 4, (30, 40)), 2.0) == 1.0
    assert weather_square(np.repeat(weather, 40, axis=1)) == pytest.approx(36, rel=0.6)  # a MAD of 30 values


def test_joined_forecasts_average_their_quantiles() -> None:
    """Normal with normal: the quantiles' average is normal with averaged mean and spread (Lichtendahl et al. 2013)."""
    level = (np.arange(999) + 0.5) / 999
    one, other = stats.norm.ppf(level, 140, 2), stats.norm.ppf(level, 150, 6)
    found = joined(one[::-1], other, 0.75)
    np.testing.assert_allclose(found, stats.norm.ppf(level, 142.5, 3), rtol=1e-9)
    # least variance of w m + (1 - w) o by hand, errors 2 and 4, correlation r: (16 - 8 r) / (20 - 16 r)
    assert model_weight(4.0, 16.0) == pytest.approx((16 - 8 * TOGETHER) / (20 - 16 * TOGETHER))
    assert model_weight(100.0, 1.0) == 0.0
    assert model_weight(float("nan"), 12.0) == 0.0


def test_scores_of_a_perfect_forecast_and_of_one_day_off() -> None:
    sure = np.full((30, 8), 140)
    done = scored([_rerun(members=sure), _rerun(members=sure + 1)], rules=AS_THEY_ARE)
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
    table = skill_table(scored(reruns, rules=AS_THEY_ARE)).iloc[0]
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
    other = _rerun(members=far, target=water_target("mere", MILESTONES[2], 2012, 28, (15_000, 15_030)))
    done = scored([one, other], rules=AS_THEY_ARE)
    by_hand = np.mean([1 - s.crps / s.crps_mean_date for s in done])
    table = skill_table(done)
    assert table["skill_mean_date"].iloc[0] == pytest.approx(by_hand)
    lakes = skill_table(done, ("lake_id",))
    assert lakes["lake_id"].tolist() == ["mere", "tarn"]
    assert lakes["off_days"].tolist() == [10.0, 1.0]


def test_rows_and_result() -> None:
    rerun = _rerun()
    done = scored([rerun])
    rows = rows_table(done, known_years="other")
    assert rows["p05"].iloc[0] <= rows["p50"].iloc[0] <= rows["p95"].iloc[0]
    result = hindcast_result([rerun], name="x", known_years="other", readings="all")
    assert result.pit["share"].sum() == pytest.approx(1.0)
    assert result.reliability["cases"].sum() == 43


def test_few_other_years_are_left_out() -> None:
    few = _rerun()
    short = {
        name: getattr(few, name)[:3]
        for name in ("other_year", "other_date", "hindsight", "hindsight_sd", "other_air_c")
    }
    assert scored([_rerun(**short)]) == []

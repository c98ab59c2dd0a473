"""What a screen shows first: the limits, exactly."""

from __future__ import annotations

import datetime as dt
from dataclasses import replace

import pandas as pd
import pytest
from run_result import NAMES, make_result

from emergence.report.choose import coming, is_over, lake_names, on_now, soonest_first, this_season
from emergence.runs.results import RunResult

ISSUE = pd.Timestamp(2023, 5, 28)
KEY = ("L0", "bluets", "migration")


@pytest.fixture
def result() -> RunResult:
    return make_result(NAMES[:1])


def with_row(result: RunResult, **values: object) -> RunResult:
    """Return the run with other values in the window of KEY."""
    windows = result.windows.copy()
    here = (windows["lake_id"] == KEY[0]) & (windows["taxon"] == KEY[1]) & (windows["event"] == KEY[2])
    for column, value in values.items():
        windows.loc[here, column] = value
    return replace(result, windows=windows)


def with_tomorrow_at(result: RunResult, chance: float) -> RunResult:
    days = result.days.copy()
    here = (days["taxon"] == KEY[1]) & (days["event"] == KEY[2]) & (days["date"] == ISSUE + pd.Timedelta(days=1))
    assert here.sum() == 1
    days.loc[here, "chance_active"] = chance
    return replace(result, days=days)


def keys(rows: pd.DataFrame) -> list[tuple[str, str, str]]:
    return list(rows[["lake_id", "taxon", "event"]].itertuples(index=False, name=None))


@pytest.mark.parametrize(("chance", "on"), [(0.5, True), (0.499, False)])
def test_on_now_begins_at_even(result: RunResult, chance: float, on: bool) -> None:
    run = with_tomorrow_at(result, chance)
    assert (KEY in keys(on_now(run))) is on
    assert (KEY in keys(coming(run))) is not on


@pytest.mark.parametrize(("days", "comes"), [(1, True), (28, True), (29, False)])
def test_what_comes_begins_within_four_weeks(result: RunResult, days: int, comes: bool) -> None:
    start = ISSUE + pd.Timedelta(days=days)
    assert (KEY in keys(coming(with_row(result, best_week_start=start, ahead_week_start=start)))) is comes


@pytest.mark.parametrize(("chance", "comes"), [(0.2, True), (0.199, False)])
def test_what_comes_has_a_chance(result: RunResult, chance: float, comes: bool) -> None:
    assert (KEY in keys(coming(with_row(result, ahead_week_chance=chance)))) is comes


@pytest.mark.parametrize(("back", "comes"), [(5, True), (6, False)])
def test_what_fades_is_not_coming(result: RunResult, back: int, comes: bool) -> None:
    best = ISSUE - pd.Timedelta(days=back)
    assert (KEY in keys(coming(with_row(result, best_week_start=best)))) is comes


@pytest.mark.parametrize(
    ("best", "outer", "over"), [(-6, 0, True), (-5, 0, False), (-6, 1, False), (-6, None, True), (None, 0, False)]
)
def test_over_when_best_week_and_outer_window_are_past(
    result: RunResult, best: int | None, outer: int | None, over: bool
) -> None:
    dates = [pd.NaT if d is None else ISSUE + pd.Timedelta(days=d) for d in (best, outer)]
    row = with_row(result, best_week_start=dates[0], outer_end=dates[1]).windows.iloc[:1]
    assert list(is_over(row, ISSUE.date())) == [over]


def test_migration_goes_before_the_hatch_of_the_same_week(result: RunResult) -> None:
    windows = result.windows.assign(ahead_week_start=ISSUE, best_week_start=ISSUE).iloc[::-1]
    assert list(soonest_first(windows)["event"].unique()) == ["migration", "emergence", "turnover"]


@pytest.mark.parametrize(
    ("as_of", "latitude", "season"),
    [
        (dt.date(2023, 5, 28), 54.0, 2023),
        (dt.date(2023, 12, 31), 54.0, 2024),
        (dt.date(2023, 6, 29), -41.0, 2022),
        (dt.date(2023, 6, 30), -41.0, 2023),
    ],
)
def test_the_season_is_that_of_tomorrow(result: RunResult, as_of: dt.date, latitude: float, season: int) -> None:
    info = replace(result.info, as_of=as_of, lakes=result.info.lakes.assign(latitude=latitude))
    run = replace(result, info=info, windows=result.windows.assign(season=season))
    assert this_season(run).all()
    assert not this_season(replace(run, windows=run.windows.assign(season=season + 1))).any()


def test_lake_without_a_name_goes_by_its_id(result: RunResult) -> None:
    lakes = result.info.lakes.assign(name=None)
    assert lake_names(replace(result, info=replace(result.info, lakes=lakes))) == {"L0": "L0"}

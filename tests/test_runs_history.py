"""Past summers of lakes: which weather stands in which year, no leak, short records, strength as published."""

from __future__ import annotations

import dataclasses
import datetime as dt
from functools import cache
from pathlib import Path

import numpy as np
import pytest
from climates import PLATEAU, daily_normal, one_lake, shape_of

from emergence.dates import day_number, day_of_year, season_span
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.history import (
    POINTS_C,
    YEARS,
    Past,
    member_deviation,
    past_air,
    past_seasons,
    point_classes,
    run_classes,
)
from emergence.runs.plan import prepare
from emergence.runs.simulate import month_day_index
from emergence.season import read_season
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.yearclass import generation
from emergence.weather.gaps import CALENDAR, OBSERVED, FilledSeries
from emergence.weather.mix import Links

SPAN = season_span(2021, False)
AS_OF = day_number(dt.date(2021, 4, 10))
FIRST = day_number(dt.date(1985, 1, 1))
COENAGRION = load_catalogue()["coenagrion"]
CENTRE = POINTS_C.index(0.0)


def record(first_year: int = 1985, *, seed: int = 1, colder: int | None = None, last: int = AS_OF) -> FilledSeries:
    """A made-up station: plateau normals and noise, measured from a year on, calendar mean before."""
    days = np.arange(FIRST, last + 1)
    calendar = daily_normal(PLATEAU, np.arange(1, 367))
    mean = calendar[day_of_year(days) - 1] + np.random.default_rng(seed).normal(0, 2.5, len(days))
    before = days < day_number(dt.date(first_year, 1, 1))
    mean[before] = calendar[day_of_year(days) - 1][before]
    if colder is not None:
        summer = (days >= day_number(dt.date(colder, 4, 1))) & (days < day_number(dt.date(colder, 11, 1)))
        mean[summer] -= 4
    how = np.where(before, CALENDAR, OBSERVED).astype(np.uint8)
    flags = np.zeros(len(days), dtype=bool)
    return FilledSeries("st", FIRST, mean - 6, mean + 6, mean, how, flags, calendar, np.full(12, 6.0))


def links(*weights: tuple[float, ...], correction: float = 0.0) -> Links:
    weight = np.array(weights, dtype=float)
    index = np.where(weight > 0, np.arange(weight.shape[1]), 0)
    return Links(index, weight, np.full((len(weight), 3, 12), correction), np.zeros(len(weight)))


ONE = links((1.0,))


def past_of(filled: FilledSeries) -> Past:
    lakes = one_lake(50.0, 1150.0, 30.0, 4.0)
    air = past_air([filled], ONE, SPAN, as_of=AS_OF)
    return past_seasons(
        air,
        shape_of(lakes, PLATEAU),
        np.array([9.0]),
        span=SPAN,
        month_day_index=lambda month_day: month_day_index(SPAN, month_day),
    )


# ---------------------------------------------------------------- weather


def test_each_past_season_has_its_own_weather_at_lake_height() -> None:
    filled = record()
    air = past_air([filled], links((1.0,), correction=-3.0), SPAN, as_of=AS_OF).tmean
    assert air.shape == (122 + 365, 1, YEARS)
    for year in (1991, 2000, 2020):
        at = season_span(year, False).sim_start - FIRST
        column = air[:, 0, year - (2021 - YEARS)]
        np.testing.assert_allclose(column, filled.tmean_c[at : at + 487] - 3.0, atol=1e-5)


def test_nothing_after_the_issue_date_is_used() -> None:
    """The season before the one to come is not over: its known days count, the rest is as usual."""
    early = day_number(dt.date(2020, 10, 20))
    whole = record(last=early + 300)
    later = np.arange(len(whole.tmean_c)) + FIRST > early
    changed = dataclasses.replace(whole, tmean_c=np.where(later, 99.0, whole.tmean_c))
    one, two = (past_air([f], ONE, SPAN, as_of=early).tmean for f in (whole, changed))
    np.testing.assert_array_equal(one, two)
    last = one[early - season_span(2020, False).sim_start + 1 :, 0, -1]
    usual = whole.calendar_c[day_of_year(np.arange(early + 1, early + 1 + len(last))) - 1]
    np.testing.assert_allclose(last, usual, atol=1e-5)


def test_short_record_goes_round() -> None:
    """Four measured seasons, 2017-2020, fill thirty: the years before repeat them in their order."""
    air = past_air([record(2017)], ONE, SPAN, as_of=AS_OF).tmean[:, 0]
    own = air[:, -4:]
    for back in range(YEARS):
        np.testing.assert_array_equal(air[:, YEARS - 1 - back], own[:, 3 - back % 4])


def test_without_any_past_the_air_is_usual() -> None:
    classes = run_classes(past_of(record(2021)), COENAGRION)
    np.testing.assert_allclose(classes.maturing, 1, atol=0.01)  # 1 %: what is left of the start


def test_station_without_weather_counts_by_the_other() -> None:
    """A lake of two stations, one of which begins in 2010: before, the other's departure from the usual stands."""
    old, new = record(seed=1), record(2010, seed=2)
    both = past_air([old, new], links((0.25, 0.75)), SPAN, as_of=AS_OF).tmean[:, 0]
    alone = past_air([old], ONE, SPAN, as_of=AS_OF).tmean[:, 0]
    early = 2000 - (2021 - YEARS)
    np.testing.assert_allclose(both[:, early], alone[:, early], atol=1e-4)
    at = season_span(2015, False).sim_start - FIRST
    mean = 0.25 * old.tmean_c[at : at + 487] + 0.75 * new.tmean_c[at : at + 487]
    np.testing.assert_allclose(both[:, 2015 - (2021 - YEARS)], mean, atol=1e-4)


def test_neighbours_change_nothing() -> None:
    filled = [record(seed=1), record(2012, seed=2)]
    many = past_air(filled, links((1.0, 0.0), (0.0, 1.0), (0.5, 0.5)), SPAN, as_of=AS_OF).tmean
    for row in ((1.0, 0.0), (0.0, 1.0), (0.5, 0.5)):
        k = [(1.0, 0.0), (0.0, 1.0), (0.5, 0.5)].index(row)
        alone = past_air(filled, links(row), SPAN, as_of=AS_OF).tmean
        np.testing.assert_array_equal(alone[:, 0], many[:, k])


# ---------------------------------------------------------------- what it leaves


@cache
def past() -> Past:
    return past_of(record())


def test_warmer_points_are_younger_and_hold_more_heat() -> None:
    found = point_classes(past(), [COENAGRION, load_catalogue()["boatman"]])
    assert set(found) == {"coenagrion"}
    points = found["coenagrion"]
    assert (np.diff(points.annual[0]) > 0).all()
    assert (np.diff(generation(run_classes(past(), COENAGRION))) <= 0.02).all()
    assert points.ages.shape == (1, len(POINTS_C), 8)
    np.testing.assert_allclose(points.ages.sum(axis=2), 1)


def test_cold_summer_two_years_ago_weakens_this_year() -> None:
    """Where nymphs take two years, those whose eggs were laid in a summer 4 °C too cold are fewer now."""
    usual = point_classes(past(), [COENAGRION])["coenagrion"]
    assert usual.ages[0, CENTRE, 1] > 0.8
    cold = point_classes(past_of(record(colder=2019)), [COENAGRION])["coenagrion"]
    assert cold.strength[0, CENTRE] < 0.9 * usual.strength[0, CENTRE]


def test_deviation_of_members() -> None:
    surface = np.full((300, 1, 2), 15.0, dtype=np.float32)
    water = surface[..., None] + np.array([-1.0, 0.0, 2.0], dtype=np.float32)
    got = member_deviation(water, surface, first=0, solstice=171)
    np.testing.assert_allclose(got, [[-1, 0, 2, -1, 0, 2]], atol=1e-6)


# ---------------------------------------------------------------- the published table


def test_strength_stands_in_the_windows_of_multi_year_taxa() -> None:
    demo = Path(__file__).resolve().parents[1] / "data_demo"
    season = read_season(demo, today=day_number(dt.date(2026, 6, 1)))
    season = dataclasses.replace(season, settings=dataclasses.replace(season.settings, slots=5, replicates=20))
    taxa, lakes = ("coenagrion", "aeshna", "callibaetis"), ("pellor", "crannow")
    table = run_plan(prepare(season, lakes=lakes, taxa=taxa), Wanted(water=False, days=False)).windows
    columns = ["strength_p10", "strength_p50", "strength_p90"]
    aged = table[table.taxon.isin(["coenagrion", "aeshna"])]
    assert len(aged)
    assert aged[columns].notna().all(axis=None)
    assert (aged.strength_p10 < aged.strength_p50).all() and (aged.strength_p50 < aged.strength_p90).all()
    assert aged.strength_p50.between(0.2, 5).all()
    assert table[~table.taxon.isin(["coenagrion", "aeshna"])][columns].isna().all(axis=None)
    by_event = aged.groupby(["lake_id", "season", "taxon"])["strength_p50"].nunique()
    assert (by_event == 1).all()  # migration and emergence are of the same insects
    alone = run_plan(prepare(season, lakes=("crannow",), taxa=taxa[:1]), Wanted(water=False, days=False)).windows
    same = aged[(aged.lake_id == "crannow") & (aged.taxon == "coenagrion")]
    assert alone[alone.taxon == "coenagrion"][columns].to_numpy() == pytest.approx(same[columns].to_numpy(), rel=0)


def test_southern_lakes_run_from_july_to_june() -> None:
    span = season_span(2020, True)
    filled = record()
    air = past_air([filled], ONE, span, as_of=day_number(dt.date(2021, 1, 10)))
    assert air.days[0] == season_span(2019, True).sim_start
    at = season_span(2005, True).sim_start - FIRST
    np.testing.assert_allclose(air.tmean[:, 0, 2005 - 1990], filled.tmean_c[at : at + 487], atol=1e-5)

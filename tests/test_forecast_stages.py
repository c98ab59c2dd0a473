"""Stages by date: nobody lost, adults that live as long as they should, frost, agreement with the passage itself."""

from __future__ import annotations

import numpy as np
import pytest
from climates import PLATEAU, one_lake, season_field
from numpy.typing import NDArray

from emergence.degreedays import accumulate, mean_water_degree_days
from emergence.forecast import compiled_stages
from emergence.forecast.field import Field
from emergence.forecast.stages import AdultLife, Stages, adult_life, hard_frost, stage_numbers, taxon_stages
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.population import Bound, Gates, Requirements, heat_at, leave_water
from emergence.taxa.yearclass import MemberClasses

CATALOGUE = load_catalogue()
CELL = (1, 1, 1)
DAYS = 200


def gates(shut: set[int] = frozenset(), members: int = 1) -> Gates:  # type: ignore[assignment]
    openness = np.array([[0.0 if day in shut else 1.0] for day in range(DAYS)], dtype=np.float32)
    return Gates(np.zeros((DAYS, members), dtype=bool), (Bound(openness, members, np.zeros(members, np.float32), 1.0),))


def need(median: float = 210.0, spread: float = 30.0, move: float | None = 45.0, members: int = 1) -> Requirements:
    full = [None if v is None else np.full((1, 1, members), v, dtype=np.float32) for v in (median, spread, move)]
    return Requirements(full[0], full[1], full[2])  # type: ignore[arg-type]


HEAT = accumulate(mean_water_degree_days(np.full((DAYS, *CELL), 16.0, dtype=np.float32), lower=9.0))
START = np.zeros(CELL, dtype=np.int16)


def stages(
    life: AdultLife,
    *,
    shut: set[int] | None = None,
    frost_on: int | None = None,
    move: float | None = 45.0,
    younger: float | NDArray[np.float64] = 0.0,
) -> Stages:
    frost = np.zeros((DAYS, 1, 1), dtype=bool)
    if frost_on is not None:
        frost[frost_on] = True
    members = np.size(younger)
    return stage_numbers(
        np.repeat(HEAT, members, axis=3),
        need(move=move, members=members),
        gates=gates(shut or set(), members),
        start=np.repeat(START, members, axis=2),
        life=life,
        frost=frost,
        younger=np.reshape(younger, (1, -1)),
    )


@pytest.mark.parametrize("move", [45.0, None])
def test_nobody_is_lost(move: float | None) -> None:
    """With adults that live for ever the four stages add up to all who mature, on every day, shut days included."""
    got = stages(AdultLife(2.0, 7, 1e9), shut=set(range(25, 40)), move=move)
    total = got.young + got.mature + got.moving + got.adult
    np.testing.assert_allclose(total, 1, atol=1e-5)  # single precision
    assert (got.moving > 0).any() == (move is not None)


def test_adults_live_as_long_as_they_should() -> None:
    """Adult days of one insect: 7 before it breeds and 1 / (1 - exp(-1/8)) after; the last are gone within the span."""
    got = stages(AdultLife(2.0, 7, 8.0))
    assert got.adult.sum() == pytest.approx(7 + 1 / (1 - np.exp(-1 / 8)), rel=0.005)  # 0.1 % have not left yet


def test_each_that_lives_out_its_life_leaves_one_young() -> None:
    """Numbers stay level: one each, and one for every older nymph that dies (2 wait, 0.3 live: 1 + 2 x 0.7)."""
    got = stages(AdultLife(2.0, 7, 8.0, 20))
    assert got.hatched[-1, 0] == pytest.approx(1, abs=0.005)  # 0.1 % have not left yet, some still live
    first_adult, first_young = (int(np.flatnonzero(n > 1e-3)[0]) for n in (got.adult[:, 0], got.hatched[:, 0]))
    assert 27 <= first_young - first_adult <= 32  # 7 days until it breeds, 20 in the egg, the first to die
    assert got.shares()["young"][-1, 0] > 0.99
    two = stages(AdultLife(2.0, 7, 8.0, 20, 0.3), younger=2.0)
    assert two.hatched[-1, 0] == pytest.approx((1 + 2 * 0.7) / 3, rel=0.005)
    assert not stages(AdultLife(2.0, 7, 8.0)).hatched.any()  # eggs that winter


def test_a_weak_year_class_does_not_outweigh_the_others() -> None:
    """Two members, one with 1 older nymph for each that matures, one with 99: a half and a hundredth mature."""
    got = stages(AdultLife(2.0, 7, 8.0), younger=np.array([[1.0, 99.0]]))
    assert got.young[0, 0] == pytest.approx(1, abs=1e-3)  # the logistic's foot
    assert got.young[-1, 0] == pytest.approx((0.5 + 0.99) / 2, abs=1e-3)


def test_frost_ends_whoever_is_left() -> None:
    free, got = stages(AdultLife(2.0, 7, 30.0)), stages(AdultLife(2.0, 7, 30.0), frost_on=60)
    assert free.adult[60, 0] > 0.2
    assert got.adult[60:, 0].max() < 1e-3
    np.testing.assert_array_equal(got.adult[:60], free.adult[:60])


def test_frost_before_midsummer_is_none() -> None:
    air = np.full((10, 1, 1), 5.0)
    air[[2, 7]] = -3.0
    assert np.flatnonzero(hard_frost(air, -2.0, solstice=5)).tolist() == [7]


def test_those_that_leave_are_those_of_the_passage() -> None:
    """With adults soft for a day, the soft ones are the day's emergence of ``leave_water``; it stops at 99.9 % gone."""
    shut = set(range(28, 36))
    emergence, migration = leave_water(HEAT, heat_at(HEAT, START), need(), gates=gates(shut), start=START)
    got = stages(AdultLife(24.0, 7, 8.0), shut=shut)
    np.testing.assert_allclose(got.soft, emergence.intensity, atol=2e-3)
    assert migration is not None
    assert abs(int(got.moving[:28, 0].argmax()) - int(migration.intensity[:28, 0].argmax())) <= 1
    assert got.moving[35, 0] > 0.5  # they wait at the shore
    half_day = stages(AdultLife(12.0, 7, 8.0), shut=shut)
    np.testing.assert_allclose(half_day.soft, got.soft / 2, rtol=1e-6)


def test_stages_of_a_season_on_a_plateau_lake() -> None:
    """Order of the season at 50 N and 1,150 m: young in April, on the move in June, adults after, nobody in November.

    Fisheries practice, months only (no source).
    """
    field, _ = season_field(PLATEAU, one_lake(50.0, 1150.0, 30.0, 4.0), range_c=6.8)
    lake_ids = np.array(["lake"], dtype=object)
    got = taxon_stages(CATALOGUE["coenagrion"], field, lake_ids, seed=1, classes=some_classes(field))
    assert got is not None
    day = {name: int(getattr(got, name)[field.first :, 0].argmax()) + 1 for name in ("mature", "moving", "adult")}
    assert day["mature"] < day["moving"] < day["adult"]
    assert 152 <= day["moving"] <= 196  # June to mid July
    shares = got.shares()
    np.testing.assert_allclose(sum(s[:, 0] for s in shares.values()), 1, atol=1e-9)
    assert shares["young"][field.first + 100, 0] > 0.98
    assert got.adult[field.first + 330, 0] < 0.01
    assert got.young[field.first + 330, 0] == pytest.approx(2 / 3, abs=0.1)  # the nymphs of later years stay
    assert got.shares()["young"][field.first + 330, 0] > 0.98


def test_every_flying_taxon_says_how_its_adults_live() -> None:
    lives = {key: adult_life(taxon) for key, taxon in CATALOGUE.items()}
    assert [key for key, life in lives.items() if life is None] == ["boatman"]  # true bugs: adults winter in the water
    assert lives["coenagrion"] == AdultLife(2.0, 7, 8.0, 21, 0.3)
    assert (
        lives["lestes"] is not None and lives["lestes"].maturation_d == 17 and lives["lestes"].egg_d is None
    )  # 16-18, Sawchyn & Gillott 1974
    field, _ = season_field(PLATEAU, one_lake(50.0, 1150.0, 30.0, 4.0))
    assert taxon_stages(CATALOGUE["boatman"], field, np.array(["lake"], dtype=object), seed=1) is None


def test_compiled_and_plain_days_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """On a plateau lake's members, to rounding: single precision over some 300 days."""
    assert compiled_stages.follow is not None
    field, _ = season_field(PLATEAU, one_lake(50.0, 1150.0, 30.0, 4.0), range_c=6.8)
    ids = np.array(["lake"], dtype=object)
    keys = ("coenagrion", "limnephilid")  # with a migration and without

    def found() -> list[Stages | None]:
        return [taxon_stages(CATALOGUE[k], field, ids, seed=1, classes=some_classes(field)) for k in keys]

    quick = found()
    monkeypatch.setattr(compiled_stages, "follow", None)
    for one, other in zip(quick, found(), strict=True):
        assert one is not None and other is not None
        for name in ("young", "mature", "moving", "soft", "adult", "hatched"):
            np.testing.assert_allclose(getattr(one, name), getattr(other, name), atol=2e-4, err_msg=name)


def some_classes(field: Field) -> MemberClasses:
    """Two older nymphs for each that matures."""
    two = np.full((1, field.water_c[0].size), 2.0, dtype=np.float32)
    return MemberClasses(two, 5 * two, two)

"""Stages of all broods: nobody lost, later broods there, pupae where there are any."""

from __future__ import annotations

import numpy as np
import pytest
from climates import PLATEAU, one_lake, season_field

from emergence.forecast.broods import season_stages
from emergence.forecast.field import Field
from emergence.forecast.stages import Stages, taxon_stages
from emergence.forecast.weighing import member_taxon
from emergence.taxa.catalogue_io import load_catalogue

CATALOGUE = load_catalogue()
LAKE = np.array(["lake"], dtype=object)


@pytest.fixture(scope="module")
def field() -> Field:
    return season_field(PLATEAU, one_lake(50.0, 600.0, 30.0, 4.0), range_c=6.8, warmer=3.0)[0]


def stages(field: Field, taxon: str) -> Stages:
    one = CATALOGUE[taxon]
    found = season_stages(one, field, member_taxon(one, field, LAKE, seed=1))
    assert found is not None
    return found


def test_of_one_brood_they_are_those_of_the_first(field: Field) -> None:
    one = CATALOGUE["lestes"]
    first = taxon_stages(one, field, LAKE, seed=1)
    assert first is not None
    for name, values in vars(stages(field, "lestes")).items():
        np.testing.assert_allclose(values, getattr(first, name), atol=1e-6, err_msg=name)


def test_adults_fly_again_with_the_later_brood(field: Field) -> None:
    """Callibaetis: a large brood in late spring, a smaller one five to seven weeks later (fisheries practice)."""
    one = CATALOGUE["callibaetis"]
    first, every = taxon_stages(one, field, LAKE, seed=1), stages(field, "callibaetis")
    assert first is not None
    peak = int(first.adult[:, 0].argmax())
    later = slice(peak + 30, None)
    assert every.adult[later, 0].max() > first.adult[later, 0].max() + 0.05
    np.testing.assert_allclose(every.adult[: peak - 20, 0], first.adult[: peak - 20, 0], atol=0.01)


def test_no_brood_is_young_before_it_begins(field: Field) -> None:
    """Up to the season's first day only the wintering brood is there: one nymph a member, none of later broods."""
    every = stages(field, "callibaetis")
    nymphs = every.young[: field.first + 1, 0] + every.mature[: field.first + 1, 0]
    assert nymphs == pytest.approx(1.0, abs=0.01) and every.mature[field.first, 0] < 0.1
    assert (every.young >= 0).all()


def test_midges_have_pupae_before_they_hatch_and_mayflies_none(field: Field) -> None:
    midge = stages(field, "chironomus")
    assert midge.moving.max() > 0.03
    half = field.first + 180  # the first brood alone
    half_pupae = int((np.cumsum(midge.moving[:half, 0]) >= midge.moving[:half, 0].sum() / 2).argmax())
    half_soft = int((np.cumsum(midge.soft[:half, 0]) >= midge.soft[:half, 0].sum() / 2).argmax())
    assert half_pupae < half_soft
    assert stages(field, "callibaetis").moving.max() == 0


def test_boatmen_have_no_stages(field: Field) -> None:
    one = CATALOGUE["boatman"]
    assert season_stages(one, field, member_taxon(one, field, LAKE, seed=1)) is None

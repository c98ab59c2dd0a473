"""Year-classes cell by cell (compiled) against their NumPy forms, on planted summers."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from emergence.dates import NEVER
from emergence.taxa import yearclass
from emergence.taxa.catalogue_io import load_catalogue
from emergence.taxa.yearclass import SeasonHeat, coming, season_heat, traits, year_classes

CATALOGUE = load_catalogue()
MULTI = [name for name, taxon in CATALOGUE.items() if taxon.year_class is not None]
LAKES, YEARS, POINTS = 4, 30, 5


def planted(seed: int = 5) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Return heat (days, lakes, years, points), biofix and arrest of invented summers, from too cold to hot."""
    rng = np.random.default_rng(seed)
    wave = np.maximum(np.sin(np.pi * np.arange(-60, 305) / 244), 0)[:, None, None, None]
    warmth = rng.uniform(0, 14, (1, LAKES, YEARS, 1)) * np.linspace(0.3, 1.4, POINTS)
    heat = np.cumsum(wave * warmth, axis=0).astype(np.float32)
    start = rng.integers(0, 150, heat.shape[1:]).astype(np.int16)
    start[0, :3] = NEVER
    start[1, :3] = 0
    return heat, start, rng.integers(200, 365, LAKES * POINTS)


def warmth_of(name: str) -> SeasonHeat:
    heat, start, arrest = planted()
    return season_heat(heat, traits(CATALOGUE[name]), start=start, arrest=arrest, axis=1)


@pytest.mark.parametrize("name", MULTI)
def test_compiled_season_is_the_plain_one(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    fast = warmth_of(name)
    monkeypatch.setattr(yearclass, "season_heat_kernel", None)
    plain = warmth_of(name)
    np.testing.assert_array_equal(fast.annual, plain.annual)
    np.testing.assert_allclose(fast.emerged, plain.emerged, rtol=0, atol=1e-14)  # tanh of two libraries
    # a clutch's level may round to another float32 and so to the day after: none here
    np.testing.assert_allclose(fast.after, plain.after, rtol=0, atol=1e-9)
    assert (fast.emerged > 0.9).any() and (fast.emerged < 0.1).any()


@pytest.mark.parametrize("name", MULTI)
def test_compiled_season_to_come_is_the_last_of_the_record(name: str, monkeypatch: pytest.MonkeyPatch) -> None:
    heat, own = warmth_of(name), traits(CATALOGUE[name])
    classes = year_classes(heat, own)
    fast = coming(heat, own)
    last = {"strength": classes.maturing, "younger": classes.younger, "ages": classes.ages}
    for part, values in last.items():
        # exp in single precision of two libraries, 1e-7 each, through thirty years of numbers
        np.testing.assert_allclose(getattr(fast, part), values[-1], rtol=1e-5, atol=1e-7)
    np.testing.assert_allclose(fast.winter_sd, classes.winter_sd[-1], rtol=1e-4, atol=1e-2)
    monkeypatch.setattr(yearclass, "coming_kernel", None)
    np.testing.assert_array_equal(coming(heat, own).strength, classes.maturing[-1])


def test_a_cell_has_the_same_season_alone() -> None:
    heat, own = warmth_of("coenagrion"), traits(CATALOGUE["coenagrion"])
    one = dataclasses.replace(heat, **{k: v[..., 7:8] for k, v in vars(heat).items()})
    for part, value in vars(coming(one, own)).items():
        np.testing.assert_array_equal(value[..., 0], getattr(coming(heat, own), part)[..., 7])

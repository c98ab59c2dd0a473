"""How much members are widened: a planted factor comes back, one year is left out of what it is told to hold."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from scipy import stats

from emergence.errors import EmergenceError
from emergence.learning.widening import (
    EIGHT_IN_TEN,
    LEAST_FACTOR,
    MOST_FACTOR,
    NO_WIDENING,
    Misses,
    Widening,
    fit_widening,
    together,
)
from emergence.runs.learn import FILE, read_learned, to_json
from emergence.runs.taught import Learned


def misses(times: float, *, lakes: int = 6, years: int = 60, seed: int = 3) -> Misses:
    """Misses of a model whose members say a spread of 2 to 5 days, and which is off by so many times that."""
    rng = np.random.default_rng(seed)
    lake = np.repeat([f"l{k}" for k in range(lakes)], years).astype(object)
    spread = rng.uniform(2.0, 5.0, lakes * years)
    return Misses(lake, np.tile(np.arange(years), lakes), times * spread * rng.standard_normal(lakes * years), spread)


@pytest.mark.parametrize("times", [0.9, 1.3, 1.6])
def test_a_planted_factor_comes_back_and_makes_spans_honest(times: float) -> None:
    """360 independent lake-years: the factor's own error is 1 / sqrt(720) = 4 %, of the share 2 %; three of them, and
    2 % of the factor for the 8 years that draw it to 1."""
    found = fit_widening(misses(times))
    assert found.factor == pytest.approx(times, rel=3 * 0.04 + 0.02)
    assert found.held_after == pytest.approx(0.8, abs=3 * 0.021)
    assert found.held_before == pytest.approx(2 * stats.norm.cdf(EIGHT_IN_TEN / times) - 1, abs=3 * 0.025)
    assert (found.dates, found.lakes, found.lake_years) == (360, 6, 360)


def test_by_hand_and_little_evidence_moves_little() -> None:
    """Two years, misses twice the spread, q = 4: sqrt((8 + 2 * 4) / (8 + 2))."""
    two = Misses(np.array(["a", "a"], dtype=object), np.array([1, 2]), np.array([4.0, -4.0]), np.array([2.0, 2.0]))
    assert fit_widening(two).factor == pytest.approx(np.sqrt(16 / 10))
    assert fit_widening(two).held_after == 0.0  # each year by the other's factor, sqrt(12 / 9) * 1.28 < 2
    # dates of one year miss together: twice the dates, no more years
    again = fit_widening(together([two, two]))
    assert (again.factor, again.dates, again.lake_years) == (pytest.approx(np.sqrt(16 / 10)), 4, 2)


def test_a_year_has_no_say_in_the_factor_that_is_laid_on_it() -> None:
    """Five dates of year 2 missed by 1.3 spreads, one of year 1 by none. By year 1 alone the factor is sqrt(8 / 9):
    1.28 times that is 1.21 and holds none of them; with year 2 it is sqrt((8 + 2 * 1.69 * 5 / 6) / 10) and would."""
    year, miss = np.array([1, 2, 2, 2, 2, 2]), np.array([0.0, 1.3, 1.3, -1.3, 1.3, -1.3])
    found = fit_widening(Misses(np.full(6, "a", dtype=object), year, miss, np.ones(6)))
    assert found.factor * EIGHT_IN_TEN > 1.3
    assert found.held_after == pytest.approx(1 / 6)


def test_bounds_and_nothing() -> None:
    assert fit_widening(misses(9.0)).factor == MOST_FACTOR
    assert fit_widening(misses(0.1)).factor == LEAST_FACTOR
    nothing = Misses(np.zeros(0, dtype=object), np.zeros(0, dtype=np.int64), np.zeros(0), np.zeros(0))
    assert fit_widening(nothing) == NO_WIDENING
    assert NO_WIDENING.factor == 1.0


def test_it_is_kept_in_learned_json_and_files_before_it_have_none(tmp_path: Path) -> None:
    found = Widening(1.2018, 743, 7, 138, 0.751, 0.821)
    text = to_json(Learned(0, {}, {}, widening=found), {})
    (tmp_path / FILE).write_text(text, encoding="utf-8")
    again = read_learned(tmp_path)
    assert again is not None and again.widening == found
    table = json.loads(text)
    del table["widening"]
    (tmp_path / FILE).write_text(json.dumps(table), encoding="utf-8")
    older = read_learned(tmp_path)
    assert older is not None and older.widening.factor == 1.0


@pytest.mark.parametrize(("name", "value"), [("factor", 40.0), ("factor", None), ("held_after", 7.0), ("dates", -1)])
def test_an_impossible_factor_is_refused(tmp_path: Path, name: str, value: object) -> None:
    table = json.loads(to_json(Learned(0, {}, {}, widening=Widening(1.2, 7, 1, 7, 0.7, 0.8)), {}))
    table["widening"][name] = value
    (tmp_path / FILE).write_text(json.dumps(table), encoding="utf-8")
    with pytest.raises(EmergenceError, match="emergence learn"):
        read_learned(tmp_path)

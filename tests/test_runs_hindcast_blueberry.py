"""Real dates that a registry carries go through fit and hindcast: blueberry flowers, an own taxon that feels the air.

Data: pyPhenology 0.7.1 (MIT), data set vaccinium: dates of four shrubs at Harvard Forest and daily air temperature.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pandas as pd
import pytest

from emergence.dates import day_number, day_of_year
from emergence.runs.hindcast import Ask
from emergence.runs.hindcast_sightings import rerun_sightings
from emergence.season import read_season
from emergence.verification.hindcast import scored, skill_table
from tests.blueberry_season import median_dates, write_blueberry_season

TODAY = day_number(pd.Timestamp("2002-01-01").date())


@pytest.fixture(scope="module")
def table(tmp_path_factory: pytest.TempPathFactory) -> pd.DataFrame:
    folder: Path = write_blueberry_season(tmp_path_factory.mktemp("blueberry"), "flowers")
    ask = Ask(years=(), leads=(28, 0), readings=(0,))
    found = list(rerun_sightings(read_season(folder, today=TODAY), ask))
    assert {r.read for r in found} == {0}
    return skill_table(scored(found), ("taxon",)).set_index("lead_days")


def test_every_year_is_left_out_once(table: pd.DataFrame) -> None:
    assert table["dates"].tolist() == [12, 12]
    assert table["taxon"].unique().tolist() == ["blueberry"]


def test_mean_date_is_off_as_worked_out_by_hand(table: pd.DataFrame) -> None:
    day = day_of_year(np.array([day_number(d) for d in median_dates("flowers").values()]))
    others = [np.rint(np.delete(day, k).mean()) for k in range(len(day))]
    by_hand = np.abs(day - others).mean()
    assert table["mae_mean_date"].tolist() == pytest.approx([by_hand] * 2, abs=0.5)  # whole days, leap years


def test_held_out_flowers_are_told_better_than_by_the_mean_date(table: pd.DataFrame) -> None:
    """Measured: off by 1.4 days on the usual date and 3.3 four weeks before it, the mean date by 5.9.

    Twelve years: the error of a mean error is a fifth of it or so, hence the room.
    """
    assert table["mae_days"][0] < 0.5 * table["mae_mean_date"][0]
    assert table["mae_days"][28] < 0.8 * table["mae_mean_date"][28]
    assert table["skill_mean_date"][28] > 0.1
    assert table["cover_90"].min() >= 0.75  # 10.8 of 12 expected; 9 or more in 98 % of samples

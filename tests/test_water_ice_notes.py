"""Which ice dates and early readings are believed: one slip of the month must not move every possible season."""

from __future__ import annotations

import dataclasses
from collections.abc import Sequence

import numpy as np
import pytest

from emergence.learning.water import far_dates, fit_ice
from emergence.water.coefficients import load_coefficients
from emergence.water.conditioning import LakeNotes
from emergence.water.ice_notes import believed_ice

MIDDLE, SD_D = 240, 8.6
"""The middle possible season opens on day 240 (late April); 8.6 days is what is not known of a lake never noted."""
OPENING = MIDDLE + np.array([[-9, 0], [-3, 3], [0, 9]])


def said(
    readings: Sequence[tuple[int, float]] = (), offs: Sequence[int] = (), ons: Sequence[int] = (), begins: int = 120
) -> LakeNotes:
    """Notes as `runs.notes.lake_notes` hands them on: the latest ice-off and the first open reading are taken."""
    day = np.array([d for d, _ in readings], dtype=np.int64)
    opened = day[day >= begins]
    return LakeNotes(
        day,
        np.array([w for _, w in readings], dtype=np.float64),
        ice_off=max(offs, default=-1),
        open_by=int(opened[0]) if len(opened) else -1,
        offs=tuple(offs),
        ons=tuple(ons),
        begins=begins,
    )


@pytest.mark.parametrize(
    ("readings", "offs", "ons", "ice_off", "reasons"),
    [
        ([], [MIDDLE + 25], [], MIDDLE + 25, []),  # a late year is no slip
        ([], [MIDDLE + 45], [], -1, ["ice_far"]),
        ([], [MIDDLE - 60, MIDDLE + 2], [], MIDDLE + 2, ["ice_far"]),
        ([], [MIDDLE - 5, MIDDLE + 3], [], MIDDLE + 3, []),  # it froze again
        ([(MIDDLE + 2, 7.0)], [MIDDLE + 20], [], -1, ["ice_warm"]),  # most possible seasons are open by the reading
        ([(MIDDLE + 2, 3.0)], [MIDDLE + 20], [], MIDDLE + 20, []),  # water as cold as that may lie under ice
        ([(MIDDLE - 8, 7.0)], [MIDDLE + 20], [], MIDDLE + 20, []),  # one against one, and ice fits the season
        ([(MIDDLE - 8, 7.0)], [MIDDLE - 20, MIDDLE + 20], [], MIDDLE - 20, ["ice_warm"]),  # two against one
        ([(MIDDLE - 8, 7.0)], [MIDDLE - 20, MIDDLE + 20], [MIDDLE - 4], MIDDLE + 20, []),  # ice came back in between
    ],
)
def test_an_ice_off_is_believed_where_season_and_other_notes_allow_it(
    readings: list[tuple[int, float]], offs: list[int], ons: list[int], ice_off: int, reasons: list[str]
) -> None:
    kept, out = believed_ice(said(readings, offs, ons), OPENING, SD_D)
    assert kept.ice_off == ice_off and [d.reason for d in out] == reasons
    assert all(d.usual == MIDDLE for d in out)
    vouched = dataclasses.replace(said(readings, offs, ons), sure_offs=tuple(offs))
    kept, out = believed_ice(vouched, OPENING, SD_D)
    assert kept.ice_off == max(offs) and out == ()


def test_warm_water_in_midwinter_opens_no_lake() -> None:
    notes = said([(60, 18.0), (MIDDLE - 90, 8.0), (MIDDLE - 80, 2.0), (MIDDLE - 6, 6.0)])
    kept, out = believed_ice(notes, OPENING, SD_D)
    assert kept.day.tolist() == [60, MIDDLE - 80, MIDDLE - 6] and kept.open_by == MIDDLE - 6
    assert [(d.day, d.water_c, d.reason) for d in out] == [(MIDDLE - 90, 8.0, "early")]
    sure = dataclasses.replace(notes, sure=np.array([False, True, False, False]))
    kept, out = believed_ice(sure, OPENING, SD_D)
    assert kept.open_by == MIDDLE - 90 and len(kept.day) == 4 and out == ()


def test_a_lake_without_ice_doubts_nothing() -> None:
    notes = said([(150, 9.0)], [200])
    kept, out = believed_ice(notes, np.full((3, 2), -1), SD_D)
    assert kept is notes and out == ()


def test_one_wrong_past_ice_date_teaches_little() -> None:
    """Eight springs as simulated and one a month off: the mean of nine would be 3.3 days, under a day is left."""
    s = load_coefficients()["learning"]
    sound = np.array([1.0, -2.0, 3.0, -1.0, 0.0, 2.0, -3.0, 0.0])
    with_slip = fit_ice(np.append(sound, 30.0), prior_d=7.0)
    assert abs(with_slip.mean_d - fit_ice(sound, prior_d=7.0).mean_d) < 1 < 30 / 9
    # without outliers it is the mean shrunk by hand: sum / n shares against the prior
    shares = len(sound) / s["ice_year_d"] ** 2
    assert fit_ice(sound + 4, prior_d=7.0).mean_d == pytest.approx(4.0 * shares / (shares + 7.0**-2), abs=1e-9)


def test_dates_are_far_from_the_model_or_from_three_of_their_own() -> None:
    assert far_dates(np.array([31]), sd_d=SD_D).tolist() == [True]
    assert far_dates(np.array([29, -29]), sd_d=SD_D).tolist() == [False, False]
    assert far_dates(np.array([40, 44, 41]), sd_d=SD_D).tolist() == [False, False, False]
    assert far_dates(np.array([40, 44, 41, 0]), sd_d=SD_D).tolist() == [False, False, False, True]


def test_where_little_is_uncertain_three_weeks_are_still_believed() -> None:
    """The bound of 21 days is stated with the coefficients; here it, not the 3.5 standard deviations, decides."""
    assert believed_ice(said([], [MIDDLE + 21]), OPENING, 1.0)[0].ice_off == MIDDLE + 21
    assert [d.reason for d in believed_ice(said([], [MIDDLE + 22]), OPENING, 1.0)[1]] == ["ice_far"]

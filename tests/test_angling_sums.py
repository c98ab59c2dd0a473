"""The sums of the day sheet against hand calculations, the tiers of heat against their published sources."""

from __future__ import annotations

import doctest
import math

import pytest

from emergence.angling import sums
from emergence.angling.numbers import number, numbers, span
from emergence.angling.sums import HeatTiers, count_down, heat_tier, intermediate_count, slant_length, usual_tiers

BOYD = [(19.9, "caution"), (20.0, "stop"), (22.7, "stop"), (23.0, "closure")]
"""Boyd et al. 2010 North American Journal of Fisheries Management 30:898-907: no deaths below daily maxima of 20 °C,
some from 20 to 22.9, most at 23 and more. Montana Fish, Wildlife & Parks close at 73 °F = 22.8 °C."""


@pytest.mark.parametrize(
    ("depth_m", "sink_cm_s", "seconds"),
    [(2.0, 4.0, 50.0), (0.9, 2.5, 36.0), (3.0, 10.0, 30.0), (10 * 0.3048, 2.54 * 3, 40.0)],  # last: 10 ft at 3 in/s
)
def test_count_by_hand(depth_m: float, sink_cm_s: float, seconds: float) -> None:
    assert count_down(depth_m, sink_cm_s) == pytest.approx(seconds, rel=1e-12)


@pytest.mark.parametrize("rate", [0.0, -1.0, math.nan])
def test_a_fly_that_does_not_sink_has_no_count(rate: float) -> None:
    with pytest.raises(ValueError, match="positive"):
        count_down(1.0, rate)


def test_slow_intermediate_takes_24_to_36_s_to_90_cm() -> None:
    low, high = intermediate_count(0.9)
    assert (round(low), round(high)) == (24, 36)  # 90 / 3.8 = 23.7, 90 / 2.5 = 36


@pytest.mark.parametrize(("weed_m", "away_m"), [(0.5, 0.0), (1.0, 0.0), (2.0, 2.7), (3.0, 5.5), (5.0, 11.0)])
def test_slant_by_hand(weed_m: float, away_m: float) -> None:
    """(z - 1) / tan 20°, tan 20° = 0.36397; printed to a tenth."""
    assert slant_length(weed_m) == pytest.approx(away_m, abs=0.05)


def test_a_steeper_slant_is_shorter() -> None:
    assert slant_length(5.0, angle_deg=45.0) == pytest.approx(4.0)
    assert slant_length(5.0, angle_deg=45.0, top_m=2.0) == pytest.approx(3.0)


@pytest.mark.parametrize(("afternoon_c", "tier"), [(17.9, "none"), (18.0, "caution"), *BOYD])
def test_tiers_of_heat(afternoon_c: float, tier: str) -> None:
    assert heat_tier(afternoon_c, usual_tiers()) == tier


def test_the_closure_is_73_fahrenheit_and_caution_lies_under_the_chronic_limit() -> None:
    assert usual_tiers().closure_c == pytest.approx((73 - 32) / 1.8, abs=0.05)  # printed to a tenth
    assert usual_tiers().caution_c == 19.0 - 1  # 19 °C: Brungs & Jones 1977


def test_own_tiers_count() -> None:
    assert heat_tier(16.0, HeatTiers("bull trout", 12.0, 15.0, 18.0)) == "stop"


def test_published_numbers_of_safety() -> None:
    """Cold shock below 15 °C = 59 °F; 30 minutes after the last thunder; 25 kt is the lake wind advisory."""
    assert number("cold_c") * 1.8 + 32 == pytest.approx(59.0)
    assert number("lightning_min") == 30
    assert number("wind_care_kt") < number("wind_ashore_kt") < 25


def test_wind_units() -> None:
    assert sums.wind_m_s(10.0) == pytest.approx(5.144, abs=1e-3)  # 1 kt = 1852 m/h


def test_common_practice_is_marked_and_the_rest_has_a_source() -> None:
    marked = {key for key, q in numbers().items() if q.standing == "common practice, no source"}
    assert marked == {"intermediate_cm_s", "off_bottom_m", "slant_deg", "top_m", "swim_m"}
    assert span("off_bottom_m") == (0.15, 0.30) and span("swim_m") == (0.6, 0.9)
    with pytest.raises(ValueError, match="no range"):
        span("slant_deg")


def test_examples() -> None:
    assert doctest.testmod(sums).failed == 0

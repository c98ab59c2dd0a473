"""Readings that no lake can have given are named; odd but possible ones are not."""

from __future__ import annotations

import numpy as np

from emergence.learning.suspicious import REASONS, Doubted, frozen_sensor, suspicious_readings

MODEL = np.array([6.0, 9.0, 12.0, 15.0, 18.0])
DAY = np.array([100, 115, 130, 145, 160])


def reasons(water: list[float]) -> list[str]:
    return suspicious_readings(DAY, np.array(water), MODEL, limit_c=10.0).tolist()


def test_ten_degrees_off_is_too_far_and_less_is_not() -> None:
    assert reasons([6.0, 9.0, 22.0, 15.0, 7.9]) == ["", "", "far", "", "far"]
    assert reasons([6.0, 9.0, 21.9, 15.0, 8.1]) == [""] * 5


def test_fahrenheit_is_named() -> None:
    """43 °F = 6.1 °C and 59 °F = 15 °C (NIST SP 811: C = (F - 32) / 1.8)."""
    assert reasons([43.0, 9.0, 12.0, 59.0, 18.0]) == ["fahrenheit", "", "", "fahrenheit", ""]


def test_a_sensor_that_says_one_value_while_the_lake_warms_is_frozen() -> None:
    day = np.arange(120, 140)
    model = np.linspace(8.0, 14.0, 20)
    water = model + np.round(np.sin(day), 1)
    water[5:15] = 9.7
    frozen = frozen_sensor(day, water, model)
    assert frozen[5:15].all() and not frozen[:5].any() and not frozen[15:].any()
    calm = np.full(20, 10.0)
    assert not frozen_sensor(day, np.full(20, 10.2), calm).any()  # the lake stood still too


def test_each_reason_is_a_sentence() -> None:
    for reason in REASONS:
        assert "°C" in Doubted("upper", 100, 20.0, 6.0, reason).rule() or reason == "frozen"

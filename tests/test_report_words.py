"""The guide's words: they follow the numbers."""

from __future__ import annotations

import datetime as dt

import pandas as pd
import pytest
from hypothesis import given
from hypothesis import strategies as st

from emergence.report.words import (
    CAUTIONS,
    chance_words,
    count,
    day,
    day_and_year,
    event_words,
    insect_words,
    percent,
    shift_words,
    span,
    weather_age,
    week,
)
from emergence.runs.results import TaxonLabel

BOATMEN = TaxonLabel("Water boatmen", "water bug", leaving="flight")
JUNE = dt.date(2024, 6, 1)


@pytest.mark.parametrize(
    ("chance", "number", "word"),
    [
        (1.0, ">99 %", "almost certain"),
        (0.95, "95 %", "almost certain"),
        (0.94, "94 %", "very likely"),
        (0.85, "85 %", "very likely"),
        (0.84, "84 %", "likely"),
        (0.65, "65 %", "likely"),
        (0.6496, "65 %", "likely"),
        (0.64, "64 %", "over even"),
        (0.55, "55 %", "over even"),
        (0.54, "54 %", "about even"),
        (0.5, "50 %", "about even"),
        (0.45, "45 %", "about even"),
        (0.44, "44 %", "less likely than not"),
        (0.35, "35 %", "less likely than not"),
        (0.34, "34 %", "unlikely"),
        (0.15, "15 %", "unlikely"),
        (0.14, "14 %", "very unlikely"),
        (0.0, "<1 %", "very unlikely"),
        (float("nan"), "-", "not known"),
    ],
)
def test_chances(chance: float, number: str, word: str) -> None:
    assert percent(chance) == number
    assert chance_words(chance) == word


@given(st.floats(0, 1), st.floats(0, 1))
def test_a_greater_chance_never_gets_a_weaker_word(a: float, b: float) -> None:
    words = [
        "very unlikely",
        "unlikely",
        "less likely than not",
        "over even",
        "about even",
        "likely",
        "very likely",
        "almost certain",
    ]
    low, high = sorted((a, b))
    assert words.index(chance_words(low)) <= words.index(chance_words(high))


def test_dates() -> None:
    assert day(dt.date(2024, 6, 12)) == "12 Jun"
    assert day(pd.Timestamp(2024, 6, 2)) == "2 Jun"
    assert day_and_year(JUNE) == "1 Jun 2024"
    assert day(pd.NaT) == day_and_year(None) == ""


@pytest.mark.parametrize(
    ("start", "end", "words"),
    [
        (dt.date(2024, 6, 1), dt.date(2024, 6, 7), "1-7 Jun"),
        (dt.date(2024, 5, 29), dt.date(2024, 6, 4), "29 May-4 Jun"),
        (dt.date(2023, 12, 29), dt.date(2024, 1, 4), "29 Dec-4 Jan"),
        (JUNE, JUNE, "1 Jun"),
        (JUNE, pd.NaT, "1 Jun on"),
        (pd.NaT, JUNE, ""),
    ],
)
def test_spans(start: object, end: object, words: str) -> None:
    assert span(start, end) == words


def test_week_has_seven_days() -> None:
    assert week(pd.Timestamp(2024, 5, 29)) == "29 May-4 Jun"
    assert week(pd.NaT) == ""


def test_events() -> None:
    assert event_words("migration") == "nymphs on the move"
    assert event_words("emergence") == "hatch"
    assert event_words("emergence", "flight") == "flight"
    assert insect_words(BOATMEN, "boatmen", "emergence") == "Water boatmen, flight"
    assert insect_words(BOATMEN, "boatmen", "emergence", 2) == "Water boatmen, brood 2 flight"
    assert insect_words(None, "unknown", "emergence") == "unknown, hatch"
    assert insect_words(None, "-", "turnover") == "spring turnover"


def test_counts_and_shifts() -> None:
    assert (count(1, "lake"), count(2, "lake"), count(0, "LAKE", "LAKES")) == ("1 lake", "2 lakes", "0 LAKES")
    assert (shift_words(-3.0), shift_words(1.0), shift_words(0.0)) == ("3 days earlier", "1 day later", "unmoved")


@pytest.mark.parametrize(
    ("as_of", "today", "words"),
    [
        (JUNE, None, "Weather known to 1 Jun 2024."),
        (JUNE, JUNE, "Weather known to 1 Jun 2024."),
        (JUNE, dt.date(2024, 6, 2), "Weather known to 1 Jun 2024, 1 day ago."),
        (JUNE, dt.date(2024, 6, 6), "Weather known to 1 Jun 2024, 5 days ago."),
        (
            JUNE,
            dt.date(2024, 6, 7),
            "Weather known to 1 Jun 2024, 6 days ago. Fetch newer weather before you trust this week.",
        ),
        (dt.date(2024, 5, 1), None, "Weather after 1 May 2024 is in the folder and was not used."),
        (dt.date(2024, 6, 4), None, "Weather known to 1 Jun 2024, 3 days before the date asked for."),
    ],
)
def test_weather_age(as_of: dt.date, today: dt.date | None, words: str) -> None:
    assert weather_age(as_of, JUNE, today) == words


def test_cautions_say_what_is_not_in_it() -> None:
    text = " ".join(CAUTIONS)
    assert all(word in text for word in ("air temperature only", "wind", "Never judge ice", "Local rules"))

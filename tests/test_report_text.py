"""Any text on any screen: nothing dangerous stays, nothing is wider than it may be."""

from __future__ import annotations

import unicodedata

import pytest
from hypothesis import given
from hypothesis import strategies as st
from rich.cells import cell_len

from emergence.report.text import Column, cells, clip, clip_name, pad, plain, set_line, widths, wrap

FAMILY = "\U0001f468\u200d\U0001f469\u200d\U0001f467"


@pytest.mark.parametrize(
    ("text", "shown"),
    [
        ("\x1b[31mred\x1b[0m", "[31mred[0m"),
        ("two\nlines\tand\r\nmore", "two lines and more"),
        ("a\u202eb\u2066c\u200ed", "abcd"),
        ("nul\x00bell\x07", "nulbell"),
        ("  many   spaces ", "many spaces"),
        ("e\u0301t\u0301", "\u00e9t\u0301"),
        ("<script>alert(1)</script>", "<script>alert(1)</script>"),
        ("\u05e9\u05dc\u05d5\u05dd", "\u05e9\u05dc\u05d5\u05dd"),
        ("lone \ud800 half", "lone half"),
        (12, "12"),
    ],
)
def test_plain_keeps_what_is_meant_and_drops_what_acts(text: object, shown: str) -> None:
    assert plain(text) == shown


@given(st.text())
def test_plain_text_never_holds_a_control_or_a_direction_change(text: str) -> None:
    shown = plain(text)
    kinds = {unicodedata.category(c) for c in shown if c not in "\u200c\u200d"}
    assert not kinds & {"Cc", "Cf", "Cs", "Co", "Cn", "Zl", "Zp"}
    assert plain(shown) == shown


@pytest.mark.parametrize(("text", "width"), [("abc", 3), ("\u65e5\u672c", 4), ("e\u0301", 1), ("\u2764\ufe0f", 2)])
def test_cells(text: str, width: int) -> None:
    assert cells(text) == width


def test_cells_of_a_joined_emoji_count_a_screen_that_does_not_join_it() -> None:
    assert cell_len(FAMILY) == 2
    assert cells(FAMILY) == 6


@given(st.text(), st.integers(1, 30))
def test_clip_and_pad_keep_to_the_width(text: str, width: int) -> None:
    assert cells(clip(plain(text), width)) <= width
    assert cells(pad(plain(text), width)) == width
    assert cells(pad(plain(text), width, right=True)) == width


def test_clip_marks_the_cut_and_leaves_short_text_alone() -> None:
    assert clip("Otter Pool", 10) == "Otter Pool"
    assert clip("Otter Pool", 7) == "Otter…"
    assert clip("Otter Pool", 8) == "Otter P…"


def test_clip_name_keeps_the_event() -> None:
    assert clip_name("Large lake midge, hatch", 15) == "Large l…, hatch"
    assert clip_name("Large lake midge, hatch", 9) == "Large la…"
    assert clip_name("Bluets, hatch", 20) == "Bluets, hatch"


def test_pad_isolates_right_to_left_text() -> None:
    assert pad("\u05e9\u05dc", 4) == "\u2068\u05e9\u05dc\u2069  "


@given(st.text(), st.integers(8, 40))
def test_wrap_keeps_to_the_width_and_loses_nothing(text: str, width: int) -> None:
    text = plain(text)
    lines = wrap(text, width, first="- ", rest="  ")
    assert all(cells(line) <= width for line in lines)
    assert "".join(line[2:] for line in lines).replace(" ", "") == text.replace(" ", "")


def test_columns_give_way_widest_first_and_rigid_ones_never() -> None:
    columns = (Column("date"), Column("lake", least=4), Column("insect", least=4))
    row = ["12 Jun", "a" * 10, "b" * 20]
    wide = widths(columns, [row], 30)
    assert wide == [6, 9, 9]
    line = set_line(row, columns, wide)
    assert line == "  12 Jun  aaaaaaaa…  bbbbbbbb…"
    assert len(line) == 30

"""Regions as a part of the board: what stands in its tables, text stays text, guests do not get it."""

from __future__ import annotations

from dataclasses import replace

from board_page import Page
from region_result import make_regions
from run_result import make_result

from emergence.report.board import Beside, board_html
from emergence.report.board_parts import Bar, Shade
from emergence.report.board_regions import regions_part

NASTY = ("<script>alert(1)</script>", "\u202eבריכת השחר", '🐟 o\'clock "pool" & sons', "x" * 300)


def test_tables_hold_the_season_the_weeks_and_where_it_goes() -> None:
    season, moves, *events = regions_part(make_regions()).tables
    assert season.rows[0] == ["all lakes", "4", Bar("8 days earlier", -8.0, 8.0), "2015 (± 1 d)"]
    assert [row[0] for row in season.rows] == ["all lakes", "coast", "fell", "0-300 m", "300-600 m"]
    assert moves.rows == [("Bluets, nymphs on the move", "fell, week of 5 Jun", "")]
    (weeks,) = (t for t in events if t.caption == "Bluets, nymphs on the move")
    assert weeks.heads[6:] == ("29 May", "5 Jun", "12 Jun", "19 Jun", "26 Jun", "3 Jul")
    fell = make_regions().table
    fell = fell[(fell["region"] == "fell") & (fell["event"] == "migration")].set_index("week_start")["share_active"]
    (row,) = (row for row in weeks.rows if row[0] == "fell")
    ahead = fell[fell.index >= "2023-05-29"].iloc[:4].tolist()
    assert row[6:10] == [Shade(f"{100 * share:.0f}", share) for share in ahead]
    assert [cell.step for cell in row[6:10] if isinstance(cell, Shade)] == [round(20 * share) for share in ahead]
    assert row[5] == Bar("+2 d", 2.0, 12.0)  # the fullest is that of 300-600 m


def test_month_first_where_the_season_says_so() -> None:
    part = regions_part(make_regions(), month_first=True)
    assert part.tables[1].rows[0][1] == "fell, week of Jun 5" and part.tables[2].heads[6] == "May 29"


def test_page_shows_them_without_scripts_and_guests_do_not_get_them() -> None:
    part = regions_part(make_regions(NASTY))
    page = Page(board_html(make_result(), Beside(parts=[part])))
    assert "<script>alert(1)</script>" in page.text and "x" * 300 in page.text
    assert "It climbs 3.2 days for each 100 m" in page.text and 'id="regions"' in page.html
    copy = Page(board_html(make_result(), Beside(parts=[part]), guests=("L0",)))
    assert 'id="regions"' not in copy.html and "<script>alert(1)</script>" not in copy.text


def test_nothing_known_is_still_a_part() -> None:
    result = make_regions()
    seasons = result.seasons.assign(days_vs_normal=float("nan"), like_year=0, noise_days=float("nan"))
    table = result.table.assign(days_vs_normal=float("nan")).iloc[:0]
    part = regions_part(replace(result, seasons=seasons, table=table, moves=result.moves.iloc[:0]))
    assert [t.caption for t in part.tables] == ["The season against the normal year"]
    assert [row[2] for row in part.tables[0].rows] == [""] * 5
    assert not part.curious

"""The board as a file: what it says without scripts, what it cannot do, what guests do not get."""

from __future__ import annotations

import base64
import datetime as dt
import hashlib
import json
import re
from dataclasses import replace
from pathlib import Path

import numpy as np
import pandas as pd
import pytest
from board_page import HOSTILE, Page, board_pages, board_result, since_a_week
from run_result import AS_OF, make_result, without_dates

from emergence.journal.plain_files import UNION
from emergence.report.board import NOTE_COLUMNS, SAFETY, Beside, board_html, in_script
from emergence.report.board_guest import shared_lakes
from emergence.report.board_pack import BASE, LEVELS, changing, double, rising, single
from emergence.report.board_parts import Bar, Part, Table
from emergence.report.board_past import past_part, past_rows, read_hindcast
from emergence.report.board_rows import Names, now_rows, ribbon, since_rows
from emergence.report.board_shades import DARK_RAMP, STEPS, contrast, luminance, on_shade, shades
from emergence.report.charts import RAMP
from emergence.report.dates_shown import Dates
from emergence.report.words import day, percent, week
from emergence.runs.results import RunResult

NAMES = ("Alder Mere", "Long Water", "Hidden Tarn")


@pytest.fixture(scope="module")
def result() -> RunResult:
    return board_result(NAMES)


@pytest.fixture(scope="module")
def page(result: RunResult) -> Page:
    return Page(board_html(result, Beside(board_pages(result), since_a_week(result))))


@pytest.fixture(scope="module")
def hostile() -> Page:
    result = board_result()
    return Page(board_html(result, Beside(board_pages(result), since_a_week(result))))


def test_first_screen_without_scripts(result: RunResult, page: Page) -> None:
    assert f"as of {AS_OF.day} May {AS_OF.year}" in page.text
    assert "Weather known to 28 May 2023" in page.text
    assert "then by the moving days expected in the seven days from 29 May on" in page.text
    assert "since 21 May: " in page.text
    assert "Changed since the forecast as of 21 May 2023: weather only." in page.text
    assert "3 days earlier" in page.text
    assert page.html.index("On now") < page.html.index("Next four weeks") < page.html.index('id="lakes"')


def test_on_now_by_moving_days_of_the_next_seven(result: RunResult) -> None:
    """The days are summed here from the table: 29 May to 4 June."""
    rows = now_rows(Names(result))
    dates = pd.to_datetime(result.days["date"])
    near = result.days[(dates >= "2023-05-29") & (dates <= "2023-06-04")]
    days = near.groupby(["lake_id", "taxon", "brood", "event"])["chance_moving"].sum()
    known = [row for row in rows if not row["unsure"]]
    assert known and rows[: len(known)] == known
    shown = [float(row["tile"]["text"]) for row in known]
    assert shown == sorted(shown, reverse=True)
    assert shown[0] == pytest.approx(max(days[days.index.get_level_values(1) != "speckled_dun"]), abs=0.05)


def test_ribbon_is_runs_of_one_shade() -> None:
    chances = np.array([0.0, 0.0, 0.5, 0.51, 0.9, 0.0])
    assert ribbon(chances) == [(2, 2, 10), (4, 1, 18)]


def test_every_window_is_there_without_scripts(result: RunResult, page: Page) -> None:
    """The windows come from the table itself, not from the code that sets them."""
    for row in result.windows.itertuples(index=False):
        middle = row.onset_p50 if row.event == "turnover" else row.peak_p50
        assert day(middle) in page.text
        if not pd.isna(row.ahead_week_start) and row.event != "turnover":  # a turnover has no week to be there
            assert week(row.ahead_week_start) in page.text
            assert percent(row.ahead_week_chance) in page.text
    assert page.html.count("<tr") >= len(result.windows)


def test_a_turnover_is_not_a_week_to_be_there(result: RunResult) -> None:
    """Spring overturn is poor fishing: it stands in a list of its own, with its begin, never as a best week."""
    rows = result.windows["event"] == "turnover"
    windows = result.windows.copy()
    windows.loc[rows, ["onset_p50", "end_p50"]] = [pd.Timestamp("2023-06-02"), pd.Timestamp("2023-06-14")]
    windows.loc[rows, ["ahead_week_start", "ahead_week_chance"]] = [pd.Timestamp("2023-06-02"), 0.99]
    page = Page(board_html(replace(result, windows=windows)))
    first = page.text[page.text.index("On now") : page.text.index("Turning over")]
    assert "spring turnover" not in first and "poor fishing" in page.text
    assert page.text.count("begins 2 Jun, over by 14 Jun") == rows.sum()
    turning = {page.data["insects"][k][2] == "turnover" for k in page.data["windows"]["insect"]}
    assert turning == {True, False}
    for insect, best in zip(page.data["windows"]["insect"], page.data["windows"]["bw"], strict=True):
        assert best is None or page.data["insects"][insect][2] != "turnover"
    assert "Turning over" not in Page(board_html(result)).text  # its own is over since April


def test_what_moved_is_drawn_to_one_scale(result: RunResult) -> None:
    """The farthest of 30 days fills its half of the bar, 3 days a tenth of it; thin broods come last of those known."""
    since = since_a_week(result)
    assert since is not None
    moved = since.moved[since.moved["best_week_now"] > pd.Timestamp(AS_OF)].copy()
    moved.loc[moved.index[-1], "best_week_shift"] = -30.0
    windows = result.windows.copy()
    thin = windows["brood"] == 2
    windows.loc[thin, "best_week_chance"] = 0.02
    names = Names(replace(result, windows=windows), replace(since, moved=moved))
    rows = since_rows(names)
    widths = {round(abs(row["bar"].width), 1) for row in rows if row["bar"]}
    assert max(widths) == 50.0 and 5.0 in widths
    order = [(row["unsure"], "brood 2" in row["event"]) for row in rows]
    assert order == sorted(order) and len(set(order)) > 2


def test_cautions_without_scripts(page: Page) -> None:
    for _, text in SAFETY:
        assert text in page.text
    for word in ("wind", "thunder", "blooms", "closures", "not for standing on", "kills released trout", "Local rules"):
        assert word.lower() in page.text.lower()


def test_parts_that_need_scripts_are_hidden_without_them(page: Page) -> None:
    hidden = {attrs.get("id") for tag, attrs in page.tags if tag == "section" and "hidden" in attrs}
    assert hidden == {"season", "week", "insects", "map", "notes"}


def test_nothing_from_outside(page: Page) -> None:
    for tag, attrs in page.tags:
        assert tag not in ("iframe", "object", "embed", "img", "base")
        for name in ("src", "srcset", "action", "formaction", "poster", "ping"):
            assert name not in attrs
        assert (attrs.get("href") or "#").startswith(("#", "data:,"))
        assert not any(name.startswith("on") or name == "style" for name in attrs)
    outside = set(re.findall(r"https?://[^\s\"')]+", page.html))
    assert outside == {"http://www.w3.org/2000/svg"}  # the name of a language, not an address that is asked
    assert "url(http" not in page.html and "@import" not in page.html


def test_policy_allows_our_own_style_and_script_alone(page: Page) -> None:
    (policy,) = (a["content"] for t, a in page.tags if t == "meta" and a.get("http-equiv") == "Content-Security-Policy")
    assert policy is not None
    rules = dict(part.strip().split(" ", 1) for part in policy.split(";"))

    def hashed(text: str) -> str:
        return f"'sha256-{base64.b64encode(hashlib.sha256(text.encode()).digest()).decode()}'"

    assert rules["default-src"] == "'none'"
    assert rules["script-src"] == hashed(page.scripts[1])
    assert rules["style-src"] == hashed(page.styles[0])
    assert not re.search(r"unsafe|\*", policy)
    assert not re.search(r"\beval\(|new Function|innerHTML|insertAdjacentHTML|document\.write", page.scripts[1])


def test_hostile_names_are_text(hostile: Page) -> None:
    assert [tag for tag, _ in hostile.tags if tag == "script"] == ["script", "script"]
    assert not [tag for tag, _ in hostile.tags if tag == "img"]
    for name in HOSTILE:
        assert " ".join(name.split()) in hostile.text
        assert name in [lake["name"] for lake in hostile.data["lakes"]]
    assert "<bdi>בריכת" in hostile.html


def test_data_cannot_end_its_element() -> None:
    text = in_script(json.dumps({"a": "</script><!--\u2028&"}, ensure_ascii=False))
    assert not re.search("[<>&\u2028]", text)
    assert json.loads(text) == {"a": "</script><!--\u2028&"}


def test_guests_do_not_get_what_is_private(result: RunResult) -> None:
    html = board_html(result, Beside(board_pages(result), since_a_week(result)), guests=shared_lakes(result))
    page = Page(html)
    html = re.sub(r"sha256-[\w+/=]+", "", html)  # a hash may hold any letters
    assert "Alder Mere" in page.text and "Long Water" in page.text
    assert "Hidden Tarn" not in html and "L2" not in html
    for lake in page.data["lakes"]:
        assert not {"lat", "lon", "id", "share"} & set(lake)
    assert "54.1" not in html  # a latitude
    assert 'id="map"' not in html and 'id="notes"' not in html
    for private in ("Otter Pool", "north.csv", "What your notes did", "empty skin", "L9"):
        assert private not in html
    for _, text in SAFETY:
        assert text in page.text


def test_guests_see_all_lakes_where_the_season_says_so(result: RunResult) -> None:
    assert shared_lakes(result) == ("L0", "L1")
    assert shared_lakes(result, every=True) == ("L0", "L1", "L2")


def test_same_inputs_give_the_same_bytes(result: RunResult) -> None:
    later = replace(result, info=replace(result.info, today=dt.date(2031, 1, 1)))
    assert board_html(result) == board_html(later)


def test_nothing_forecast_is_still_a_page() -> None:
    page = Page(board_html(without_dates(make_result(NAMES))))
    assert "Nothing with an even chance yet" in page.text and "no date" in page.text


def test_units_of_the_season(result: RunResult) -> None:
    info = replace(result.info, temperature_unit="F", length_unit="ft")
    page = Page(board_html(replace(result, info=info), Beside(board_pages(result))))
    assert "water 49 °F" in page.text  # 9.5 °C
    assert "39 ft above the sea" in page.text  # 12 m
    assert "29.7 acres" in page.text  # 12 ha
    assert page.data["units"] == ["F", "ft"]


def test_dates_with_the_month_first() -> None:
    dates = Dates(month_first=True)
    june, may = pd.Timestamp("2024-06-01"), pd.Timestamp("2024-05-29")
    assert (dates.day(june), dates.day_and_year(june)) == ("Jun 1", "Jun 1, 2024")
    assert (dates.week(june), dates.week(may)) == ("Jun 1-7", "May 29-Jun 4")
    assert (dates.span(may, pd.NaT), dates.span(pd.NaT, june), dates.span(may, may)) == ("May 29 on", "", "May 29")
    assert (Dates().week(may), Dates().day_and_year(june)) == ("29 May-4 Jun", "1 Jun 2024")


def test_dates_of_the_season(result: RunResult) -> None:
    info = replace(result.info, date_order="month-day")
    page = Page(board_html(replace(result, info=info), Beside(board_pages(result))))
    assert "as of May 28, 2023" in page.text and "May 20, 2023: water 9.5 °C" in page.text
    assert not re.search(r"\b\d+ (May|Jun|Jul)\b(?! \d)", page.text)  # May 20 May 12: two dates
    assert page.data["month_first"] is True


def test_parts_are_there_when_their_result_is(result: RunResult, page: Page) -> None:
    """Guests get those alone that name no lake; the bar of -7 of 14 days ends in the middle and is half as long."""
    bar = Bar("7 days early", -7.0, 14.0)
    assert (bar.x, bar.width) == (25.0, 25.0)
    secret = Part("hills", "Hills", "The hills", "rule", [Table("by hill", ("Hill", "Days"), [("<b>Long</b>", bar)])])
    told = replace(secret, key="open", tab="Open", heading="Open hills", for_guests=True)
    shown = Page(board_html(result, Beside(parts=[secret, told])))
    assert "<b>Long</b>" in shown.text and "7 days early" in shown.text and 'id="hills"' in shown.html
    copy = Page(board_html(result, Beside(parts=[secret, told]), guests=shared_lakes(result)))
    assert 'id="hills"' not in copy.html and 'id="open"' in copy.html and "#hills" not in copy.html
    assert "The hills" not in page.text


def test_small_for_what_it_holds() -> None:
    """2.5 MB for 60 lakes x 16 taxa with about 31 windows a lake; here 20 lakes of 9 windows: at most a sixth of it."""
    result = make_result([f"Lake {k}" for k in range(20)])
    html = board_html(result, Beside(board_pages(result)))
    assert len(html.encode()) < 2.5e6 / 6


# ---------------------------------------------------------------- numbers


def test_packed_chances_are_those_of_the_table(result: RunResult, page: Page) -> None:
    data = page.data
    windows, level = data["windows"], {c: k for k, c in enumerate(data["levels"])}
    first = pd.Timestamp(data["first"])
    keys = [f"{data['taxa'][t][0]}/{brood}/{event}" for t, brood, event, _ in data["insects"]]
    days = result.days
    named = days["taxon"] + "/" + days["brood"].astype(str) + "/" + days["event"]
    for row in range(0, len(windows["lake"]), 5):
        lake, key = data["lakes"][windows["lake"][row]]["id"], keys[windows["insect"][row]]
        mine = days[(days["lake_id"] == lake) & (named == key)]
        for name in ("active", "moving"):
            text = windows[name][row]
            got = {windows["from"][row] + k: level[c] for k, c in enumerate(text)}
            for date, chance in zip(mine["date"], mine[f"chance_{name}"], strict=True):
                assert abs(got[(date - first).days] - 100 * chance) <= 0.5 + 1e-9


def test_packed_water_is_that_of_the_table(result: RunResult, page: Page) -> None:
    """Tenths of a degree: the middle is off by at most 0.05 °C, the edges by two roundings of it."""
    data = page.data
    level = {c: k for k, c in enumerate(data["levels"])}
    start, middle, below, above, ice = data["water"][1]
    rows = result.water[result.water["lake_id"] == "L1"].reset_index(drop=True)
    assert (pd.Timestamp(data["first"]) + pd.Timedelta(days=start)) == rows["date"][0]
    for k in range(0, len(rows), 30):
        mid = (level[middle[2 * k]] * data["base"] + level[middle[2 * k + 1]] - 50) / 10
        assert abs(mid - rows["water_p50"][k]) <= 0.05 + 1e-9
        assert abs(mid - level[below[k]] / 10 - rows["water_p10"][k]) <= 0.1 + 1e-9
        assert abs(mid + level[above[k]] / 10 - rows["water_p90"][k]) <= 0.1 + 1e-9
        assert abs(level[ice[k]] - 100 * rows["ice_chance"][k]) <= 0.5 + 1e-9


def test_alphabet_needs_no_escape() -> None:
    assert len(LEVELS) == len(set(LEVELS)) == 101
    assert not set(LEVELS) & set("\"&'<>\\") and json.dumps(LEVELS, ensure_ascii=False)[1:-1] == LEVELS
    assert single(np.array([0, 100, 250, -3])) == LEVELS[0] + LEVELS[100] + LEVELS[100] + LEVELS[0]
    assert double(np.array([BASE * 7 + 5])) == LEVELS[7] + LEVELS[5]


def test_series_are_cut_to_what_changes() -> None:
    heat = np.array([[0, 0], [0, 0], [1, 0], [50, 40], [150, 141], [300, 280]], dtype=float)
    assert rising(heat, 100.0) == slice(1, 5)
    shares = np.array([[90, 10], [90, 10], [60, 40], [20, 80], [0, 100], [0, 100]], dtype=float)
    assert changing(shares) == slice(1, 5)


def test_days_belong_to_the_season_of_their_hemisphere() -> None:
    """May 2023 lies in the season of 2023 in the north and in that of 2022 in the south."""
    result = make_result(NAMES[:1])
    south = replace(result, info=replace(result.info, lakes=result.info.lakes.assign(latitude=-44.0)))
    spring = south.days[pd.to_datetime(south.days["date"]) < "2023-07-01"]
    for season, some in ((2022, True), (2023, False)):
        windows = south.windows.assign(season=season)
        packed = Page(board_html(replace(south, windows=windows, days=spring))).data["windows"]
        assert any(packed["active"]) is some


# ---------------------------------------------------------------- colours


def test_contrast_is_that_of_the_guideline() -> None:
    """WCAG 2.1: black on white is 21:1; #767676 is the lightest grey that passes 4.5:1 on white (W3C, G18)."""
    assert contrast("#000000", "#ffffff") == pytest.approx(21.0)
    assert contrast("#767676", "#ffffff") >= 4.5 > contrast("#777777", "#ffffff")


@pytest.mark.parametrize("ramp", [RAMP, DARK_RAMP])
def test_numbers_are_read_on_every_shade(ramp: tuple[str, ...]) -> None:
    colours = shades(ramp)
    assert len(colours) == STEPS + 1 and colours[0] == ramp[0] and colours[-1] == ramp[-1]
    assert min(contrast(on_shade(c), c) for c in colours) >= 4.5
    light = [luminance(c) for c in colours]
    assert light == sorted(light) or light == sorted(light, reverse=True)


# ---------------------------------------------------------------- notes, past forecasts


def test_notes_have_the_columns_that_import_takes() -> None:
    assert NOTE_COLUMNS == UNION


def _hindcast(tmp_path: Path) -> Path:
    path = tmp_path / "hindcast.csv"
    path.write_text(
        "lake_id,taxon,brood,event,milestone,season,lead_days,issue_date,truth_from,truth_to,truth_kind,"
        "p05,p10,p25,p50,p75,p90,p95,crps,crps_mean_date,crps_calendar\n"
        "L0,-,0,thermal,8/100,2015,42,2015-03-20,2015-05-03,2015-05-05,reading,"
        "2015-04-20,2015-04-22,2015-04-26,2015-05-01,2015-05-06,2015-05-10,2015-05-12,2.0,4.0,5.0\n"
        "L0,-,0,thermal,8/100,2016,42,2016-03-20,2016-05-20,2016-05-20,reading,"
        "2016-04-20,2016-04-22,2016-04-26,2016-05-14,2016-05-16,2016-05-18,,4.0,4.0,5.0\n"
        "L0,-,0,thermal,8/100,2017,42,2017-03-20,2017-05-01,2017-05-03,reading,"
        "2017-04-20,2017-04-22,2017-04-26,2017-05-02,2017-05-16,2017-05-18,,0.0,4.0,5.0\n",
        encoding="utf-8",
    )
    return path


def test_past_forecasts_summed_up_by_hand(result: RunResult, tmp_path: Path) -> None:
    """Off: 2, 6 and 0 days, mean 2.7; two of three in the range; CRPS 2.0 against 4.0: half."""
    (row,) = past_rows(read_hindcast(_hindcast(tmp_path)), result.info)
    assert (row["ahead"], row["cases"], row["off"], row["inside"]) == ("6 weeks before", 3, "2.7", "67\u00a0%")
    assert (row["crps"], row["mean_date"], row["calendar"]) == ("2.0", "+50\u00a0%", "+60\u00a0%")


def test_past_forecasts_say_in_a_sentence_how_far_off_the_calendar_was(result: RunResult, tmp_path: Path) -> None:
    """Usual date 2 May: 1, 18 and 0 days from the days it can have come; middle 1. Files before had no such column."""
    path = _hindcast(tmp_path)
    assert past_part(read_hindcast(path), result.info).rule.startswith("Past seasons")  # type: ignore[union-attr]
    lines = path.read_text(encoding="utf-8").splitlines()
    rows = [f"{line},{line.split(',')[5]}-05-02" for line in lines[1:]]
    path.write_text("\n".join([lines[0] + ",mean_date", *rows]) + "\n", encoding="utf-8")
    part = past_part(read_hindcast(path), result.info)
    assert part is not None
    assert part.rule.startswith(
        "Six weeks ahead our date was off by 2 days in the middle case; the calendar by 1 day. Past seasons"
    )
    assert part.tables[0].rows[0][3:5] == ("2.7", "6.3")  # means


def test_past_forecasts_only_where_there_are_any(result: RunResult, page: Page, tmp_path: Path) -> None:
    assert 'id="past"' not in page.html and "#past" not in page.html
    part = past_part(read_hindcast(_hindcast(tmp_path)), result.info)
    assert part is not None
    shown = Page(board_html(result, Beside(parts=[part])))
    assert "How well past forecasts did" in shown.text and "6 weeks before" in shown.text


def test_other_tables_are_not_taken_for_past_forecasts(tmp_path: Path) -> None:
    path = tmp_path / "hindcast.csv"
    path.write_text("lake_id,taxon\nL0,-\n", encoding="utf-8")
    with pytest.raises(ValueError, match="it lacks event"):
        read_hindcast(path)


def test_a_thin_brood_has_no_best_week_on_the_board(result: RunResult) -> None:
    """Under 10 % (our prior): its lake's page says so, its strips have no outline, and nothing else loses its week."""
    windows = result.windows.copy()
    thin = windows["brood"] == 2
    windows.loc[thin, "best_week_chance"] = 0.02
    turning = windows["event"] == "turnover"
    page = Page(board_html(replace(result, windows=windows)))
    assert page.text.count("thin, no best week") == thin.sum() > 0
    found = page.data["windows"]["bw"]
    assert [week is None for week in found] == (thin | turning).tolist()
    assert "thin, no best week" not in Page(board_html(result)).text

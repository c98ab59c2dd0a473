"""The run in the terminal: fits, in the guide's words, safe with any text."""

from __future__ import annotations

import datetime as dt
import re
from dataclasses import replace

import pandas as pd
import pytest
from run_result import NAMES, make_result, without_dates

from emergence.errors import Problem
from emergence.report.history import changes
from emergence.report.terminal import summary
from emergence.report.text import cells
from emergence.runs.results import RunResult

HOSTILE = (
    "<script>alert(1)</script>",
    "\x1b[2J\x1b[31mred\x07",
    "line\nbreak\rreturn\ttab",
    "\u202egnp.exe",
    "שלום עולם",
    "日本の湖" * 20,
    "🎣🦋👨‍👩‍👧",
    'quote " and , comma',
    "x" * 300,
    "e" + "\u0301" * 50,
    "",
)


@pytest.fixture(scope="module")
def result() -> RunResult:
    return make_result(NAMES)


def section(text: str, title: str) -> list[str]:
    """Return the lines of one part of the summary."""
    parts = re.split(r"\n\n", text)
    (part,) = (p for p in parts if p.lstrip().startswith(title))
    return part.splitlines()[1:]


def too_wide(text: str, width: int = 80) -> list[str]:
    return [line for line in text.splitlines() if cells(re.sub(r"\x1b\[\d+m", "", line)) > width]


def test_fits_eighty_columns_and_is_plain(result: RunResult) -> None:
    text = summary(result, changes=changes(result, make_result(NAMES, later=4).windows))
    assert not too_wide(text)
    assert "\x1b" not in text and text.endswith("\n")
    assert not any(line != line.rstrip() for line in text.splitlines())


@pytest.mark.parametrize("width", [80, 100, 140])
def test_fits_any_width(result: RunResult, width: int) -> None:
    assert not too_wide(summary(result, width=width), width)


def test_header_says_what_and_how_fresh(result: RunResult) -> None:
    head = summary(result).split("\n\n")[0]
    assert "Northern waters: as of 28 May 2023" in head
    assert "6 lakes, 5 insects, 240 possible seasons each (30 past springs x 8 draws)." in head
    assert "Weather known to 28 May 2023, 3 days ago." in head


def blocks(lines: list[str]) -> dict[str, list[str]]:
    """Return the rows of a list under each of its headings."""
    found: dict[str, list[str]] = {}
    for line in lines[1:]:
        if line.startswith("  "):
            found[next(reversed(found))].append(line)
        else:
            found[line.strip()] = []
    return found


def test_on_now_lists_what_is_under_way_tomorrow_most_moving_days_first(result: RunResult) -> None:
    found = blocks(section(summary(result), "ON NOW"))
    days = result.days
    tomorrow = days[(days["date"] == pd.Timestamp(2023, 5, 29)) & (days["chance_active"] >= 0.5)]
    chances = [int(row.split(" d ")[1].split()[0]) for rows in found.values() for row in rows]
    assert sorted(chances) == sorted(round(100 * c) for c in tomorrow["chance_active"])
    assert list(found) == ["leaving the water", "may live here: leaving the water"]
    for rows in found.values():
        expected = [float(row.split()[0]) for row in rows]
        assert expected == sorted(expected, reverse=True)
    midge = days[(days["lake_id"] == "L3") & (days["taxon"] == "lake_midge")]
    week = midge[midge["date"].between(pd.Timestamp(2023, 5, 29), pd.Timestamp(2023, 6, 4))]["chance_moving"].sum()
    shown = re.compile(rf" +{week:.1f} d +90 % very likely +29 May-4 Jun +Cold Tarn +Large lake midge$")
    assert any(shown.fullmatch(row) for row in found["leaving the water"])


def test_next_four_weeks_is_soonest_first_with_chance_in_number_and_word(result: RunResult) -> None:
    found = blocks(section(summary(result), "NEXT FOUR WEEKS"))
    assert list(found) == ["nymphs on the move", "leaving the water", "may live here: leaving the water"]
    moving = found["nymphs on the move"]
    assert re.fullmatch(r"  5-11 Jun +4\.6 +95 % almost certain +Alder Mere +Bluets", moving[0])
    for rows in found.values():
        starts = [dt.datetime.strptime(f"{m[1]} {m[2]} 2023", "%d %b %Y") for m in map(first_date, rows)]
        assert starts == sorted(starts)
        assert dt.datetime(2023, 5, 29) <= starts[0] and starts[-1] <= dt.datetime(2023, 6, 25)
    assert not any("Spreadwings" in row for rows in found.values() for row in rows)


def first_date(line: str) -> re.Match[str]:
    found = re.match(r"  (\d+)(?:-\d+)? (\w{3})", line)
    assert found
    return found


def test_long_lists_keep_known_residents_and_say_what_is_left_out() -> None:
    text = summary(make_result([f"Lake {i}" for i in range(30)]))
    found = blocks(section(text, "NEXT FOUR WEEKS"))
    assert [len(rows) for rows in found.values()] == [13, 13, 6]
    assert found["nymphs on the move"][-1] == "  and 18 more in windows.csv"


def test_without_known_residents_the_lists_are_as_long(result: RunResult) -> None:
    windows = result.windows.assign(residence="unsure")
    found = blocks(section(summary(replace(result, windows=windows)), "NEXT FOUR WEEKS"))
    assert list(found) == ["may live here: nymphs on the move", "may live here: leaving the water"]
    assert len(found["may live here: leaving the water"]) == 10  # more than the 5 of the short list


def test_lake_table_says_best_week_middle_and_even_window(result: RunResult) -> None:
    lines = section(summary(result), "Alder Mere: coast, 12 m")
    assert " nymphs on the move" in lines and " leaving the water" in lines
    assert lines.index(" nymphs on the move") < lines.index(" leaving the water")
    (bluets,) = (line for line in lines[:4] if "Bluets" in line)
    assert re.fullmatch(r"  Bluets +5-11 Jun +4\.6 +95 %  7 Jun  -6\+7 +1-15 Jun", bluets)
    unsure = lines.index(" may live here: leaving the water")
    assert all("Speckled" in line for line in lines[unsure + 1 : unsure + 3])
    assert "      12 % not this season" in lines
    assert "  over: spring turnover" in lines
    assert any("-11+?" in line for line in lines)


def test_no_even_day_is_said(result: RunResult) -> None:
    windows = result.windows.assign(even_start=pd.NaT, even_end=pd.NaT)
    text = summary(replace(result, windows=windows))
    assert "no day better than even yet" in " ".join(text.split())
    (bluets, *_) = (line for line in section(text, "Alder Mere") if line.startswith("  Bluets"))
    assert bluets.endswith("none yet")


def test_early_in_the_year_nothing_is_on_and_it_is_said() -> None:
    text = summary(make_result(as_of=dt.date(2023, 1, 10)))
    assert section(text, "ON NOW") == ["  nothing yet"]
    assert section(text, "NEXT FOUR WEEKS") == ["  nothing with a chance of 20 % or more"]


def test_all_blank_windows_are_named_with_their_chance(result: RunResult) -> None:
    text = summary(without_dates(result))
    assert not too_wide(text)
    lines = " ".join(section(text, "Alder Mere"))
    assert "no date: Bluets, nymphs on the move (>99 % not this season)" in lines
    assert "may live here" in lines


def test_changes_are_told_for_what_is_still_ahead_first(result: RunResult) -> None:
    text = summary(result, changes=changes(result, make_result(NAMES, later=4).windows))
    lines = section(text, "SINCE LAST TIME: 48 windows moved by 2 days or more")
    assert lines[1] == " nymphs on the move" and "4 days earlier" in lines[2] and "and 38 more" in lines[-1]
    assert not any("18-24 May" in line for line in lines)
    assert "SINCE LAST TIME" not in summary(result)
    none = changes(result, result.windows)
    assert section(summary(result, changes=none), "SINCE LAST TIME") == ["  nothing moved by 2 days or more"]


def test_names_keep_their_letters_before_chances_their_words(result: RunResult) -> None:
    """At 80 columns a long name takes the place of the word beside its chance; with more room both are there."""
    lakes = result.info.lakes.assign(name=[f"Number {k} of the long mountain lakes" for k in range(6)])
    long = replace(result, info=replace(result.info, lakes=lakes))
    narrow, wide = (
        text[text.index("NEXT FOUR WEEKS") : text.index("LAKE BY LAKE")]
        for text in (summary(long, width=width) for width in (80, 130))
    )
    assert "certain" not in narrow and re.search(r"95 %   Number 0", narrow)
    assert "95 % almost certain" in wide and "Number 0 of the long mountain lakes" in wide
    assert max(map(cells, narrow.splitlines())) <= 80


def test_a_vanished_date_is_told(result: RunResult) -> None:
    blank = without_dates(result)
    assert "gone, was 5-11 Jun" in summary(blank, changes=changes(blank, result.windows))
    assert "had no date" in summary(result, changes=changes(result, blank.windows))


def test_what_was_assumed_dropped_and_left_out_is_said(result: RunResult) -> None:
    text = " ".join(summary(result).split())
    assert "NO FORECAST FOR 1 LAKE - L9: its station has no weather this year" in text
    assert "weather/north.csv, row 412, tmin_c: tmin_c must not exceed tmax_c (found '31.0'). Correct the row." in text
    assert "WORTH KNOWING - lakes.csv, area_ha" in text
    assert "ASSUMED - Otter Pool: depth not given" in text


def test_long_lists_are_cut_and_say_so(result: RunResult) -> None:
    problems = tuple(
        Problem("weather/north.csv", i, "tmin_c", "x", "must be a number", "Correct it.") for i in range(50)
    )
    text = summary(replace(result, info=replace(result.info, problems=problems)))
    assert "and 38 more in run.json" in text


@pytest.mark.parametrize("wanted", ["air temperature only", "Never judge ice", "Local rules decide"])
def test_cautions_stand_at_the_end(result: RunResult, wanted: str) -> None:
    assert wanted in summary(result).split("CAUTION")[1]


def test_colour_only_adds_bold_and_dim(result: RunResult) -> None:
    coloured = summary(result, color=True)
    assert set(re.findall(r"\x1b\[\d+m", coloured)) == {"\x1b[1m", "\x1b[2m", "\x1b[0m"}
    assert re.sub(r"\x1b\[\d+m", "", coloured) == summary(result)


def test_any_text_is_safe_and_fits() -> None:
    result = make_result(HOSTILE)
    info = replace(
        result.info,
        name="\x1b[31mname\n" + "y" * 200,
        assumptions=HOSTILE,
        dropped={text: text for text in HOSTILE},
        taxa={key: replace(label, name=HOSTILE[5] + "\x1b]0;") for key, label in result.info.taxa.items()},
        lakes=result.info.lakes.assign(region=list(HOSTILE)),
    )
    text = summary(replace(result, info=info), changes=changes(result, make_result(HOSTILE, later=3).windows))
    assert not too_wide(text)
    assert not set(text) & {"\x1b", "\x07", "\r", "\t", "\u202e"}
    assert "<script>alert(1)</script>" in text


def test_lakes_of_one_name_are_told_apart() -> None:
    text = summary(make_result(["Long Water", "Long Water"]))
    assert "Long Water (L0): coast, 12 m" in text and "Long Water (L1): coast, 95 m" in text


def test_many_lakes_get_the_summary_only() -> None:
    text = summary(make_result([f"Lake {i}" for i in range(41)]))
    assert "LAKE BY LAKE" not in text and "windows.csv (41 lakes)" in text
    assert len(text.splitlines()) < 100
    assert "LAKE BY LAKE" in summary(make_result([f"Lake {i}" for i in range(40)]))


def test_units_of_the_user(result: RunResult) -> None:
    text = summary(replace(result, info=replace(result.info, length_unit="ft")))
    assert "Slate Tarn: fells, 2001 ft" in text


def test_dates_in_the_order_of_the_settings(result: RunResult) -> None:
    """With ``units.dates = "month-day"`` no date of the screen has its day first."""
    moved = changes(result, make_result(NAMES, later=4).windows)
    turned = summary(replace(result, info=replace(result.info, date_order="month-day")), changes=moved)
    assert re.findall(r"\b\d{1,2} (?:May|Jun|Jul|Aug)\b", summary(result, changes=moved))
    assert not re.findall(r"\b\d{1,2} (?:May|Jun|Jul|Aug)\b", turned)
    assert "as of May 28, 2023" in turned and not too_wide(turned)


def test_two_seasons_are_kept_apart() -> None:
    result = make_result(NAMES[:1], as_of=dt.date(2023, 10, 20))
    following = make_result(NAMES[:1], as_of=dt.date(2024, 10, 20)).windows
    both = replace(result, windows=pd.concat([result.windows, following], ignore_index=True))
    lines = section(summary(both), "Alder Mere")
    assert " season 2024, nymphs on the move" in lines
    assert any(line.startswith("  over: spring turnover; Large lake midge, hatch;") for line in lines)


def thinned(result: RunResult, chance: float, none: float = 0.2) -> RunResult:
    """The run with the chance of the second brood's best week changed, and of its not coming this season."""
    rows = result.windows["brood"] == 2
    windows = result.windows.copy()
    windows.loc[rows, ["best_week_chance", "ahead_week_chance"]] = chance
    windows.loc[rows, "chance_not_this_season"] = none
    return replace(result, windows=windows)


def test_a_thin_brood_has_no_best_week(result: RunResult) -> None:
    """Under 10 % (our prior) no week is called the best; its middle and even odds stay."""
    lines = section(summary(thinned(result, 0.02)), "Alder Mere: coast, 12 m")
    (at,) = (k for k, line in enumerate(lines) if "brood 2" in line)
    assert re.fullmatch(r"  Speckled duns, brood 2 +2\d Jul +-\d+\+[\d?]+ .*", lines[at])
    assert lines[at + 1] == "      thin, no best week; 20 % not this season"
    assert "thin, no best week" not in summary(thinned(result, 0.11))


def test_what_hardly_comes_has_no_date_on_any_lake(result: RunResult) -> None:
    """One rule for a brood with a trace of a week and one without: from 95 % "not this season" on there is no date."""
    windows = thinned(result, 0.004, 0.998).windows
    rows = windows["brood"] == 2
    windows.loc[rows, [c for c in windows if c.startswith(("onset", "peak", "end", "even", "outer"))]] = pd.NaT
    windows.loc[rows & (windows["lake_id"] == "L1"), ["best_week_start", "ahead_week_start"]] = pd.NaT
    text = summary(replace(result, windows=windows))
    for lake in NAMES[:2]:
        said = " ".join(" ".join(section(text, lake)).split())
        assert "no date: Speckled duns, brood 2 hatch (>99 % not this season, may live here)" in said
        assert not any(line.startswith("  Speckled duns, brood 2") for line in section(text, lake))


def test_rows_without_best_week_and_middle_are_not_listed(result: RunResult) -> None:
    windows = thinned(result, 0.05, 0.6).windows
    windows.loc[windows["brood"] == 2, ["peak_p50", "peak_p90"]] = pd.NaT
    lines = section(summary(replace(result, windows=windows)), "Alder Mere")
    assert "no date: Speckled duns, brood 2 hatch (60 % not this season" in " ".join(" ".join(lines).split())

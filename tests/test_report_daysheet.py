"""The day sheet as text and as a page: width, units, words of the notes, hostile names, no script, nothing outside."""

from __future__ import annotations

import base64
import hashlib
import re
from html.parser import HTMLParser

import pytest
from sheet_example import insect, sheet

from emergence.angling.sheet import Elsewhere, EventDay, Stages
from emergence.journal.words import find_level, find_stage
from emergence.records import LEVELS, STAGES
from emergence.report.daysheet import sheet_text
from emergence.report.daysheet_page import bars, sheet_page
from emergence.report.daysheet_words import sheet_words
from emergence.report.text import cells
from emergence.report.units import Units

HOSTILE = [
    '<script>alert(1)</script>"><img src=x onerror=alert(2)>',
    "\x1b[31mred\x1b[0m\r\nsecond line\t\u202eesrever",
    "{top} {0} {{x}} %s",
    "大きな湖" * 30,
    "x" * 400,
    "",
]
VOID = {"meta", "link", "br", "rect"}


class Page(HTMLParser):
    """Strict enough: every element closed in order, no attribute that runs anything."""

    def __init__(self) -> None:
        super().__init__()
        self.open: list[str] = []
        self.seen: list[str] = []
        self.text: list[str] = []
        self.policy = ""

    def handle_starttag(self, tag: str, attrs: list[tuple[str, str | None]]) -> None:
        names = [name for name, _ in attrs]
        assert len(names) == len(set(names))
        assert not [n for n in names if n.startswith("on") or n in ("style", "src")]
        self.seen.append(tag)
        if dict(attrs).get("http-equiv") == "Content-Security-Policy":
            self.policy = str(dict(attrs)["content"])
        if tag not in VOID:
            self.open.append(tag)

    def handle_endtag(self, tag: str) -> None:
        if tag not in VOID:
            assert self.open.pop() == tag

    def handle_data(self, data: str) -> None:
        self.text.append(data)


def parsed(text: str) -> Page:
    page = Page()
    page.feed(text)
    page.close()
    assert page.open == []
    return page


def test_the_text_fits_80_columns_and_is_short() -> None:
    lines = sheet_text(sheet(*(insect(f"own_{k}") for k in range(16)))).splitlines()
    assert max(map(cells, lines)) <= 80
    assert len(lines) <= 100
    assert not [line for line in lines if line != line.rstrip()]


@pytest.mark.parametrize("name", HOSTILE)
def test_hostile_names_change_nothing(name: str) -> None:
    odd = sheet(insect(name=name or "x", residence="unsure"), lake=name, region=name, closures=(name or "closed",))
    text = sheet_text(odd)
    assert max(map(cells, text.splitlines())) <= 80
    assert not re.search(r"[\x00-\x09\x0b-\x1f\x7f\u202a-\u202e]", text)
    page = parsed(sheet_page(odd))
    assert "script" not in page.seen and "img" not in page.seen


def test_the_page_lets_nothing_in() -> None:
    text = sheet_page(sheet())
    page = parsed(text)
    style = re.search(r"<style>(.*?)</style>", text, re.S)
    assert style is not None
    digest = base64.b64encode(hashlib.sha256(style[1].encode()).digest()).decode()
    assert "default-src 'none'" in page.policy and f"style-src 'sha256-{digest}'" in page.policy
    assert "script" not in page.seen and "unsafe" not in page.policy
    assert not re.search(r"https?://|url\(|@import", text)
    assert "@media print" in style[1] and "@page" in style[1]


def test_page_and_text_say_the_same() -> None:
    words = sheet_words(sheet(ice_chance=0.3), sink_cm_s=4.0)
    page = " ".join(" ".join(parsed(sheet_page(sheet(ice_chance=0.3), sink_cm_s=4.0)).text).split())
    text = " ".join(sheet_text(sheet(ice_chance=0.3), sink_cm_s=4.0).split())
    for caution, _ in words.cautions:
        assert caution in page and caution in text.replace(" - ", " ").replace(" ! ", " ")
    for part in words.parts:
        assert all(line in page and line in text for _, line in part.lines)


def test_a_closed_lake_heads_the_sheet() -> None:
    closed = sheet(closures=("1 to 30 June, spawning",))
    lines = sheet_text(closed).splitlines()
    assert lines[1] == "!! CLOSED: 1 to 30 June, spawning"
    page = sheet_page(closed)
    assert page.index("spawning") < page.index("<main>")


def test_what_stands_against_going_heads_the_sheet_and_terms_stand_in_its_head() -> None:
    shut = sheet(shut=("the permit is missing",), access=("1 party a day", "ask at the farm"))
    lines = sheet_text(shut).splitlines()
    assert lines[1] == "!! NO ACCESS: the permit is missing"
    assert lines.index("Access: 1 party a day; ask at the farm") < lines.index("")
    page = sheet_page(shut)
    assert max(page.index("permit is missing"), page.index("ask at the farm")) < page.index("<main>")


def test_every_insect_of_the_advice_has_a_blank() -> None:
    late = (EventDay("migration", 1, 0.2, 0.2, "2031-06-12"),)
    midges = [insect("chironomus", name=f"midge {k}", group="midge") for k in range(5)]
    words = sheet_words(sheet(*midges, insect(name="rare damsel", events=late)))
    advised = {part.heading.split(":")[0] for part in words.parts}
    assert "rare damsel" in advised and advised <= set(words.blanks) and words.blanks[-1] == ""


def test_blanks_use_the_words_that_note_takes() -> None:
    words = sheet_words(sheet())
    assert [find_stage(head) for head in words.stage_heads] == list(STAGES)
    assert [find_level(word) for word in re.split(r", | or ", words.levels)] == list(LEVELS)
    reading, sighting = words.commands
    assert reading.startswith("emergence note reading SEASON 16 --lake low --date 2031-06-14")
    assert sighting.startswith("emergence note sighting SEASON damsel moving few --lake low")


def counts(text: str, row: str) -> list[str]:
    (line,) = [line for line in text.splitlines() if line.startswith(f" {row}")]
    return line.removeprefix(f" {row}").split()


def test_counts_by_hand() -> None:
    text = sheet_text(sheet(), sink_cm_s=4.0)
    assert counts(text, "to") == ["0.5", "m", "0.9", "m", "2", "m", "3", "m", "5", "m"]
    assert counts(text, "fly 4 cm/s, s") == ["12", "22", "50", "75", "125"]  # depth / 4 cm/s
    assert counts(text, "slow intermediate*, s")[1] == "24-36"
    assert counts(text, "weed, away*") == ["-", "-", "2.7", "m", "5.5", "m", "11", "m"]
    assert "____ cm/s" in sheet_text(sheet())


def test_counts_end_at_the_bottom_and_slants_need_damselflies() -> None:
    midge = insect("chironomus", group="midge", name="midges")
    text = sheet_text(sheet(midge, deepest_m=2.5), sink_cm_s=5.0)
    assert counts(text, "to") == ["0.5", "m", "0.9", "m", "2", "m"]
    assert "weed, away" not in text and "slant" not in text


def test_fahrenheit_and_feet_throughout() -> None:
    text = sheet_text(sheet(temperature_unit="F", length_unit="ft", water=(10.0, 12.0, 14.0)), sink_cm_s=5.08)
    assert "°C" not in text and not re.search(r"\d (m|cm|cm/s|m/s)\b", text)
    assert "Cold water (50 °F possible)" in text and "At 68 °F stop" in text.replace("\n  ", " ")
    assert counts(text, "fly 2 in/s, s") == ["12", "18", "36", "60", "96"]  # 2, 3, 6, 10, 16 ft at 2 in/s
    assert "6-12 in off the bottom" in text and "draw 2-3 ft" in text


def test_two_spans_of_hours_are_both_told() -> None:
    """Squaregill mayflies: first light (around sunrise at 4) and evening (before sunset at 21)."""
    text = sheet_text(sheet(insect("caenis", group="mayfly")))
    assert " When    03:00 to 05:00 and 18:00 to 21:00: not known well*" in text.splitlines()


def test_common_practice_is_starred_and_published_hours_are_not() -> None:
    text = sheet_text(sheet(insect("chironomus", group="midge", gates=())))
    when = next(line for line in text.splitlines() if line.startswith(" When"))
    assert "just before sunset" in when and not when.endswith("*")
    assert text.splitlines()[-1] == "* common practice, no source"
    assert "Floating line, long leader, count down; draw 0.6-0.9 m, rest." in sheet_text(sheet())


def test_gates_say_what_they_wait_for_and_what_to_fish_short_of_it() -> None:
    text = " ".join(sheet_text(sheet()).split())
    assert "for afternoon air of 21 °C (40 %); short of that, young nymphs near the bottom*" in text
    assert "water of 12" not in text  # open


def test_turnover_ice_and_sun_time_are_told_where_they_matter() -> None:
    plain = sheet_text(sheet())
    assert "Turnover" not in plain and " Ice " not in plain and "by the sun" not in plain
    text = sheet_text(sheet(ice_chance=0.3, turnover=0.6, clock=False))
    assert "60 % over even: poor fishing*" in text and "for insects, not for standing on" in text
    assert "by the sun" in text


def test_polar_day_and_night() -> None:
    assert "up all day, noon 12:30" in sheet_text(sheet(sun=(0.5, 12.5, 24.5)))
    assert "not up, noon 12:30" in sheet_text(sheet(sun=(12.5, 12.5, 12.5)))


def test_who_is_not_about_is_named_once() -> None:
    gone = insect("early_midge", name="small early midges", stages=None, events=(EventDay("emergence", 1, 0, 0, ""),))
    text = sheet_text(sheet(insect(), gone))
    assert text.count("small early midges") == 1 and "not about: small early midges" in text


def test_insects_of_which_only_young_are_about_get_no_row() -> None:
    quiet = (EventDay("migration", 1, 0.0, 0.0, ""),)
    young = insect("lestes", name="spreadwings", stages=Stages(0.7, 0.29, 0.01, 0.0, 0.0), events=quiet)
    flying = insect("aeshna", name="darners", stages=Stages(0.7, 0.2, 0.0, 0.1, 0.0), events=quiet)
    text = sheet_text(sheet(insect(), young, flying))
    assert "nymphs or larvae only: spreadwings\n" in text and " darners " in text


def test_bars_fill_the_whole_width() -> None:
    placed = bars((0.4, 0.3, 0.2, 0.1))
    assert [begin for begin, _ in placed] == ["0.0", "40.0", "70.0", "90.0"]
    assert sum(float(width) for _, width in placed) == pytest.approx(100.0)


def test_units() -> None:
    assert Units("F").temp(22.8) == "73 °F" and Units().temp(22.8, tenths=True) == "22.8 °C"
    assert Units().temp(-0.4) == "0 °C" and Units("F").temp(-17.9) == "0 °F"
    assert Units(length="ft").depth(2.747) == "9 ft" and Units().depth(10.99) == "11 m"
    assert Units(length="ft").wind(10) == "10 kt (12 mph)" and Units().wind(15) == "15 kt (8 m/s)"
    assert Units(length="ft").sink(3.81) == "1.5 in/s"


def test_instead_names_near_lakes() -> None:
    other = (Elsewhere("High Tarn", 12.4, 0.71, 14.2), Elsewhere("\x1b[1mBog\n", 30.0, 0.3, 15.0))
    text = " ".join(sheet_text(sheet(elsewhere=other, elsewhere_of="spring damselflies")).split())
    assert "Instead spring damselflies: High Tarn 71 % (12 km, 14 °C), [1mBog 30 % (30 km, 15 °C)" in text
    feet = sheet_text(sheet(elsewhere=other, elsewhere_of="x", length_unit="ft", temperature_unit="F"))
    assert "(8 mi, 58 °F)" in feet

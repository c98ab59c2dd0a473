"""The board in a browser: opened from disk without a network, on a phone and on a desk, with scripts on and off.

The browser is Debian's chromium through Playwright; rules of accessibility are those of axe-core (WCAG 2.1 A and AA).
"""

from __future__ import annotations

import csv
import importlib.util
import io
import re
import shutil
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import pandas as pd
import pytest
from board_page import HOSTILE, board_pages, board_result, since_a_week
from click.testing import CliRunner
from region_result import make_regions
from season_folder import write_season

from emergence.cli.main import main
from emergence.report.board import NOTE_COLUMNS, Beside, board_html
from emergence.report.board_guest import shared_lakes
from emergence.report.board_past import past_part, read_hindcast
from emergence.report.board_regions import regions_part

CHROMIUM = shutil.which("chromium") or shutil.which("chromium-browser")
MISSING = [name for name in ("playwright", "axe_playwright_python") if importlib.util.find_spec(name) is None]
pytestmark = pytest.mark.skipif(
    CHROMIUM is None or bool(MISSING),
    reason="no browser here: install Debian's chromium, and playwright and axe-playwright-python by pip",
)
SIZES = {"phone": (390, 844), "desk": (1440, 900)}
VIEWS = ("now", "season", "week", "lakes", "lake-0", "insects", "map", "past", "notes", "cautions")
HINDCAST = (
    "taxon,event,lead_days,truth_from,truth_to,p10,p50,p90,crps,crps_mean_date,crps_calendar\n"
    "-,thermal,42,2015-05-03,2015-05-05,2015-04-22,2015-05-01,2015-05-10,2.0,4.0,5.0\n"
)


@pytest.fixture(scope="module")
def boards(tmp_path_factory: pytest.TempPathFactory) -> dict[str, Path]:
    """Write the guide's board and the guests' copy."""
    folder = tmp_path_factory.mktemp("board")
    (folder / "hindcast.csv").write_text(HINDCAST, encoding="utf-8")
    result = board_result()
    past = past_part(read_hindcast(folder / "hindcast.csv"), result.info)
    assert past is not None
    beside = Beside(board_pages(result), since_a_week(result), [past, regions_part(make_regions())])
    pages = {"board": board_html(result, beside), "guest": board_html(result, beside, guests=shared_lakes(result))}
    for name, text in pages.items():
        (folder / f"{name}.html").write_text(text, encoding="utf-8")
    return {name: folder / f"{name}.html" for name in pages}


@pytest.fixture(scope="module")
def chromium() -> Iterator[Any]:
    from playwright.sync_api import Error, sync_playwright

    with sync_playwright() as started:
        try:
            browser = started.chromium.launch(executable_path=CHROMIUM, args=["--no-sandbox"])
        except Error as error:
            pytest.skip(f"chromium is here but cannot be started: {str(error).splitlines()[0]}")
        yield browser
        browser.close()


class Watched:
    """A page with the network cut, and everything it complained of or asked for."""

    def __init__(self, browser: Any, path: Path, size: str = "desk", **more: Any) -> None:
        wide, tall = SIZES[size]
        self.context = browser.new_context(viewport={"width": wide, "height": tall}, offline=True, **more)
        self.page = self.context.new_page()
        self.page.set_default_timeout(20_000)
        self.complaints: list[str] = []
        self.asked: list[str] = []
        self.page.on("console", lambda m: self.complaints.append(m.text) if m.type in ("error", "warning") else None)
        self.page.on("pageerror", lambda error: self.complaints.append(str(error)))
        self.page.on("dialog", self._dialog)
        self.page.on("request", lambda request: self.asked.append(request.url))
        self.url = path.as_uri()
        self.page.goto(self.url)

    def _dialog(self, dialog: Any) -> None:
        self.complaints.append(f"dialog: {dialog.message}")
        dialog.dismiss()

    def view(self, name: str) -> Any:
        """Show a part of the page and return it."""
        self.page.evaluate("name => { location.hash = name; }", name)
        part = self.page.locator(f"[data-view='{name}']")
        part.wait_for(state="visible")
        return part

    def __enter__(self) -> Watched:
        return self

    def __exit__(self, *_: object) -> None:
        self.context.close()

    def quiet(self) -> None:
        """Hold that nothing was complained of and nothing asked for but the file itself."""
        assert self.complaints == []
        assert {url.split("#")[0] for url in self.asked if not url.startswith("data:")} == {self.url}


@pytest.mark.parametrize("size", SIZES)
def test_every_part_opens_quietly(chromium: Any, boards: dict[str, Path], size: str) -> None:
    with Watched(chromium, boards["board"], size) as watched:
        for name in VIEWS:
            assert watched.view(name).inner_text().strip()
        watched.quiet()


@pytest.mark.parametrize("size", SIZES)
def test_without_scripts_dates_and_cautions_are_there(chromium: Any, boards: dict[str, Path], size: str) -> None:
    with Watched(chromium, boards["board"], size, java_script_enabled=False) as watched:
        said = watched.page.locator("body").inner_text()
        for words in (
            "28 May 2023",
            "On now",
            "Next four weeks",
            "Since last time",
            "not for standing on",
            "Scripts are off",
        ):
            assert words in said
        for k in range(len(HOSTILE)):
            assert watched.page.locator(f"#lake-{k} table.windows tbody tr").count() >= 8
        assert watched.page.locator("#season").is_hidden()
        watched.quiet()


def test_hostile_names_are_shown_and_do_nothing(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["board"]) as watched:
        titles = [watched.view(f"lake-{k}").locator("h2").first.text_content() for k in range(len(HOSTILE))]
        assert titles == list(HOSTILE)
        watched.quiet()


@pytest.mark.parametrize("size", SIZES)
def test_no_part_is_wider_than_the_screen(chromium: Any, boards: dict[str, Path], size: str) -> None:
    with Watched(chromium, boards["board"], size) as watched:
        for name in VIEWS:
            watched.view(name)
            assert watched.page.evaluate("document.documentElement.scrollWidth") <= SIZES[size][0]


@pytest.mark.parametrize(
    ("size", "scheme", "views"), [("phone", "light", VIEWS), ("desk", "dark", ("now", "week", "lake-0", "map"))]
)
def test_axe_finds_nothing_serious(
    chromium: Any, boards: dict[str, Path], size: str, scheme: str, views: tuple[str, ...]
) -> None:
    """Header and tabs with the first screen, then each part by itself; axe-core as packed in axe-playwright-python."""
    from axe_playwright_python.base import AXE_SCRIPT

    with Watched(chromium, boards["board"], size, color_scheme=scheme) as watched:
        watched.page.evaluate(AXE_SCRIPT)
        for name in views:
            part = watched.view(name)
            part.evaluate("p => [...p.querySelectorAll('details')].slice(0, 3).forEach(d => { d.open = true; })")
            found = watched.page.evaluate(
                "where => axe.run(where || document, {resultTypes: ['violations']})",
                None if name == "now" else f"#view-{name}",
            )
            assert name != "now" or {r["id"] for r in found["passes"]} >= {"color-contrast", "document-title"}
            worst = [v for v in found["violations"] if v["impact"] in ("serious", "critical")]
            assert [(v["id"], v["nodes"][0]["html"][:200]) for v in worst] == [], (name, size, scheme)


def test_filters_change_what_is_shown(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["board"]) as watched:
        page = watched.page
        items = page.locator("[data-view=now] [data-list] > li")
        every = items.count()
        page.get_by_label("Region").focus()
        page.keyboard.press("ArrowDown")
        shown = [item for item in items.all() if not item.get_attribute("hidden") == ""]
        assert 0 < len(shown) < every
        assert {item.get_attribute("data-region") for item in shown} == {"coast"}
        page.get_by_label("Region").select_option("")
        page.get_by_label("known to live there").press("Space")
        assert page.locator("[data-view=now] li[data-sure='0']:not([hidden])").count() == 0
        watched.quiet()


def test_filters_by_touch(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["board"], "phone", has_touch=True) as watched:
        page = watched.page
        page.locator("#filters summary").tap()
        page.get_by_label("known to live there").tap()
        assert page.locator("[data-view=now] li[data-sure='0']:not([hidden])").count() == 0


def test_strips_follow_the_choices(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["board"]) as watched:
        part = watched.view("season")
        strips = part.locator("table.strips tbody tr")
        assert strips.count() == len(HOSTILE)
        part.get_by_label("Order").select_option("up")
        first = strips.first.locator("bdi").text_content()
        assert first == HOSTILE[0]  # the lowest lake
        before = part.locator("table.strips").inner_text()
        part.get_by_label("Insect").select_option("spreadwings/1/emergence")
        assert part.locator("table.strips").inner_text() != before
        watched.page.get_by_label("Region").select_option("coast")
        assert strips.count() == 1
        part.locator("details summary").first.click()
        part.locator("details table tbody tr").first.wait_for()
        assert part.locator("details table tbody tr").count() == 1  # the table behind the picture
        watched.quiet()


def test_every_lake_by_keyboard(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["board"]) as watched:
        page = watched.page
        for k in range(len(HOSTILE)):
            watched.view("lakes")
            page.evaluate("document.activeElement.blur()")
            for _ in range(60):
                page.keyboard.press("Tab")
                if page.evaluate("document.activeElement.getAttribute('href')") == f"#lake-{k}":
                    break
            page.keyboard.press("Enter")
            page.locator(f"[data-view='lake-{k}']").wait_for(state="visible")
            assert page.locator("[data-view]:visible").count() == 1
            assert page.locator(f"[data-view='lake-{k}'] svg[role=img]").count() == 1


def test_lake_page_shows_heat_and_stages(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["board"]) as watched:
        part = watched.view("lake-0")
        part.locator("[data-detail] summary").first.click()
        part.locator("[data-detail] svg[role=img]").nth(1).wait_for()
        assert part.locator("[data-detail] svg[role=img]").count() == 2
        assert part.locator(".lakestrips svg").count() == 8  # windows of the made-up run
        part.get_by_text("Heat as a table").first.click()
        part.locator("caption").last.wait_for()
        assert "needed 120, 180, 300" in part.locator("caption").all_inner_texts()[-1]
        assert "What your notes did" in part.inner_text()
        watched.quiet()


def test_stage_board_of_a_day(chromium: Any, boards: dict[str, Path]) -> None:
    """The shares of the made-up run: nymphs 60, 30 and 10 % until heat comes, then adults; weeks from 1 January."""
    with Watched(chromium, boards["board"], "phone") as watched:
        part = watched.view("lake-1")
        row = part.locator("table.stages tbody tr").filter(has_text="Bluets")

        def shares() -> list[str]:
            return [text.replace("\u00a0", " ") for text in row.locator("td").all_inner_texts()[1:]]

        part.get_by_label("Day", exact=True).fill("2023-04-16")
        assert shares() == ["60 %", "30 %", "10 %", "<1 %"]
        for _ in range(4):
            part.get_by_role("button", name="Week after").click()
        gone = 4 * 25 / 400  # four weeks of heat by 14 May
        assert shares() == [f"{round(100 * v)} %" for v in ((1 - gone) * 0.6, (1 - gone) * 0.3, (1 - gone) * 0.1, gone)]
        watched.quiet()


def test_week_is_copied_without_lakes_not_to_be_shared(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["board"]) as watched:
        part = watched.view("week")
        title = part.locator("h2").inner_text()
        assert title == "Week of 29 May-4 Jun"  # 28 May 2023 was a Sunday
        watched.page.locator("#w-on").click()
        assert part.locator("h2").inner_text() == "Week of 5-11 Jun"
        rows = part.locator("table.days tbody tr").count()
        assert rows > 0
        watched.page.locator("#w-copy").click()
        text = watched.page.locator("#w-text").input_value()
        assert HOSTILE[0] in text and HOSTILE[-1] not in text
        assert "Never judge ice from it" in text
        watched.page.locator("#w-all").check()
        watched.page.locator("#w-copy").click()
        assert HOSTILE[-1] in watched.page.locator("#w-text").input_value()


def test_days_of_the_week_are_those_of_the_table(chromium: Any, boards: dict[str, Path]) -> None:
    result = board_result()
    days = result.days
    wanted = days[(days["lake_id"] == "L1") & (days["taxon"] == "speckled_dun") & (days["brood"] == 1)]
    week = wanted[wanted["date"].between(pd.Timestamp("2023-06-05"), pd.Timestamp("2023-06-11"))]
    with Watched(chromium, boards["board"]) as watched:
        part = watched.view("week")
        watched.page.locator("#w-on").click()
        row = part.locator("table.days tbody tr").filter(has_text=HOSTILE[1]).filter(has_text="Speckled duns, brood 1")
        cells = [int(text) for text in row.locator("td.d").all_inner_texts()]
        assert cells == [round(100 * c) for c in week["chance_moving"]]
        assert row.locator("td.n").inner_text() == f"{sum(cells) / 100:.1f}"


def test_notes_are_kept_and_saved(chromium: Any, boards: dict[str, Path], tmp_path: Path) -> None:
    with Watched(chromium, boards["board"], "phone") as watched:
        page, part = watched.page, watched.view("notes")
        part.get_by_label("Date").fill("2023-05-27")
        part.get_by_label("Water,").fill("12,5")
        part.get_by_label("Depth,").fill("0.5")
        part.get_by_role("button", name="Keep this note").click()
        part.get_by_label("Water,").fill("warm")
        part.get_by_role("button", name="Keep this note").click()
        assert "a temperature in °C" in page.locator("#n-said").inner_text()
        part.get_by_label("ice", exact=True).check()
        part.get_by_role("button", name="Keep this note").click()
        part.get_by_label("insects", exact=True).check()
        part.get_by_label("Remark").fill('said "hello, there"')
        part.get_by_role("button", name="Keep this note").click()
        page.reload()  # kept by the browser
        assert page.locator("#n-list li").count() == 3
        with page.expect_download() as download:
            page.locator("#n-save").click()
        saved = tmp_path / "notes.csv"
        download.value.save_as(saved)
    rows = list(csv.DictReader(io.StringIO(saved.read_text(encoding="utf-8"))))
    assert tuple(rows[0]) == NOTE_COLUMNS
    assert [row["kind"] for row in rows] == ["reading", "ice", "sighting"]
    assert rows[0]["water_c"] == "12.5" and rows[2]["note"] == 'said "hello, there"'


def _note_water(page: Any, degrees: str) -> None:
    page.get_by_label("Water,").fill(degrees)
    page.get_by_role("button", name="Keep this note").click()


def test_two_pages_open_lose_no_note(chromium: Any, boards: dict[str, Path]) -> None:
    """The same board open twice in one browser: each adds to what the other kept, and shows it."""
    with Watched(chromium, boards["board"], "phone") as watched:
        one, other = watched.page, watched.context.new_page()
        other.goto(watched.url)
        for page, degrees in ((one, "11"), (other, "12"), (one, "13")):
            page.evaluate("location.hash = 'notes'")
            _note_water(page, degrees)
        other.get_by_role("button", name="Remove:").first.click()
        one.locator("#n-list li").nth(1).wait_for()
        one.reload()
        assert [text.split("water ")[1].split()[0] for text in one.locator("#n-list li").all_inner_texts()] == [
            "12",
            "13",
        ]
        watched.quiet()


@pytest.mark.parametrize("fault", ["setItem", "getItem"])
def test_notes_where_the_browser_keeps_nothing(chromium: Any, boards: dict[str, Path], fault: str) -> None:
    """A full store refuses to write, a private window even to read: the page says so and the notes can be saved."""
    refuse = "throw new DOMException('no', 'QuotaExceededError')"
    full = f"const real = Storage.prototype.{fault}; let calls = 0; Storage.prototype.{fault} = function (k, v) {{"
    full += f"if (++calls > {1 if fault == 'setItem' else 0}) {refuse}; return real.call(this, k, v); }}"
    with Watched(chromium, boards["board"], "phone") as watched:
        page = watched.page
        page.add_init_script(full)
        page.reload()
        page.evaluate("location.hash = 'notes'")
        for degrees in ("11", "12"):
            _note_water(page, degrees)
        assert page.locator("#n-list li").count() == 2
        assert "keeps nothing more" in page.locator("#n-where").inner_text()
        with page.expect_download() as download:
            page.locator("#n-save").click()
        assert len(download.value.path().read_text(encoding="utf-8").splitlines()) == 3
        watched.quiet()


def test_kept_notes_that_cannot_be_read_are_laid_aside(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["board"], "phone") as watched:
        page = watched.page
        page.evaluate("localStorage.setItem('emergence notes Northern waters', '[{half a no')")
        page.reload()
        page.evaluate("location.hash = 'notes'")
        _note_water(page, "11")
        page.reload()
        assert page.locator("#n-list li").count() == 1
        aside = page.evaluate("localStorage.getItem('emergence notes Northern waters, not readable')")
        assert aside == "[{half a no"
        watched.quiet()


def test_week_begins_with_today(chromium: Any, boards: dict[str, Path]) -> None:
    """Opened on Wednesday 7 June 2023 a board of 28 May shows that week, Monday and Tuesday gone."""
    with Watched(chromium, boards["board"]) as watched:
        watched.page.clock.set_fixed_time("2023-06-07T09:00:00")
        watched.page.reload()
        part = watched.view("week")
        assert part.locator("h2").inner_text() == "Week of 5-11 Jun"
        row = part.locator("table.days tbody tr").first.locator("td.d").all_inner_texts()
        assert row[:2] == ["past", "past"] and all(text != "past" for text in row[2:])
        watched.page.locator("#w-copy").click()
        assert "of the days left (5)" in watched.page.locator("#w-text").input_value()


def test_notes_of_a_real_board_come_in_once(chromium: Any, tmp_path: Path) -> None:
    """From the forecast of a season to its board, a phone's notes, their file and back into that season's journal.

    Its units are °F and ft: 54.5 °F are 12.5 °C, 2 ft are 0.6096 m.
    """
    season, out = write_season(tmp_path / "season"), tmp_path / "run"
    lake = (season / "lakes.csv").read_text(encoding="utf-8").splitlines()[1].split(",")[0]
    told = CliRunner().invoke(
        main, ["forecast", str(season), "--lake", lake, "--taxon", "coenagrion", "--write", "board", "--out", str(out)]
    )
    assert told.exit_code == 0, told.output
    found = re.search(r'data-last="([^"]+)"', (out / "board.html").read_text(encoding="utf-8"))
    assert found is not None
    with Watched(chromium, out / "board.html", "phone") as watched:
        page, part = watched.page, watched.view("notes")
        part.get_by_label("Date").fill(found[1])
        part.get_by_label("Water,").fill("54,5")
        part.get_by_label("Depth,").fill("2")
        part.get_by_role("button", name="Keep this note").click()
        part.get_by_label("ice", exact=True).check()
        part.get_by_role("button", name="Keep this note").click()
        part.get_by_label("insects", exact=True).check()
        part.get_by_label("How many").select_option("none")
        part.get_by_label("Minutes").fill("20")
        part.get_by_label("Remark").fill('said "hello, there"')
        part.get_by_role("button", name="Keep this note").click()
        with page.expect_download() as download:
            page.locator("#n-save").click()
        saved = tmp_path / "notes.csv"
        download.value.save_as(saved)
        watched.quiet()
    for said in ("3 noted, 0 noted before", "0 noted, 3 noted before"):
        done = CliRunner().invoke(main, ["note", "import", str(season), str(saved)])
        assert done.exit_code == 0, done.output
        assert said in done.output
    listed = CliRunner().invoke(main, ["note", "export", str(season)])
    rows = list(csv.DictReader(io.StringIO(listed.stdout)))
    assert [(row["kind"], row["lake_id"]) for row in rows] == [(k, lake) for k in ("reading", "ice", "sighting")]
    assert (rows[0]["water_c"], rows[0]["depth_m"], rows[2]["minutes"]) == ("12.5", "0.6096", "20")
    assert rows[2]["note"] == 'said "hello, there"'


def test_guests_copy_opens_quietly(chromium: Any, boards: dict[str, Path]) -> None:
    with Watched(chromium, boards["guest"], "phone") as watched:
        for name in ("now", "season", "week", "lakes", "lake-0", "insects", "cautions"):
            watched.view(name)
        assert HOSTILE[-1] not in watched.page.content()
        watched.page.evaluate("location.hash = 'notes'")
        watched.page.locator("[data-view=now]").wait_for(state="visible")
        watched.quiet()


@pytest.mark.parametrize("scripts", [True, False])
def test_prints_to_paper(chromium: Any, boards: dict[str, Path], scripts: bool) -> None:
    with Watched(chromium, boards["board"], java_script_enabled=scripts) as watched:
        pdf = watched.page.pdf(format="A4", print_background=True)
        assert pdf.startswith(b"%PDF") and len(re.findall(rb"/Type\s*/Page\b", pdf)) >= 1
        watched.page.emulate_media(media="print")
        assert watched.page.locator("nav.tabs").is_hidden()
        assert "never for standing on" in watched.page.locator("[data-view=now]").inner_text()


def test_opens_soon(chromium: Any, boards: dict[str, Path]) -> None:
    """What is on now stands in the text of the page before any script: the parser reaches it first."""
    html = boards["board"].read_text(encoding="utf-8")
    assert html.index('id="h-now"') < html.index("<script")
    with Watched(chromium, boards["board"], "phone") as watched:
        box = watched.page.locator("[data-view=now] .items .item").first.bounding_box()
        assert box is not None and box["y"] + box["height"] <= SIZES["phone"][1]

"""Pictures of a board as a browser shows it, on a phone and on a desk, light and dark.

Run: ``python -m tests.benchmarks.board_pictures BOARD.html FOLDER``. The browser's clock stands on the day after the
issue date, so that the same board gives the same pictures.
"""

from __future__ import annotations

import argparse
import datetime as dt
import re
import shutil
from pathlib import Path
from typing import Any

SIZES = {"phone": (390, 844), "desk": (1440, 900)}
SHOTS = (
    ("phone", "light", "now"),
    ("phone", "dark", "week"),
    ("phone", "light", "lake-5"),
    ("phone", "dark", "notes"),
    ("desk", "light", "now"),
    ("desk", "dark", "season"),
    ("desk", "light", "lake-5"),
    ("desk", "dark", "now"),
)
"""Size, scheme and part of each picture."""


def main() -> None:
    """Write the pictures."""
    from playwright.sync_api import sync_playwright

    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("board", type=Path)
    parser.add_argument("folder", type=Path)
    asked = parser.parse_args()
    asked.folder.mkdir(parents=True, exist_ok=True)
    found = re.search(r'data-last="(\d{4}-\d\d-\d\d)"', asked.board.read_text(encoding="utf-8"))
    if found is None:
        parser.error("this is not a board")
    day = dt.date.fromisoformat(found[1]) + dt.timedelta(days=1)
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        for size, scheme, part in SHOTS:
            _shot(browser, asked, (size, scheme, part), day)
        browser.close()


def _shot(browser: Any, asked: argparse.Namespace, what: tuple[str, str, str], day: dt.date) -> None:
    size, scheme, part = what
    wide, tall = SIZES[size]
    context = browser.new_context(viewport={"width": wide, "height": tall}, color_scheme=scheme, offline=True)
    page = context.new_page()
    page.clock.set_fixed_time(dt.datetime.combine(day, dt.time(8)))
    page.goto(f"{asked.board.resolve().as_uri()}#{part}")
    page.locator(f"[data-view='{part}']").wait_for(state="visible")
    page.screenshot(path=asked.folder / f"board-{size}-{part}-{scheme}.png")
    context.close()


if __name__ == "__main__":
    main()

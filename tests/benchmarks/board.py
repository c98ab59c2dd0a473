"""Benchmark of the board: 60 lakes with every insect of the catalogue, its size, how long it takes to make and to open.

Run: ``python -m tests.benchmarks.board [--lakes 60] [--keep FILE] [--out FILE]``. Lakes are synthetic, under the
demo's stations, and every insect is said to live in every lake. Aims: at most 2.5 MB; 15 s for the page (the numbers of
the lake pages and the page from the tables; the run itself is timed beside it); first content on a phone's screen
within 1.5 s of opening, the middle of OPENINGS openings in chromium from disk without a network. Times are by the
clock; in brackets those of the processor, which other work on the machine does not change.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime as dt
import os
import shutil
import tempfile
import time
from pathlib import Path
from statistics import median

import numpy as np

from emergence.dates import day_number
from emergence.records import Residents
from emergence.report.board import Beside, board_html
from emergence.report.board_rows import Since
from emergence.report.history import changes
from emergence.runs.execute import Wanted, run_plan
from emergence.runs.lake_pages import lake_pages
from emergence.runs.plan import prepare
from emergence.taxa.catalogue_io import load_catalogue
from tests.benchmarks.chain import demo_season, many_lakes

WEEK_D, OPENINGS = 7, 7
PAINTED = """() => new Promise(done => new PerformanceObserver(list => {
  const paint = list.getEntriesByName('first-contentful-paint')[0];
  if (paint) done(paint.startTime);
}).observe({type: 'paint', buffered: true}))"""


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=60)
    parser.add_argument("--keep", type=Path, help="Write the page there.")
    parser.add_argument("--out", type=Path, help="Write the table there too.")
    asked = parser.parse_args()
    season = demo_season(many_lakes(asked.lakes))
    pairs = [(lake, taxon) for lake in season.lakes.lake_id for taxon in load_catalogue({})]
    lake_id, taxon = (np.array(column, dtype=object) for column in zip(*pairs, strict=True))
    yes = np.full(len(pairs), "yes", dtype=object)
    season = dataclasses.replace(season, residents=Residents(lake_id=lake_id, taxon=taxon, residence=yes))
    as_of = day_number(dt.date(2025, 5, 20))
    earlier = run_plan(prepare(season, as_of=as_of - WEEK_D), Wanted(water=False))
    began = _times()
    plan = prepare(season, as_of=as_of)
    result = run_plan(plan, Wanted(effects=True))
    ran = _times()
    pages = lake_pages(plan)
    paged = _times()
    since = Since(changes(result, earlier.windows), earlier.info.as_of, "")
    page = board_html(result, Beside(pages, since))
    done = _times()
    kept = asked.keep or Path(tempfile.mkdtemp()) / "board.html"
    kept.write_text(page, encoding="utf-8", newline="\n")
    first, ready = opening(kept)
    rows = [
        ("forecast", _between(began, ran), ""),
        ("lake pages' numbers", _between(ran, paged), ""),
        ("page from the tables", _between(paged, done), ""),
        ("the board: numbers and page", _between(ran, done), "15 s"),
        ("size", f"{len(page.encode()) / 1e6:.2f} MB", "2.5 MB"),
        ("first content on a phone's screen", f"{first:.2f} s", "1.5 s"),
        ("scripts done", f"{ready:.2f} s", ""),
    ]
    head = f"# Board of {asked.lakes} lakes, {len(result.windows)} windows, {len(result.days)} daily chances\n"
    lines = [head, "| what | by the clock (processor) | aim |", "|---|---|---|"]
    lines += [f"| {' | '.join(row)} |" for row in rows]
    load, cores = os.getloadavg()[0], os.cpu_count()
    lines += ["", f"`python -m tests.benchmarks.board`, {cores} cores, load {load:.0f} (2 and less: nothing else ran)."]
    text = "\n".join(lines) + "\n"
    print(text)
    if asked.out:
        asked.out.write_text(text, encoding="utf-8", newline="\n")


def _times() -> tuple[float, float]:
    return time.perf_counter(), time.process_time()


def _between(before: tuple[float, float], after: tuple[float, float]) -> str:
    return f"{after[0] - before[0]:.1f} s ({after[1] - before[1]:.1f} s)"


def opening(page: Path) -> tuple[float, float]:
    """Return when the first content is painted and when the page is ready [s], the middle of several openings."""
    from playwright.sync_api import sync_playwright

    painted, ready = [], []
    with sync_playwright() as started:
        browser = started.chromium.launch(executable_path=shutil.which("chromium"), args=["--no-sandbox"])
        for _ in range(OPENINGS):
            tab = browser.new_context(viewport={"width": 390, "height": 844}, offline=True).new_page()
            tab.goto(page.as_uri())
            painted.append(float(tab.evaluate(PAINTED)) / 1000)
            timing = "performance.getEntriesByType('navigation')[0].domContentLoadedEventEnd"
            ready.append(float(tab.evaluate(timing)) / 1000)
            tab.context.close()
        browser.close()
    return median(painted), median(ready)


if __name__ == "__main__":
    main()

"""Benchmark of the board: 60 lakes with every insect of the catalogue, its size and how long it takes to make.

Run: ``python -m tests.benchmarks.board [--lakes 60] [--keep FILE]``. Lakes are synthetic, under the demo's stations,
and every insect is said to live in every lake. Aims: at most 2.5 MB and 15 s from the
run's tables to the page; the run itself and the numbers of the lake pages are timed beside it.
"""

from __future__ import annotations

import argparse
import dataclasses
import datetime as dt
import time
from pathlib import Path

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

WEEK_D = 7


def main() -> None:
    """Print the table."""
    parser = argparse.ArgumentParser(description=__doc__)
    parser.add_argument("--lakes", type=int, default=60)
    parser.add_argument("--keep", type=Path, help="Write the page there.")
    asked = parser.parse_args()
    season = demo_season(many_lakes(asked.lakes))
    pairs = [(lake, taxon) for lake in season.lakes.lake_id for taxon in load_catalogue({})]
    lake_id, taxon = (np.array(column, dtype=object) for column in zip(*pairs, strict=True))
    yes = np.full(len(pairs), "yes", dtype=object)
    season = dataclasses.replace(season, residents=Residents(lake_id=lake_id, taxon=taxon, residence=yes))
    as_of = day_number(dt.date(2025, 5, 20))
    earlier = run_plan(prepare(season, as_of=as_of - WEEK_D), Wanted(water=False))
    began = time.perf_counter()
    plan = prepare(season, as_of=as_of)
    result = run_plan(plan, Wanted(effects=True))
    ran = time.perf_counter()
    pages = lake_pages(plan)
    paged = time.perf_counter()
    since = Since(changes(result, earlier.windows), earlier.info.as_of, "")
    page = board_html(result, Beside(pages, since))
    done = time.perf_counter()
    if asked.keep:
        asked.keep.write_text(page, encoding="utf-8", newline="\n")
    print(f"lakes {asked.lakes}, windows {len(result.windows)}, daily chances {len(result.days)}")
    print(f"forecast            {ran - began:6.1f} s")
    print(f"lake pages' numbers {paged - ran:6.1f} s")
    print(f"board from tables   {done - paged:6.1f} s")
    print(f"size                {len(page.encode()) / 1e6:6.2f} MB")


if __name__ == "__main__":
    main()

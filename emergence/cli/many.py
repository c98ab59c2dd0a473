"""The run of many lakes, or on many machines: blocks into a store, tables written from them, progress told."""

from __future__ import annotations

import contextlib
import sys
import time
from collections.abc import Iterator
from dataclasses import dataclass, replace
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING

import click

from emergence.cli.board import learned_info

if TYPE_CHECKING:
    from emergence.runs.blocks import BlockTables, Wanted
    from emergence.runs.execute import Progress
    from emergence.runs.plan import RunPlan
    from emergence.runs.results import RunInfo
    from emergence.runs.store import BlockStore
    from emergence.runs.stored import Engine

MANY_LAKES = 300
"""Above this a run goes block by block to the disk, only a summary is shown, and a board made only when asked for."""
PARQUET_LAKES = 1000
"""Above this tables are Parquet unless CSV is asked for, where the library is there."""
SHOWN_AFTER = 32  # lakes; smaller runs are over before a progress line helps
SURE_AFTER = 5.0  # seconds before a remaining time is told


def default_format(lakes: int) -> str:
    """Return csv for few lakes and parquet for many, where it can be written."""
    import importlib.util

    return "parquet" if lakes > PARQUET_LAKES and importlib.util.find_spec("pyarrow") else "csv"


def progress_line(lakes: int) -> Progress | None:
    """Return what tells progress on a terminal; None where stderr is none, or for few lakes.

    The remaining time comes from this run's own pace: lakes that an earlier run had finished do not count in it.
    """
    if lakes < SHOWN_AFTER or not sys.stderr.isatty():
        return None
    began, first = time.monotonic(), -1

    def show(done: int, total: int) -> None:
        nonlocal first
        if first < 0:
            first = done
        words = remaining_words(time.monotonic() - began, done - first, total - done)
        click.echo(f"\r{done} of {total} lakes{words}\x1b[K", err=True, nl=done == total)

    return show


def remaining_words(elapsed_s: float, done: int, left: int) -> str:
    """Return how long the lakes left will take at this run's pace, in words; "" while it is not known."""
    if not left or not done or elapsed_s < SURE_AFTER:
        return ""
    seconds = elapsed_s * left / done
    if seconds < 90:
        return f", about {seconds:.0f} s left"
    return f", about {seconds / 60:.0f} min left" if seconds < 5400 else f", about {seconds / 3600:.1f} h left"


@dataclass(frozen=True)
class Output:
    """What a forecast is to write: parts, into which folder (None: reports/NAME/DATE), which format, JSON on stdout."""

    parts: frozenset[str]
    out: Path | None
    table_format: str | None
    as_json: bool


def forecast_many(plan: RunPlan, wanted: Wanted, output: Output, *, dask: str | None) -> RunInfo:
    """Run block by block, write the run and print what fits on a terminal."""
    from emergence.errors import WrongUseError
    from emergence.report.folders import point_latest
    from emergence.report.tables import TABLES, check_format
    from emergence.report.terminal import summary_of_many
    from emergence.report.write import run_home
    from emergence.runs.execute import run_info

    if output.as_json or output.parts - set(TABLES):
        asked = ", ".join(sorted(output.parts - set(TABLES)) or ["--json"])
        raise WrongUseError(
            f"{asked}: only up to {MANY_LAKES} lakes and without --dask; choose lakes with --lake, or read the tables"
        )
    table_format = output.table_format or default_format(len(plan.lakes))
    check_format(table_format)
    info = learned_info(run_info(plan), plan.season.folder, used=plan.learned is not None)
    out = output.out or run_home(Path("reports"), info.name) / info.as_of.isoformat()
    told = replace(output, out=out, table_format=table_format)
    info = run_blocks(plan, wanted, told, info, dask=dask)
    if output.out is None:
        point_latest(out.resolve())
    click.echo(summary_of_many(info, color=sys.stdout.isatty()), nl=False)
    click.echo(f"written to {out.resolve()}", err=True)
    return info


def run_blocks(plan: RunPlan, wanted: Wanted, output: Output, info: RunInfo, *, dask: str | None) -> RunInfo:
    """Run a plan block by block and write its folder; return ``info`` with what only the blocks know."""
    from emergence.report.folders import BLOCKS, may_replace
    from emergence.report.tables import encoded
    from emergence.report.write import installed_versions, write_run_of_blocks
    from emergence.runs.execute import told_info
    from emergence.runs.store import BlockStore
    from emergence.runs.stored import run_key, run_stored

    out, table_format = (output.out or Path()).resolve(), output.table_format or "csv"
    may_replace(out)
    store = BlockStore(out / BLOCKS, run_key(plan, wanted, {"versions": installed_versions(), "format": table_format}))
    encode = partial(encoded, table_format=table_format)
    with contextlib.ExitStack() as stack:
        engine = stack.enter_context(_engine(dask))
        stack.enter_context(store.opened())
        stack.enter_context(_told_where(store))
        progress = progress_line(len(plan.lakes))
        blocks = run_stored(plan, wanted, store, encode=encode, engine=engine, progress=progress)
        info = told_info(info, plan, list(_said(store, blocks)))
    pieces = (store.get(number) for number in range(blocks))
    write_run_of_blocks(info, pieces, out, what=set(output.parts), table_format=table_format)
    return info


def _said(store: BlockStore, blocks: int) -> Iterator[BlockTables]:
    from emergence.runs.stored import SAID, said_by

    for number in range(blocks):
        yield said_by(store.get(number, SAID))


@contextlib.contextmanager
def _engine(dask: str | None) -> Iterator[Engine | None]:
    if dask is None:
        yield None
        return
    from emergence.runs.cluster import on_cluster

    with on_cluster(dask) as engine:
        yield engine


@contextlib.contextmanager
def _told_where(store: BlockStore) -> Iterator[None]:
    """Say after an interruption that what is done is kept."""
    try:
        yield
    except KeyboardInterrupt:
        click.echo(
            f"\nstopped; finished blocks are kept in {store.home}: the same command goes on from there", err=True
        )
        raise

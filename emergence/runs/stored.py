"""A run of many lakes: block after block into a store, on this machine's cores or on other machines."""

from __future__ import annotations

import dataclasses
import datetime as dt
import hashlib
import itertools
import json
import os
from collections.abc import Callable, Iterator, Mapping, Sequence
from concurrent.futures import FIRST_COMPLETED, ThreadPoolExecutor, wait
from functools import partial
from typing import Any

import numpy as np
import pandas as pd
from numpy.typing import NDArray

from emergence.errors import Problem
from emergence.runs.blocks import BlockTables, Wanted, block_tables, cut_lakes, part_of
from emergence.runs.execute import Progress
from emergence.runs.learn import to_json
from emergence.runs.plan import RunPlan
from emergence.runs.results import NoteEffect
from emergence.runs.store import BlockStore, code_checksum, key_of, packed

Encode = Callable[[pd.DataFrame, str], bytes]
"""Turns a table and its name into the bytes that are kept of a block; must be picklable for other machines."""
Cut = tuple[int, NDArray[np.int64]]
Work = Callable[[RunPlan, NDArray[np.int64]], bytes]
Engine = Callable[[RunPlan, Sequence[Cut], Work], Iterator[tuple[int, bytes]]]
"""Yields the blocks of a plan by number as they are done, in any order."""
SAID = "said.json"


def run_key(plan: RunPlan, wanted: Wanted, options: Mapping[str, Any]) -> str:
    """Return the checksum of all that the blocks of a run depend on: inputs, fits, options, versions, own code.

    Parameters
    ----------
    plan
        The plan of a season folder as read: its files count by their checksums.
    wanted
        What is to come out; threads do not count.
    options
        What else makes a difference: versions of packages, format of the pieces.
    """
    season, lakes = plan.season, "\n".join(plan.lakes.lake_id.tolist())
    return key_of(
        {
            "inputs": dict(season.checksums),
            "problems": [p.sentence() for p in season.problems],
            "learned": "" if plan.learned is None else to_json(plan.learned, {}),
            "as_of": plan.as_of,
            "lakes": hashlib.sha256(lakes.encode()).hexdigest(),
            "taxa": list(plan.taxa),
            "seed": plan.seed,
            "members": [len(plan.slots.slot_year), plan.replicates],
            "wanted": [wanted.tables, wanted.effects, wanted.block],
            "options": dict(options),
            "code": code_checksum(),
        }
    )


def run_stored(
    plan: RunPlan,
    wanted: Wanted,
    store: BlockStore,
    *,
    encode: Encode,
    engine: Engine | None = None,
    progress: Progress | None = None,
) -> int:
    """Make every block of a run that the store does not hold, and return the number of blocks.

    Parameters
    ----------
    plan, wanted
        The run.
    store
        Opened; blocks are kept in it as they are done, so a run that is stopped goes on from there.
    encode
        Makes the pieces of a block from its tables.
    engine
        Where the work is done; default this machine, ``wanted.threads`` at once.
    progress
        Called with (lakes done, lakes in all) first and after each block.
    """
    cuts = cut_lakes(len(plan.lakes), wanted.block)
    done, total = store.done(len(cuts)), len(plan.lakes)
    finished = sum(len(cuts[k]) for k in done)
    tell = progress or (lambda _done, _total: None)
    tell(finished, total)
    todo = [(k, cut) for k, cut in enumerate(cuts) if k not in done]
    work = partial(block_bytes, wanted=wanted, encode=encode)
    if todo:
        for number, block in (engine or partial(on_threads, threads=wanted.threads))(plan, todo, work):
            store.put(number, block)
            finished += len(cuts[number])
            tell(finished, total)
    return len(cuts)


def on_threads(plan: RunPlan, todo: Sequence[Cut], work: Work, *, threads: int = 0) -> Iterator[tuple[int, bytes]]:
    """Yield blocks made on threads of this machine (0: one for each core); only few wait at once."""
    threads = threads or os.cpu_count() or 1
    waiting = iter(todo)
    with ThreadPoolExecutor(threads) as pool:
        running = {pool.submit(work, plan, cut): number for number, cut in _some(waiting, threads + 1)}
        try:
            while running:
                ready, _ = wait(running, return_when=FIRST_COMPLETED)
                for future in ready:
                    number = running.pop(future)
                    running |= {pool.submit(work, plan, cut): n for n, cut in _some(waiting, 1)}
                    yield number, future.result()
        finally:
            pool.shutdown(wait=True, cancel_futures=True)


def _some(waiting: Iterator[Cut], most: int) -> list[Cut]:
    return list(itertools.islice(waiting, most))


def block_bytes(plan: RunPlan, lakes: NDArray[np.int64], *, wanted: Wanted, encode: Encode) -> bytes:
    """Return one block as the store keeps it: the pieces of its tables, and what must be said of them."""
    block = block_tables(plan, lakes, wanted)
    pieces = {name: encode(table, name) for name, table in block.tables.items()}
    return packed(pieces | {SAID: _said(block)})


def _said(block: BlockTables) -> bytes:
    said = {
        "suspicious": [dataclasses.asdict(p) for p in block.suspicious],
        "settled": block.settled,
        "effects": [dataclasses.asdict(e) for e in block.effects],
    }
    return json.dumps(said, default=dt.date.isoformat).encode()


def said_by(pieces: Mapping[str, bytes]) -> BlockTables:
    """Return what a stored block says beside its tables."""
    said = json.loads(pieces[SAID])
    return BlockTables(
        {},
        tuple(Problem(**p) for p in said["suspicious"]),
        tuple((word, name) for word, name in said["settled"]),
        tuple(_effect(e) for e in said["effects"]),
    )


def _effect(told: dict[str, Any]) -> NoteEffect:
    dates = {k: None if told[k] is None else dt.date.fromisoformat(told[k]) for k in ("latest_date", "before", "after")}
    return NoteEffect(**(told | dates))


def sent_part(plan: RunPlan, lakes: NDArray[np.int64]) -> tuple[RunPlan, NDArray[np.int64]]:
    """Return the part of a plan that a block needs, and its lakes in that part."""
    return part_of(plan, lakes), np.arange(len(lakes))

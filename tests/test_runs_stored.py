"""Blocks on disk: an interrupted run goes on, a changed input starts anew, the files are those of a run in memory."""

from __future__ import annotations

import dataclasses
from collections.abc import Iterator, Sequence
from functools import cache, partial
from pathlib import Path

import pandas as pd
import pytest
from filelock import FileLock
from test_runs_forecast import demo, small

from emergence.report.tables import encoded
from emergence.report.write import write_run, write_run_of_blocks
from emergence.runs.blocks import Wanted
from emergence.runs.execute import run_info, run_plan, told_info
from emergence.runs.plan import RunPlan, prepare
from emergence.runs.store import BlockStore, StoreError, packed
from emergence.runs.stored import Cut, Work, on_threads, run_key, run_stored, said_by
from emergence.runs.taught import Learned

WANTED = Wanted(members=True, effects=True, block=2)
TABLES = {"windows", "days", "water", "members"}
CSV = partial(encoded, table_format="csv")


@cache
def plan() -> RunPlan:
    return prepare(small(demo(), 4, 2), lakes=tuple(demo().lakes.lake_id[:5]), taxa=("callibaetis", "boatman"))


def stopping(after: int, seen: list[int]) -> object:
    """Return an engine that does what the usual one does, counts it, and is interrupted."""

    def engine(whole: RunPlan, todo: Sequence[Cut], work: Work) -> Iterator[tuple[int, bytes]]:
        for number, block in on_threads(whole, todo, work, threads=1):
            if len(seen) == after:
                raise KeyboardInterrupt
            seen.append(number)
            yield number, block

    return engine


@pytest.mark.parametrize("ending", ["csv", "parquet"])
def test_a_stopped_run_goes_on_and_its_files_are_those_of_a_run_in_memory(tmp_path: Path, ending: str) -> None:
    encode = partial(encoded, table_format=ending)
    store, first, second = BlockStore(tmp_path / ending / ".blocks", "k"), [], []
    with pytest.raises(KeyboardInterrupt), store.opened():
        run_stored(plan(), WANTED, store, encode=encode, engine=stopping(2, first))
    told: list[tuple[int, int]] = []
    with store.opened():
        again = stopping(9, second)
        blocks = run_stored(plan(), WANTED, store, encode=encode, engine=again, progress=lambda *n: told.append(n))
    assert blocks == 3 and len(first) == 2 and sorted(first + second) == [0, 1, 2]
    assert told[0] == (sum(2 if k < 2 else 1 for k in first), 5) and told[-1] == (5, 5)
    info = told_info(run_info(plan()), plan(), [said_by(store.get(k)) for k in range(blocks)])
    pieces = (store.get(k) for k in range(blocks))
    out = write_run_of_blocks(info, pieces, tmp_path / ending, what=TABLES, table_format=ending)
    whole = write_run(run_plan(plan(), WANTED), tmp_path / "memory", what=TABLES, table_format=ending)
    names = sorted(p.name for p in whole.iterdir())
    assert sorted(p.name for p in out.iterdir()) == names and len(names) == 5
    for name in names:
        if name.endswith(".parquet"):  # row groups end with blocks
            pd.testing.assert_frame_equal(pd.read_parquet(out / name), pd.read_parquet(whole / name), check_exact=True)
        else:
            assert (out / name).read_bytes() == (whole / name).read_bytes(), name


def test_a_damaged_block_is_made_again(tmp_path: Path) -> None:
    store = BlockStore(tmp_path / ".blocks", "k")
    with store.opened():
        for number in range(3):
            store.put(number, packed({"windows": b"a,b\n" * 50}))
        path = store.folder / "0000001.zip"
        raw = bytearray(path.read_bytes())
        raw[60] ^= 1
        path.write_bytes(raw)
        (store.folder / "0000002.zip").write_bytes(b"PK")
        assert store.done(4) == {0}
        assert store.get(0) == {"windows": b"a,b\n" * 50}


def test_blocks_of_another_run_are_not_used_and_go(tmp_path: Path) -> None:
    with BlockStore(tmp_path, "one").opened() as store:
        store.put(0, packed({"windows": b""}))
        (store.folder / "0000001.abcd.part").write_bytes(b"half")
    with BlockStore(tmp_path, "one").opened() as again:
        assert again.done(2) == {0} and [p.suffix for p in again.folder.iterdir()] == [".zip"]
    with BlockStore(tmp_path, "other").opened() as other:
        assert other.done(2) == set()
    with BlockStore(tmp_path, "one").opened() as last:
        assert last.done(2) == set()


def test_one_run_at_a_time(tmp_path: Path) -> None:
    with (
        FileLock(tmp_path / "lock"),
        pytest.raises(StoreError, match="another run"),
        BlockStore(tmp_path, "k").opened(),
    ):
        pass


def test_the_key_knows_inputs_options_and_versions_and_not_threads() -> None:
    whole = plan()

    def key(changed: RunPlan = whole, wanted: Wanted = WANTED, version: str = "1") -> str:
        return run_key(changed, wanted, {"versions": {"numpy": version}})

    weather = {**whole.season.checksums, "weather/pellor_head.csv.gz": "0"}
    keys = [
        key(),
        key(dataclasses.replace(whole, season=dataclasses.replace(whole.season, checksums=weather))),
        key(dataclasses.replace(whole, season=dataclasses.replace(whole.season, problems=()))),
        key(version="2"),
        key(dataclasses.replace(whole, seed=9)),
        key(dataclasses.replace(whole, as_of=whole.as_of - 3)),
        key(dataclasses.replace(whole, replicates=3)),
        key(dataclasses.replace(whole, lakes=whole.lakes.take(slice(1, None)))),
        key(dataclasses.replace(whole, taxa={k: whole.taxa[k] for k in ("boatman",)})),
        key(dataclasses.replace(whole, learned=Learned(whole.as_of, {}, {}))),
        key(wanted=dataclasses.replace(WANTED, members=False)),
        key(wanted=dataclasses.replace(WANTED, block=64)),
    ]
    assert len(set(keys)) == len(keys)
    assert key() == keys[0] == key(wanted=dataclasses.replace(WANTED, threads=7))

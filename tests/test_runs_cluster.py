"""Blocks on real Dask worker processes: the same bytes as here, also when one is killed in the middle."""

from __future__ import annotations

import os
import signal
from functools import partial
from pathlib import Path

import pandas as pd
import pytest
from test_runs_stored import CSV, plan

from emergence.errors import WrongUseError
from emergence.runs.blocks import Wanted
from emergence.runs.cluster import ClusterError, _finished, on_cluster
from emergence.runs.store import BlockStore
from emergence.runs.stored import run_stored

WANTED = Wanted(block=1)


def kept(store: BlockStore, blocks: int) -> list[dict[str, bytes]]:
    return [store.get(k) for k in range(blocks)]


def deadly(table: pd.DataFrame, name: str, *, parent: int, marker: str) -> bytes:
    """Kill the process that has worked on the second lake, once."""
    if os.getpid() != parent and str(table["lake_id"].iloc[0]) == plan().lakes.lake_id[1] and not Path(marker).exists():
        Path(marker).write_text(str(os.getpid()))
        os.kill(os.getpid(), signal.SIGKILL)
    return CSV(table, name)


@pytest.mark.enable_socket
@pytest.mark.filterwarnings("default")  # the libraries' own, at the death of a worker
def test_a_killed_worker_costs_its_block_and_changes_no_byte(tmp_path: Path) -> None:
    marker = tmp_path / "killed"
    with BlockStore(tmp_path / "here", "k").opened() as here:
        blocks = run_stored(plan(), WANTED, here, encode=CSV)
    encode = partial(deadly, parent=os.getpid(), marker=str(marker))
    told: list[int] = []
    with BlockStore(tmp_path / "there", "k").opened() as there, on_cluster("local", workers=2) as engine:
        run_stored(plan(), WANTED, there, encode=encode, engine=engine, progress=lambda done, _: told.append(done))
    assert int(marker.read_text()) != os.getpid()
    assert told == list(range(blocks + 1))
    assert kept(there, blocks) == kept(here, blocks)


def test_addresses_are_checked() -> None:
    with pytest.raises(WrongUseError, match="tcp://"), on_cluster("elsewhere"):
        pass


@pytest.mark.enable_socket
@pytest.mark.filterwarnings("default")
def test_a_scheduler_that_does_not_answer_is_told(monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr("emergence.runs.cluster.WAIT_S", 1)
    with pytest.raises(ClusterError, match=r"tcp://127.0.0.1:9 cannot be used"), on_cluster("tcp://127.0.0.1:9"):
        pass


def test_a_cluster_that_lost_all_its_workers_is_not_waited_for(monkeypatch: pytest.MonkeyPatch) -> None:
    """Nothing is ever done, nobody is there to do it: a message after a while, no endless wait."""

    class Deserted:
        asked = 0

        def nthreads(self) -> dict[str, int]:
            self.asked += 1
            return {} if self.asked > 1 else {"tcp://127.0.0.1:9": 1}

    def nothing_done(*_args: object, **_kwargs: object) -> None:
        raise TimeoutError

    monkeypatch.setattr("distributed.wait", nothing_done)
    monkeypatch.setattr("emergence.runs.cluster.WAIT_S", 0)
    client = Deserted()
    with pytest.raises(ClusterError, match=r"no Dask worker is left.*the same command again"):
        _finished(client, [])
    assert client.asked > 1

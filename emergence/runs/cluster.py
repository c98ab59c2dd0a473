"""Blocks of lakes on the workers of a Dask cluster; retries are its scheduler's, finished blocks the store's."""

from __future__ import annotations

import contextlib
import itertools
import time
from collections.abc import Iterator, Sequence
from concurrent.futures import CancelledError
from functools import partial
from importlib import import_module
from typing import Any

import numpy as np
from numpy.typing import NDArray

from emergence.errors import EmergenceError, WrongUseError
from emergence.runs.plan import RunPlan
from emergence.runs.store import code_checksum
from emergence.runs.stored import Cut, Engine, Work, sent_part

LOCAL = "local"
WAIT_S = 60  # for a scheduler to answer, for the first worker, and for another when none is left; our choice
LOOK_S = 5.0  # how often it is looked whether any worker is left
PATIENCE = {  # of processes of this machine: where other work leaves them little time they are slow, not lost
    "distributed.comm.timeouts.connect": "5 minutes",
    "distributed.comm.timeouts.tcp": "5 minutes",
}
AHEAD = 2  # blocks sent to each thread of a worker beyond the one it works on
RETRIES = 2  # of a block whose work failed; a worker's death has the scheduler's own limit (allowed-failures)
LARGEST_TASK = "64MB"  # the part of a plan that a block needs travels with it


class ClusterError(EmergenceError):
    """The cluster cannot be reached, or gave a block up."""


@contextlib.contextmanager
def on_cluster(address: str, *, workers: int | None = None) -> Iterator[Engine]:
    """Give an engine (`stored.run_stored`) whose blocks run on a Dask cluster.

    Parameters
    ----------
    address
        ``tcp://host:port`` of a running scheduler, or ``local``: processes of this machine, one for each core.
    workers
        How many processes with ``local``.

    Raises
    ------
    WrongUseError
        Dask is not installed, or the address is none.
    ClusterError
        The scheduler does not answer or has no worker, a worker runs another version, or a block was given up.
    """
    try:
        dask: Any = import_module("dask")
        distributed: Any = import_module("distributed")
    except ImportError as error:
        raise WrongUseError("--dask needs dask and distributed: install aquatic-insect-emergence[dask]") from error
    if address != LOCAL and "://" not in address:
        raise WrongUseError(
            f"--dask takes 'local' or a scheduler's address such as tcp://10.0.0.5:8786, not {address!r}"
        )
    with contextlib.ExitStack() as stack:
        stack.enter_context(dask.config.set({"distributed.admin.large-graph-warning-threshold": LARGEST_TASK}))
        where: object = address
        if address == LOCAL:
            stack.enter_context(dask.config.set(PATIENCE))
            where = stack.enter_context(
                distributed.LocalCluster(n_workers=workers, threads_per_worker=1, dashboard_address=None)
            )
        try:
            client = stack.enter_context(distributed.Client(where, timeout=WAIT_S))
            client.wait_for_workers(1, timeout=WAIT_S)
        except (OSError, TimeoutError, ValueError) as error:
            raise ClusterError(f"the Dask scheduler {address} cannot be used: {error}") from error
        yield partial(_blocks, client=client)


def _blocks(plan: RunPlan, todo: Sequence[Cut], work: Work, *, client: Any) -> Iterator[tuple[int, bytes]]:
    """Yield blocks as workers finish them; only a few for each thread are on their way at once."""
    distributed: Any = import_module("distributed")
    code, waiting, numbers = code_checksum(), iter(todo), dict[Any, int]()

    def send(most: int) -> None:
        for number, lakes in itertools.islice(waiting, most):
            part, own = sent_part(plan, lakes)
            numbers[client.submit(_checked, work, part, own, code, pure=False, retries=RETRIES)] = number

    send(max(1, sum(client.nthreads().values())) * (1 + AHEAD))
    try:
        while numbers:
            for future in _finished(client, list(numbers)):
                number = numbers.pop(future)
                block = future.result()
                room = sum(client.nthreads().values()) * (1 + AHEAD) - len(numbers)
                send(max(room, 0 if numbers else 1))
                yield number, block
    except distributed.KilledWorker as error:
        raise ClusterError(f"a block of lakes was given up, its workers died: {error}") from error
    except (OSError, CancelledError) as error:
        raise ClusterError(f"the Dask scheduler is lost ({error}); finished blocks are kept") from error
    finally:
        client.cancel(list(numbers))


def _finished(client: Any, futures: list[Any]) -> list[Any]:
    """Return the futures that are done, waiting for one; a cluster without a worker is not waited for for ever."""
    distributed: Any = import_module("distributed")
    left = time.monotonic()
    while True:
        with contextlib.suppress(TimeoutError):
            done = distributed.wait(futures, timeout=LOOK_S, return_when="FIRST_COMPLETED").done
            return [future for future in futures if future in done]
        if client.nthreads():
            left = time.monotonic()
        elif time.monotonic() - left > WAIT_S:
            raise ClusterError(
                f"no Dask worker is left, and none came within {WAIT_S} s; finished blocks are kept: start workers and "
                "give the same command again"
            )


def _checked(work: Work, part: RunPlan, lakes: NDArray[np.int64], code: str) -> bytes:
    if code_checksum() != code:
        raise ClusterError("a worker runs another version of emergence; install the same one everywhere")
    return work(part, lakes)

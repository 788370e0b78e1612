"""The same trials on an existing Dask cluster. Workers get the study itself; they share no disk with us.

A worker that dies loses only what it was working on, and the scheduler gives that to another. Each
chunk is written once, here.
"""

from collections.abc import Generator
from itertools import islice
from pathlib import Path
from typing import Any
from uuid import uuid4

from distributed import Client, KilledWorker, WorkerPlugin, as_completed, get_worker
from distributed.comm.addressing import parse_address, parse_host_port

from listener.errors import UserError
from listener.study.bank import Bank
from listener.study.design import Design
from listener.study.plan import Plan
from listener.study.trials import Study, Trial
from listener.study.worker import run_chunk

WAIT_S = 10
AHEAD = 3  # chunks handed out for each thread of the cluster
TRIES = 5


class Carried(WorkerPlugin):
    """The prepared study, sent to every worker that is there and to every one that joins later."""

    def __init__(self, name: str, plan: Plan, bank: Bank) -> None:
        self.name = name
        self._plan, self._bank = plan, bank.in_memory()

    def setup(self, worker: Any) -> None:
        """Called by Dask on each worker: builds the study once, for all chunks that come there."""
        self.study = Study(Design(self._plan), self._bank)

    def __getstate__(self) -> dict[str, Any]:
        return {key: value for key, value in self.__dict__.items() if key != "study"}


class Cluster:
    """A Dask cluster at `address`. Raises UserError when it cannot be reached or has no workers."""

    def __init__(self, address: str) -> None:
        try:
            parse_host_port(parse_address(address)[1])  # Client would say so too, and then stumble over itself
            self._client = Client(address, timeout=WAIT_S, set_as_default=False)
        except (OSError, TimeoutError, ValueError) as error:
            reason = " ".join(str(error).split())[:120] or type(error).__name__
            raise UserError(f"cluster {address}: cannot be reached ({reason}); start 'dask scheduler' there, "
                            "or leave --cluster out to use this machine") from None  # fmt: skip
        if not self._client.scheduler_info()["workers"]:
            self._client.close()
            raise UserError(f"cluster {address}: has no workers; start 'dask worker {address}' on the machines")

    def __enter__(self) -> "Cluster":
        return self

    def __exit__(self, *_: object) -> None:
        self._client.close()

    def work(self, study: Study, out: Path, todo: list[range]) -> Generator[tuple[range, list[Trial]]]:
        """Chunks and their trials as they come, in any order. Raises UserError when a chunk fails for good."""
        name = f"study-{uuid4().hex}"
        self._client.register_plugin(Carried(name, study.design.plan, study.bank))
        try:
            yield from self._results(name, todo)
        finally:
            self._client.unregister_worker_plugin(name)

    def _results(self, name: str, todo: list[range]) -> Generator[tuple[range, list[Trial]]]:
        waiting = iter(todo)
        tries = {chunk.start: 0 for chunk in todo}
        threads = sum(w["nthreads"] for w in self._client.scheduler_info()["workers"].values())
        first = [self._submit(name, chunk) for chunk in islice(waiting, AHEAD * max(threads, 1))]
        running = as_completed(first, loop=self._client.loop)
        for future in running:
            chunk = future.study_chunk
            error = future.exception()
            if isinstance(error, KilledWorker) and tries[chunk.start] < TRIES:
                tries[chunk.start] += 1
                running.add(self._submit(name, chunk))
                continue
            if error:
                raise UserError(f"cluster: sounds {chunk.start} to {chunk.stop - 1} failed: {error}; what is done is "
                                "kept, run the same command again")  # fmt: skip
            yield chunk, future.result()
            if follower := next(waiting, None):
                running.add(self._submit(name, follower))

    def _submit(self, name: str, chunk: range) -> Any:
        future: Any = self._client.submit(_run_carried, name, chunk, pure=False, retries=TRIES)
        future.study_chunk = chunk
        return future


def _run_carried(name: str, chunk: range) -> list[Trial]:
    carried = get_worker().plugins[name]
    assert isinstance(carried, Carried)
    return run_chunk(carried.study, chunk)

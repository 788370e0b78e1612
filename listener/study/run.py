"""Running a study: all its trials, on this machine's cores or on a Dask cluster, from wherever it stopped.

Sounds are worked on in chunks; a finished chunk is a file. So a kill costs at most the chunks that were
in the works, and nothing is counted twice.
"""

import os
import shutil
import time
import warnings
from collections.abc import Generator
from contextlib import closing
from pathlib import Path
from typing import TYPE_CHECKING, Protocol

import yaml
from rich.console import Console
from rich.progress import BarColumn, MofNCompleteColumn, Progress, TaskProgressColumn, TextColumn, TimeRemainingColumn

from listener.atomic_write import check_folder, own_folder, write_whole
from listener.errors import UserError
from listener.study import bank as banks
from listener.study.bank import Bank
from listener.study.design import Design
from listener.study.lock import LOCK, alone_in, check_lock, code_sha256, kept_bank, lock_of, write_lock
from listener.study.plan import PLAN, Plan, plan_hash
from listener.study.prepared import Prepared
from listener.study.recorded import check_there
from listener.study.stop import quiet_tracker, signals_held, stoppable
from listener.study.table import PARTS, TRIALS, done_parts, join_parts, write_part
from listener.study.trials import Study, Trial
from listener.study.worker import run_chunk, run_prepared

if TYPE_CHECKING:
    import numpy as np

    from listener.study.cluster import Cluster


TELL_S = 30.0
"""Off a terminal progress is a line every so often."""


def run_study(plan: Plan, out: Path, workers: int, cluster: str | None = None, console: Console | None = None) -> Path:
    """Run what is not done yet and put the results together in `out`. Gives the path of the trials.

    workers: processes on this machine; cluster: address of a Dask scheduler instead. Raises UserError
    before any work starts for whatever can be seen then, and when it is stopped (SIGTERM, Ctrl-C).
    """
    console = console or Console(stderr=True)
    try:
        with stoppable(), (_on_cluster(cluster) if cluster else _Cores(workers)) as compute:
            study = prepare(plan, out, console)
            with alone_in(out, "a study is running here; wait for it, or give another folder with --out"):
                return _work(study, out, compute, console)
    except KeyboardInterrupt:
        raise UserError(f"{out}: stopped; what is done is kept: run the same command again and it goes on") from None


def _work(study: Study, out: Path, compute: "_Compute", console: Console) -> Path:
    """Do the chunks that are not there yet and join all."""
    if (out / TRIALS).exists():
        console.print(f"{out}: this study is finished already", highlight=False)
        return out / TRIALS
    (out / PARTS).mkdir(exist_ok=True)
    chunks = list(study.design.chunks())
    done = {c.start for c in done_parts(out, chunks)}
    todo = sorted((chunk for chunk in chunks if chunk.start not in done), key=study.design.turn)
    if done:
        console.print(f"{len(done)} of {len(chunks)} parts are there already", highlight=False)
    with _progress(console) as progress, closing(compute.work(study, out, todo)) as work:
        task = progress.add_task("trials", total=len(study.design))
        progress.advance(task, sum(len(c) for c in chunks if c.start in done) * len(study.design.engines))
        told_s = time.monotonic()
        for chunk, trials in work:
            write_part(out, chunk, trials)
            progress.advance(task, len(trials))
            if not console.is_terminal and time.monotonic() - told_s >= TELL_S:
                told_s = time.monotonic()
                console.print(f"{progress.tasks[task].completed:.0f} of {len(study.design)} trials", highlight=False)
    path = join_parts(out, chunks)
    shutil.rmtree(out / PARTS)
    return path


def prepare(plan: Plan, out: Path, console: Console) -> Study:
    """The study ready to run: its bank built or found, engines tried, plan and lock in `out`.

    Raises UserError for anything that is missing or wrong.
    """
    check_folder(out, known_by=(LOCK,))
    for recorded in (*plan.speech.recordings, *plan.negatives.recordings):
        check_there(recorded)
    design = Design(plan)
    probe = Study(design, Bank((), _nothing()))
    for name in design.engines:
        probe.engine(name)  # a missing model or unknown word is told now
    check_lock(out, {"plan_sha256": plan_hash(plan)})
    prepared = Prepared(out, f"{code_sha256()} {plan_hash(plan)}", known_by=(LOCK,))
    with console.status("preparing") as status:
        kept = kept_bank(out, plan)
        tell = status.update if console.is_terminal else lambda line: console.print(line, highlight=False)
        bank = kept or banks.build(plan, lambda what: tell(f"preparing: {what}"), prepared)
    study = Study(design, bank)
    own_folder(out, known_by=(LOCK,))
    lock = lock_of(study)
    check_lock(out, lock)
    if not kept:
        bank.save(out)
        # Frozen with absolute paths: the workers and a later look need no other file.
        write_whole(out / PLAN, yaml.safe_dump(plan.model_dump(mode="json"), sort_keys=False))
    write_lock(out, lock)  # last: where it is, all is there
    prepared.clear()
    return study


class _Compute(Protocol):
    """What does the chunks: gives each with its trials as they come, in any order."""

    def work(self, study: Study, out: Path, todo: list[range]) -> Generator[tuple[range, list[Trial]]]: ...


class _Cores:
    """This machine: `workers` processes, one thread each."""

    def __init__(self, workers: int) -> None:
        self._workers = workers

    def __enter__(self) -> "_Cores":
        return self

    def __exit__(self, *_: object) -> None:
        pass

    def work(self, study: Study, out: Path, todo: list[range]) -> Generator[tuple[range, list[Trial]]]:
        if self._workers == 1 or len(todo) < 2:
            for chunk in todo:
                yield chunk, run_chunk(study, chunk)
        else:
            yield from self._spread(out, todo)

    def _spread(self, out: Path, todo: list[range]) -> Generator[tuple[range, list[Trial]]]:
        from joblib import Parallel, delayed, parallel_config
        from joblib.externals.loky.process_executor import TerminatedWorkerError

        made_ns = (out / "bank.json").stat().st_mtime_ns
        with parallel_config(backend="loky", inner_max_num_threads=1):
            parallel = Parallel(n_jobs=self._workers, return_as="generator_unordered", pre_dispatch="2*n_jobs", batch_size=1)
            with signals_held(), quiet_tracker():
                results = parallel(delayed(run_prepared)(str(out), made_ns, chunk) for chunk in todo)
            try:
                yield from results
            except TerminatedWorkerError:
                raise UserError(f"{out}: a worker was killed, perhaps for want of memory; what is done is kept: run the "
                                "same command again, or with fewer --workers") from None  # fmt: skip
            finally:
                with warnings.catch_warnings(action="ignore"):  # that its workers are ended early is meant
                    results.close()


def _on_cluster(address: str) -> "Cluster":  # imported only when it is asked for: dask takes a second
    from listener.study.cluster import Cluster

    return Cluster(address)


def _nothing() -> "np.ndarray":
    import numpy as np

    return np.zeros(0, np.int16)


def cores() -> int:
    """Cores that this process may use."""
    return len(os.sched_getaffinity(0)) if hasattr(os, "sched_getaffinity") else os.cpu_count() or 1


def _progress(console: Console) -> Progress:
    return Progress(
        TextColumn("{task.description}"), BarColumn(), MofNCompleteColumn(), TaskProgressColumn(),
        TextColumn("left:"), TimeRemainingColumn(), console=console, transient=True, disable=not console.is_terminal,
    )  # fmt: skip

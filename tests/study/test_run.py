"""Running: the same results for any number of workers, after a kill, and on a cluster that loses a worker."""

import fcntl
import json
import os
import shutil
import signal
import subprocess
import sys
import time
from pathlib import Path

import polars as pl
import psutil
import pytest
import yaml

from listener.errors import UserError
from listener.study.lock import read_lock
from listener.study.plan import plan_from
from listener.study.run import run_study
from listener.study.table import PARTS, TRIALS

ROOT = Path(__file__).parents[2]
LISTENER = [sys.executable, "-c", "from listener.cli import main; main()", "study"]
ENVIRONMENT = {**os.environ, "PYTHONPATH": str(ROOT), "OMP_NUM_THREADS": "1"}


def same_trials(a: Path, b: Path) -> bool:
    return (a / TRIALS).read_bytes() == (b / TRIALS).read_bytes()


def test_every_trial_is_a_row_once_and_every_parameter_a_column(once):
    _, folder = once
    rows = pl.read_parquet(folder / TRIALS)
    assert rows["index"].to_list() == list(range(4 + 2 * 2 * 4))
    assert rows["kind"].to_list() == ["negative"] * 4 + ["call"] * 16
    assert {"engine", "phrase", "noise", "snr_db", "radio", "room", "speaker", "sii", "sti", "level_dbov"} <= set(
        rows.columns
    )
    assert rows["failed"].is_null().all() and not (folder / PARTS).exists()
    calls = rows.filter(pl.col("kind") == "call")
    assert set(calls["speaker"]) == {"ann", "bob"} and calls["score"].is_not_null().any()


def test_the_lock_tells_versions_models_and_hashes(once):
    _, folder = once
    lock = read_lock(folder)
    assert all(len(lock[key]) == 64 for key in ("plan_sha256", "bank_sha256", "code_sha256"))
    assert len(lock["models_sha256"]["sphinx"]) == 64 and lock["versions"]["numpy"] == __import__("numpy").__version__


def test_two_workers_give_the_same_bits(once, tmp_path):
    values, folder = once
    run_study(plan_from(values, "plan"), tmp_path / "two", workers=2)
    assert same_trials(folder, tmp_path / "two")


def test_a_finished_study_is_not_run_again(once, monkeypatch):
    values, folder = once
    before = (folder / TRIALS).stat().st_mtime_ns
    monkeypatch.setattr("listener.study.run.run_chunk", None)
    assert run_study(plan_from(values, "plan"), folder, workers=1) == folder / TRIALS
    assert (folder / TRIALS).stat().st_mtime_ns == before


def ctrl_c(process: psutil.Popen) -> None:
    """As a terminal does it: to all of the command's processes at once."""
    os.killpg(process.pid, signal.SIGINT)


def term(process: psutil.Popen) -> None:
    """As timeout(1) does it: to the command, then to all of its processes."""
    process.terminate()
    os.killpg(process.pid, signal.SIGTERM)


def kill_a_worker(process: psutil.Popen) -> None:
    """As the kernel does it when memory runs out."""
    next(child for child in process.children() if "LokyProcess" in " ".join(child.cmdline())).kill()


STOPPED = "stopped; what is done is kept: run the same command again and it goes on\n"
KILLED = "a worker was killed, perhaps for want of memory; what is done is kept: run the same command again, or with fewer --workers\n"


def test_stopped_again_and_again_it_loses_nothing_and_leaves_nobody_behind(once, tmp_path):
    """A worker killed, then Ctrl-C; with LISTENER_LONG=1 also terminated, and killed outright."""
    values, folder = once
    out = tmp_path / "out"
    (tmp_path / "plan.yaml").write_text(yaml.safe_dump(values))
    command = [*LISTENER, str(tmp_path / "plan.yaml"), "--out", str(out), "--workers", "2"]
    done: dict[str, int] = {}
    ends = [(kill_a_worker, KILLED), (ctrl_c, STOPPED)]
    if os.environ.get("LISTENER_LONG") == "1":
        ends += [(term, STOPPED), (psutil.Popen.kill, None)]
    for end, said in ends:
        process = psutil.Popen(command, env=ENVIRONMENT, stderr=subprocess.PIPE, text=True, start_new_session=True)
        wait_for(lambda before=len(done): len(parts(out)) > before, process)
        family = process.children(recursive=True)
        end(process)
        status, last = process.wait(20), process.stderr.read().splitlines(keepends=True)[-1:]
        assert (status, last) == ((1, [f"listener: {out}: {said}"]) if said else (-signal.SIGKILL, last))
        assert len(family) >= 2 and psutil.wait_procs(family, 10)[1] == []
        assert not (out / TRIALS).exists(), "it was to be stopped before the end"
        done = parts(out) if done.items() <= parts(out).items() else {}
        assert done, "a part that was there has gone or was made anew"
    again = subprocess.run([*command[:-1], "1"], env=ENVIRONMENT, capture_output=True, text=True)
    assert again.returncode == 0, again.stderr
    assert f"{len(done)} of 12 parts are there already" in again.stderr
    assert again.stdout.split() == [str(out / name) for name in (TRIALS, "report.html")]
    assert same_trials(folder, out)


def parts(folder: Path) -> dict[str, int]:
    """The finished parts and when each was written, ns."""
    return {path.name: path.stat().st_mtime_ns for path in (folder / PARTS).glob("*.parquet")}


def test_a_folder_in_which_a_study_runs_is_left_alone(once, tmp_path):
    values, folder = once
    shutil.copytree(folder, tmp_path / "out")
    hold = os.open(tmp_path / "out", os.O_RDONLY)
    fcntl.flock(hold, fcntl.LOCK_EX)
    try:
        with pytest.raises(UserError, match="a study is running here; wait for it, or give another folder with --out"):
            run_study(plan_from(values, "plan"), tmp_path / "out", workers=1)
    finally:
        os.close(hold)


@pytest.mark.long
def test_a_cluster_that_loses_a_worker_loses_nothing(once, tmp_path):
    values, folder = once
    scheduler_file = tmp_path / "scheduler.json"
    dask = [sys.executable, "-m", "dask"]
    processes = [subprocess.Popen([*dask, "scheduler", "--host", "127.0.0.1", "--port", "0", "--no-dashboard", "--scheduler-file",
                                   str(scheduler_file)], env=ENVIRONMENT, stderr=subprocess.DEVNULL)]  # fmt: skip
    try:
        wait_for(scheduler_file.exists, processes[0])
        address = wait_for(lambda: address_in(scheduler_file), processes[0])
        for _ in range(2):
            processes.append(subprocess.Popen(
                [*dask, "worker", address, "--no-nanny", "--nthreads", "1", "--no-dashboard", "--local-directory", str(tmp_path)],
                env=ENVIRONMENT, stderr=subprocess.DEVNULL))  # fmt: skip
        wait_for(lambda: workers_at(address) == 2, processes[0])
        (tmp_path / "plan.yaml").write_text(yaml.safe_dump(values))
        command = [*LISTENER, str(tmp_path / "plan.yaml"), "--out", str(tmp_path / "out"), "--cluster", address]
        study = subprocess.Popen(command, env=ENVIRONMENT, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True)
        wait_for(lambda: any((tmp_path / "out" / PARTS).glob("*.parquet")), study)
        processes[1].send_signal(signal.SIGKILL)
        assert not (tmp_path / "out" / TRIALS).exists(), "the worker was to die before the end"
        _, said = study.communicate(timeout=120)
        assert study.returncode == 0, said
    finally:
        for process in processes:
            process.kill()
            process.wait()
    assert same_trials(folder, tmp_path / "out")


def address_in(path: Path) -> str | None:
    try:
        return json.loads(path.read_text())["address"]
    except ValueError:  # still being written
        return None


def workers_at(address: str) -> int:
    from distributed import Client

    with Client(address, timeout=5, set_as_default=False) as client:
        return len(client.scheduler_info()["workers"])


def wait_for(condition, process: subprocess.Popen, limit_s: float = 90.0):
    until = time.monotonic() + limit_s
    while not (value := condition()):
        assert process.poll() is None and time.monotonic() < until, "it ended or hung before the test got to its point"
        time.sleep(0.02)
    return value


def test_a_cluster_that_cannot_be_reached_is_one_line_before_any_work(once, tmp_path, monkeypatch):
    values, _ = once
    monkeypatch.setattr("listener.study.cluster.WAIT_S", 2)
    with pytest.raises(UserError, match="cluster tcp://127.0.0.1:1: cannot be reached") as caught:
        run_study(plan_from(values, "plan"), tmp_path / "out", 1, cluster="tcp://127.0.0.1:1")
    assert "\n" not in str(caught.value) and not (tmp_path / "out").exists()


def test_another_plan_in_the_same_folder_is_refused(once):
    values, folder = once
    before = (folder / TRIALS).read_bytes()
    with pytest.raises(UserError, match="was begun with other plan; give another folder with --out"):
        run_study(plan_from({**values, "seed": 2}, "plan"), folder, workers=1)
    assert (folder / TRIALS).read_bytes() == before

"""Stopping a study in good order: SIGTERM and Ctrl-C end it and its workers, and what is done is kept."""

import os
import signal
import threading
import time
from collections.abc import Iterator
from contextlib import contextmanager

SIGNALS = (signal.SIGTERM, signal.SIGINT)
LOOK_S = 0.5


@contextmanager
def stoppable() -> Iterator[None]:
    """Either signal becomes one KeyboardInterrupt in the main thread; further ones wait for nothing and do nothing.

    KeyboardInterrupt, as nothing on the way takes it for a trial's failure.
    """

    def stop(number: int, frame: object) -> None:
        for one in SIGNALS:
            signal.signal(one, signal.SIG_IGN)
        raise KeyboardInterrupt

    if threading.current_thread() is not threading.main_thread():  # only there can signals be caught
        yield
        return
    before = [signal.signal(one, stop) for one in SIGNALS]
    try:
        yield
    finally:
        for one, handler in zip(SIGNALS, before):
            signal.signal(one, handler)


@contextmanager
def signals_held() -> Iterator[None]:
    """Threads and processes begun meanwhile never see these signals: a terminal sends Ctrl-C to all of a command's."""
    before = signal.pthread_sigmask(signal.SIG_BLOCK, SIGNALS)
    try:
        yield
    finally:
        signal.pthread_sigmask(signal.SIG_SETMASK, before)


@contextmanager
def quiet_tracker() -> Iterator[None]:
    """joblib's tracker of shared files, if it is begun meanwhile, removes what a stopped run left and says nothing.

    By itself it warns of every such file, after the one line that a person is to read.
    """
    before = os.environ.get("PYTHONWARNINGS")
    os.environ["PYTHONWARNINGS"] = ",".join(filter(None, (before, "ignore:resource_tracker:UserWarning")))
    try:
        yield
    finally:
        if before is None:
            del os.environ["PYTHONWARNINGS"]
        else:
            os.environ["PYTHONWARNINGS"] = before


def leave_with_parent() -> None:
    """End this process soon after the one that began it, however that one ends (killed outright, too)."""
    parent = os.getppid()

    def watch() -> None:
        while os.getppid() == parent:
            time.sleep(LOOK_S)
        os._exit(1)

    threading.Thread(target=watch, name="leave with parent", daemon=True).start()

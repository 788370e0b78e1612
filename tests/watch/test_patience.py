"""A child's time is counted in the processor time that it gets; one that hangs is known by the clock."""

import os
import signal
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from multiprocessing.connection import Connection

import pytest

from listener.watch.parts.process import Child, Patience

LIMIT_S = 0.5


def work(link: Connection) -> None:
    link.send("began")
    while True:
        pass


def hang(link: Connection) -> None:
    link.send("began")
    link.recv()


@contextmanager
def begun(body: Callable[[Connection], None]) -> Iterator[Child]:
    child = Child("test", body)
    try:
        assert child.link.recv() == "began"
        yield child
    finally:
        child.kill()


def over_after_s(
    child: Child, between: Callable[[], None] = lambda: time.sleep(0.05), limit_s: float = LIMIT_S
) -> float:
    began_s = time.monotonic()
    patience = Patience(child, limit_s, began_s)
    while not patience.is_over(time.monotonic()):
        assert time.monotonic() - began_s < 60
        between()
    return time.monotonic() - began_s


@pytest.mark.skipif(not os.path.exists("/proc/self/stat"), reason="processor time is read from /proc (Linux)")
def test_one_that_gets_a_third_of_the_processor_has_longer():
    limit_s = 1.5  # so long that the machine's other work does not make it look as if it got on with nothing
    with begun(work) as child:

        def a_third() -> None:
            time.sleep(0.1)
            os.kill(child.pid, signal.SIGSTOP)
            time.sleep(0.2)
            os.kill(child.pid, signal.SIGCONT)

        before_s = child.cpu_s()
        assert over_after_s(child, a_third, limit_s) > 2 * limit_s
        assert child.cpu_s() - before_s >= limit_s


@pytest.mark.parametrize("stopped", [False, True], ids=["hangs", "stopped"])
def test_one_that_does_nothing_has_the_clock(stopped):
    with begun(hang) as child:
        if stopped:
            os.kill(child.pid, signal.SIGSTOP)
        assert LIMIT_S <= over_after_s(child) < 3 * LIMIT_S

"""Child processes of the station: started anew, never forked, and killed when they do not listen."""

import multiprocessing
import os
import signal
import sys
import threading
from collections.abc import Callable
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

_GETS_ON_S = 0.05
_CONTEXT = multiprocessing.get_context("spawn")


class Child:
    """One child process that runs body(link, *arguments), and our end of the link to it."""

    def __init__(self, name: str, body: Callable[..., None], *arguments: Any) -> None:
        self.link, theirs = _CONTEXT.Pipe()
        self._process = _CONTEXT.Process(
            target=_run, args=(theirs, body, arguments), name=f"listener {name}", daemon=True
        )
        self._process.start()
        theirs.close()

    @property
    def pid(self) -> int:
        """Number of the process, 0 if it has none."""
        return self._process.pid or 0

    @property
    def alive(self) -> bool:
        """Whether the process runs."""
        return self._process.is_alive()

    @property
    def ended(self) -> str:
        """How the process ended, for people."""
        code = self._process.exitcode
        if code is None:
            return "still running"
        return f"killed by signal {-code}" if code < 0 else f"ended with status {code}"

    @property
    def sentinel(self) -> int:
        """Something to wait for: ready when the process has ended."""
        return self._process.sentinel

    def messages(self) -> list[Any]:
        """What the child has sent; never waits."""
        found = []
        try:
            while self.link.poll():
                found.append(self.link.recv())
        except (EOFError, OSError):
            pass
        return found

    def tell(self, message: object) -> bool:
        """Send a small message; gives whether the child can still get it."""
        try:
            self.link.send(message)
        except OSError:
            return False
        return True

    def kill(self) -> None:
        """End it at once, even if it is stopped or hangs in a driver."""
        self._process.kill()
        self._process.join(1.0)
        self.link.close()

    def stop(self, wait_s: float) -> None:
        """Ask it to end, and kill it if it does not."""
        self.tell("stop")
        self._process.join(wait_s)
        self.kill()

    def cpu_s(self) -> float:
        """Processor time that it has had, where the system tells (Linux); else 0."""
        try:
            numbers = Path(f"/proc/{self.pid}/stat").read_text().rpartition(")")[2].split()
        except (OSError, ValueError):
            return 0.0
        return (int(numbers[11]) + int(numbers[12])) / os.sysconf("SC_CLK_TCK")

    def memory_bytes(self) -> int:
        """Memory it has to itself and shared, where the system tells (Linux); else 0."""
        try:
            pages = int(Path(f"/proc/{self.pid}/statm").read_text().split()[1])
        except (OSError, ValueError, IndexError):
            return 0
        return pages * os.sysconf("SC_PAGE_SIZE")


class Supervisor:
    """Keeps a child process at its work; between two of them there is none."""

    _child: Child | None = None

    @property
    def pid(self) -> int:
        """Number of the child process; 0 while there is none."""
        return self._child.pid if self._child else 0

    @property
    def links(self) -> list[Any]:
        """What to wait for."""
        return [self._child.link, self._child.sentinel] if self._child else []


class Patience:
    """How long a child may take for something: counted in the processor time that it gets, since a busy machine is not
    its fault. One that gets on with nothing (it hangs, or was stopped) has limit_s by the clock.
    """

    def __init__(self, child: Child, limit_s: float, now_s: float) -> None:
        self._child = child
        self._limit_s = limit_s
        self._began_cpu_s = self._cpu_s = child.cpu_s()
        self._moved_s = now_s

    def is_over(self, now_s: float) -> bool:
        """Whether it has had its time. To be asked regularly."""
        cpu_s = self._child.cpu_s()
        if cpu_s - self._cpu_s >= _GETS_ON_S:
            self._cpu_s, self._moved_s = cpu_s, now_s
        return cpu_s - self._began_cpu_s >= self._limit_s or now_s - self._moved_s >= self._limit_s


def _end_with(parent: multiprocessing.process.BaseProcess) -> None:
    parent.join()
    os._exit(1)


def _run(link: Connection, body: Callable[..., None], arguments: tuple[Any, ...]) -> None:
    """The child's side: the terminal's and the service manager's signals are for the station alone."""
    signal.signal(signal.SIGINT, signal.SIG_IGN)
    signal.signal(signal.SIGTERM, signal.SIG_IGN)
    _quiet_libraries()
    parent = multiprocessing.parent_process()
    assert parent
    threading.Thread(target=_end_with, args=(parent,), daemon=True).start()
    body(link, *arguments)


def _quiet_libraries() -> None:
    """C libraries (ALSA, PortAudio) write to descriptor 2 and would spoil the view; Python keeps its own way out."""
    sys.stderr = os.fdopen(os.dup(2), "w", buffering=1)
    nowhere = os.open(os.devnull, os.O_WRONLY)
    os.dup2(nowhere, 2)
    os.close(nowhere)

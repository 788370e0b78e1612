"""The real commands on bad input, in this process, with what must hold after every one of them."""

import contextlib
import hashlib
import io
import json
import os
import signal
import sys
import time
from collections import Counter
from dataclasses import dataclass
from pathlib import Path

from listener.cli import main

LONGEST_S = 5.0
tried: Counter[str] = Counter()
statuses: Counter[tuple[str, int]] = Counter()
slowest: dict[str, float] = {}


@dataclass(frozen=True)
class Done:
    status: int
    out: str
    err: str


class TookTooLong(BaseException):
    """Not an Exception, so that nothing on the way takes it for the input's fault."""


def listener(kind: str, *words: str | bytes) -> Done:
    """Run a command as it would be typed, and check what holds of every one. kind: how it is counted."""
    out = io.TextIOWrapper(io.BytesIO(), "utf-8", "strict", write_through=True)
    err = io.TextIOWrapper(io.BytesIO(), "utf-8", "backslashreplace", write_through=True)
    argv = ["listener", *(os.fsdecode(word) for word in words)]
    before, sys.argv = sys.argv, argv

    def too_long(*_: object) -> None:
        raise TookTooLong(argv)

    signal.signal(signal.SIGALRM, too_long)
    signal.setitimer(signal.ITIMER_REAL, 4 * LONGEST_S)
    began_s = time.monotonic()
    try:
        with contextlib.redirect_stdout(out), contextlib.redirect_stderr(err):
            main()
        status = 0
    except SystemExit as ended:
        status = ended.code if isinstance(ended.code, int) else 0 if ended.code is None else 1
    finally:
        took_s = time.monotonic() - began_s
        signal.setitimer(signal.ITIMER_REAL, 0)
        sys.argv = before
    done = Done(status, _text(out), _text(err))
    tried[kind] += 1
    statuses[kind, status] += 1
    slowest[kind] = max(slowest.get(kind, 0.0), took_s)
    _check(done, took_s, argv)
    return done


def _text(stream: io.TextIOWrapper) -> str:
    stream.flush()
    return stream.buffer.getvalue().decode("utf-8")


def _check(done: Done, took_s: float, argv: list[str]) -> None:
    assert done.status in (0, 1, 2), (argv, done)
    assert took_s < LONGEST_S, (argv, took_s)
    assert "Traceback" not in done.err + done.out and "Error(" not in done.err, (argv, done)
    if done.status:
        told = (line.strip().startswith(("listener: ", "Usage: ")) for line in (done.err + done.out).splitlines())
        assert any(told), (argv, done)
    if "--json" in argv:
        for line in done.out.splitlines():
            json.loads(line, parse_constant=_no_number)


def _no_number(name: str) -> None:
    raise AssertionError(f"{name} in JSON")


def sources(folder: Path) -> dict[bytes, str]:
    """Every file that is not the program's, with its checksum."""
    found = {}
    for root, _, names in os.walk(os.fsencode(folder)):
        for name in names:
            path = os.path.join(root, name)
            if os.path.isfile(path):
                with open(path, "rb") as file:
                    found[path] = hashlib.sha256(file.read()).hexdigest()
    return found


def report() -> str:
    """What was tried, in a table."""
    lines = [f"{'inputs':>8}  {'slowest':>8}  status 0/1/2"]
    for kind in sorted(tried):
        counts = "/".join(str(statuses[kind, status]) for status in (0, 1, 2))
        lines.append(f"{tried[kind]:>8}  {slowest[kind]:>6.2f} s  {counts:<16} {kind}")
    return "\n".join([*lines, f"{sum(tried.values()):>8}  in all"])

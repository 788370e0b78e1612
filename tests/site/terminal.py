"""A real terminal (a pty), on which a test reads what a command says and types what a person would."""

import os
import re
import select
import subprocess
import sys
import time
from types import TracebackType


class Terminal:
    """`listener` with these words on a terminal of its own, 100 columns wide. env: beside this process's own."""

    def __init__(self, *words: object, env: dict[str, str]) -> None:
        self._own, theirs = os.openpty()
        self.text = ""
        self._read_to = 0
        self.process = subprocess.Popen(
            [sys.executable, "-m", "listener", *map(str, words)], stdin=theirs, stdout=theirs, stderr=theirs,
            start_new_session=True, env={**os.environ, "TERM": "xterm", "COLUMNS": "100", **env},
        )  # fmt: skip
        os.close(theirs)

    def __enter__(self) -> "Terminal":
        return self

    def __exit__(self, kind: type[BaseException] | None, error: BaseException | None, trace: TracebackType | None) -> None:
        self.process.kill()
        self.process.wait()
        os.close(self._own)

    def until(self, words: str, within_s: float = 60.0) -> str:
        """Read until these words come, and give what came before them since the last time."""
        ends_s = time.monotonic() + within_s
        while (at := self.text.find(words, self._read_to)) < 0:
            assert self._more(ends_s - time.monotonic()), f"{words!r} did not come:\n{self.text[self._read_to :]}"
        said, self._read_to = self.text[self._read_to : at], at + len(words)
        return said

    def type(self, line: str) -> None:
        """A line, and Enter."""
        os.write(self._own, f"{line}\n".encode())

    def end(self, within_s: float = 60.0) -> int:
        """Read to the end; gives the exit status."""
        ends_s = time.monotonic() + within_s
        while self._more(ends_s - time.monotonic()):
            pass
        return self.process.wait(max(1.0, ends_s - time.monotonic()))

    @property
    def rest(self) -> str:
        """What was said since `until`."""
        return self.text[self._read_to :]

    def _more(self, within_s: float) -> bool:
        """Read what there is; whether the terminal is still there."""
        if within_s <= 0 or not select.select([self._own], [], [], within_s)[0]:
            return False
        try:
            data = os.read(self._own, 65_536)
        except OSError:  # the other side has closed it
            return False
        self.text += re.sub(r"\x1b\[[0-9;?]*[A-Za-z]", "", data.decode(errors="replace")).replace("\r", "")
        return bool(data)

"""The journal's head, kept outside its database: the last row and its chain, so that rows taken from the end show.

The chain of hashes finds what was changed or taken from the middle; where it ends it cannot know. So after every
commit the writer appends one line to `journal.head`, "id chain", and syncs it: first the row, then its head. Whatever
happens between both, the head is never ahead of the database. What neither can show is somebody who rewrites
database and head alike: for that a person notes the head elsewhere (`listener journal --check` prints it).
"""

import os
import re
from dataclasses import dataclass
from pathlib import Path

from listener.atomic_write import write_whole

HEAD_NAME = "journal.head"
GENESIS = "0" * 64
"""The chain of a journal without rows, as its head file begins: with row 0."""

_LONGEST = 1_000_000  # bytes; begun anew with its last line when it is opened
_LINE = re.compile(r"(\d+) ([0-9a-f]{64})")


@dataclass(frozen=True, slots=True)
class Head:
    """The last row that was anchored: its id and its chain."""

    id: int
    chain: str

    def __str__(self) -> str:
        return f"{self.id} {self.chain}"


def read_head(folder: Path) -> Head | None:
    """The newest whole line of the head file; None if there is none. A line torn by a crash does not count.

    Raises OSError when the file is there and cannot be read.
    """
    try:
        data = (folder / HEAD_NAME).read_bytes()
    except FileNotFoundError:
        return None
    lines = data.decode("ascii", errors="replace").split("\n")[:-1]
    for line in reversed(lines):
        if found := _LINE.fullmatch(line):
            return Head(int(found[1]), found[2])
    return None


class Anchor:
    """Writes the head file. One writer, the journal's thread. Each call raises OSError when it cannot be written."""

    def __init__(self, folder: Path) -> None:
        self._path = folder / HEAD_NAME
        self.found = read_head(folder)
        if self.found and self._path.stat().st_size > _LONGEST:
            write_whole(self._path, f"{self.found}\n")
        self._file = os.open(self._path, os.O_WRONLY | os.O_APPEND | os.O_CREAT, 0o644)
        if self._ends_torn():
            os.write(self._file, b"\n")

    def set(self, head: Head) -> None:
        """Anchor this row; it is on the disk when this comes back."""
        os.write(self._file, f"{head}\n".encode())
        os.fsync(self._file)

    def close(self) -> None:
        """Let the file go."""
        os.close(self._file)

    def _ends_torn(self) -> bool:
        data = self._path.read_bytes()[-1:]
        return data not in (b"", b"\n")

"""What was prepared for a bank so far: each voice's, recording's and noise's part is a file, so that a kill loses one at most.

A part is known by what it was made from: program, plan, its own name, and size and time of the files that it was read
from. Anything changed makes another part, and what is left over goes when the bank is whole.
"""

import hashlib
import json
import shutil
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.atomic_write import own_folder, write_whole_with

PREPARED = "preparing"
Listed = list[dict[str, Any]]


@dataclass(frozen=True, slots=True)
class Prepared:
    """Parts in a study's folder. stamp: what all of them rest on (program and plan)."""

    folder: Path
    stamp: str
    known_by: tuple[str, ...] = ()

    def part(
        self, name: str, files: tuple[Path, ...], make: Callable[[], tuple[Listed, NDArray[np.int16]]]
    ) -> tuple[Listed, NDArray[np.int16]]:
        """The part as it lies here, or made now and written whole. It is a list of plain values, and samples."""
        path = self.folder / PREPARED / f"{self._key(name, files)}.npz"
        try:
            with np.load(path) as kept:
                return json.loads(kept["listed"].tobytes()), kept["samples"]
        except (OSError, ValueError, KeyError, EOFError):
            pass  # not there, or not whole because the disk lost it
        listed, samples = make()
        own_folder(self.folder, self.known_by)
        path.parent.mkdir(exist_ok=True)
        data = np.frombuffer(json.dumps(listed, allow_nan=False).encode(), np.uint8)
        write_whole_with(path, lambda part: _save(part, data, samples))
        return listed, samples

    def clear(self) -> None:
        """The bank is whole: its parts are not needed any more."""
        shutil.rmtree(self.folder / PREPARED, ignore_errors=True)

    def _key(self, name: str, files: tuple[Path, ...]) -> str:
        seen = []
        for file in files:
            there = file.stat() if file.exists() else None  # a file that is missing is told by who reads it
            seen.append([str(file), there and there.st_size, there and there.st_mtime_ns])
        return hashlib.sha256(json.dumps([self.stamp, name, seen], allow_nan=False).encode()).hexdigest()


def _save(path: Path, listed: NDArray[np.uint8], samples: NDArray[np.int16]) -> None:
    with path.open("wb") as file:  # by its name, numpy would add .npz
        np.savez(file, listed=listed, samples=samples)

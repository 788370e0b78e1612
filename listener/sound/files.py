"""Sound files as streams: whatever libsndfile reads, a second at a time, never whole in memory."""

import re
from collections.abc import Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from listener.errors import UserError

MOST_CHANNELS = 8

# libsndfile reads a cut-off file as a shorter one and tells only in its log.
_PROMISED = re.compile(r"(?:\bdata|SSND|Data Size)\s*:\s*(\d+) \(should be (\d+)\)")
_CUT_OGG = "lacks an end-of-stream bit"
# Programs that write to a pipe cannot know the length and leave one of these: nothing is missing.
_UNKNOWN_LENGTH = 0x7FFF_0000


@dataclass(frozen=True, slots=True)
class Recording:
    """An open sound file: what its header says, and its samples in turn."""

    path: Path
    rate_hz: int
    channels: int
    frames: int
    _file: soundfile.SoundFile

    def blocks(self, block_s: float = 1.0) -> Iterator[NDArray[np.float32]]:
        """The samples as float32, shape (n, channels), full scale +-1, block_s seconds at a time.

        Raises UserError when the file breaks off or changes while it is read; what came before counts.
        """
        block_frames = max(1, round(block_s * self.rate_hz))
        read = 0
        while read < self.frames:
            try:
                block = self._file.read(block_frames, dtype="float32", always_2d=True)
            except (soundfile.LibsndfileError, OSError) as error:
                raise self._broken(read, _reason(error)) from None
            if not len(block):
                raise self._broken(read, f"its header promises {self.frames / self.rate_hz:.2f} s")
            read += len(block)
            yield block
        if missing := self._cut_off():
            raise self._broken(read, missing)

    def _cut_off(self) -> str:
        log = self._file.extra_info
        if _CUT_OGG in log:
            return "its last part is missing"
        found = _PROMISED.search(log)
        if found and int(found[2]) < int(found[1]) < _UNKNOWN_LENGTH:
            return f"its header promises {int(found[1]):,} bytes of sound and {int(found[2]):,} are there"
        return ""

    def _broken(self, read: int, why: str) -> UserError:
        return UserError(
            f"{self.path}: broke off after {read / self.rate_hz:.2f} s: {why}; "
            "up to there it was heard; copy or record it again for the rest"
        )


@contextmanager
def open_recording(path: Path) -> Iterator[Recording]:
    """Open a sound file for reading.

    Raises UserError for a file that is missing, no sound file, empty, or has more than 8 channels.
    """
    if path.is_dir():
        raise UserError(f"{path}: is a directory; name the sound files in it")
    if not path.exists():
        raise UserError(f"{path}: no such file")
    try:
        file = soundfile.SoundFile(path)
    except (soundfile.LibsndfileError, OSError) as error:
        raise UserError(f"{path}: cannot be read as a sound file: {_reason(error)}") from None
    with file:
        if file.frames <= 0:
            raise UserError(f"{path}: holds no samples; record it again")
        if file.channels > MOST_CHANNELS:
            raise UserError(f"{path}: has {file.channels} channels; at most {MOST_CHANNELS} can be heard: split it")
        yield Recording(path, file.samplerate, file.channels, file.frames, file)


def _reason(error: Exception) -> str:
    said = getattr(error, "error_string", None) or getattr(error, "strerror", None) or str(error)
    return " ".join(said.removeprefix("Error : ").split()).rstrip(".")

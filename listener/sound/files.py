"""Sound files as streams: whatever libsndfile reads, and with PyAV AAC, WMA and AMR. Never whole in memory."""

import os
import re
import stat
from collections.abc import Iterator
from contextlib import AbstractContextManager, ExitStack, contextmanager, nullcontext
from dataclasses import dataclass
from pathlib import Path
from typing import Protocol

import numpy as np
import soundfile
from numpy.typing import NDArray

from listener.errors import UserError
from listener.sound.compressed import CompressedFile, NotKnown
from listener.sound.quiet import decoder_kept_quiet

MOST_CHANNELS = 8

SOUND_FILES = {
    ".wav", ".flac", ".ogg", ".oga", ".opus", ".mp3", ".aif", ".aiff", ".au", ".w64", ".rf64", ".caf",
    ".m4a", ".mp4", ".aac", ".wma", ".mka", ".webm", ".amr",
}  # fmt: skip
"""By these endings a folder's sound files are known; a file that is named is read whatever it is called."""

# libsndfile reads a cut-off file as a shorter one and tells only in its log.
_PROMISED = re.compile(r"(?:\bdata|SSND|Data Size)\s*:\s*(\d+) \(should be (\d+)\)")
_PROMISED_W64 = re.compile(r"(?:\briff)\s*:\s*(\d+) \(should be (\d+)\)")
_PROMISED_RF64 = re.compile(r"Data size : (\d+)")
_BLOCK_BYTES = re.compile(r"Block Align\s*:\s*(\d+)")
_CUT_OGG = "lacks an end-of-stream bit"
# Programs that write to a pipe cannot know the length and leave one of these: nothing is missing.
_UNKNOWN_LENGTH, _UNKNOWN_LONG = 0x7FFF_0000, 0x7FFF_0000_0000_0000
_SLACK_S = 0.1  # a container's length may be off by a decoder's frame or two


class _File(Protocol):
    """What reads the samples: soundfile.SoundFile or CompressedFile."""

    samplerate: int
    channels: int
    frames: int
    extra_info: str

    def read(self, frames: int, dtype: str, always_2d: bool) -> NDArray[np.float32]: ...


@dataclass(frozen=True, slots=True)
class Recording:
    """An open sound file: what its header says, and its samples in turn.

    frames: how many each channel has; of compressed files that only the end tells it is about so many.
    """

    path: Path
    rate_hz: int
    channels: int
    frames: int
    _file: _File

    def blocks(self, block_s: float = 1.0) -> Iterator[NDArray[np.float32]]:
        """The samples as float32, shape (n, channels), full scale +-1, block_s seconds at a time.

        Raises UserError when the file breaks off or changes while it is read; what came before counts.
        """
        block_frames = max(1, round(block_s * self.rate_hz))
        read = 0
        while True:
            try:
                with self._quiet():
                    block = self._file.read(block_frames, dtype="float32", always_2d=True)
            except (soundfile.LibsndfileError, OSError) as error:
                raise self._broken(read, _reason(error)) from None
            if not len(block):
                break
            read += len(block)
            yield block
        if read < self._least():
            raise self._broken(read, f"its header promises {self.frames / self.rate_hz:.2f} s")
        if missing := self._cut_off():
            raise self._broken(read, missing)

    def all(self) -> NDArray[np.float32]:
        """All samples, shape (n, channels). For files that fit in memory. Raises UserError as blocks() does."""
        blocks = list(self.blocks(10.0))
        return np.concatenate(blocks) if blocks else np.zeros((0, self.channels), np.float32)

    def span(self, first: int, after: int) -> NDArray[np.float32]:
        """Samples first to after (as far as there are any), shape (n, channels). Raises UserError where broken."""
        found, read = [np.zeros((0, self.channels), np.float32)], 0
        if isinstance(self._file, soundfile.SoundFile) and self._file.seekable() and first < self.frames:
            with self._quiet():
                try:
                    read = self._file.seek(first)
                except (soundfile.LibsndfileError, OSError) as error:
                    raise self._broken(0, _reason(error)) from None
        while read < after:
            try:
                with self._quiet():
                    block = self._file.read(min(after - read, 10 * self.rate_hz), dtype="float32", always_2d=True)
            except (soundfile.LibsndfileError, OSError) as error:
                raise self._broken(read, _reason(error)) from None
            if not len(block):
                break
            found.append(block[max(0, first - read) :])
            read += len(block)
        return np.concatenate(found)

    def _quiet(self) -> AbstractContextManager[None]:
        return decoder_kept_quiet() if getattr(self._file, "format", "") in ("MP3", "MPEG") else nullcontext()

    def _least(self) -> int:
        """How many frames there must be for it to be whole."""
        if isinstance(self._file, CompressedFile):
            return 0 if self._file.inexact else self.frames - round(_SLACK_S * self.rate_hz)
        return self.frames

    def _cut_off(self) -> str:
        log = self._file.extra_info
        if _CUT_OGG in log:
            return "its last part is missing"
        found = _PROMISED.search(log)
        if found and int(found[2]) < int(found[1]) < _UNKNOWN_LENGTH:
            return f"its header promises {int(found[1]):,} bytes of sound and {int(found[2]):,} are there"
        kind = getattr(self._file, "format", "")
        if kind == "W64":
            found = _PROMISED_W64.search(log)
            if found and int(found[2]) < int(found[1]) < _UNKNOWN_LONG:
                return f"its header promises {int(found[1]):,} bytes and {int(found[2]):,} are there"
        block = _BLOCK_BYTES.search(log)
        if kind == "RF64" and block and (found := _PROMISED_RF64.search(log)):
            promised, there = int(found[1]), self.frames * int(block[1])
            if there + int(block[1]) <= promised < _UNKNOWN_LONG and promised != 0xFFFF_FFFF:
                return f"its header promises {promised:,} bytes of sound and {there:,} are there"
        return ""

    def _broken(self, read: int, why: str) -> UserError:
        return UserError(
            f"{self.path}: broke off after {read / self.rate_hz:.2f} s: {why}; "
            "up to there it was heard; copy or record it again for the rest"
        )


@contextmanager
def open_recording(path: Path) -> Iterator[Recording]:
    """Open a sound file for reading.

    Raises UserError for a file that is missing, no plain file, no sound file, empty, or has more than 8 channels.
    """
    with ExitStack() as opened:
        descriptor = _open(path)
        opened.callback(os.close, descriptor)
        file = _sound(path, descriptor)
        opened.callback(file.close)
        if file.frames <= 0:
            raise UserError(f"{path}: holds no samples; record it again")
        if file.channels > MOST_CHANNELS:
            raise UserError(f"{path}: has {file.channels} channels; at most {MOST_CHANNELS} can be heard: split it")
        yield Recording(path, file.samplerate, file.channels, file.frames, file)


_NO_FILES = {
    stat.S_IFDIR: "is a directory; name the sound files in it",
    stat.S_IFIFO: "is a pipe, not a file; save its sound in a file first",
    stat.S_IFSOCK: "is a socket, not a file",
    stat.S_IFCHR: "is a device, not a file; record from it first",
    stat.S_IFBLK: "is a device, not a file; copy the sound files off it",
}


def _open(path: Path) -> int:
    """A descriptor, since a name may not be text. What is not a plain file could be waited for without end."""
    try:
        kind = stat.S_IFMT(os.stat(path).st_mode)
        if kind != stat.S_IFREG:
            raise UserError(f"{path}: {_NO_FILES.get(kind, 'is not a file')}")
        return os.open(path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
    except FileNotFoundError:
        raise UserError(f"{path}: no such file") from None
    except ValueError:  # which Pythons word differently
        raise UserError(f"{path}: cannot be opened: embedded null byte") from None
    except OSError as error:
        raise UserError(f"{path}: cannot be opened: {_reason(error)}") from None


def _sound(path: Path, descriptor: int) -> soundfile.SoundFile | CompressedFile:
    try:
        # The descriptor has no name, so the contents alone say what it is, whatever the file is called.
        with decoder_kept_quiet():
            return soundfile.SoundFile(descriptor, closefd=False)
    except (soundfile.LibsndfileError, OSError, TypeError, ValueError) as error:
        reason = _reason(error)
    try:
        os.lseek(descriptor, 0, os.SEEK_SET)
        return CompressedFile(os.fdopen(os.dup(descriptor), "rb"), str(path))
    except NotKnown:
        pass
    except OSError as error:
        reason = _reason(error)
    raise UserError(f"{path}: cannot be read as a sound file: {reason}")


def _reason(error: Exception) -> str:
    said = getattr(error, "error_string", None) or getattr(error, "strerror", None) or str(error)
    return " ".join(said.removeprefix("Error : ").split()).rstrip(".")

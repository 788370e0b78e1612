"""Continuous recording: hourly FLAC a channel, an index, and retention by days and gigabytes.

DIR/Launch/20310501T120000Z.flac; DIR/index.jsonl has one line for each piece of sound in a file that has
no gap in it: channel, file, position in the file, stream sample, UTC and rate. A file holds sound only;
a gap starts a new line, not silence.
"""

import json
import os
import struct
from collections.abc import Iterator
from dataclasses import asdict, dataclass
from datetime import UTC, datetime
from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from listener.errors import UserError
from listener.keep.clips import file_name
from listener.sound.pcm import pcm16

INDEX = "index.jsonl"


@dataclass(frozen=True, slots=True)
class Piece:
    """Sound without a gap: in `file` from frame `at` on, stream sample `sample`, at unix time `unix_s`."""

    channel: str
    file: str
    at: int
    sample: int
    unix_s: float
    rate_hz: int


class Recorder:
    """Writes one channel. Raises OSError or soundfile.SoundFileError when the disk does not take it."""

    def __init__(self, folder: Path, channel: str, rate_hz: int) -> None:
        self._folder = folder
        self._channel = channel
        self._rate_hz = rate_hz
        self._hour = ""
        self._file: soundfile.SoundFile | None = None
        self._at = 0
        self._next_sample = -1
        self.path: Path | None = None

    def write(self, sound: NDArray[np.float32], sample: int, unix_s: float) -> None:
        """The next samples; sample: the number of the first, unix_s: when it sounded."""
        hour = f"{datetime.fromtimestamp(unix_s, UTC):%Y%m%dT%H}"
        if self._file is None or hour != self._hour:
            self._begin(hour, unix_s)
        if sample != self._next_sample or self._at == 0:
            self._index(sample, unix_s)
        assert self._file
        self._file.write(np.frombuffer(pcm16(sound), np.int16))
        self._file.flush()
        self._at += len(sound)
        self._next_sample = sample + len(sound)

    def close(self) -> None:
        """End the file being written, if there is one; the next write begins another."""
        file, self._file = self._file, None
        if file is not None:
            file.close()

    def abandon(self) -> None:
        """Let go of the file after an error, as well as that goes."""
        try:
            self.close()
        except (OSError, soundfile.SoundFileError):
            pass

    def _begin(self, hour: str, unix_s: float) -> None:
        self.close()
        folder = self._folder / file_name(self._channel)
        folder.mkdir(parents=True, exist_ok=True)
        self._hour = hour
        self.path = folder / f"{datetime.fromtimestamp(unix_s, UTC):%Y%m%dT%H%M%S%f}Z.flac"
        self._file = soundfile.SoundFile(self.path, "w", self._rate_hz, 1, "PCM_16", format="FLAC")
        self._at = 0

    def _index(self, sample: int, unix_s: float) -> None:
        assert self.path
        file = str(self.path.relative_to(self._folder))
        piece = Piece(self._channel, file, self._at, sample, round(unix_s, 6), self._rate_hz)
        with open(self._folder / INDEX, "a", encoding="utf-8") as index:
            index.write(json.dumps(asdict(piece), allow_nan=False) + "\n")
            index.flush()
            os.fsync(index.fileno())


def pieces(folder: Path) -> list[Piece]:
    """The index, in order. Raises UserError where there is none."""
    try:
        lines = (folder / INDEX).read_text(encoding="utf-8").splitlines()
    except OSError:
        raise UserError(f"{folder}: no recordings there ({INDEX} is missing)") from None
    found = []
    for line in lines:
        try:
            found.append(Piece(**json.loads(line)))
        except (ValueError, TypeError):
            continue  # the last line of a program that was killed
    return found


def cut(folder: Path, channel: str, from_unix_s: float, to_unix_s: float) -> tuple[NDArray[np.int16], int, float]:
    """The recorded sound of a channel between two times: samples, rate and the time of the first one.

    Pieces are joined where gaps lie between them. Raises UserError when there is none.
    """
    wanted = [p for p in pieces(folder) if p.channel == channel]
    sound: list[np.ndarray] = []
    rate_hz, began = 0, 0.0
    for piece, after in zip(wanted, [*wanted[1:], None], strict=True):
        path = folder / piece.file
        if piece.unix_s >= to_unix_s or not path.exists():
            continue
        first = piece.at + max(0, round((from_unix_s - piece.unix_s) * piece.rate_hz))
        stop = piece.at + round((to_unix_s - piece.unix_s) * piece.rate_hz)
        if after is not None and after.file == piece.file:
            stop = min(stop, after.at)
        part = _read(path, first, stop)
        if len(part) and rate_hz in (0, piece.rate_hz):
            if not sound:
                began = piece.unix_s + (first - piece.at) / piece.rate_hz
            rate_hz = piece.rate_hz
            sound.append(part)
    if not sound:
        raise UserError(f"{folder}: nothing was recorded on {channel!r} at that time")
    return np.concatenate(sound), rate_hz, began


def _read(path: Path, first: int, stop: int) -> NDArray[np.int16]:
    with soundfile.SoundFile(path) as file:
        if first >= min(stop, file.frames):
            return np.zeros(0, np.int16)
        file.seek(first)
        return file.read(min(stop, file.frames) - first, dtype="int16")


def mend(folder: Path) -> list[Path]:
    """Complete the headers of files that a killed program left without their length; gives those mended."""
    return [path for path in sorted(folder.glob("*/*.flac")) if _mend_one(path)]


# FLAC (RFC 9639): "fLaC", a 4-byte block header, then STREAMINFO; bytes 18-25 of the file hold rate
# (20 bits), channels - 1 (3), bits - 1 (5) and the number of samples (36 bits, 0: unknown).
_INFO_AT = 18


def _mend_one(path: Path) -> bool:
    with open(path, "r+b") as file:
        if file.read(4) != b"fLaC":
            return False
        file.seek(_INFO_AT)
        (info,) = struct.unpack(">Q", file.read(8))
        if info & (1 << 36) - 1:
            return False
        samples = _count_samples(path)
        file.seek(_INFO_AT)
        file.write(struct.pack(">Q", info | samples))
        os.fsync(file.fileno())
    return samples > 0


def _count_samples(path: Path) -> int:
    """Decode to the end. libsndfile does not read a FLAC file of unknown length to its end by itself."""
    count = 0
    with soundfile.SoundFile(path) as file:
        try:
            while len(block := file.read(1 << 10, dtype="int16")):
                count += len(block)
        except soundfile.SoundFileError:
            pass  # the torn last frame
    return count


def keep_within(folder: Path, days: float, gigabytes: float, now_unix_s: float) -> list[Path]:
    """Delete recordings that are too old, then the oldest while there are too many bytes; gives them.

    The newest file of each channel stays: it may be the one being written.
    """
    files = sorted(folder.glob("*/*.flac"), key=lambda p: p.name)
    newest = {path.parent: path for path in files}
    total = sum(path.stat().st_size for path in files)
    gone = []
    for path in files:
        age_days = (now_unix_s - path.stat().st_mtime) / 86_400
        if path == newest[path.parent] or (age_days <= days and total <= gigabytes * 1e9):
            continue
        total -= path.stat().st_size
        path.unlink()
        gone.append(path)
    return gone


def channels(folder: Path) -> Iterator[str]:
    """The channels that have recordings, each once."""
    yield from dict.fromkeys(p.channel for p in pieces(folder))

"""Raw PCM out of a pipe: what rtl_fm, sox, ffmpeg and software radios give. The standard input, or a named pipe."""

import os
import select
import stat
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from multiprocessing.reduction import DupFd
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.sound.ring import Ring
from listener.sound.source import LineState, Lost, Opened, Unending, Unheard, next_ring, send, told_to_stop

FORMATS = {"s16le": "<i2", "s16be": ">i2", "s32le": "<i4", "f32le": "<f4", "u8": "u1", "s8": "i1"}
"""By the names that sox and ffmpeg have for them."""
_TICK_S = 0.05
_STATE_S = 0.25
_STALL_S = 0.3
_AHEAD_S = 1.0  # what comes faster than real time is left in the pipe, whose writer then waits


class StandardInput:
    """This program's own standard input, handed to a child process (which otherwise has none)."""

    def __init__(self, descriptor: int = 0) -> None:
        self.descriptor = descriptor

    def __reduce__(self) -> tuple[Any, ...]:
        return _handed_over, (DupFd(self.descriptor),)


def _handed_over(handle: Any) -> StandardInput:
    return StandardInput(handle.detach())


@dataclass(frozen=True, slots=True)
class PipeSource(Unending):
    """Interleaved PCM of so many channels. path: a named pipe; or the standard input."""

    path: Path | StandardInput
    rate_hz: int
    form: str
    channels: int
    inputs: tuple[int, ...]
    silent_s: float = 1.0

    @property
    def title(self) -> str:
        """Which pipe."""
        return f"pipe {self.path}" if isinstance(self.path, Path) else "the standard input"

    def run(self, link: Connection, ring_name: str | None) -> None:
        """Read until told to stop."""
        try:
            descriptor = self._open()
            ring = next_ring(ring_name, self.rate_hz, len(self.inputs))
            send(link, Opened(ring.name, self.rate_hz, self.title))
            _Reading(self, descriptor, ring).until_stopped(link)
        except UserError as error:
            send(link, Lost(str(error), "pipe"))

    def _open(self) -> int:
        if isinstance(self.path, StandardInput):
            os.set_blocking(self.path.descriptor, False)
            return self.path.descriptor
        try:
            if not stat.S_ISFIFO(os.stat(self.path).st_mode):
                raise UserError(f"{self.path}: is no named pipe; make one (mkfifo), or name a sound file by `file`")
            return os.open(self.path, os.O_RDONLY | os.O_NONBLOCK | os.O_CLOEXEC)
        except OSError as error:
            raise UserError(f"{self.path}: cannot be opened: {error.strerror}; make a named pipe there (mkfifo)") from None


class _Reading:
    def __init__(self, source: PipeSource, descriptor: int, ring: Ring) -> None:
        self._source, self._descriptor, self._ring = source, descriptor, ring
        self._type = np.dtype(FORMATS[source.form])
        self._frame_bytes = self._type.itemsize * source.channels
        self._rest = b""
        self._came_s = self._began_s = time.monotonic()
        self._frames = self._filled = 0
        self._ended = False
        self._gap: Unheard | None = None

    def until_stopped(self, link: Connection) -> None:
        state_s = 0.0
        last: tuple[tuple[str, str], ...] | None = None
        while not told_to_stop(link):
            self._read()
            now_s = time.monotonic()
            self._fill(now_s)
            reasons = self._reasons(now_s)
            if now_s - state_s >= _STATE_S or reasons != last:
                if self._gap:
                    send(link, self._gap)
                    self._gap = None
                send(link, LineState(reasons, f"{self._source.form} {self._source.rate_hz} Hz"))
                state_s, last = now_s, reasons

    def _read(self) -> None:
        """What has come, a tenth of a second at most; waits a little for it."""
        ahead_s = self._frames / self._source.rate_hz - (time.monotonic() - self._began_s)
        if ahead_s > _AHEAD_S or self._ended:
            time.sleep(_TICK_S)
        if ahead_s > _AHEAD_S:
            return
        readable, _, _ = select.select([self._descriptor], [], [], _TICK_S)
        if not readable:
            return
        try:
            data = os.read(self._descriptor, self._frame_bytes * (self._source.rate_hz // 10))
        except BlockingIOError:
            return
        except OSError as error:
            raise UserError(f"{self._source.title}: {error.strerror}") from None
        self._ended = not data
        if data:
            self._take(self._rest + data)

    def _take(self, data: bytes) -> None:
        whole = len(data) // self._frame_bytes * self._frame_bytes
        self._rest = data[whole:]
        if not whole:
            return
        if self._filled >= self._source.silent_s * self._source.rate_hz:
            after = self._ring.written
            self._gap = Unheard(after - self._filled, after, self._filled / self._source.rate_hz, "nothing came by the pipe")
        sound = _floats(np.frombuffer(data[:whole], self._type)).reshape(-1, self._source.channels)
        self._ring.write(sound[:, np.array(self._source.inputs) - 1])
        self._frames += len(sound)
        self._came_s, self._filled = time.monotonic(), 0

    def _fill(self, now_s: float) -> None:
        """When nothing comes silence runs on: the ear needs some behind a last word to tell it."""
        silent_s = now_s - self._came_s
        missing = min(round(silent_s * self._source.rate_hz) - self._filled, self._source.rate_hz)
        if silent_s >= _STALL_S and missing > 0:
            self._ring.write(np.zeros((missing, len(self._source.inputs)), np.float32))
            self._filled += missing
            self._frames = round((now_s - self._began_s) * self._source.rate_hz)

    def _reasons(self, now_s: float) -> tuple[tuple[str, str], ...]:
        if now_s - self._came_s < self._source.silent_s:
            return ()
        why = "whoever wrote into it has ended" if self._ended else "nothing comes"
        return (("nobody_sending", f"{self._source.title}: {why}"),)


def _floats(samples: NDArray[Any]) -> NDArray[np.float32]:
    """Full scale is +-1, whatever the format."""
    if samples.dtype.kind == "f":
        return samples.astype(np.float32)
    if samples.dtype.kind == "u":
        return (samples.astype(np.float32) - 128) / np.float32(128)
    return samples.astype(np.float32) / np.float32(2 ** (8 * samples.dtype.itemsize - 1))

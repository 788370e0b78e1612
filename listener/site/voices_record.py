"""Takes through the real radio: the same capture process as on watch, one stretch of sound after another."""

from __future__ import annotations

import time
from collections.abc import Callable

import numpy as np

from listener.errors import UsageError, UserError
from listener.settings import Settings
from listener.sound.ring import Ring
from listener.sound.source import Lost, Opened
from listener.watch.parts.capture import run_source
from listener.watch.parts.process import Child
from listener.watch.parts.sources import sources_of

OPENED_S = 15.0  # so long a source may take to open and to give sound


class Radio:
    """One channel of the settings, listened to. Use as a context manager. Raises UserError where it gives no sound."""

    def __init__(self, settings: Settings, channel: str | None) -> None:
        names = [one.name for one in settings.watch.channels]
        wanted = channel or names[0]
        if wanted not in names:
            raise UsageError(f"--channel {wanted}: no such channel; there are: {', '.join(names)}")
        for source, channels in sources_of(settings.watch, 1.0, 1):
            if wanted in channels:
                self._column, self._title = list(channels).index(wanted), source.title
                self._child = Child(f"takes of {wanted}", run_source, source, None)
        self._ring: Ring | None = None

    def __enter__(self) -> Radio:
        ends_s = time.monotonic() + OPENED_S
        while time.monotonic() < ends_s:
            for message in self._child.messages():
                match message:
                    case Opened():
                        self._ring = Ring.attach(message.ring_name)
                    case Lost(reason):
                        self.close()
                        raise UserError(f"{self._title}: {reason}; find the right one with 'listener devices'")
            if self._ring is not None and self._ring.written:
                return self
            time.sleep(0.05)
        self.close()
        raise UserError(f"{self._title}: gives no sound; find the right one with 'listener devices'")

    def __exit__(self, *_: object) -> None:
        self.close()

    def close(self) -> None:
        """End the capture process."""
        self._child.stop(1.0)

    def listen(self, seconds: float, sleep: Callable[[float], None] = time.sleep) -> tuple[np.ndarray, int]:
        """The next so many seconds, float32, and their rate. Raises UserError when the sound stops."""
        assert self._ring is not None
        ring = self._ring
        first, frames = ring.written, round(seconds * ring.rate_hz)
        ends_s = time.monotonic() + seconds + 3.0
        while ring.written < first + frames:
            if time.monotonic() > ends_s:
                raise UserError(f"{self._title}: the sound stopped")
            sleep(0.05)
        return ring.read(self._column, first, first + frames), ring.rate_hz

"""The voice gate: keeps silence away from the recogniser, and opens if it ever fails.

It works on 20 ms frames at 16 kHz and hands on stretches of sound, each with where it starts.
"""

from collections import deque
from collections.abc import Iterator
from dataclasses import dataclass
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listener.events import RATE_HZ
from listener.settings import GateSettings
from listener.sound.pcm import pcm16

FRAME = RATE_HZ // 50


class SpeechTest(Protocol):
    """What webrtcvad.Vad offers."""

    def is_speech(self, pcm16: bytes, rate_hz: int) -> bool:
        """One frame of 10, 20 or 30 ms: 16-bit mono samples as bytes, little-endian."""


@dataclass(frozen=True, slots=True)
class Opened:
    """A stretch of sound starts here; its samples follow."""

    first_sample: int


@dataclass(frozen=True, slots=True, eq=False)
class Passed:
    """Samples that go on to the recogniser."""

    samples: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Closed:
    """The stretch has ended."""


@dataclass(frozen=True, slots=True)
class Failed:
    """The speech test broke; the gate stays open from here on."""

    reason: str


Step = Opened | Passed | Closed | Failed


class Gate:
    """Cuts the 16 kHz stream into stretches that may hold speech.

    settings: or "off", which makes the whole stream one stretch.
    first_sample: where the stream starts.
    test: decides on one frame; webrtcvad unless given.
    """

    def __init__(
        self, settings: GateSettings | str, first_sample: int = 0, test: SpeechTest | None = None
    ) -> None:
        self._always_open = settings == "off"
        if isinstance(settings, GateSettings):
            self._test = test or _webrtc(settings.aggressiveness)
            self._hangover = round(settings.hangover_s * RATE_HZ / FRAME)
            self._kept: deque[NDArray[np.float32]] = deque(
                maxlen=round(settings.pre_roll_s * RATE_HZ / FRAME)
            )
        self._rest = np.zeros(0, np.float32)
        self._next_sample = first_sample
        self._open = False
        self._quiet_frames = 0

    def feed(self, samples: NDArray[np.float32]) -> Iterator[Step]:
        """Take the next samples (float32, any number) and give the steps that follow from them."""
        if self._always_open:
            yield from self._pass(samples)
            return
        self._rest = np.concatenate([self._rest, samples])
        while len(self._rest) >= FRAME and not self._always_open:
            frame, self._rest = self._rest[:FRAME], self._rest[FRAME:]
            yield from self._frame(frame)
        if self._always_open:
            rest, self._rest = self._rest, self._rest[:0]
            yield from self._pass(rest)

    def finish(self) -> Iterator[Step]:
        """The stream has ended."""
        if self._open:
            if len(self._rest):
                yield from self._pass(self._rest)
            self._open = False
            yield Closed()
        self._rest = self._rest[:0]

    def _frame(self, frame: NDArray[np.float32]) -> Iterator[Step]:
        try:
            speech = self._test.is_speech(pcm16(frame), RATE_HZ)
        except Exception as error:  # noqa: BLE001 - whatever breaks in there, no call may be lost for it
            self._always_open = True
            yield Failed(f"{type(error).__name__}: {error}")
            speech = True
        if speech:
            self._quiet_frames = 0
        else:
            self._quiet_frames += 1
        if self._open and not speech and self._quiet_frames > self._hangover:
            self._open = False
            yield Closed()
        if self._open:
            yield from self._pass(frame)
        elif speech:
            held = [*self._kept, frame]
            self._kept.clear()
            self._next_sample -= sum(map(len, held[:-1]))
            yield from self._pass(np.concatenate(held))
        else:
            self._kept.append(frame)
            self._next_sample += len(frame)

    def _pass(self, samples: NDArray[np.float32]) -> Iterator[Step]:
        if not self._open:
            self._open = True
            yield Opened(self._next_sample)
        self._next_sample += len(samples)
        yield Passed(samples)


def _webrtc(aggressiveness: int) -> SpeechTest:
    import webrtcvad

    return webrtcvad.Vad(aggressiveness)

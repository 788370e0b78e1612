"""An engine for tests of everything around the engine: every burst of sound is a word.

Its word is a burst above an amplitude of 0.1; it cuts its input into pieces of 10 ms, so that it is
a proper Spotter: the same hits however it is fed.
"""

import numpy as np
from numpy.typing import NDArray

from listener.events import RATE_HZ, Hit
from listener.speech.spotter import NO_TALK, Calibration, Nearby, NearWord

PIECE = RATE_HZ // 100

CALIBRATION = Calibration(
    alert_levels={"cautious": 7.0, "balanced": 5.0, "eager": 4.5},
    partly_level=5.0,
    candidate_level=0.0,
    word_level=1.0,
    word_floor=-2.0,
    word_cap=3.0,
    rhythm_weight=0.5,
    even_level=4.0,
    slope=1.0,
    settle_s=0.5,
)


class BurstSpotter:
    name = "bursts"

    def __init__(self, phrase: str, score: float = 2.0) -> None:
        self._phrase = phrase
        self._score = score
        self.restart(0)

    def restart(self, first_sample: int) -> None:
        self._rest = np.zeros(0, np.float32)
        self._at = first_sample
        self._began: int | None = None

    def feed(self, samples: NDArray[np.float32]) -> list[Hit]:
        self._rest = np.concatenate([self._rest, samples])
        hits = []
        while len(self._rest) >= PIECE:
            piece, self._rest = self._rest[:PIECE], self._rest[PIECE:]
            loud = np.abs(piece).max() > 0.1
            if loud and self._began is None:
                self._began = self._at
            if not loud:
                hits += self._end()
            self._at += PIECE
        return hits

    def finish(self) -> list[Hit]:
        return self._end()

    def _end(self) -> list[Hit]:
        began, self._began = self._began, None
        if began is None:
            return []
        return [Hit(self._phrase, began / RATE_HZ, self._at / RATE_HZ, self._score)]


class BurstEngine:
    """Hears every burst as the phrase."""

    name = model = "bursts"
    folder = None

    def __init__(self, phrase: str = "suspend", score: float = 2.0) -> None:
        self.calibration, self.talk = CALIBRATION, NO_TALK
        self._phrase = phrase
        self._score = score

    def spotter(self) -> BurstSpotter:
        return BurstSpotter(self._phrase, self._score)


class _Nearby:
    """Says what it is told to say; breaks where that is "break"."""

    def __init__(self, spotter: "AroundSpotter", words: list[NearWord] | str) -> None:
        self._spotter, self._words = spotter, words

    @property
    def heard_until_s(self) -> float:
        return self._spotter.until_s

    def words(self) -> list[NearWord]:
        if isinstance(self._words, str):
            raise RuntimeError("a broken search")
        return [word for word in self._words if word.end_s <= self.heard_until_s]


class AroundSpotter(BurstSpotter):
    """Hears bursts as the phrase, and around a call whatever it is told."""

    def __init__(self, words: list[NearWord] | str) -> None:
        self.until_s = 0.0
        self._words = words
        super().__init__("suspend")

    def feed(self, samples: NDArray[np.float32]) -> list[Hit]:
        self.until_s += len(samples) / RATE_HZ
        return super().feed(samples)

    def listen_around(self, from_s: float) -> Nearby:
        return _Nearby(self, self._words)

    def leave(self, nearby: Nearby) -> None:
        pass


class AroundEngine(BurstEngine):
    def __init__(self, words: list[NearWord] | str) -> None:
        super().__init__()
        self._near = words

    def spotter(self) -> BurstSpotter:
        return AroundSpotter(self._near)


def bursts(times_s: list[tuple[float, float]], length_s: float, rate_hz: int) -> NDArray[np.float32]:
    """Silence of length_s with a 500 Hz tone, amplitude 0.5, in each (start, end)."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    loud = np.zeros(len(t), bool)
    for start, end in times_s:
        loud |= (t >= start) & (t < end)
    return np.where(loud, 0.5 * np.sin(2 * np.pi * 500 * t), 0.0).astype(np.float32)

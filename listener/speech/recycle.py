"""A Spotter out of a decoder that works utterance by utterance and must not run for ever.

Decoders of whole utterances slow down and swell on long streams. Here each utterance lasts a limited
time and the next one hears the last of it again, so that no word is lost at the cut.
"""

from collections import deque
from collections.abc import Sequence
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listener.events import RATE_HZ, Hit


class Utterance(Protocol):
    """A decoder of one utterance at a time. Times of hits are absolute."""

    def begin(self, first_sample: int) -> None:
        """A new utterance starts at this sample of the RATE_HZ stream."""

    def hear(self, samples: NDArray[np.float32]) -> list[Hit]:
        """The next samples; gives hits that are new or have become better."""

    def end(self) -> list[Hit]:
        """The utterance is over; gives what was held back."""


class RecycledSpotter:
    """A Spotter around an Utterance.

    frame_s: samples reach the decoder in frames of this length, however they were cut before.
    utterances_s: how long the utterances of a stretch last, one after the other; the last length
    repeats. overlap_s: how much of it the next one hears again.
    Words heard twice in the overlap are reported twice; the call rule keeps the better report.
    """

    def __init__(
        self, name: str, utterance: Utterance, frame_s: float, utterances_s: Sequence[float], overlap_s: float
    ) -> None:
        self.name = name
        self._utterance = utterance
        self._frame = round(frame_s * RATE_HZ)
        self._lengths = [round(length_s / frame_s) for length_s in utterances_s]
        self._recent: deque[NDArray[np.float32]] = deque(maxlen=round(overlap_s / frame_s))
        self.restart(0)

    def restart(self, first_sample: int) -> None:
        """What follows starts at this sample; what was heard before is forgotten."""
        self._rest = np.zeros(0, np.float32)
        self._recent.clear()
        self._next_sample = first_sample
        self._to_come = list(self._lengths)
        self._frames = 0  # in this utterance
        self._begun = False

    def feed(self, samples: NDArray[np.float32]) -> list[Hit]:
        """The next samples (float32, any number); gives the hits that became known."""
        self._rest = np.concatenate([self._rest, samples])
        hits: list[Hit] = []
        while len(self._rest) >= self._frame:
            frame, self._rest = self._rest[: self._frame], self._rest[self._frame :]
            hits += self._hear(frame)
        return hits

    def finish(self) -> list[Hit]:
        """The stretch has ended; gives what was held back."""
        rest, self._rest = self._rest, self._rest[:0]
        hits = self._hear(rest) if len(rest) else []
        return hits + (self._utterance.end() if self._begun else [])

    def _hear(self, frame: NDArray[np.float32]) -> list[Hit]:
        hits: list[Hit] = []
        if not self._begun:
            self._begun = True
            self._utterance.begin(self._next_sample)
        elif self._frames >= self._to_come[0]:
            hits += self._again()
        hits += self._utterance.hear(frame)
        self._recent.append(frame)
        self._next_sample += len(frame)
        self._frames += 1
        return hits

    def _again(self) -> list[Hit]:
        """Ends this utterance and begins the next with what it hears again."""
        hits = self._utterance.end()
        self._utterance.begin(self._next_sample - len(self._recent) * self._frame)
        for frame in self._recent:
            hits += self._utterance.hear(frame)
        self._frames = len(self._recent)
        if len(self._to_come) > 1:
            self._to_come.pop(0)
        return hits

"""A decoder of utterances becomes a spotter of streams: nothing is lost at the cuts."""

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from listener.events import RATE_HZ, Hit
from listener.speech.recycle import RecycledSpotter

FRAME = 160


class Peaks:
    """Hears a sample above 0.5 as a word of 10 ms, 20 ms after it: the last ones only at the end."""

    def __init__(self) -> None:
        self.begun: list[int] = []

    def begin(self, first_sample: int) -> None:
        self.begun.append(first_sample)
        self._at = first_sample
        self._held: list[int] = []

    def hear(self, samples: np.ndarray) -> list[Hit]:
        self._held += [self._at + int(i) for i in np.flatnonzero(samples > 0.5)]
        self._at += len(samples)
        due = [at for at in self._held if at <= self._at - 320]
        self._held = [at for at in self._held if at > self._at - 320]
        return [hit(at) for at in due]

    def end(self) -> list[Hit]:
        return [hit(at) for at in self._held]


def hit(at: int) -> Hit:
    return Hit("word", at / RATE_HZ, at / RATE_HZ + 0.01, 1.0)


def spotter() -> tuple[RecycledSpotter, Peaks]:
    peaks = Peaks()
    return RecycledSpotter("peaks", peaks, frame_s=0.01, utterances_s=[0.02, 0.1], overlap_s=0.03), peaks


@given(st.sets(st.integers(0, 9_999), max_size=20), st.lists(st.integers(0, 700), max_size=30))
def test_every_word_is_heard_however_the_sound_is_cut(peaks_at, sizes):
    samples = np.zeros(10_000, np.float32)
    samples[list(peaks_at)] = 1.0
    whole, cut = spotter()[0], spotter()[0]
    whole.restart(500)
    cut.restart(500)
    hits = whole.feed(samples) + whole.finish()
    assert {h.start_s for h in hits} == {(500 + at) / RATE_HZ for at in peaks_at}
    assert [h for piece in np.split(samples, np.cumsum(sizes)) for h in cut.feed(piece)] + cut.finish() == hits


def test_utterances_are_short_and_overlap():
    one, peaks = spotter()
    one.restart(0)
    one.feed(np.zeros(25 * FRAME, np.float32))
    # the first lasts two frames and is heard again from the start; then ten each, three heard again
    assert [at // FRAME for at in peaks.begun] == [0, 0, 7, 14, 21]


def test_restart_forgets():
    one, _peaks = spotter()
    one.restart(0)
    one.feed(np.ones(100, np.float32))
    one.restart(RATE_HZ)
    assert one.feed(np.zeros(1_000, np.float32)) + one.finish() == []

"""The trace of a channel: its level strip, the words heard on it, and the measuring behind both."""

from collections import deque
from dataclasses import replace

from listener.events import Hit
from listener.settings.watch import HealthSettings
from listener.sound.ring import Overwritten, Ring
from listener.watch.health import SoundHealth
from listener.watch.state import Strip, WordHeard

_STRIP_S = 600.0
_STEP_S = 0.1
_SPEECH_DB = 6.0
_BURST_S = 2.0
"""Sound that comes in bursts seems to be from before by at most that much; by more, the clock was put back."""


class Trace:
    """What was on the radio lately. health: measures the sound; None until there is any.

    strip: the last ten minutes in tenths of a second. words: single words, weak or sure, each once.
    """

    def __init__(self, settings: HealthSettings, column: int) -> None:
        self.health: SoundHealth | None = None
        self.strip: deque[Strip] = deque(maxlen=round(_STRIP_S / _STEP_S))
        self.words: deque[WordHeard] = deque(maxlen=200)
        self._settings, self._column = settings, column
        self._measured = 0
        self._last_word: Hit | None = None

    def use(self, ring: Ring) -> None:
        """Measure this ring from its first frame on."""
        self._measured = 0
        self.health = SoundHealth(self._settings, ring.rate_hz)

    def measure(self, ring: Ring, unix_s: float) -> None:
        """Measure what has come in since the last time."""
        health = self.health
        if health is None:
            return
        written, step = ring.written, round(_STEP_S * ring.rate_hz)
        if written - self._measured > 20 * step:  # the station was held up: the newest two seconds will do
            self._measured = written - 20 * step
        if ring.hole.first <= self._measured < ring.hole.after:
            self._measured = ring.hole.after
        while written - self._measured >= step:
            try:
                health.feed(ring.read(self._column, self._measured, self._measured + step))
            except Overwritten:
                self._measured = written - step
                continue
            self._measured += step
            meter = health.meter
            speech = meter.level_dbov > meter.noise_dbov + _SPEECH_DB
            at = unix_s - max(0.0, (written - self._measured) / ring.rate_hz)
            if self.strip and 0.0 <= self.strip[-1].unix_s - at < _BURST_S:
                at = self.strip[-1].unix_s + 0.001  # a page asks for what is newer than what it has
            self.strip.append(Strip(at, round(meter.level_dbov, 1), round(meter.peak_dbov, 1), speech))

    def note(self, words: list[Hit], ring: Ring | None, unix_s: float) -> None:
        """One entry a word, however often it is reported again, with its best score."""
        for hit in words:
            at, before = unix_of(ring, hit.end_s, unix_s), self._last_word
            if before and before.phrase == hit.phrase and hit.start_s < before.end_s and self.words:
                last = self.words[-1]
                self.words[-1] = replace(last, unix_s=max(last.unix_s, at), score=max(last.score, hit.score))
                hit = replace(hit, start_s=min(before.start_s, hit.start_s), end_s=max(before.end_s, hit.end_s))
            else:
                self.words.append(WordHeard(at, hit.phrase, hit.score))
            self._last_word = hit


def unix_of(ring: Ring | None, stream_s: float, unix_s: float) -> float:
    """When the sound at this stream time came in, given that it is unix_s now."""
    return unix_s if ring is None else unix_s - max(0.0, ring.written / ring.rate_hz - stream_s)

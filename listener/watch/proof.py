"""The proof test: a known call through a second Monitor, beside the live one and never into it.

The words are synthetic voices, shipped for some phrases (listener/watch/words); for others the settings
name a sound file. A call is made of one word, said as often as the settings ask, in low noise.
"""

import time
from dataclasses import dataclass
from importlib.resources import as_file, files

import numpy as np
import soundfile
import soxr
from numpy.typing import NDArray

from listener.events import RATE_HZ, Alert, Block
from listener.monitor import Monitor
from listener.settings import PhraseSettings, Settings
from listener.sound.files import open_recording
from listener.speech.spotter import Engine

GAP_S = 0.30
LEAD_S, TAIL_S = 0.6, 1.6
NOISE_DBOV = -60.0
SLICE_S = 0.1


@dataclass(frozen=True, slots=True)
class ProofResult:
    """How a proof test came out. detail: one sentence for people; delay_s: after the last word's end."""

    passed: bool
    detail: str
    delay_s: float | None = None


def word_sound(phrase: str, settings: Settings) -> NDArray[np.float32] | None:
    """The phrase said once, float32 at RATE_HZ: from the settings or shipped; None when there is none.

    Raises UserError when the file the settings name cannot be read.
    """
    path = settings.watch.proof.words.get(phrase)
    if path is not None:
        with open_recording(path) as recording:
            sound = np.concatenate([block[:, 0] for block in recording.blocks()])
            return soxr.resample(sound, recording.rate_hz, RATE_HZ)
    shipped = files("listener.watch") / "words" / f"{phrase.replace(' ', '_')}.flac"
    if not shipped.is_file():
        return None
    with as_file(shipped) as file:
        return soundfile.read(file, dtype="float32")[0]


def proof_call(word: NDArray[np.float32], phrase: PhraseSettings, rate_hz: int) -> tuple[NDArray[np.float32], float]:
    """The call as sound at rate_hz, and when its last word ends, in seconds."""
    gap_s = min(max(GAP_S, phrase.min_gap_s + 0.05), phrase.max_gap_s - 0.05)
    gap = np.zeros(round(gap_s * RATE_HZ), np.float32)
    said = np.concatenate([part for _ in range(phrase.repeats) for part in (word, gap)][:-1])
    lead, tail = (np.zeros(round(s * RATE_HZ), np.float32) for s in (LEAD_S, TAIL_S))
    sound = np.concatenate([lead, said, tail])
    noise = np.random.default_rng(1).standard_normal(len(sound)) * 10 ** (NOISE_DBOV / 20)
    call = soxr.resample((sound + noise).astype(np.float32), RATE_HZ, rate_hz)
    return call, (len(lead) + len(said)) / RATE_HZ


class Proof:
    """One proof test of all phrases, done slice by slice so that live sound comes first.

    Every call must be found, and hearing them must take less time than they last: between transmissions the gate
    is closed, and a recogniser that cannot keep up would show it only when somebody talks.
    """

    def __init__(self, settings: Settings, rate_hz: int, engine: Engine, words: dict[str, NDArray[np.float32]]) -> None:
        self._settings = settings
        self._rate_hz = rate_hz
        self._engine = engine
        self._words = words
        self._phrases = [phrase for phrase in settings.phrases if phrase.words in words]
        self._delays: list[float] = []
        self._took_s = self._lasts_s = 0.0
        self._begin()

    def _begin(self) -> None:
        phrase = self._phrases[0]
        self._monitor = Monitor(self._settings, self._rate_hz, engine=self._engine)
        self._call, self._ends_s = proof_call(self._words[phrase.words], phrase, self._rate_hz)
        self._at = 0
        self._found: list[Alert] = []

    def step(self) -> ProofResult | None:
        """Hear the next tenth of a second; gives the result when it is known."""
        part = self._call[self._at : self._at + round(SLICE_S * self._rate_hz)]
        began_s = time.perf_counter()
        events = self._monitor.feed(Block(part, self._at, self._rate_hz))
        self._at += len(part)
        ended = self._at >= len(self._call)
        if ended:
            events += self._monitor.finish()
        self._took_s += time.perf_counter() - began_s
        self._lasts_s += len(part) / self._rate_hz
        phrase = self._phrases[0].words
        self._found += [e for e in events if isinstance(e, Alert) and e.phrase == phrase]
        if not ended:
            return None
        if not self._found:
            return ProofResult(False, f"a known call of {phrase!r} was played to a second recogniser and not found")
        self._delays.append(self._found[0].raised_s - self._ends_s)
        self._phrases = self._phrases[1:]
        if self._phrases:
            self._begin()
            return None
        if self._took_s > self._lasts_s:
            pace = f"{self._took_s / self._lasts_s:.1f} s for each second of sound"
            return ProofResult(False, f"the recogniser takes {pace}: the computer is too slow or too busy")
        return ProofResult(True, "the known call was found", max(self._delays))


def words_for(settings: Settings) -> dict[str, NDArray[np.float32]]:
    """The words for the proof of every phrase that has one. Raises UserError for an unreadable file."""
    found = {phrase.words: word_sound(phrase.words, settings) for phrase in settings.phrases}
    return {words: sound for words, sound in found.items() if sound is not None}


def without_proof(settings: Settings) -> list[str]:
    """The phrases that cannot be proved for want of a word to play."""
    return [p.words for p in settings.phrases if p.words not in words_for(settings)]

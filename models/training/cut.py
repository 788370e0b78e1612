"""Single words cut out of people's sentences, so that they can be said three times.

PocketSphinx aligns each sentence with its text. It is not the recogniser under test, so the cuts
favour nobody. Words keep the sounds of their neighbours at the edges: harder than words said alone.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import pocketsphinx

from listener.events import RATE_HZ

FRAME_S = 0.01
MARGIN_S = 0.02
SHORTEST_S, LONGEST_S = 0.15, 1.2  # outside this the alignment has failed (common practice, no source)


@dataclass(frozen=True)
class Said:
    """One word of a sentence: where it starts and ends, in seconds."""

    word: str
    start_s: float
    end_s: float


class Aligner:
    """Finds the words of a known text in sound."""

    def __init__(self) -> None:
        self._decoder = pocketsphinx.Decoder(lm=None, loglevel="FATAL")

    def words(self, audio: np.ndarray, text: str) -> list[Said]:
        """Audio (samples,) int16 at RATE_HZ and its words -> where each lies; empty if it cannot be aligned."""
        try:
            self._decoder.set_align_text(text)
            self._decoder.start_utt()
            self._decoder.process_raw(audio.astype(np.int16).tobytes(), full_utt=True)
            self._decoder.end_utt()
        except (RuntimeError, ValueError):
            return []
        return [
            Said(part.word.split("(")[0], part.start_frame * FRAME_S, (part.end_frame + 1) * FRAME_S)
            for part in self._decoder.seg() or ()
            if not part.word.startswith(("<", "["))
        ]


def takes(
    sentences: Iterable[tuple[str, np.ndarray, str]], wanted: set[str]
) -> dict[tuple[str, str], list[np.ndarray]]:
    """(speaker, int16 audio, text) of sentences -> float32 takes by (word, speaker)."""
    aligner = Aligner()
    found: dict[tuple[str, str], list[np.ndarray]] = {}
    for speaker, audio, text in sentences:
        if not wanted & set(text.split()):
            continue
        for said in aligner.words(audio, text):
            if said.word in wanted and SHORTEST_S <= said.end_s - said.start_s <= LONGEST_S:
                first = max(0, round((said.start_s - MARGIN_S) * RATE_HZ))
                piece = audio[first : round((said.end_s + MARGIN_S) * RATE_HZ)].astype(np.float32) / 32768.0
                found.setdefault((said.word, speaker), []).append(piece)
    return found

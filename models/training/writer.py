"""Whisper writing down what short recordings say, for recordings whose text nobody has. For training only."""

from __future__ import annotations

import csv
import logging
import re
import time
from collections.abc import Iterable
from pathlib import Path

import numpy as np

from listener.events import RATE_HZ
from models.training.corpus import Samples

log = logging.getLogger("writer")


def letters(text: str) -> str:
    """Only the letters a to z of a text, in lower case: two spellings compare by these."""
    return re.sub(r"[^a-z]", "", text.lower())


class Writer:
    """Whisper writing down one short recording at a time.

    It is given a window of a second more than the recording instead of its usual thirty: some six times faster.
    In what is left of the window it may write the line again; ``once`` takes that away.
    """

    def __init__(self, model: Path) -> None:
        from faster_whisper import WhisperModel

        self._whisper = WhisperModel(str(model), device="cpu", compute_type="int8", cpu_threads=1)
        token = self._whisper.hf_tokenizer.token_to_id
        self._prompt = [token(f"<|{name}|>") for name in ("startoftranscript", "en", "transcribe", "notimestamps")]

    def text(self, audio: Samples) -> str:
        """What is said in it, as written; audio: float32 at RATE_HZ, a line of speech."""
        import ctranslate2

        seconds = len(audio) / RATE_HZ
        window = np.zeros(int(max(3.0, np.ceil(seconds + 1))) * RATE_HZ, np.float32)
        window[: len(audio)] = audio
        features = self._whisper.feature_extractor(window, padding=0)[:, : len(window) // 160]
        view = ctranslate2.StorageView.from_array(np.ascontiguousarray(features[None]))
        best = self._whisper.model.generate(view, [self._prompt], beam_size=1, max_length=int(seconds * 4.5 + 10))[0]
        return once(self._whisper.hf_tokenizer.decode(best.sequences_ids[0]).strip())


def once(text: str) -> str:
    """A text less its own repetition, the last of which may be cut short: "Put it on. Put it on. Put" -> "Put it on."."""
    words = text.split()
    bare = [letters(w) for w in words]
    for start in range(1, len(words)):
        again = all(bare[i] == bare[i - start] for i in range(start, len(words) - 1))
        if (
            again
            and bare[-1 - start].startswith(bare[-1])
            and (words[start - 1][-1] in ".!?" or len(words) > 2 * start)
        ):
            return " ".join(words[:start])
    return text


def write_down(recordings: Iterable[tuple[str, Samples]], model: Path, path: Path) -> dict[str, str]:
    """Name and text of every recording, kept in a CSV file; goes on where an earlier run stopped."""
    done = dict(csv.reader(path.open(newline=""))) if path.exists() else {}
    writer, began = None, time.monotonic()
    with path.open("a", newline="") as file:
        table = csv.writer(file, lineterminator="\n")
        for number, (name, audio) in enumerate(recordings):
            if name not in done:
                writer = writer or Writer(model)
                done[name] = writer.text(audio)
                table.writerow((name, done[name]))
            if number % 500 == 499:
                log.info("%d recordings written down, %.0f s", number + 1, time.monotonic() - began)
    return done

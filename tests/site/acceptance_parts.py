"""Parts for tests of an acceptance: a folder of recordings in which bursts are the word, with labels beside them."""

from pathlib import Path

import soundfile

from tests.fakes import bursts

RATE_HZ = 16_000
WORDS_S = ((0.0, 0.4), (0.8, 1.2), (1.6, 2.0))


def call_at(start_s: float) -> list[tuple[float, float]]:
    """Three bursts in rhythm, two seconds in all."""
    return [(start_s + a, start_s + b) for a, b in WORDS_S]


def recording(path: Path, calls_s: list[float], length_s: float, labels: str = "") -> Path:
    """A sound file with such calls, and its labels (Audacity's) if any are given."""
    path.parent.mkdir(parents=True, exist_ok=True)
    words = [word for start in calls_s for word in call_at(start)]
    soundfile.write(path, bursts(words, length_s, RATE_HZ), RATE_HZ, subtype="PCM_16")
    if labels:
        path.with_suffix(".txt").write_text(labels)
    return path


def label(start_s: float, text: str, length_s: float = 2.0) -> str:
    return f"{start_s}\t{start_s + length_s}\t{text}\n"

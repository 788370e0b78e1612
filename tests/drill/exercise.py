"""A small drill of tone bursts, which tests/fakes.py's engine hears as words."""

from pathlib import Path

import numpy as np
import soundfile
from numpy.typing import NDArray

from tests.fakes import bursts

RATE_HZ = 16000


def call_at(start_s: float, word_s: float = 0.4, gap_s: float = 0.3, words: int = 3) -> list[tuple[float, float]]:
    """The words of a call in an even beat, as (start, end)."""
    return [(start_s + i * (word_s + gap_s), start_s + i * (word_s + gap_s) + word_s) for i in range(words)]


def write_wav(path: Path, words: list[tuple[float, float]], length_s: float, channels: int = 1) -> NDArray[np.float32]:
    """A recording with a burst for each word (on the last channel), a faint hiss on all."""
    rng = np.random.default_rng(5)
    samples = rng.normal(0, 0.001, (round(length_s * RATE_HZ), channels)).astype(np.float32)
    samples[:, -1] += bursts(words, length_s, RATE_HZ)
    soundfile.write(path, samples, RATE_HZ, subtype="PCM_16")
    return samples

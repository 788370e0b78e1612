"""A voice made over into another one by WORLD: its pitch and formants moved, its timing kept."""

from __future__ import annotations

import numpy as np
from numpy.typing import NDArray

Samples = NDArray[np.float32]


class VoiceMissing(RuntimeError):
    """An engine or its data is not installed; the message says what to install."""


def warp(samples: Samples, rate_hz: int, f0: float, formants: float) -> Samples:
    """Multiply pitch and formant frequencies, timing kept.  Same length within one 5 ms frame."""
    try:
        import pyworld
    except ModuleNotFoundError:
        raise VoiceMissing("pyworld is not installed: pip install pyworld") from None
    x = samples.astype(np.float64)
    pitch, times = pyworld.dio(x, rate_hz)
    pitch = pyworld.stonemask(x, pitch, times, rate_hz)
    envelope = pyworld.cheaptrick(x, pitch, times, rate_hz)
    breath = pyworld.d4c(x, pitch, times, rate_hz)
    bins = np.arange(envelope.shape[1])
    moved = np.clip(bins / formants, 0, bins[-1])
    low = np.floor(moved).astype(int)
    high = np.minimum(low + 1, bins[-1])
    part = moved - low
    envelope = np.exp((1 - part) * np.log(envelope[:, low]) + part * np.log(envelope[:, high]))
    said = pyworld.synthesize(pitch * f0, np.ascontiguousarray(envelope), breath, rate_hz)
    return said[: samples.size].astype(np.float32)

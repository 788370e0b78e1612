"""The radio voice band: Butterworth band-pass filters, causal, any sample rate."""

from __future__ import annotations

from functools import lru_cache
from typing import Literal

import numpy as np
from scipy.signal import butter, sosfilt

from listener.errors import UserError

VOICE_BAND_HZ = (300.0, 3400.0)  # aeronautical and telephone practice


def band_pass(samples: np.ndarray, rate_hz: float, low_hz: float, high_hz: float, order: int = 4) -> np.ndarray:
    """Samples through a band-pass, -3 dB at low_hz and high_hz, 6 dB/octave per order on either side.

    An edge at or below 0 Hz, or at or above 0.499 of the sample rate, is left open. Causal, so
    the sound comes later by about 2 ms in the voice band. Returns float32 of the same length.
    Raises UserError where low_hz >= high_hz.
    """
    if low_hz >= high_hz:
        raise UserError(f"band {low_hz:g}-{high_hz:g} Hz: the lower edge must lie below the upper edge")
    out = np.asarray(samples, dtype=np.float64)
    edges: tuple[tuple[Literal["highpass", "lowpass"], float], ...] = (("highpass", low_hz), ("lowpass", high_hz))
    sections = [_sections(kind, float(hz), float(rate_hz), order) for kind, hz in edges if 0.0 < hz < 0.499 * rate_hz]
    if sections:
        out = sosfilt(np.concatenate(sections), out)  # all in one go, the same bits
    return out.astype(np.float32)


@lru_cache(maxsize=256)
def _sections(kind: Literal["highpass", "lowpass"], edge_hz: float, rate_hz: float, order: int) -> np.ndarray:
    return butter(order, edge_hz, kind, fs=rate_hz, output="sos")

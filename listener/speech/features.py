"""What the ear's network sees: 80 mel bands every 10 ms, in two normalised views.

View one follows the peak level of the recent past, so that the same speech looks the
same at any gain. View two subtracts each band's own slow average, so that steady noise
and microphone colour fade. Both look only backwards: they can be computed on a stream.

The mel filters are those of Slaney's auditory toolbox (area-normalised triangles,
linear below 1 kHz and logarithmic above), 0-8000 Hz, on a 25 ms Hann window.
"""

from __future__ import annotations

from functools import cache

import numpy as np

from listener.events import RATE_HZ

WINDOW = 400  # samples, 25 ms
HOP = 160  # samples, 10 ms
BANDS = 80
POWER_FLOOR = 1e-8
PEAK_FALL = 0.012  # log10 power a frame: 12 dB/s
PEAK_MIN = -3.0  # log10 power: never amplify silence above this reference
RANGE = 8.0  # log10 power shown below the peak
MEAN_FRAMES = 200.0  # time constant of the per-band average, 2 s


def _mel(hz: np.ndarray) -> np.ndarray:
    linear = hz / (200.0 / 3.0)
    log_part = 15.0 + np.log(np.maximum(hz, 1e-9) / 1000.0) * 27.0 / np.log(6.4)
    return np.where(hz < 1000.0, linear, log_part)


def _hz(mel: np.ndarray) -> np.ndarray:
    return np.where(
        mel < 15.0, mel * (200.0 / 3.0), 1000.0 * np.exp((mel - 15.0) * np.log(6.4) / 27.0)
    )


@cache
def mel_filters(warp: float = 1.0) -> np.ndarray:
    """Slaney mel filter bank, shape (80, 201); ``warp`` scales every centre (vocal-tract length).

    ``warp`` differs from 1 only in training.
    """
    edges = _hz(np.linspace(0.0, _mel(np.array(8000.0)), BANDS + 2)) * warp
    bins = np.linspace(0.0, RATE_HZ / 2, WINDOW // 2 + 1)
    low, centre, high = edges[:-2, None], edges[1:-1, None], edges[2:, None]
    rise = (bins - low) / (centre - low)
    fall = (high - bins) / (high - centre)
    triangles = np.maximum(0.0, np.minimum(rise, fall)) * (2.0 / (high - low)) * warp
    return triangles.astype(np.float32)


@cache
def hann() -> np.ndarray:
    """Periodic Hann window, shape (400,)."""
    return (0.5 - 0.5 * np.cos(2 * np.pi * np.arange(WINDOW) / WINDOW)).astype(np.float32)


class FeatureStream:
    """Turns 16 kHz samples into feature frames, in pieces of any size.

    ``feed`` returns float32 of shape (frames, 160): view one in columns 0-79, view two in
    80-159. Frame i covers samples [160 i, 160 i + 400). The result does not depend on how
    the samples were cut.
    """

    def __init__(self) -> None:
        self._tail = np.zeros(0, np.float32)
        self._peak = -np.inf
        self._sum = np.zeros(BANDS)
        self._weight = 0.0
        self._decay = float(np.exp(-1.0 / MEAN_FRAMES))

    def feed(self, samples: np.ndarray) -> np.ndarray:
        """The next samples, float32 at 16 kHz, shape (n,) -> features of the frames now whole, (frames, 2 * BANDS)."""
        audio = np.concatenate([self._tail, samples.astype(np.float32, copy=False)])
        count = max(0, (len(audio) - WINDOW) // HOP + 1)
        if count == 0:
            self._tail = audio
            return np.zeros((0, 2 * BANDS), np.float32)
        starts = np.arange(count)[:, None] * HOP
        frames = audio[starts + np.arange(WINDOW)] * hann()
        self._tail = audio[count * HOP :]
        spectrum = np.fft.rfft(frames, axis=1)
        power = (spectrum.real**2 + spectrum.imag**2).astype(np.float32)
        log_mel = np.log10(np.maximum(power @ mel_filters().T, POWER_FLOOR))
        return self._normalise(log_mel)

    def _normalise(self, log_mel: np.ndarray) -> np.ndarray:
        out = np.empty((len(log_mel), 2 * BANDS), np.float32)
        peaks = np.maximum(log_mel.max(axis=1), PEAK_MIN)
        for i, row in enumerate(log_mel):
            self._peak = max(float(peaks[i]), self._peak - PEAK_FALL)
            self._sum = self._decay * self._sum + row
            self._weight = self._decay * self._weight + 1.0
            out[i, :BANDS] = np.maximum(row - self._peak, -RANGE) / 4.0 + 1.25
            out[i, BANDS:] = np.clip((row - self._sum / self._weight) / 2.0, -2.0, 2.0)
        return out

"""Building stones of the noise kinds: coloured noise, slow wander, tones that waver, trains of impulses.

All return float32 of a stated length and take their randomness from the generator given.
"""

from __future__ import annotations

from collections.abc import Callable

import numpy as np
from scipy import fft, signal

CONTROL_RATE_HZ = 100.0  # slow curves are drawn at this rate and interpolated


def coloured(
    n: int, rate_hz: float, gain_db: Callable[[np.ndarray], np.ndarray], rng: np.random.Generator
) -> np.ndarray:
    """Gaussian noise, RMS 1, whose spectrum follows gain_db(frequencies in Hz); gain_db may return -inf."""
    size = fft.next_fast_len(n, real=True)
    freqs = np.fft.rfftfreq(size, 1.0 / rate_hz)
    with np.errstate(divide="ignore"):
        # The curve is smooth: evaluating it on a coarse grid costs less than on every bin.
        grid = np.unique(np.concatenate([[0.0], np.geomspace(5.0, rate_hz / 2, 512)]))
        gain = np.interp(freqs, grid, 10.0 ** (gain_db(np.maximum(grid, 1.0)) / 20.0)).astype(np.float32)
    gain[0] = 0.0
    spectrum = rng.standard_normal(2 * freqs.size, dtype=np.float32).view(np.complex64) * gain
    return unit(fft.irfft(spectrum, size)[:n])


def unit(x: np.ndarray) -> np.ndarray:
    """x scaled to RMS 1 (left as it is when silent)."""
    rms = float(np.sqrt(np.mean(np.square(x), dtype=np.float64)))
    return (x / rms if rms > 0.0 else x).astype(np.float32)


def wander(n: int, rate_hz: float, corner_hz: float, rng: np.random.Generator) -> np.ndarray:
    """A slow Gaussian curve, standard deviation 1, that hardly changes faster than corner_hz (at most 30)."""
    seconds = n / rate_hz
    settle = int(3.0 * CONTROL_RATE_HZ / corner_hz)
    m = int(np.ceil(seconds * CONTROL_RATE_HZ)) + 2
    b, a = signal.butter(2, min(corner_hz / (CONTROL_RATE_HZ / 2), 0.9))
    slow = signal.lfilter(b, a, rng.standard_normal(m + settle))[settle:]
    # Its spread over infinite time is 1, whatever the short piece that is cut from it shows.
    slow /= np.sqrt(np.sum(np.square(signal.lfilter(b, a, np.eye(1, max(settle, 64))[0]))))
    return stretch(slow, n)


def stretch(control: np.ndarray, n: int) -> np.ndarray:
    """A control curve linearly interpolated to n samples."""
    return np.interp(np.linspace(0.0, control.size - 1.0, n), np.arange(control.size), control).astype(np.float32)


def phase(freq_hz: np.ndarray | float, n: int, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
    """Running phase in radians (float64) of a frequency that may vary by sample, from a random start."""
    steps = np.broadcast_to(np.asarray(freq_hz, dtype=np.float64), n) * (2.0 * np.pi / rate_hz)
    return np.cumsum(steps) + rng.uniform(0.0, 2.0 * np.pi)


def tone(angle: np.ndarray) -> np.ndarray:
    """sin(angle), RMS 1, reduced to one turn first so that float32 keeps its accuracy."""
    turns = angle / (2.0 * np.pi)
    turns -= np.floor(turns)
    return np.float32(np.sqrt(2.0)) * np.sin(turns.astype(np.float32) * np.float32(2.0 * np.pi))


def db(gain_db: np.ndarray | float) -> np.ndarray | np.float32:
    """Decibels to an amplitude factor, float32."""
    return np.float32(10.0) ** (np.asarray(gain_db, dtype=np.float32) / np.float32(20.0))


def bumps_db(freqs: np.ndarray, count: int, depth_db: float, rng: np.random.Generator) -> np.ndarray:
    """Broad random peaks and dips of a spectrum: what a body, a cabin or a microphone adds."""
    out = np.zeros_like(freqs)
    for _ in range(count):
        centre, octaves = rng.uniform(np.log2(80.0), np.log2(6000.0)), rng.uniform(0.2, 1.0)
        out += rng.uniform(-depth_db, depth_db) * np.exp(-0.5 * ((np.log2(freqs) - centre) / octaves) ** 2)
    return out


def impulses(n: int, rate_hz: float, per_s: float, rng: np.random.Generator, spread_db: float = 8.0) -> np.ndarray:
    """Clicks of either sign at Poisson times, log-normal strength (spread_db standard deviation)."""
    out = np.zeros(n, dtype=np.float32)
    count = rng.poisson(per_s * n / rate_hz)
    sizes = rng.choice([-1.0, 1.0], count) * 10.0 ** (rng.normal(0.0, spread_db, count) / 20.0)
    np.add.at(out, rng.integers(0, n, count), sizes.astype(np.float32))
    return out


def ringing(excitation: np.ndarray, rate_hz: float, modes: list[tuple[float, float, float]]) -> np.ndarray:
    """Impulses through damped resonances: modes are (frequency in Hz, decay to 1/e in s, weight)."""
    length = min(excitation.size, max(1, int(6.0 * max(decay for _, decay, _ in modes) * rate_hz)))
    t = np.arange(length) / rate_hz
    response = sum(w * np.sin(2 * np.pi * f * t) * np.exp(-t / decay) for f, decay, w in modes if f < 0.48 * rate_hz)
    return signal.oaconvolve(excitation, np.asarray(response, dtype=np.float32))[: excitation.size]

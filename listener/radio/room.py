"""Rooms: a simple one, and measured ones.

The simple one: direct sound, a few early reflections, and noise that decays exponentially.

A statistical model (Polack's decaying noise), not a geometry: enough to smear speech as a cabin, a
helmet or a control room does.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np
import soxr
from scipy.signal import fftconvolve

from listener.errors import UserError


@dataclass(frozen=True, slots=True)
class Room:
    """A room by its reverberation time and how near the talker is.

    rt60_s: time in which the sound falls by 60 dB; direct_db: energy of the direct sound over that
    of all the rest; predelay_s: until the first reflection; reflections: early echoes.
    """

    rt60_s: float = 0.3
    direct_db: float = 6.0
    predelay_s: float = 0.003
    reflections: int = 5

    def __post_init__(self) -> None:
        if not 0.01 <= self.rt60_s <= 10.0:
            raise UserError(f"room: rt60_s = {self.rt60_s:g} is outside 0.01 to 10 seconds")

    def impulse_response(self, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
        """float32 response, the direct sound (1.0) at its first sample, cut where it has fallen by 60 dB."""
        start = max(1, round(self.predelay_s * rate_hz))
        n = start + max(8, round(self.rt60_s * rate_hz))
        t_s = np.arange(n - start) / rate_hz
        late = rng.standard_normal(n - start) * 10.0 ** (-3.0 * t_s / self.rt60_s)
        early = rng.integers(0, max(1, min(n - start, round(0.02 * rate_hz))), self.reflections)
        np.add.at(late, early, rng.choice([-1.0, 1.0], self.reflections) * rng.uniform(1.0, 4.0, self.reflections))
        late *= np.sqrt(10.0 ** (-self.direct_db / 10.0) / np.sum(late**2))
        response = np.zeros(n, dtype=np.float32)
        response[0] = 1.0
        response[start:] = late
        return response

    def apply(self, samples: np.ndarray, rate_hz: float, rng: np.random.Generator) -> np.ndarray:
        """Samples as heard in the room: same length (the tail is cut), no delay, float32."""
        wet = fftconvolve(np.asarray(samples, dtype=np.float32), self.impulse_response(rate_hz, rng))
        return wet[: len(samples)].astype(np.float32)


LONGEST_S = 10.0
"""A measured response may go on so long after its direct sound (as long as the longest rt60_s)."""
ONSET_DB = 20.0


def measured_response(samples: np.ndarray, rate_hz: float, wanted_hz: float, where: str) -> np.ndarray:
    """A measured impulse response ready to be put on speech: float32 at wanted_hz, energy 1, direct sound first.

    samples: mono, any level. The direct sound begins where the response first comes within 20 dB of its maximum (as
    in ISO 3382-1, from memory); what is before is cut, so words stay when they were said. Raises UserError, beginning
    with `where`, for silence and for one that goes on too long.
    """
    size = np.abs(np.asarray(samples, dtype=np.float64))
    if not size.max(initial=0.0) > 1e-4:
        raise UserError(f"{where}: is silent, so it is no room; choose another impulse response")
    first = int(np.argmax(size >= size.max() * 10.0 ** (-ONSET_DB / 20.0)))
    after_s = (size.size - first) / rate_hz
    if after_s > LONGEST_S:
        raise UserError(f"{where}: goes on for {after_s:.1f} s after its direct sound; cut it to {LONGEST_S:g} s")
    response = np.asarray(samples[first:], dtype=np.float32)
    if rate_hz != wanted_hz:
        response = soxr.resample(response, rate_hz, wanted_hz)
    return with_energy_one(response)


def with_energy_one(response: np.ndarray) -> np.ndarray:
    """The same response, float32, its squares adding up to 1."""
    return (response / np.sqrt(np.sum(np.square(response, dtype=np.float64)))).astype(np.float32)


def in_measured_room(samples: np.ndarray, response: np.ndarray) -> np.ndarray:
    """Samples as heard through a response that begins with the direct sound: same length (the tail is cut), float32."""
    return fftconvolve(np.asarray(samples, dtype=np.float32), response)[: len(samples)].astype(np.float32)


def draw_room(rng: np.random.Generator) -> Room:
    """A room at random: from a helmet (0.05 s) to a bare hangar office (0.8 s), talker near the microphone."""
    rt60_s = float(np.exp(rng.uniform(np.log(0.05), np.log(0.8))))
    return Room(rt60_s, float(rng.uniform(0.0, 15.0)), float(rng.uniform(0.001, 0.01)), int(rng.integers(2, 9)))

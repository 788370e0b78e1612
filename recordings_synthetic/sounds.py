"""Sounds of a radio channel on which nobody says the phrase."""

from __future__ import annotations

import numpy as np

from listener.radio import noise
from listener.radio.shape import db, phase, tone
from recordings_synthetic.plan import Clip

Rng = np.random.Generator


def noise_only(seconds: float, rate_hz: int, rng: Rng, clip: Clip) -> np.ndarray:
    """The clip's noise kind, louder than a talker."""
    return noise(clip.noise, seconds, rate_hz, rng) * db(4.0)


def tones(seconds: float, rate_hz: int, rng: Rng, clip: Clip) -> np.ndarray:
    """Beeps in threes, a two-tone warble, a test tone, dots and dashes."""
    out = np.zeros(round(seconds * rate_hz), dtype=np.float32)
    at_s = 0.5
    while at_s < seconds - 2.5:
        freq_hz, length_s, gap_s = rng.uniform(400, 2500), rng.choice([0.08, 0.25, 0.45]), rng.uniform(0.1, 0.5)
        for beep in range(int(rng.choice([1, 2, 3, 3, 3, 6]))):
            start, n = round(at_s * rate_hz), round(length_s * rate_hz)
            if start + n > out.size:
                break
            freq = freq_hz * (1.3 if beep % 2 and length_s > 0.2 else 1.0)
            edges = np.minimum(1.0, np.minimum(np.arange(n), np.arange(n)[::-1]) / (0.005 * rate_hz))
            out[start : start + n] = (tone(phase(freq, n, rate_hz, rng)) * edges * db(-20.0)).astype(np.float32)
            at_s += length_s + gap_s
        at_s += rng.uniform(0.3, 1.2)
    return out


def squelch_tails(seconds: float, rate_hz: int, rng: Rng, clip: Clip) -> np.ndarray:
    """Bursts of open-receiver hiss as carriers come and go, many of them in threes."""
    hiss = noise("white", seconds, rate_hz, rng) * db(4.0)
    gate = np.zeros(hiss.size, dtype=np.float32)
    at_s = 0.5
    while at_s < seconds - 2.0:
        length_s, gap_s = rng.uniform(0.04, 0.5), rng.uniform(0.15, 0.5)
        for _ in range(int(rng.choice([1, 1, 2, 3, 3]))):
            gate[round(at_s * rate_hz) : round((at_s + length_s) * rate_hz)] = 1.0
            at_s += length_s + gap_s
        at_s += rng.uniform(0.3, 1.5)
    return hiss * gate


def stuck_transmitter(seconds: float, rate_hz: int, rng: Rng, clip: Clip) -> np.ndarray:
    """A microphone held open in a cabin: noise, rustling, the hum of an inverter, then released."""
    out = noise("wind_deck", seconds, rate_hz, rng)
    hum = sum(db(-12.0 * k) * tone(phase(400.0 * k, out.size, rate_hz, rng)) for k in (1, 2, 3))
    out += hum * db(-38.0)
    held = slice(round(1.0 * rate_hz), round((seconds - 1.5) * rate_hz))
    gate = np.zeros(out.size, dtype=np.float32)
    gate[held] = 1.0
    return out * gate


SOUNDS = {
    "noise_only": noise_only,
    "tones": tones,
    "squelch_tails": squelch_tails,
    "stuck_transmitter": stuck_transmitter,
}

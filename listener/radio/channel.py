"""What a radio does to sound: stages that are composed into a channel.

A stage is a frozen value with `apply(samples, rate_hz, rng)`: mono float samples in (full scale 1),
float32 of the same length out, deterministic for a given generator state. Order matters and is the
composer's: the usual one is microphone (clipping), transmitter (band, AGC), path (fading,
dropouts), receiver (static, hum, squelch), band again, codec.

Pure functions of their arguments: safe in many processes at once.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, fields
from typing import Any, Protocol

import numpy as np
from scipy.ndimage import uniform_filter1d
from scipy.signal import resample_poly

from listener import g711
from listener.errors import UserError
from listener.radio.band import VOICE_BAND_HZ, band_pass
from listener.radio.level import rms_dbov
from listener.radio.noise import noise
from listener.radio.room import Room
from listener.radio.shape import db, phase, stretch, tone, wander

Rng = np.random.Generator


class Stage(Protocol):
    """One thing a radio does to sound."""

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Samples as they come out: float32, same length and rate. rng: where chance comes in; others ignore it."""


@dataclass(frozen=True, slots=True)
class Channel:
    """Stages one after another; itself a stage. An empty channel changes nothing."""

    stages: tuple[Stage, ...] = ()

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Through every stage in turn. samples: shape (n,), full scale 1; gives float32 of the same length."""
        out = np.asarray(samples, dtype=np.float32)
        for stage in self.stages:
            out = stage.apply(out, rate_hz, rng)
        return out


@dataclass(frozen=True, slots=True)
class Gain:
    """A fixed gain in dB."""

    gain_db: float = 0.0

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Samples times 10^(gain_db / 20)."""
        return samples * db(self.gain_db)


@dataclass(frozen=True, slots=True)
class BandPass:
    """Butterworth band-pass, -3 dB at both edges, 6 dB/octave per order (see `band.band_pass`)."""

    low_hz: float = VOICE_BAND_HZ[0]
    high_hz: float = VOICE_BAND_HZ[1]
    order: int = 4

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """See `band.band_pass`; an edge at or beyond half the rate is left out."""
        return band_pass(samples, rate_hz, self.low_hz, self.high_hz, self.order)


@dataclass(frozen=True, slots=True)
class Agc:
    """Automatic gain: the level is brought towards target_dbov, fast when loud, slowly when soft.

    attack_s, release_s: time constants; max_gain_db: what it adds at most in a pause.
    """

    target_dbov: float = -20.0
    attack_s: float = 0.01
    release_s: float = 0.5
    max_gain_db: float = 20.0

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Gain follows the power of 5 ms frames, with straight lines between them."""
        step = max(1, round(0.005 * rate_hz))
        frames = np.add.reduceat(np.square(samples, dtype=np.float64), np.arange(0, samples.size, step)) / step
        down, up = (1.0 - np.exp(-0.005 / t) for t in (self.attack_s, self.release_s))
        power = 10.0 ** ((self.target_dbov - self.max_gain_db) / 10.0)
        level, levels = max(power, float(frames[0])), []
        for frame in frames.tolist():
            level += (down if frame > level else up) * (frame - level)
            levels.append(level)
        wanted_db = self.target_dbov - 10.0 * np.log10(np.maximum(levels, 1e-12))
        return samples * db(stretch(np.minimum(wanted_db, self.max_gain_db), samples.size))


@dataclass(frozen=True, slots=True)
class SoftClip:
    """An overdriven amplifier: tanh, driven drive_db above full scale; small signals keep their level."""

    drive_db: float = 6.0

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """tanh of the driven samples, the drive taken away again: small signals pass unchanged."""
        return np.tanh(samples * db(self.drive_db)) * db(-self.drive_db)


@dataclass(frozen=True, slots=True)
class HardClip:
    """Peaks cut off at ceiling_db above the RMS level of the whole (a speech clipper, an overloaded input)."""

    ceiling_db: float = 6.0

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Samples limited to the ceiling, measured on what is given here."""
        ceiling = np.float32(10.0 ** ((rms_dbov(samples) + self.ceiling_db) / 20.0))
        return np.clip(samples, -ceiling, ceiling)


@dataclass(frozen=True, slots=True)
class Static:
    """Noise of the receiver, added after demodulation at an RMS of level_dbov; kind as in `noise`."""

    level_dbov: float = -45.0
    kind: str = "static"

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Samples plus noise of exactly level_dbov RMS; the speech is left as it is."""
        hiss = noise(self.kind, samples.size / rate_hz, rate_hz, rng)
        return samples + hiss * db(self.level_dbov - rms_dbov(hiss))


@dataclass(frozen=True, slots=True)
class Hum:
    """Mains hum with falling harmonics, RMS level_dbov."""

    mains_hz: float = 50.0
    level_dbov: float = -50.0

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Samples plus hum; its phase is drawn from rng."""
        turning = phase(self.mains_hz, samples.size, rate_hz, rng)
        orders = [k for k in (1, 2, 3, 4, 5, 6, 7) if k * self.mains_hz < 0.48 * rate_hz]
        hum = sum(np.float32(rng.uniform(0.3, 1.0) / k) * tone(k * turning) for k in orders)
        return samples + hum * db(self.level_dbov - rms_dbov(hum))


@dataclass(frozen=True, slots=True)
class Fading:
    """The carrier swells and fades: the gain wanders, depth_db standard deviation, about rate_hz times a second."""

    depth_db: float = 4.0
    rate_hz: float = 1.0

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Samples times a slow random gain, at most depth_db upwards."""
        gain_db = self.depth_db * wander(samples.size, rate_hz, min(self.rate_hz, 30.0), rng)
        return samples * db(np.minimum(gain_db, self.depth_db))


@dataclass(frozen=True, slots=True)
class Dropouts:
    """Short holes at Poisson times, each shortest_s to longest_s long, silent between 2 ms ramps."""

    per_s: float = 0.5
    shortest_s: float = 0.01
    longest_s: float = 0.12

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Samples with the holes cut into them; the length stays."""
        seconds = samples.size / rate_hz
        gate = np.ones(samples.size, dtype=np.float32)
        for _ in range(rng.poisson(self.per_s * seconds)):
            start = int(rng.integers(samples.size))
            gate[start : start + max(1, round(rng.uniform(self.shortest_s, self.longest_s) * rate_hz))] = 0.0
        return samples * uniform_filter1d(gate, max(1, round(0.002 * rate_hz)), mode="nearest")


@dataclass(frozen=True, slots=True)
class Squelch:
    """The samples are one transmission: the receiver opens late, and closes with a burst of hiss.

    opening_s: swallowed at the start, with a click where it opens; tail_s: replaced at the end by
    open-receiver hiss of RMS tail_dbov. Leave that much room around the speech.
    """

    opening_s: float = 0.04
    tail_s: float = 0.12
    tail_dbov: float = -22.0

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """The transmission with its start cut off and its tail of hiss; the length stays."""
        out = np.array(samples, dtype=np.float32)
        opening = min(round(self.opening_s * rate_hz), out.size)
        out[:opening] = 0.0
        if 0 < opening < out.size:
            click = np.exp(-np.arange(min(out.size - opening, round(0.004 * rate_hz))) / (0.0008 * rate_hz))
            out[opening : opening + click.size] += (rng.choice([-1.0, 1.0]) * rng.uniform(0.02, 0.15) * click).astype(
                np.float32
            )
        tail = min(round(self.tail_s * rate_hz), out.size)
        if tail:
            hiss = noise("white", tail / rate_hz, rate_hz, rng)
            out[-tail:] = hiss * db(self.tail_dbov - rms_dbov(hiss))
        return out


@dataclass(frozen=True, slots=True)
class Codec:
    """G.711 at 8 kHz, law "mu" or "a": down, coded, decoded, and back to the rate it came in."""

    law: str = "mu"

    def __post_init__(self) -> None:
        if self.law not in g711.LAWS:
            raise UserError(f"codec: law {self.law!r} is unknown; choose one of {', '.join(g711.LAWS)}")

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """What the far end of a G.711 line hears, at the rate and length given."""
        coded = g711.through(_resample(samples, rate_hz, g711.CODEC_RATE_HZ), self.law)
        return _same_length(_resample(coded, g711.CODEC_RATE_HZ, rate_hz), len(samples))


@dataclass(frozen=True, slots=True)
class Narrowband:
    """Sampled at to_hz on the way (8 kHz: a telephone line, a gateway), then back; nothing above half of it is left."""

    to_hz: int = 8000

    def apply(self, samples: np.ndarray, rate_hz: float, rng: Rng) -> np.ndarray:
        """Down to to_hz and back up; the length stays."""
        narrow = _resample(samples, rate_hz, self.to_hz)
        return _same_length(_resample(narrow, self.to_hz, rate_hz), len(samples))


def _resample(samples: np.ndarray, from_hz: float, to_hz: float) -> np.ndarray:
    up, down = round(to_hz), round(from_hz)
    return samples if up == down else resample_poly(samples, up, down).astype(np.float32)


def _same_length(samples: np.ndarray, n: int) -> np.ndarray:
    return np.pad(samples, (0, max(0, n - samples.size)))[:n].astype(np.float32)


STAGES: dict[str, type] = {
    "gain": Gain, "band": BandPass, "agc": Agc, "soft_clip": SoftClip, "hard_clip": HardClip, "static": Static,
    "hum": Hum, "fading": Fading, "dropouts": Dropouts, "squelch": Squelch, "codec": Codec,
    "narrowband": Narrowband, "room": Room,
}  # fmt: skip


def stage(name: str, values: Mapping[str, Any] | None = None) -> Stage:
    """A stage by its name in STAGES and its fields, as settings and study plans write it.

    Raises UserError that names the stage or the field that does not exist.
    """
    if name not in STAGES:
        raise UserError(f"channel stage {name!r}: unknown; choose one of {', '.join(STAGES)}")
    allowed = [f.name for f in fields(STAGES[name])]
    unknown = [key for key in (values or {}) if key not in allowed]
    if unknown:
        raise UserError(f"channel stage {name}: has no field {unknown[0]!r}; it has {', '.join(allowed)}")
    return STAGES[name](**(values or {}))


CHANNELS: dict[str, Channel] = {
    "clean": Channel(),
    "band": Channel((BandPass(),)),
    "aircraft_am": Channel((SoftClip(6.0), BandPass(), Agc(), Static(-48.0), BandPass())),
    "handheld_fm": Channel((SoftClip(10.0), BandPass(350.0, 3000.0), Static(-42.0), Squelch(), BandPass(300.0, 3000.0))),
    "weak_signal": Channel((BandPass(), Fading(6.0, 2.0), Dropouts(), Static(-34.0), BandPass())),
    "gateway": Channel((BandPass(), Agc(), Codec("a"))),
}  # fmt: skip


def draw_channel(rng: Rng) -> Channel:
    """A radio at random, for training: band 150-400 to 2400-3800 Hz, every other stage present now and then."""

    def some(share: float, made: Stage) -> tuple[Stage, ...]:
        return (made,) if rng.random() < share else ()

    edges = float(rng.uniform(150.0, 400.0)), float(rng.uniform(2400.0, 3800.0))
    band = BandPass(*edges, order=int(rng.integers(2, 7)))
    clip = SoftClip(float(rng.uniform(0.0, 18.0))) if rng.random() < 0.7 else HardClip(float(rng.uniform(3.0, 12.0)))
    return Channel(
        some(0.5, clip)
        + (band,)
        + some(
            0.4, Agc(float(rng.uniform(-26.0, -16.0)), float(rng.uniform(0.003, 0.03)), float(rng.uniform(0.1, 1.5)))
        )
        + some(0.2, Fading(float(rng.uniform(1.0, 6.0)), float(np.exp(rng.uniform(-1.5, 2.5)))))
        + some(0.1, Dropouts(float(rng.uniform(0.1, 1.0)), 0.005, float(rng.uniform(0.01, 0.08))))
        + some(0.5, Static(float(rng.uniform(-60.0, -36.0))))
        + some(0.2, Hum(float(rng.choice([50.0, 60.0, 400.0])), float(rng.uniform(-65.0, -40.0))))
        + some(
            0.2, Squelch(float(rng.uniform(0.0, 0.04)), float(rng.uniform(0.0, 0.1)), float(rng.uniform(-35.0, -18.0)))
        )
        + some(0.5, BandPass(*edges, order=2))
        + some(0.3, Codec(str(rng.choice(g711.LAWS))))
    )

"""Noise heard on a launch frequency, simulated: every draw is another machine, another day.

`noise(kind, seconds, rate_hz, rng)` returns mono float32 at an RMS level of -26 dBov. A kind's
parameters (spectrum, tones, gusts, rates) are drawn from `rng`, so one kind covers a family and the
same generator state gives the same samples. The shapes are from listening and common acoustics, not
from a standard. Real recordings can stand beside them: see `mix.fit_noise`.

Cost: over 50x real time on one core at 16 kHz for every kind; memory about 40 bytes a sample, so ask
for minutes, not hours.
"""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass

import numpy as np

from listener.errors import UserError
from listener.radio.mix import fit_noise
from listener.radio.shape import bumps_db, coloured, db, impulses, phase, ringing, tone, unit, wander

NOISE_LEVEL_DBOV = -26.0
Rng = np.random.Generator


@dataclass(frozen=True, slots=True)
class NoiseKind:
    """A kind of noise. make(n_samples, rate_hz, rng) returns float32 of any level."""

    name: str
    summary: str
    spectrum: str
    make: Callable[[int, float, Rng], np.ndarray]


def noise(kind: str, seconds: float, rate_hz: float, rng: Rng) -> np.ndarray:
    """Simulated noise: float32 mono, round(seconds * rate_hz) samples, RMS -26 dBov; peaks are not limited.

    kind: a key of KINDS. Raises UserError for an unknown kind or a length without samples.
    """
    if kind not in KINDS:
        raise UserError(f"noise {kind!r}: unknown kind; choose one of {', '.join(KINDS)}")
    n = round(seconds * rate_hz)
    if n < 1:
        raise UserError(f"noise {kind!r}: {seconds:g} s at {rate_hz:g} Hz has no samples; ask for a longer piece")
    # At least a second is made, so that a short piece is a cut of the noise and not a click.
    made = KINDS[kind].make(max(n, round(rate_hz)), float(rate_hz), rng)[:n]
    return unit(made) * db(NOISE_LEVEL_DBOV)


def babble(clips: Sequence[np.ndarray], seconds: float, rate_hz: float, rng: Rng, talkers: int = 6) -> np.ndarray:
    """Several talkers at once, RMS -26 dBov, from speech clips of the same rate (each repeated as needed).

    Raises UserError when there are no clips.
    """
    if not clips:
        raise UserError("babble: needs speech clips to be made from; name at least one")
    n = round(seconds * rate_hz)
    voices = [unit(fit_noise(clips[i], n, rng)) for i in rng.integers(0, len(clips), talkers)]
    return unit(np.sum([v * db(rng.uniform(-6.0, 0.0)) for v in voices], axis=0)) * db(NOISE_LEVEL_DBOV)


def _white(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    return rng.standard_normal(n, dtype=np.float32)


def _pink(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    return coloured(n, rate_hz, lambda f: -10.0 * np.log10(f), rng)


def _turbine(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    """Jet engine: a haystack of mixing noise, shaft whines that waver together, slow changes of thrust."""
    out = _haystack(n, rate_hz, rng)
    thrust_db = rng.uniform(0.5, 3.0) * wander(n, rate_hz, rng.uniform(0.05, 0.5), rng)
    if rng.random() < 0.3:  # running up or spooling down
        thrust_db += np.linspace(0.0, rng.uniform(-10.0, 10.0), n, dtype=np.float32)
    flutter = rng.uniform(0.3, 1.5) * wander(n, rate_hz, rng.uniform(4.0, 15.0), rng)
    out *= db(thrust_db + flutter)
    if rng.random() < 0.4:  # crackle: compressions of a hot jet are steeper than its rarefactions
        out += np.float32(rng.uniform(0.05, 0.25)) * (out * out - 1.0)
    return out + _whines(n, rate_hz, thrust_db, rng)


def _haystack(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    peak_hz = np.exp(rng.uniform(np.log(120.0), np.log(900.0)))
    rise, fall, tilt = rng.uniform(2.0, 9.0), rng.uniform(3.0, 8.0), rng.uniform(-1.5, 3.0)
    bumps = int(rng.integers(2, 7))

    def gain_db(f: np.ndarray) -> np.ndarray:
        octaves = np.log2(f / peak_hz)
        slopes = np.where(octaves < 0, rise * octaves, -fall * octaves)
        return slopes + tilt * octaves + bumps_db(f, bumps, 7.0, rng)

    return coloured(n, rate_hz, gain_db, rng)


def _whines(n: int, rate_hz: float, thrust_db: np.ndarray, rng: Rng) -> np.ndarray:
    """Blade-pass and shaft tones of one or two spools, each with its own vibrato."""
    out = np.zeros(n, dtype=np.float32)
    for _ in range(int(rng.integers(1, 3))):
        shaft_hz = rng.uniform(60.0, 260.0)
        spool = 0.004 * thrust_db + rng.uniform(0.001, 0.008) * wander(n, rate_hz, rng.uniform(0.2, 2.0), rng)
        vibrato = rng.uniform(0.0, 0.004) * np.sin(phase(rng.uniform(3.0, 9.0), n, rate_hz, rng)).astype(np.float32)
        turning = phase(shaft_hz * (1.0 + spool + vibrato), n, rate_hz, rng)
        highest = max(2, int(0.45 * min(rate_hz, 16000.0) / shaft_hz))
        orders = rng.choice(np.arange(1, highest), min(highest - 1, int(rng.integers(2, 8))), replace=False)
        for order in orders:
            out += db(rng.uniform(-32.0, -6.0)) * tone(order * turning)
    return out * db(rng.uniform(-6.0, 3.0))


def _wind_deck(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    """Wind in the microphone with gusts, pumps and vents, now and then steel on steel."""
    corner_hz, slope = rng.uniform(40.0, 250.0), rng.uniform(5.0, 10.0)
    rumble = coloured(n, rate_hz, lambda f: -slope * np.log2(1.0 + f / corner_hz) * 1.2, rng)
    gust = wander(n, rate_hz, rng.uniform(0.1, 0.8), rng) + 0.6 * wander(n, rate_hz, rng.uniform(1.0, 5.0), rng)
    out = rumble * db(rng.uniform(2.0, 6.0) * gust)
    hiss_slope = rng.uniform(-3.0, 3.0)
    hiss = coloured(n, rate_hz, lambda f: hiss_slope * np.log2(f / 1000.0) + bumps_db(f, 3, 6.0, rng), rng)
    out += db(rng.uniform(-22.0, -6.0) + 0.5 * gust) * hiss
    if rng.random() < 0.7:
        out += db(rng.uniform(-20.0, -4.0)) * _machinery(n, rate_hz, rng)
    if rng.random() < 0.6:
        out += db(rng.uniform(-14.0, 2.0)) * _clanks(n, rate_hz, rng)
    return _limited(out)


def _machinery(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    base_hz = rng.choice([rng.uniform(20.0, 60.0), 60.0, 400.0])
    turning = phase(base_hz * (1.0 + 0.003 * wander(n, rate_hz, 0.5, rng)), n, rate_hz, rng)
    orders = range(1, 1 + min(12, int(0.45 * rate_hz / base_hz)))
    return unit(np.sum([db(rng.uniform(-18.0, 0.0)) * tone(k * turning) for k in orders], axis=0))


def _clanks(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    """Chains, hatches, dropped tools: a few modes that ring; RMS 1 over the time they sound."""
    hits = impulses(n, rate_hz, rng.uniform(0.1, 1.2), rng)
    modes = [(rng.uniform(250.0, 4500.0), rng.uniform(0.01, 0.12), rng.uniform(0.2, 1.0)) for _ in range(5)]
    rung = ringing(hits, rate_hz, modes)
    loud = np.abs(rung) > 0.05
    return unit(rung) * np.float32(np.sqrt(max(loud.mean(), 1e-3)) * 3.0)


def _static(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    """Receiver hiss after demodulation, with crackle, fading and sometimes a whistle or ignition ticks."""
    tilt, edge_hz = rng.uniform(-4.0, 3.0), rng.uniform(2200.0, 6000.0)
    hiss = coloured(
        n, rate_hz, lambda f: tilt * np.log2(f / 1000.0) - 24.0 * np.log2(1.0 + (f / edge_hz) ** 4) / 4, rng
    )
    out = hiss * db(rng.uniform(0.2, 3.0) * wander(n, rate_hz, rng.uniform(0.1, 3.0), rng))
    modes = [(rng.uniform(400.0, 3000.0), rng.uniform(0.0003, 0.003), 1.0) for _ in range(3)]
    out += db(rng.uniform(0.0, 16.0)) * ringing(
        impulses(n, rate_hz, np.exp(rng.uniform(-1.0, 3.7)), rng), rate_hz, modes
    )
    if rng.random() < 0.25:  # a carrier beside ours
        whistle_hz = rng.uniform(400.0, 3000.0) * (1.0 + 0.01 * wander(n, rate_hz, 0.2, rng))
        out += db(rng.uniform(-25.0, -6.0)) * tone(phase(whistle_hz, n, rate_hz, rng))
    if rng.random() < 0.25:  # ignition of an engine nearby
        ticks = np.diff(np.floor(phase(rng.uniform(15.0, 90.0), n, rate_hz, rng) / (2 * np.pi)), prepend=0.0)
        ticks[0] = 0.0
        out += db(rng.uniform(0.0, 12.0)) * ringing(ticks.astype(np.float32), rate_hz, modes)
    return _limited(out)


def _limited(x: np.ndarray, crest: float = 8.0) -> np.ndarray:
    """Peaks bent to crest times the median level's size, or one crackle would push all the rest down."""
    size = np.float32(crest * max(float(np.median(np.abs(x))) / 0.6745, 1e-9))
    return size * np.tanh(x / size)


def _rotor(n: int, rate_hz: float, rng: Rng) -> np.ndarray:
    """Helicopter: blade slap, broadband that beats with it, tail rotor, gearbox and turbine tones."""
    blade_hz = rng.uniform(10.0, 27.0)
    turning = phase(blade_hz * (1.0 + 0.004 * wander(n, rate_hz, 0.5, rng)), n, rate_hz, rng)
    beat = (0.5 + 0.5 * np.cos(turning)).astype(np.float32) ** np.float32(rng.uniform(1.0, 6.0))
    slope = rng.uniform(3.0, 7.0)
    wash = coloured(n, rate_hz, lambda f: -slope * np.log2(1.0 + f / 150.0) + bumps_db(f, 4, 6.0, rng), rng)
    out = wash * (np.float32(rng.uniform(0.2, 0.6)) + beat)
    passes = np.diff(np.floor(turning / (2 * np.pi)), prepend=0.0).astype(np.float32)
    passes[0] = 0.0
    modes = [(rng.uniform(60.0, 400.0), rng.uniform(0.002, 0.008), 1.0) for _ in range(3)]
    out += db(rng.uniform(-8.0, 6.0)) * unit(ringing(passes, rate_hz, modes))
    tail = rng.uniform(4.0, 6.5) * turning
    for order in range(1, 6):
        out += db(rng.uniform(-26.0, -8.0) - 2.0 * order) * tone(order * tail)
    return out + db(rng.uniform(-12.0, -2.0)) * _whines(n, rate_hz, np.zeros(n, dtype=np.float32), rng)


KINDS: dict[str, NoiseKind] = {
    kind.name: kind
    for kind in (
        NoiseKind("turbine", "jet engine with whines and slow changes of thrust",
                  "peak at 120-900 Hz, falling 0-9.5 dB/octave above it; tones up to 7 kHz", _turbine),
        NoiseKind("wind_deck", "gusting wind in the microphone, machinery and clanks of a deck",
                  "flat to 40-250 Hz, then falling 6-12 dB/octave; flat hiss below it", _wind_deck),
        NoiseKind("static", "receiver hiss with crackle, fading, whistles and ignition",
                  "-4 to +3 dB/octave up to 2.2-6 kHz, falling above", _static),
        NoiseKind("rotor", "helicopter: blade slap, tail rotor, gearbox",
                  "falling 3-7 dB/octave above 150 Hz, pulsed at 10-27 Hz", _rotor),
        NoiseKind("white", "white Gaussian noise", "flat", _white),
        NoiseKind("pink", "pink Gaussian noise", "falling 3 dB/octave", _pink),
    )
}

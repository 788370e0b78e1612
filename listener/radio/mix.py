"""Speech and noise at a stated signal-to-noise ratio.

The ratio is that of the *active level of the clean speech* (ITU-T P.56 method B) to the RMS level
of the noise, both optionally measured inside the radio band: a jet's rumble below 300 Hz never
reaches the receiver and should not count.
"""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from listener.errors import UserError
from listener.radio.band import band_pass
from listener.radio.level import SILENT_DBOV, active_level_dbov, rms_dbov

SPEECH_LEVEL_DBOV = -26.0  # usual nominal active level in speech-codec tests (ITU-T P.800 practice)
PEAK = 0.98


@dataclass(frozen=True, slots=True)
class Mix:
    """Speech plus noise, with the two stems as they lie in the sum.

    samples = speech + noise (float32, full scale 1); snr_db as asked; level_dbov: active level of
    the speech stem, lower than asked where the sum would have passed full scale.
    """

    samples: np.ndarray
    speech: np.ndarray
    noise: np.ndarray
    snr_db: float
    level_dbov: float


def mix(
    speech: np.ndarray,
    noise: np.ndarray,
    rate_hz: float,
    snr_db: float,
    level_dbov: float = SPEECH_LEVEL_DBOV,
    band_hz: tuple[float, float] | None = None,
) -> Mix:
    """Mix clean mono speech with noise at snr_db over the speech's active level.

    speech, noise: the same rate; noise at least as long as speech (its first samples are used, see
    `fit_noise`). band_hz: measure both levels inside this band (the stems themselves stay wide).
    Raises UserError for silent speech, silent noise, or noise too short.
    """
    speech = np.asarray(speech, dtype=np.float32)
    noise = np.asarray(noise, dtype=np.float32)
    if noise.size < speech.size:
        raise UserError(
            f"noise: lasts {noise.size / rate_hz:.2f} s, the speech {speech.size / rate_hz:.2f} s; "
            "use a longer noise recording or repeat it"
        )
    noise = noise[: speech.size]
    speech_db, noise_db = mix_levels_dbov(speech, noise, rate_hz, band_hz)
    speech_gain = 10.0 ** ((level_dbov - speech_db) / 20.0)
    noise_gain = 10.0 ** ((level_dbov - snr_db - noise_db) / 20.0)
    peak = float(np.max(np.abs(speech_gain * speech + noise_gain * noise)))
    down = min(1.0, PEAK / peak)
    stems = np.float32(down * speech_gain) * speech, np.float32(down * noise_gain) * noise
    return Mix(stems[0] + stems[1], *stems, float(snr_db), level_dbov + 20.0 * float(np.log10(down)))


def mix_levels_dbov(
    speech: np.ndarray, noise: np.ndarray, rate_hz: float, band_hz: tuple[float, float] | None = None
) -> tuple[float, float]:
    """Active level of clean speech and RMS level of noise, in dBov: their difference is the SNR.

    Raises UserError where either is silent (in the band, if one is given).
    """
    if band_hz is not None:
        speech, noise = (band_pass(x, rate_hz, *band_hz) for x in (speech, noise))
    speech_db, noise_db = active_level_dbov(speech, rate_hz), rms_dbov(noise)
    if not noise_db >= SILENT_DBOV:
        raise UserError("noise: is silent, so no signal-to-noise ratio can be set; choose another noise recording")
    return speech_db, noise_db


def fit_noise(noise: np.ndarray, n_samples: int, rng: np.random.Generator, fade: int = 800) -> np.ndarray:
    """n_samples of a noise recording from a random place, repeated with cross-fades where it is too short.

    fade: samples of equal-power cross-fade at each repeat. Raises UserError for a recording
    shorter than two fades.
    """
    noise = np.asarray(noise, dtype=np.float32)
    if noise.size >= n_samples:
        start = int(rng.integers(noise.size - n_samples + 1))
        return noise[start : start + n_samples].copy()
    if noise.size < 2 * fade:
        raise UserError(f"noise: {noise.size} samples are too few to repeat; use a longer noise recording")
    turn = np.linspace(0.0, np.pi / 2, fade, dtype=np.float32)
    joined = np.sin(turn) * noise[:fade] + np.cos(turn) * noise[-fade:]
    loop = np.concatenate([joined, noise[fade:-fade]])
    start = int(rng.integers(loop.size))
    return np.take(loop, np.arange(start, start + n_samples), mode="wrap")

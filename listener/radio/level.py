"""Speech levels: RMS and the active speech level of ITU-T P.56, method B.

Levels are in dBov: 0 dBov is the mean power of a full-scale square wave (samples at +-1), so a
full-scale sine reads -3.01 dBov. The active level leaves the pauses of speech out of the mean,
which is what an SNR "over speech" has to be based on. Method B is defined for clean speech: on
noisy speech it counts the noise as active and is wrong. Measure the clean speech, then add noise.

Source of the constants: ITU-T Rec. P.56, method B (time constant 0.03 s, two in series; hangover
0.2 s; margin 15.9 dB; thresholds one bit apart for a 16-bit quantiser).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike
from scipy.signal import lfilter

from listener.errors import UserError

TIME_CONSTANT_S = 0.03
HANGOVER_S = 0.2
MARGIN_DB = 15.9
THRESHOLDS = 2.0 ** np.arange(-15, 0)  # of full scale: 2**-15 ... 0.5

SILENT_DBOV = -80.0  # below this a 16-bit signal is a few quantising steps: not speech, not noise


@dataclass(frozen=True, slots=True)
class SpeechLevel:
    """What P.56 states of a piece of speech.

    active_dbov: mean power while speech is active; rms_dbov: mean power of the whole;
    activity: share of the time that is active, 0..1.
    """

    active_dbov: float
    rms_dbov: float
    activity: float


def rms_dbov(samples: ArrayLike) -> float:
    """Mean power of samples (full scale 1) in dBov; -inf for digital silence or no samples."""
    x = np.asarray(samples, dtype=np.float64).ravel()
    power = float(x @ x) / x.size if x.size else 0.0
    return 10.0 * math.log10(power) if power > 0.0 else -math.inf


def speech_level(samples: ArrayLike, rate_hz: float, what: str = "speech") -> SpeechLevel:
    """Active level, RMS and activity by ITU-T P.56 method B.

    samples: clean mono speech, full scale 1; what: its name in error messages.
    Raises UserError where there is nothing to measure (silence, or no finite samples).
    """
    x = np.asarray(samples, dtype=np.float64).ravel()
    if not np.isfinite(x).all():
        raise UserError(f"{what}: has NaN or infinite samples, so its level cannot be measured; repair the recording")
    rms = rms_dbov(x)
    if rms < SILENT_DBOV:
        raise UserError(f"{what}: is silent, so it has no active level; choose a recording with speech in it")
    active = _active_samples(x, rate_hz)
    level = _level_at_margin(float(x @ x), active)
    return SpeechLevel(level, rms, min(1.0, 10.0 ** ((rms - level) / 10.0)))


def active_level_dbov(samples: ArrayLike, rate_hz: float) -> float:
    """Active speech level in dBov: `speech_level(...).active_dbov`."""
    return speech_level(samples, rate_hz).active_dbov


def _active_samples(x: np.ndarray, rate_hz: float) -> np.ndarray:
    """Per threshold: how many samples lie at or above it, or within the hangover after one that does."""
    g = math.exp(-1.0 / (TIME_CONSTANT_S * rate_hz))
    envelope = lfilter([(1.0 - g) ** 2], [1.0, -2.0 * g, g * g], np.abs(x))
    reach = 1 + math.ceil(HANGOVER_S * rate_hz)
    # The thresholds are powers of two, so the exponent in a number's bits says which it reaches; stretches of one
    # exponent are few, and all thresholds are counted on them.
    exponent = (envelope.view(np.int64) >> 52) - 1023
    starts = np.concatenate([[0], np.flatnonzero(exponent[1:] != exponent[:-1]) + 1])
    sizes, exponent = np.diff(starts, append=x.size), exponent[starts]
    counts = np.zeros(THRESHOLDS.size)
    for j, threshold in enumerate(THRESHOLDS):
        above = np.flatnonzero(exponent >= round(math.log2(threshold)))
        if above.size == 0:
            break
        ends = starts[above] + sizes[above]
        pauses = np.append(starts[above[1:]], x.size) - ends
        counts[j] = sizes[above].sum() + np.minimum(pauses, reach - 1).sum()
    return counts


def _level_at_margin(energy: float, active: np.ndarray) -> float:
    """The level whose threshold lies MARGIN_DB below it, interpolated between thresholds one bit apart."""
    used = np.flatnonzero(active)
    if used.size == 0:  # louder than silence but never above the first threshold for long: a click
        return 10.0 * math.log10(energy / max(1.0, active.size))
    level_db = 10.0 * np.log10(energy / active[used])
    over_db = level_db - 20.0 * np.log10(THRESHOLDS[used])
    below = np.flatnonzero(over_db <= MARGIN_DB)
    if below.size == 0:
        return float(level_db[-1])
    j = int(below[0])
    if j == 0:
        return float(level_db[0])
    share = (over_db[j - 1] - MARGIN_DB) / (over_db[j - 1] - over_db[j])
    return float(level_db[j - 1] + share * (level_db[j] - level_db[j - 1]))

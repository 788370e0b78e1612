"""What the channel let through: levels, clipping, noise, and how hard one call was to hear.

The rules are common practice, without a source. Levels are in dBov inside the radio voice band.
"""

from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from math import log10

import numpy as np
from numpy.typing import NDArray
from scipy.ndimage import percentile_filter, uniform_filter1d
from scipy.signal import butter, sosfilt

from listener.radio import VOICE_BAND_HZ
from listener.sound.bounds import within_bounds

FRAME_S = 0.02
FULL_SCALE = 0.99  # from here on a sample is taken as clipped

NO_SOUND_DBOV, NO_SOUND_S = -75.0, 20.0
CLIPPED_SHARE, CLIPPED_S = 0.01, 1.0
NOISE_WINDOW_S, NOISE_S = 3.0, 2.0
NOISE_MARGIN_DB = 3.0
LOUD_NOISE_DBOV = -40.0

LOWEST_SNR_DB = -13.0  # below, the words' power cannot be told from the noise's


@dataclass(frozen=True, slots=True)
class Levels:
    """Frames of FRAME_S: level_dbov in the voice band and share of clipped samples, shape (n,)."""

    start_s: float
    level_dbov: NDArray[np.float32]
    clipped: NDArray[np.float32]


@dataclass(frozen=True, slots=True)
class Stretch:
    """A stretch in which the channel could not be heard, and why."""

    start_s: float
    end_s: float
    why: str


class FrameLevels:
    """Measures a track as it is read."""

    def __init__(self, rate_hz: int, start_s: float) -> None:
        self._start_s = start_s
        self._frame = round(rate_hz * FRAME_S)
        high_hz = min(VOICE_BAND_HZ[1], 0.45 * rate_hz)
        self._sos = butter(2, (VOICE_BAND_HZ[0], high_hz), "bandpass", fs=rate_hz, output="sos")
        self._state = np.zeros((len(self._sos), 2))
        self._rest = np.zeros(0, np.float32)
        self._levels: list[NDArray[np.float32]] = []
        self._clipped: list[NDArray[np.float32]] = []

    def feed(self, samples: NDArray[np.float32]) -> None:
        """The next samples: float32, shape (n,), full scale 1. What is not sound counts as silence."""
        samples = np.concatenate([self._rest, within_bounds(samples)[0]])
        whole = len(samples) // self._frame * self._frame
        now, self._rest = samples[:whole], samples[whole:]
        if not whole:
            return
        voice, self._state = sosfilt(self._sos, now, zi=self._state)
        power = np.square(voice).reshape(-1, self._frame).mean(axis=1)
        self._levels.append((10 * np.log10(np.maximum(power, 1e-12))).astype(np.float32))
        self._clipped.append((np.abs(now) >= FULL_SCALE).reshape(-1, self._frame).mean(axis=1, dtype=np.float32))

    def finish(self) -> Levels:
        """The levels of all whole frames so far; samples short of a frame are left out."""
        empty = [np.zeros(0, np.float32)]
        return Levels(self._start_s, np.concatenate(self._levels or empty), np.concatenate(self._clipped or empty))


def unheard(levels: Levels) -> list[Stretch]:
    """The stretches in which a call could hardly have been heard, in time order.

    No sound: below -75 dBov for 20 s. Clipping: over 1 % of the samples of a second. Noise: for 2 s,
    the pauses of three seconds (10th percentile) come within 3 dB of the track's speech (see below).
    """
    level = levels.level_dbov
    if not len(level):
        return []
    second = round(1 / FRAME_S)
    clipping = uniform_filter1d(levels.clipped, second, mode="nearest") > CLIPPED_SHARE
    floor = percentile_filter(level, 10, size=round(NOISE_WINDOW_S / FRAME_S), mode="nearest")
    silent = level < NO_SOUND_DBOV
    noisy = (floor > _speech_dbov(level) - NOISE_MARGIN_DB) & ~silent
    found = [
        *_runs(silent, NO_SOUND_S, "no sound", levels.start_s),
        *_runs(clipping, CLIPPED_S, "clipping", levels.start_s),
        *_runs(noisy, NOISE_S, "noise as loud as speech", levels.start_s),
    ]
    return sorted(found, key=lambda stretch: stretch.start_s)


def _speech_dbov(level: NDArray[np.float32]) -> float:
    """How loud the talk on a track is: 80th percentile of the frames that stand 10 dB out of its quiet ones.

    Where nothing does for a second in all, anything louder than -40 dBov counts as noise over all talk.
    """
    sounding = level[level >= NO_SOUND_DBOV]
    if not len(sounding):
        return 0.0
    out = sounding[sounding > np.percentile(sounding, 10) + 10.0]
    return float(np.percentile(out, 80)) if len(out) * FRAME_S >= 1.0 else LOUD_NOISE_DBOV + NOISE_MARGIN_DB


def _runs(flags: NDArray[np.bool_], least_s: float, why: str, start_s: float) -> Iterator[Stretch]:
    edges = np.flatnonzero(np.diff(np.concatenate([[0], flags.view(np.int8), [0]])))
    for a, b in edges.reshape(-1, 2):
        if (b - a) * FRAME_S >= least_s:
            yield Stretch(round(start_s + a * FRAME_S, 3), round(start_s + b * FRAME_S, 3), why)


@dataclass(frozen=True, slots=True)
class CallSound:
    """How a call sounded.

    level_dbov: mean of its words. snr_db: words over what lies between and beside them, None where
    there is nothing beside; LOWEST_SNR_DB or below means lost in the noise. clipped: share of its
    samples at full scale. first_word: length of its first word over the middle of the others', None
    where the words are not marked.
    """

    level_dbov: float
    snr_db: float | None
    clipped: float
    first_word: float | None


def call_sound(
    samples: NDArray[np.float32], first_s: float, rate_hz: int, words_s: Sequence[tuple[float, float]]
) -> CallSound | None:
    """Measure a call in an excerpt that begins at first_s and reaches a little beyond its words.

    words_s: the words, or the whole call as one. None when the excerpt does not hold them.
    """
    step = round(rate_hz * 0.01)
    high_hz = min(VOICE_BAND_HZ[1], 0.45 * rate_hz)
    voice = sosfilt(butter(2, (VOICE_BAND_HZ[0], high_hz), "bandpass", fs=rate_hz, output="sos"), samples)
    frames = np.square(voice[: len(voice) // step * step]).reshape(-1, step).mean(axis=1)
    middles = first_s + (np.arange(len(frames)) + 0.5) * step / rate_hz
    inside = np.zeros(len(frames), bool)
    near = np.zeros(len(frames), bool)
    for start, end in words_s:
        inside |= (middles > start) & (middles < end)
        near |= (middles > start - 0.03) & (middles < end + 0.05)
    if not inside.any():
        return None
    # Only the carrier's own stretch counts as beside: farther out the transmitter may be off.
    reach = (middles > words_s[0][0] - 0.15) & (middles < words_s[-1][1] + 0.15)
    with_noise = float(frames[inside].mean())
    beside = frames[reach & ~near]
    clipped = np.abs(samples[: len(frames) * step].reshape(-1, step)) >= FULL_SCALE
    lengths = [end - start for start, end in words_s]
    return CallSound(
        level_dbov=round(10 * log10(max(with_noise, 1e-12)), 1),
        snr_db=_snr_db(with_noise, float(np.median(beside))) if len(beside) >= 5 else None,
        clipped=float(clipped[inside].mean()),
        first_word=round(lengths[0] / float(np.median(lengths[1:])), 2) if len(lengths) > 1 else None,
    )


def _snr_db(with_noise: float, noise: float) -> float:
    least = 10 ** (LOWEST_SNR_DB / 10)
    ratio = max(with_noise / max(noise, 1e-12) - 1, least)
    return round(min(10 * log10(ratio), 60.0), 1)

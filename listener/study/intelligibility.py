"""Predicted intelligibility: SII (ANSI S3.5-1997, one-third octave bands) and STI (IEC 60268-16).

Both tables are the standards' as commonly reproduced in open code, from memory; the tests check them
against published sums and levels. What is left out: SII's hearing loss and visual cues; STI's auditory
masking between bands (its reception threshold is in). SII's speech spectra for raised, loud and shouted
voices are left out too: here the spectrum is always the call's own, and the level distortion refers to
normal effort whatever the voice. (Copies of those spectra in open code differ by 0.1 dB in a band and miss
the published overall levels by up to 0.06 dB, so that without the standard's text none could be called true.)
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy import fft

Bands = NDArray[np.float64]

SII_BANDS_HZ = np.array(
    [160, 200, 250, 315, 400, 500, 630, 800, 1000, 1250, 1600, 2000, 2500, 3150, 4000, 5000, 6300, 8000.0]
)
SII_IMPORTANCE = np.array([
    0.0083, 0.0095, 0.0150, 0.0289, 0.0440, 0.0578, 0.0653, 0.0711, 0.0818,
    0.0844, 0.0882, 0.0898, 0.0868, 0.0844, 0.0771, 0.0527, 0.0364, 0.0185,
])  # fmt: skip
# Speech spectrum level of the standard's normal vocal effort, dB SPL per Hz.
SII_NORMAL_DB = np.array([
    32.41, 34.48, 34.75, 33.98, 34.59, 34.27, 32.06, 28.30, 25.01, 23.00, 20.15, 17.32, 13.18, 11.55, 9.33, 5.31, 2.59, 1.13,
])  # fmt: skip
SII_INNER_NOISE_DB = np.array([
    0.6, -1.7, -3.9, -6.1, -8.2, -9.7, -10.8, -11.9, -12.5, -13.5, -15.4, -17.7, -21.2, -24.2, -25.9, -23.6, -15.8, -7.1,
])  # fmt: skip
THIRD_OCTAVE = 2 ** (1 / 6) - 2 ** (-1 / 6)  # bandwidth over centre frequency
SPEECH_DB_SPL = 62.35  # the standard's normal effort: what the listener's headset is taken to be set to

STI_BANDS_HZ = np.array([125, 250, 500, 1000, 2000, 4000, 8000.0])
STI_MODULATION_HZ = np.array([0.63, 0.8, 1.0, 1.25, 1.6, 2.0, 2.5, 3.15, 4.0, 5.0, 6.3, 8.0, 10.0, 12.5])
STI_ALPHA = np.array([0.085, 0.127, 0.230, 0.233, 0.309, 0.224, 0.173])  # male
STI_BETA = np.array([0.085, 0.078, 0.065, 0.011, 0.047, 0.095])
STI_RECEPTION_DB = np.array([46, 27, 12, 6.5, 7.5, 8, 12.0])  # dB SPL per octave

_NOTHING_DB = -200.0


def sii(speech_db: ArrayLike, noise_db: ArrayLike, threshold_db: ArrayLike = 0.0) -> float:
    """Speech intelligibility index, 0..1, from equivalent spectrum levels in the 18 bands (dB SPL per Hz).

    speech_db, noise_db: shape (18,); threshold_db: hearing threshold level. ANSI S3.5-1997, section 5.
    """
    speech, noise = np.asarray(speech_db, float), np.asarray(noise_db, float)
    masker = np.maximum(noise, speech - 24.0)
    slope = -80.0 + 0.6 * (masker + 10 * np.log10(SII_BANDS_HZ) - 6.353)
    power = 10 ** (noise / 10)
    for i in range(1, SII_BANDS_HZ.size):
        upper_hz = 2 ** (1 / 6) * SII_BANDS_HZ[:i]
        spread = masker[:i] + 3.32 * slope[:i] * np.log10(SII_BANDS_HZ[i] / upper_hz)
        power[i] += np.sum(10 ** (spread / 10))
    disturbance = np.maximum(10 * np.log10(power), SII_INNER_NOISE_DB + threshold_db)
    not_distorted = np.minimum(1.0, 1.0 - (speech - SII_NORMAL_DB - 10.0) / 160.0)
    audible = np.clip((speech - disturbance + 15.0) / 30.0, 0.0, 1.0)
    return float(np.sum(SII_IMPORTANCE * audible * np.clip(not_distorted, 0.0, 1.0)))


def sti(transfer: ArrayLike) -> float:
    """Speech transmission index, 0..1, of modulation transfer values, shape (7 octaves, any number of rates)."""
    m = np.clip(np.asarray(transfer, float), 1e-9, 1 - 1e-9)
    index = np.clip((10 * np.log10(m / (1 - m)) + 15) / 30, 0.0, 1.0).mean(axis=1)
    return float(np.clip(STI_ALPHA @ index - STI_BETA @ np.sqrt(index[:-1] * index[1:]), 0.0, 1.0))


def modulation_transfer(snr_db: ArrayLike, rt60_s: float = 0.0, direct_db: float = np.inf) -> Bands:
    """m, shape (7, 14): noise at snr_db in each octave, and a room that decays exponentially.

    direct_db: the direct sound's energy over the reverberation's. Noise: m = 1 / (1 + 10^(-SNR/10));
    room: the Fourier transform of its energy decay (Schroeder 1981). Both as in IEC 60268-16.
    """
    noise = 1 / (1 + 10 ** (-np.broadcast_to(np.asarray(snr_db, float), STI_BANDS_HZ.shape) / 10))
    tail = 0.0 if rt60_s <= 0 else 10 ** (-direct_db / 10)
    decay = 1 / (1 + 2j * np.pi * STI_MODULATION_HZ * rt60_s / 13.8)
    return noise[:, None] * np.abs((1 + tail * decay) / (1 + tail))


def band_powers(samples: ArrayLike, rate_hz: float, centres_hz: Bands, per_octave: int) -> Bands:
    """Mean power of samples in each band (full scale 1), by the Fourier transform of the whole."""
    x = np.asarray(samples, float)
    size = fft.next_fast_len(x.size, real=True)  # padded with silence: Parseval holds, odd lengths are quick
    power = np.abs(fft.rfft(x, size)) ** 2 * 2 / (size * x.size)
    power[0] = 0.0
    freqs = fft.rfftfreq(size, 1 / rate_hz)
    half = 2 ** (0.5 / per_octave)
    sums = np.concatenate([[0.0], np.cumsum(power)])
    low, high = (np.searchsorted(freqs, centres_hz * edge) for edge in (1 / half, half))
    return np.maximum(sums[high] - sums[low], 0.0)


def _db(power: Bands | float) -> Bands:
    return np.maximum(10 * np.log10(np.maximum(power, 1e-30)), _NOTHING_DB)


def _spl(powers: Sequence[Bands], speech: ArrayLike) -> list[Bands]:
    """Band powers in dB SPL, the whole speech standing at SPEECH_DB_SPL."""
    whole_db = float(_db(np.mean(np.square(np.asarray(speech, float)))))
    return [_db(power) - whole_db + SPEECH_DB_SPL for power in powers]


def sii_of(speech: ArrayLike, noise: ArrayLike, rate_hz: float) -> float:
    """SII of these stems, the speech heard at 62.35 dB SPL."""
    powers = [band_powers(x, rate_hz, SII_BANDS_HZ, 3) for x in (speech, noise)]
    per_hz_db = 10 * np.log10(SII_BANDS_HZ * THIRD_OCTAVE)
    return sii(*(level - per_hz_db for level in _spl(powers, speech)))


def sti_of(
    speech: ArrayLike, noise: ArrayLike, rate_hz: float, rt60_s: float = 0.0, direct_db: float = np.inf
) -> float:
    """STI of these stems, the speech heard at 62.35 dB SPL, in a room if rt60_s is given."""
    powers = [band_powers(x, rate_hz, STI_BANDS_HZ, 1) for x in (speech, noise)]
    speech_db, noise_db = _spl(powers, speech)
    disturbance_db = _db(10 ** (noise_db / 10) + 10 ** (STI_RECEPTION_DB / 10))
    return sti(modulation_transfer(speech_db - disturbance_db, rt60_s, direct_db))

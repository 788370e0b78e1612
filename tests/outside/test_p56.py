"""Active speech level against what ITU-T P.56 method B and its arithmetic say of known signals."""

import numpy as np
import pytest

from listener.radio.level import rms_dbov, speech_level

RATE = 16000


def sine(seconds: float) -> np.ndarray:
    return np.sin(2 * np.pi * 440.0 * np.arange(round(seconds * RATE)) / RATE)


def test_full_scale_sine_is_3_01_db_below_overload():
    """dBov: 0 dB is a full-scale square wave (ITU-T G.100.1), so a sine is 10 log10(1/2)."""
    level = speech_level(sine(10.0), RATE)
    assert level.rms_dbov == pytest.approx(-3.0103, abs=1e-3)
    assert level.active_dbov == pytest.approx(-3.0103, abs=0.05)
    assert level.activity > 0.99


@pytest.mark.parametrize("size_db", [0.0, -6.0, -20.0, -40.0])
def test_gating_half_the_time_leaves_the_active_level(size_db):
    """P.56 method B: pauses longer than the hangover (0.2 s) do not count; RMS falls by 10 log10(1/2).

    Each burst counts 0.2 s and the envelope's decay longer than it lasts: at most 0.2 dB on 10 s.
    """
    burst = 10 ** (size_db / 20) * sine(10.0)
    level = speech_level(np.concatenate([burst, np.zeros(10 * RATE)] * 2), RATE)
    assert level.rms_dbov == pytest.approx(size_db - 6.0206, abs=1e-3)
    assert level.active_dbov == pytest.approx(size_db - 3.0103, abs=0.2)
    assert level.activity == pytest.approx(0.5, abs=0.025)


def test_pauses_shorter_than_the_hangover_count_as_speech():
    """P.56 method B, hangover 0.2 s: 0.1 s gaps are part of the speech, so active and RMS levels agree."""
    pattern = np.concatenate([sine(0.1), np.zeros(round(0.1 * RATE))])
    level = speech_level(np.tile(pattern, 40), RATE)
    assert level.active_dbov == pytest.approx(level.rms_dbov, abs=0.1)


def test_square_wave_defines_zero_dbov():
    """ITU-T G.100.1."""
    assert rms_dbov(np.sign(sine(1.0) + 1e-9)) == pytest.approx(0.0, abs=1e-6)


def as_the_recommendation_counts(x: np.ndarray, rate: int) -> float:
    """Active level, sample by sample, written from the recommendation's text (from memory), not from our code:
    two exponential averages in series (0.03 s), a hangover counter for each threshold (0.2 s), margin 15.9 dB.
    """
    g, hold = np.exp(-1.0 / (0.03 * rate)), int(np.ceil(0.2 * rate))
    thresholds = [2.0**-k for k in range(15, 0, -1)]
    active, hung = [0] * 15, [hold] * 15
    p = q = energy = 0.0
    for sample in x.tolist():
        energy += sample * sample
        p = g * p + (1 - g) * abs(sample)
        q = g * q + (1 - g) * p
        for j, threshold in enumerate(thresholds):
            if q >= threshold:
                active[j] += 1
                hung[j] = 0
            elif hung[j] < hold:
                active[j] += 1
                hung[j] += 1
    levels = [10 * np.log10(energy / a) if a else None for a in active]
    before = None
    for level, threshold in zip(levels, thresholds):
        if level is None:
            break
        over = level - 20 * np.log10(threshold) - 15.9
        if over <= 0:
            if before is None:
                return float(level)
            return float(before[0] + (level - before[0]) * before[1] / (before[1] - over))
        before = level, over
    raise AssertionError("no threshold lies the margin below the level")


@pytest.mark.parametrize("seed", range(3))
def test_speech_like_sound_has_the_level_that_a_count_by_hand_gives(seed):
    """Syllables of 40 to 300 ms over 40 dB of range with gaps about the hangover's length: margin, time constant and
    hangover all matter, each by more than the tolerance (test_mutants changes them).
    """
    rng = np.random.default_rng(seed)
    parts = []
    for _ in range(14):
        size = rng.integers(320, 2400)
        parts += [rng.standard_normal(size) * 10 ** (rng.uniform(-55, -15) / 20), np.zeros(rng.integers(800, 3200))]
    x = np.clip(np.concatenate(parts), -1, 1)
    assert speech_level(x, 8000).active_dbov == pytest.approx(as_the_recommendation_counts(x, 8000), abs=0.01)

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

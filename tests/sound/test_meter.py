"""The meter: a sine reads what a sine has, silence the floor, and speech stands out of its noise."""

import numpy as np
import pytest

from listener.sound.meter import FLOOR_DBOV, Meter, level_dbov

RATE_HZ = 16_000


def sine(peak: float, seconds: float = 1.0) -> np.ndarray:
    return (peak * np.sin(2 * np.pi * 1000 * np.arange(round(seconds * RATE_HZ)) / RATE_HZ)).astype(np.float32)


def test_a_full_scale_sine_reads_minus_3_01_dbov():
    """10 log10(1/2), as ITU-T P.56 and G.100.1 define dBov."""
    assert level_dbov(sine(1.0)) == pytest.approx(-3.0103, abs=1e-3)
    meter = Meter(RATE_HZ)
    meter.feed(sine(1.0))
    assert meter.level_dbov == pytest.approx(-3.0103, abs=0.01)
    assert meter.peak_dbov == pytest.approx(0.0, abs=0.01)


def test_silence_reads_the_floor():
    meter = Meter(RATE_HZ)
    meter.feed(np.zeros(RATE_HZ, np.float32))
    assert meter.level_dbov == FLOOR_DBOV or meter.level_dbov < -119
    assert level_dbov(np.zeros(0, np.float32)) == FLOOR_DBOV


def test_a_steady_offset_is_no_level():
    meter = Meter(RATE_HZ)
    meter.feed(np.full(5 * RATE_HZ, 0.3, np.float32) + sine(0.01, 5))
    assert meter.level_dbov == pytest.approx(-43.0, abs=0.5)


@pytest.mark.parametrize("snr_db", [10, 20, 30])
def test_the_snr_estimate_is_about_right_for_bursts_in_noise(snr_db):
    rng = np.random.default_rng(1)
    noise = rng.standard_normal(10 * RATE_HZ).astype(np.float32) * 0.01
    bursts = sine(0.01 * 10 ** (snr_db / 20) * 2**0.5, 10) * (np.arange(10 * RATE_HZ) % RATE_HZ < RATE_HZ / 3)
    meter = Meter(RATE_HZ)
    meter.feed(noise + bursts.astype(np.float32))
    assert meter.snr_db == pytest.approx(snr_db, abs=1.5)


def test_the_same_sound_measures_the_same_however_it_is_cut():
    sound = np.random.default_rng(2).standard_normal(RATE_HZ).astype(np.float32) * 0.1
    whole, parts = Meter(RATE_HZ), Meter(RATE_HZ)
    levels = whole.feed(sound)
    pieces = np.concatenate([parts.feed(part) for part in np.split(sound, [7, 1000, 1001, 9_999])])
    np.testing.assert_allclose(pieces, levels, atol=1e-6)

"""A mix has the SNR it states, over the active level of the clean speech."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.errors import UserError
from listener.radio.band import band_pass
from listener.radio.level import active_level_dbov, rms_dbov
from listener.radio.mix import PEAK, fit_noise, mix, mix_levels_dbov
from listener.radio.noise import noise

RATE = 16000
BAND = (300.0, 3400.0)


def words(seed: int = 0) -> np.ndarray:
    """Three bursts of pink noise with pauses, in 3 s."""
    x = noise("pink", 3.0, RATE, np.random.default_rng(seed))
    for start in (0.0, 0.9, 1.8, 2.6):
        x[round(start * RATE) : round((start + 0.35) * RATE)] = 0.0
    return x


@settings(max_examples=15, deadline=None)
@given(st.floats(-15, 30), st.floats(-40, -26), st.integers(0, 1000))
def test_stems_have_the_levels_stated(snr_db, level_dbov, seed):
    jet = noise("turbine", 3.0, RATE, np.random.default_rng(seed))
    mixed = mix(words(), jet, RATE, snr_db, level_dbov)
    assert active_level_dbov(mixed.speech, RATE) == pytest.approx(mixed.level_dbov, abs=0.3)
    assert mixed.level_dbov <= level_dbov
    measured = mix_levels_dbov(words(), jet, RATE)
    assert rms_dbov(mixed.noise) == pytest.approx(mixed.level_dbov - snr_db, abs=1e-3)
    assert rms_dbov(mixed.speech) - rms_dbov(words()) == pytest.approx(mixed.level_dbov - measured[0], abs=1e-3)
    np.testing.assert_allclose(mixed.samples, mixed.speech + mixed.noise)
    assert np.abs(mixed.samples).max() <= PEAK + 1e-6


def test_snr_inside_the_band_ignores_rumble_below_it():
    rumble = band_pass(noise("white", 3.0, RATE, np.random.default_rng(1)), RATE, 0.0, 150.0, order=8)
    hiss = noise("white", 3.0, RATE, np.random.default_rng(2)) * 0.1
    mixed = mix(words(), rumble * 3 + hiss, RATE, 6.0, band_hz=BAND)
    in_band = rms_dbov(band_pass(mixed.noise, RATE, *BAND))
    assert active_level_dbov(band_pass(mixed.speech, RATE, *BAND), RATE) - in_band == pytest.approx(6.0, abs=0.3)
    assert rms_dbov(mixed.noise) > in_band + 6.0


def test_a_loud_mix_is_turned_down_as_a_whole():
    mixed = mix(words(), noise("white", 3.0, RATE, np.random.default_rng(3)), RATE, -20.0, level_dbov=-10.0)
    assert np.abs(mixed.samples).max() == pytest.approx(PEAK, abs=1e-4)
    assert mixed.level_dbov < -10.0
    assert rms_dbov(mixed.noise) == pytest.approx(mixed.level_dbov + 20.0, abs=1e-3)


@pytest.mark.parametrize(
    ("speech", "hiss", "says"),
    [
        (np.zeros(RATE), np.ones(RATE) * 0.1, "speech: is silent"),
        (words(), np.zeros(3 * RATE), "noise: is silent"),
        (words(), np.ones(RATE) * 0.1, "noise: lasts 1.00 s, the speech 3.00 s"),
    ],
)
def test_impossible_mixes_are_refused_in_one_line(speech, hiss, says):
    with pytest.raises(UserError, match=says):
        mix(speech, hiss, RATE, 5.0)


def test_noise_only_below_the_band_counts_as_silent_in_it():
    t = np.arange(3 * RATE) / RATE
    with pytest.raises(UserError, match="noise: is silent"):
        mix(words(), 0.001 * np.sin(2 * np.pi * 20 * t), RATE, 5.0, band_hz=BAND)


@settings(max_examples=30, deadline=None)
@given(st.integers(2000, 40000), st.integers(1, 90000), st.integers(0, 99))
def test_a_noise_recording_is_cut_or_repeated_without_a_step(size, wanted, seed):
    slow = np.sin(np.arange(size) * 0.003).astype(np.float32)
    out = fit_noise(slow, wanted, np.random.default_rng(seed))
    assert out.size == wanted
    assert np.abs(np.diff(out)).max(initial=0.0) < 0.01  # the sine's own steepest step is 0.003


def test_a_scrap_of_noise_cannot_be_repeated():
    with pytest.raises(UserError, match="too few to repeat"):
        fit_noise(np.ones(100), 16000, np.random.default_rng(0))

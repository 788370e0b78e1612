"""Every kind of noise: the level, length and variety promised, its own spectrum, fast enough."""

import time

import numpy as np
import pytest
from scipy.signal import hilbert, welch

from listener.errors import UserError
from listener.radio.level import rms_dbov
from listener.radio.noise import KINDS, NOISE_LEVEL_DBOV, babble, noise

RATE = 16000
every_kind = pytest.mark.parametrize("kind", KINDS)


def draw(kind: str, seed: int, seconds: float = 4.0, rate_hz: float = RATE) -> np.ndarray:
    return noise(kind, seconds, rate_hz, np.random.default_rng(seed))


def octave_db(x: np.ndarray, centre_hz: float) -> float:
    """Mean power density in the octave around centre_hz, dB."""
    freqs, power = welch(x, RATE, nperseg=4096)
    inside = (freqs >= centre_hz / 2**0.5) & (freqs < centre_hz * 2**0.5)
    return float(10 * np.log10(power[inside].mean()))


@every_kind
@pytest.mark.parametrize("rate_hz", [8000, 16000, 44100])
def test_level_length_and_type(kind, rate_hz):
    x = draw(kind, 1, 1.5, rate_hz)
    assert x.dtype == np.float32 and x.shape == (round(1.5 * rate_hz),)
    assert np.isfinite(x).all()
    assert rms_dbov(x) == pytest.approx(NOISE_LEVEL_DBOV, abs=0.01)


@every_kind
def test_the_same_seed_gives_the_same_noise_and_another_seed_another(kind):
    np.testing.assert_array_equal(draw(kind, 5), draw(kind, 5))
    assert abs(np.corrcoef(draw(kind, 5), draw(kind, 6))[0, 1]) < 0.2


@pytest.mark.parametrize("kind", ["turbine", "wind_deck", "static", "rotor"])
def test_draws_of_a_machine_differ_in_spectrum(kind):
    slopes = [octave_db(x, 2000) - octave_db(x, 500) for x in (draw(kind, s) for s in range(12))]
    assert np.std(slopes) > 1.5


def test_white_is_flat_and_pink_falls_three_db_an_octave():
    for kind, slope in (("white", 0.0), ("pink", -3.01)):
        levels = [octave_db(draw(kind, 3, 20.0), f) for f in (250, 500, 1000, 2000, 4000)]
        np.testing.assert_allclose(np.diff(levels), slope, atol=0.5)


def test_turbine_has_tones_that_stand_out_and_waver():
    standing_out = []
    for seed in range(8):
        freqs, power = welch(draw("turbine", seed, 6.0), RATE, nperseg=8192)
        levels = 10 * np.log10(power[(freqs > 300) & (freqs < 5000)])
        smooth = np.convolve(levels, np.ones(101) / 101, "same")
        standing_out.append(np.max((levels - smooth)[60:-60]))
    assert np.median(standing_out) > 8.0


def test_wind_is_mostly_below_the_voice_band_and_comes_in_gusts():
    for seed in range(6):
        x = draw("wind_deck", seed, 20.0)
        assert octave_db(x, 125) > octave_db(x, 1000) + 3.0
        half_seconds = 10 * np.log10(np.square(x[: 40 * 8000]).reshape(40, 8000).mean(1))
        assert half_seconds.std() > 1.0


def test_static_crackles():
    crest_db = [20 * np.log10(np.abs(x).max()) - rms_dbov(x) for x in (draw("static", s, 10.0) for s in range(8))]
    assert np.median(crest_db) > 15.0  # Gaussian noise of that length reaches 13


def test_rotor_beats_at_its_blade_rate():
    for seed in range(6):
        envelope = np.abs(hilbert(draw("rotor", seed, 10.0)))
        freqs, power = welch(envelope - envelope.mean(), RATE, nperseg=65536)
        strongest_hz = freqs[(freqs > 5)][np.argmax(power[freqs > 5])]
        assert 9.0 < strongest_hz < 110.0


def test_a_short_piece_is_noise_too():
    assert draw("static", 0, 0.01).shape == (160,)


@pytest.mark.parametrize(
    ("kind", "seconds", "says"), [("hail", 1.0, "unknown kind; choose one of turbine"), ("white", 0.0, "no samples")]
)
def test_impossible_requests_are_refused_in_one_line(kind, seconds, says):
    with pytest.raises(UserError, match=says):
        noise(kind, seconds, RATE, np.random.default_rng(0))


def test_babble_is_made_of_the_clips_and_needs_some():
    low, high = (np.sin(2 * np.pi * f * np.arange(RATE) / RATE).astype(np.float32) for f in (300, 1200))
    x = babble([low, high], 3.0, RATE, np.random.default_rng(0))
    assert x.size == 3 * RATE and rms_dbov(x) == pytest.approx(NOISE_LEVEL_DBOV, abs=0.01)
    freqs, power = welch(x, RATE, nperseg=1600)
    assert set(freqs[np.argsort(power)[-2:]]) <= {290.0, 300.0, 310.0, 1190.0, 1200.0, 1210.0}
    with pytest.raises(UserError, match="needs speech clips"):
        babble([], 1.0, RATE, np.random.default_rng(0))


@every_kind
def test_noise_is_made_at_fifty_times_real_time_or_faster(kind):
    draw(kind, 0)
    start = time.process_time()
    draw(kind, 1, 20.0)
    assert time.process_time() - start < 20.0 / 50.0

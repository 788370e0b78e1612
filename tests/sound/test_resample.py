"""The resampler keeps time true and passes the voice band, at any rate and in any pieces."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.events import RATE_HZ
from listener.sound.resample import Resampler

RATES_HZ = [4_000, 8_000, 11_025, 16_000, 22_050, 44_100, 48_000, 96_000, 192_000]


def resample(samples: np.ndarray, rate_hz: int, pieces: list[int] | None = None) -> np.ndarray:
    resampler = Resampler(rate_hz)
    cuts = np.cumsum(pieces) if pieces else np.arange(0, len(samples), rate_hz // 50)
    out = [resampler.feed(piece) for piece in np.split(samples, cuts)]
    return np.concatenate([*out, resampler.finish()])


@pytest.mark.parametrize("rate_hz", RATES_HZ)
def test_a_click_stays_where_it_was(rate_hz):
    click_s = 0.7
    samples = np.zeros(2 * rate_hz, np.float32)
    samples[round(click_s * rate_hz)] = 1.0
    heard = resample(samples, rate_hz)
    assert abs(np.argmax(np.abs(heard)) / RATE_HZ - click_s) <= 1 / RATE_HZ
    assert len(heard) == 2 * RATE_HZ


@pytest.mark.parametrize("rate_hz", [8_000, 44_100, 48_000, 192_000])
@pytest.mark.parametrize("tone_hz", [300, 1_000, 3_400])
def test_the_voice_band_passes_within_a_tenth_of_a_decibel(rate_hz, tone_hz):
    t = np.arange(rate_hz) / rate_hz
    heard = resample(np.sin(2 * np.pi * tone_hz * t).astype(np.float32), rate_hz)[4_000:12_000]
    assert abs(10 * np.log10(2 * np.mean(heard**2))) < 0.1


def test_what_16_khz_cannot_hold_is_taken_out():
    t = np.arange(48_000) / 48_000
    heard = resample(np.sin(2 * np.pi * 11_000 * t).astype(np.float32), 48_000)
    assert 20 * np.log10(np.abs(heard[1_000:-1_000]).max()) < -80


@pytest.mark.parametrize("rate_hz, most_s", [(8_000, 0.13), (44_100, 0.05), (48_000, 0.05), (192_000, 0.05)])
def test_samples_come_out_soon(rate_hz, most_s):
    resampler = Resampler(rate_hz)
    fed_s = given_s = 0.0
    for _ in range(100):
        given_s += len(resampler.feed(np.zeros(rate_hz // 50, np.float32))) / RATE_HZ
        fed_s += 0.02
        if fed_s > 0.5:
            assert fed_s - given_s < most_s


@given(st.lists(st.integers(0, 700), max_size=20), st.sampled_from([8_000, 44_100]))
def test_the_pieces_do_not_matter_to_the_count(pieces, rate_hz):
    samples = np.random.default_rng(1).standard_normal(5_000).astype(np.float32)
    whole = resample(samples, rate_hz)
    cut = resample(samples, rate_hz, pieces)
    assert len(cut) == len(whole)
    assert np.allclose(cut, whole, atol=1e-5)

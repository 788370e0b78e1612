"""What the network sees: the same however the sound is cut, at any gain, forgetting only backwards."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.speech.features import BANDS, HOP, WINDOW, FeatureStream, mel_filters


def _sound(seconds: float, seed: int = 0) -> np.ndarray:
    rng = np.random.default_rng(seed)
    t = np.arange(round(seconds * 16_000)) / 16_000
    voice = np.sin(2 * np.pi * 180 * t) * (np.sin(2 * np.pi * 1.3 * t) > 0)
    return (0.2 * voice + 0.01 * rng.standard_normal(len(t))).astype(np.float32)


def test_frames_are_10_ms_apart_and_25_ms_long() -> None:
    assert FeatureStream().feed(np.zeros(WINDOW - 1, np.float32)).shape == (0, 2 * BANDS)
    assert FeatureStream().feed(np.zeros(WINDOW + 9 * HOP, np.float32)).shape == (10, 2 * BANDS)


@settings(max_examples=20, deadline=None)
@given(st.lists(st.integers(1, 4000), min_size=1, max_size=12))
def test_cutting_the_sound_changes_nothing(cuts: list[int]) -> None:
    sound = _sound(1.5)
    whole = FeatureStream().feed(sound)
    stream = FeatureStream()
    places = np.cumsum(cuts)
    pieces = np.split(sound, places[places < len(sound)])
    assert np.allclose(np.concatenate([stream.feed(p) for p in pieces]), whole, atol=1e-5)


def test_gain_does_not_change_the_first_view() -> None:
    sound = _sound(2.0)
    loud, soft = FeatureStream().feed(sound), FeatureStream().feed(sound * 0.1)
    strong = loud[:, :BANDS] > 0.5  # where the floor of digital silence plays no part
    assert np.abs(loud[:, :BANDS] - soft[:, :BANDS])[strong].max() < 1e-3


def test_steady_noise_fades_from_the_second_view() -> None:
    rng = np.random.default_rng(1)
    out = FeatureStream().feed(0.1 * rng.standard_normal(16_000 * 6).astype(np.float32))
    assert abs(out[-200:, BANDS:].mean()) < 0.05


def test_what_comes_later_does_not_change_what_was_seen() -> None:
    sound = _sound(2.0)
    changed = sound.copy()
    changed[20_000:] *= 5
    before = (20_000 - WINDOW) // HOP + 1
    a, b = FeatureStream().feed(sound), FeatureStream().feed(changed)
    assert np.array_equal(a[:before], b[:before])


@pytest.mark.parametrize(
    ("band", "bin_of_peak", "height"),
    [(0, 1, 0.02486259490), (10, 10, 0.01990821771), (25, 24, 0.02087401040), (40, 43, 0.01473556645),
     (60, 93, 0.00659109279), (79, 192, 0.00316471187)],
)  # fmt: skip
def test_mel_filters_are_slaneys(band: int, bin_of_peak: int, height: float) -> None:
    """Values computed with librosa 0.11.0: librosa.filters.mel(sr=16000, n_fft=400, n_mels=80)."""
    filters = mel_filters()
    assert int(filters[band].argmax()) == bin_of_peak
    assert float(filters[band].max()) == pytest.approx(height, rel=1e-6)

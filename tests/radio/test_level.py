"""The active speech level leaves pauses out, follows gain exactly, and refuses silence."""

import math

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.errors import UserError
from listener.radio.level import HANGOVER_S, MARGIN_DB, THRESHOLDS, TIME_CONSTANT_S, rms_dbov, speech_level

RATE = 8000


def bursts(rng: np.random.Generator, seconds: float = 3.0) -> np.ndarray:
    """Speech-like: noise bursts of 50-400 ms between pauses."""
    x = rng.standard_normal(round(seconds * RATE)) * 0.05
    at = 0
    while at < x.size:
        on, off = rng.uniform(0.05, 0.4, 2) * RATE
        x[round(at + on) : round(at + on + off)] *= 1e-4
        at += on + off
    return x


def level_sample_by_sample(x: np.ndarray, rate_hz: int) -> float:
    """Method B written as the recommendation describes it: one sample after another, one counter a threshold."""
    g = math.exp(-1.0 / (rate_hz * TIME_CONSTANT_S))
    hangover = math.ceil(rate_hz * HANGOVER_S)
    p = q = 0.0
    active, quiet_for = [0] * THRESHOLDS.size, [hangover] * THRESHOLDS.size
    for sample in x:
        p = g * p + (1 - g) * abs(sample)
        q = g * q + (1 - g) * p
        for j, threshold in enumerate(THRESHOLDS):
            if q >= threshold:
                active[j] += 1
                quiet_for[j] = 0
            elif quiet_for[j] < hangover:
                active[j] += 1
                quiet_for[j] += 1
    energy = float(np.sum(np.square(x)))
    previous = None
    for count, threshold in zip(active, THRESHOLDS, strict=True):
        level = 10 * math.log10(energy / count)
        over = level - 20 * math.log10(threshold)
        if over <= MARGIN_DB:
            share = (previous[1] - MARGIN_DB) / (previous[1] - over)
            return previous[0] + share * (level - previous[0])
        previous = level, over
    raise AssertionError("no threshold lies the margin below the level")


@settings(max_examples=8, deadline=None)
@given(st.integers(0, 2**32))
def test_vectorised_level_equals_the_sample_by_sample_method(seed):
    x = bursts(np.random.default_rng(seed))
    assert speech_level(x, RATE).active_dbov == pytest.approx(level_sample_by_sample(x, RATE), abs=1e-6)


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32), st.integers(-4, 2))
def test_six_db_of_gain_are_six_db_of_level(seed, bits):
    x = bursts(np.random.default_rng(seed))
    assert speech_level(x * 2.0**bits, RATE).active_dbov == pytest.approx(
        speech_level(x, RATE).active_dbov + bits * 20 * math.log10(2), abs=1e-6
    )


@settings(max_examples=20, deadline=None)
@given(st.integers(0, 2**32), st.floats(-24, 12))
def test_any_gain_moves_the_level_by_as_much_within_what_the_6_db_threshold_grid_allows(seed, gain_db):
    x = bursts(np.random.default_rng(seed))
    moved = speech_level(x * 10 ** (gain_db / 20), RATE).active_dbov - speech_level(x, RATE).active_dbov
    assert moved == pytest.approx(gain_db, abs=0.5)


def test_pauses_lower_the_rms_and_leave_the_active_level():
    x = bursts(np.random.default_rng(1), 4.0)
    with_pause = np.concatenate([x, np.zeros(12 * RATE)])
    alone, paused = speech_level(x, RATE), speech_level(with_pause, RATE)
    assert paused.rms_dbov == pytest.approx(alone.rms_dbov - 6.02, abs=0.01)
    # the hangover and the envelope's own decay count some 0.35 s of the pause: 10 log10(4.35/4) = 0.36 dB
    assert alone.active_dbov - 0.4 < paused.active_dbov < alone.active_dbov
    assert paused.activity == pytest.approx(10 ** ((paused.rms_dbov - paused.active_dbov) / 10))


@pytest.mark.parametrize("samples", [np.zeros(8000), np.zeros(0), np.full(8000, 1e-6)])
def test_silence_has_no_level_and_says_so(samples):
    with pytest.raises(UserError, match="clip 7: is silent"):
        speech_level(samples, RATE, what="clip 7")


def test_samples_that_are_no_numbers_are_refused():
    with pytest.raises(UserError, match="NaN"):
        speech_level(np.array([0.1, np.nan, 0.2]), RATE)


def test_rms_of_nothing_is_minus_infinity():
    assert rms_dbov([]) == rms_dbov([0.0, 0.0]) == -math.inf
    assert rms_dbov([1.0, -1.0]) == 0.0

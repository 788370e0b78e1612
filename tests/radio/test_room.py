"""A room decays as stated and leaves the direct sound where it was."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.errors import UserError
from listener.radio.room import Room, draw_room

RATE = 16000


@settings(max_examples=20, deadline=None)
@given(st.floats(0.1, 1.5), st.integers(0, 999))
def test_the_tail_falls_sixty_db_in_rt60(rt60_s, seed):
    """Schroeder's backward integration, slope fitted from -5 to -25 dB (as ISO 3382 does for T20)."""
    response = Room(rt60_s, direct_db=0.0, reflections=0).impulse_response(RATE, np.random.default_rng(seed))
    tail = response[round(0.003 * RATE) :].astype(float)
    decay_db = 10 * np.log10(np.cumsum(tail[::-1] ** 2)[::-1] / np.sum(tail**2))
    fit = (decay_db < -5) & (decay_db > -25)
    slope = np.polyfit(np.flatnonzero(fit) / RATE, decay_db[fit], 1)[0]
    assert -60.0 / slope == pytest.approx(rt60_s, rel=0.15)


def test_direct_sound_comes_first_undelayed_with_the_ratio_stated():
    response = Room(0.4, direct_db=6.0).impulse_response(RATE, np.random.default_rng(0))
    assert response[0] == 1.0 and not response[1 : round(0.003 * RATE)].any()
    assert 10 * np.log10(1.0 / np.sum(np.square(response[1:].astype(float)))) == pytest.approx(6.0, abs=0.01)


def test_speech_keeps_its_length_and_its_start():
    click = np.zeros(RATE, dtype=np.float32)
    click[4000] = 1.0
    for seed in range(5):
        rng = np.random.default_rng(seed)
        y = draw_room(rng).apply(click, RATE, rng)
        assert y.shape == click.shape and y.dtype == np.float32
        assert np.abs(y[:4000]).max() < 1e-5
        assert y[4000] == pytest.approx(1.0, abs=1e-4)


def test_an_impossible_room_is_refused():
    with pytest.raises(UserError, match="rt60_s = 0 is outside"):
        Room(rt60_s=0.0)

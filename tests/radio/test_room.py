"""A room decays as stated and leaves the direct sound where it was."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.errors import UserError
from listener.radio.room import Room, draw_room, in_measured_room, measured_response

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


def test_an_impulse_of_one_sample_is_no_room_at_all():
    speech = np.random.default_rng(1).standard_normal(4000).astype(np.float32)
    for at in (0, 700):
        impulse = np.zeros(1000)
        impulse[at] = 0.3
        response = measured_response(impulse, RATE, RATE, "ours.wav")
        assert response[0] == 1.0 and not response[1:].any()
        assert np.allclose(in_measured_room(speech, response), speech, atol=1e-5)


def test_a_response_of_two_taps_gives_the_sum_worked_out_by_hand():
    """0.8 and, two samples later, -0.6: their energy is 1 as it is, and twice of both is the same room."""
    for gain in (1.0, 2.0):
        response = measured_response(gain * np.array([0.0, 0.0, 0.8, 0.0, -0.6]), RATE, RATE, "ours.wav")
        heard = in_measured_room(np.array([1.0, 2.0, 3.0, 4.0]), response)
        assert heard == pytest.approx([0.8, 1.6, 2.4 - 0.6, 3.2 - 1.2], abs=1e-6)


@settings(max_examples=40, deadline=None)
@given(
    st.sampled_from([8000, 16000, 22050, 44100, 48000, 96000]), st.floats(0.0, 0.3), st.floats(0.05, 0.8), st.floats(1e-2, 5.0),
    st.floats(-6.0, 15.0), st.integers(0, 999),
)  # fmt: skip
def test_any_measured_room_leaves_words_where_they_were_and_has_energy_one(rate_hz, before_s, rt60_s, gain, direct_db, seed):
    """Silence before the direct sound, with the measurement's own hiss 50 dB below it, is cut whatever the rate."""
    rng = np.random.default_rng(seed)
    room = Room(rt60_s, direct_db).impulse_response(rate_hz, rng)
    hiss = np.abs(room).max() * 10 ** (-50 / 20) * rng.uniform(-1, 1, round(before_s * rate_hz))
    response = measured_response(gain * np.concatenate([hiss, room]), rate_hz, RATE, "ours.wav")
    assert np.sum(np.square(response, dtype=float)) == pytest.approx(1.0, abs=1e-5)
    click = np.zeros(RATE, dtype=np.float32)
    click[4000] = 1.0
    heard = in_measured_room(click, response)
    assert heard.shape == click.shape and heard.dtype == np.float32
    assert np.abs(heard[:4000]).max() < 1e-5
    assert np.argmax(np.abs(heard) >= np.abs(heard).max() / 10) == pytest.approx(4000, abs=0.001 * RATE)


def test_silence_and_a_response_without_end_are_one_line():
    with pytest.raises(UserError, match="ours.wav: is silent, so it is no room"):
        measured_response(np.zeros(100), RATE, RATE, "ours.wav")
    with pytest.raises(UserError, match="ours.wav: goes on for 10.5 s after its direct sound; cut it to 10 s"):
        measured_response(np.ones(round(10.5 * 8000)), 8000, RATE, "ours.wav")

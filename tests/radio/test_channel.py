"""Each stage does the one thing it names; all keep length, type and determinism."""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.errors import UserError
from listener.radio.channel import (
    CHANNELS,
    STAGES,
    Agc,
    BandPass,
    Channel,
    Codec,
    Dropouts,
    Fading,
    HardClip,
    Hum,
    Narrowband,
    SoftClip,
    Squelch,
    Static,
    draw_channel,
    stage,
)  # fmt: skip
from listener.radio.level import rms_dbov
from listener.radio.noise import noise

RATE = 16000


def rng(seed: int = 0) -> np.random.Generator:
    return np.random.default_rng(seed)


def sine(freq_hz: float, seconds: float = 1.0, size: float = 0.1, rate_hz: int = RATE) -> np.ndarray:
    return (size * np.sin(2 * np.pi * freq_hz * np.arange(round(seconds * rate_hz)) / rate_hz)).astype(np.float32)


def level_change_db(made, x: np.ndarray, skip_s: float = 0.2, rate_hz: int = RATE) -> float:
    y, skip = made.apply(x, rate_hz, rng()), round(skip_s * rate_hz)
    return rms_dbov(y[skip:]) - rms_dbov(x[skip:])


@pytest.mark.parametrize("name", STAGES)
@pytest.mark.parametrize("rate_hz", [8000, 16000, 44100])
def test_every_stage_keeps_length_and_type_and_is_deterministic(name, rate_hz):
    x = noise("pink", 1.0, rate_hz, rng(1))
    before = x.copy()
    one, two = (STAGES[name]().apply(x, rate_hz, rng(3)) for _ in range(2))
    assert one.dtype == np.float32 and one.shape == x.shape and np.isfinite(one).all()
    np.testing.assert_array_equal(one, two)
    np.testing.assert_array_equal(x, before)


@pytest.mark.parametrize("name", STAGES)
def test_every_stage_bears_silence(name):
    assert np.isfinite(STAGES[name]().apply(np.zeros(RATE, dtype=np.float32), RATE, rng())).all()


@settings(max_examples=40, deadline=None)
@given(st.integers(0, 2**32), st.sampled_from([8000, 16000]))
def test_any_radio_drawn_at_random_gives_usable_sound(seed, rate_hz):
    x = noise("pink", 2.0, rate_hz, rng(seed))
    y = draw_channel(rng(seed)).apply(x, rate_hz, rng(seed))
    assert y.shape == x.shape and y.dtype == np.float32
    assert -60.0 < rms_dbov(y) < 0.0


def test_stages_are_applied_in_order():
    x = sine(1000, size=0.5)
    clipped_then_filtered = Channel((SoftClip(20), BandPass(300, 2500))).apply(x, RATE, rng())
    filtered_then_clipped = Channel((BandPass(300, 2500), SoftClip(20))).apply(x, RATE, rng())

    def third_harmonic(y: np.ndarray) -> float:
        return float(np.abs(np.fft.rfft(y[-8000:] * np.hanning(8000)))[1500])

    assert third_harmonic(filtered_then_clipped) > 2 * third_harmonic(clipped_then_filtered)
    np.testing.assert_array_equal(Channel().apply(x, RATE, rng()), x)


def test_agc_brings_soft_and_loud_near_its_target():
    for size in (0.03, 0.1, 0.8):
        y = Agc(target_dbov=-20, release_s=0.2).apply(sine(1000, 3.0, size), RATE, rng())
        assert rms_dbov(y[2 * RATE :]) == pytest.approx(-20.0, abs=0.5)


def test_agc_adds_no_more_than_its_greatest_gain():
    assert level_change_db(Agc(max_gain_db=12.0), sine(1000, 3.0, 0.001), skip_s=2.0) == pytest.approx(12.0, abs=0.2)


def test_agc_is_fast_down_and_slow_up():
    x = np.concatenate([sine(1000, 2.0, 0.05), sine(1000, 1.0, 0.5), sine(1000, 2.0, 0.05)])
    y = Agc(attack_s=0.01, release_s=1.0).apply(x, RATE, rng())
    soft, soon_after = rms_dbov(y[RATE : 2 * RATE]), rms_dbov(y[round(3.1 * RATE) : round(3.2 * RATE)])
    just_loud = rms_dbov(y[round(2.05 * RATE) : round(2.1 * RATE)])
    assert just_loud == pytest.approx(-20.0, abs=1.0)
    assert soon_after < soft - 10.0


def test_soft_clip_leaves_soft_sound_and_bends_loud():
    assert level_change_db(SoftClip(6.0), sine(1000, size=0.01)) == pytest.approx(0.0, abs=0.01)
    assert np.abs(SoftClip(6.0).apply(sine(1000, size=1.0), RATE, rng())).max() < 0.51


def test_hard_clip_cuts_at_its_ceiling():
    x = noise("white", 1.0, RATE, rng())
    y = HardClip(3.0).apply(x, RATE, rng())
    assert 20 * np.log10(np.abs(y).max()) == pytest.approx(rms_dbov(x) + 3.0, abs=0.01)


def test_static_and_hum_come_at_their_level_into_silence():
    silence = np.zeros(2 * RATE, dtype=np.float32)
    assert rms_dbov(Static(-45.0).apply(silence, RATE, rng())) == pytest.approx(-45.0, abs=0.01)
    hum = Hum(60.0, -50.0).apply(silence, RATE, rng())
    assert rms_dbov(hum) == pytest.approx(-50.0, abs=0.01)
    lines = np.abs(np.fft.rfft(hum))
    assert set(np.flatnonzero(lines > 0.05 * lines.max()) / 2.0) <= {60.0 * k for k in range(1, 8)}


def test_fading_swells_about_as_deep_as_said_and_never_adds_more_than_that():
    x = np.full(60 * 1000, 0.1, dtype=np.float32)
    gain_db = 20 * np.log10(Fading(4.0, 1.0).apply(x, 1000, rng()) / x)
    assert gain_db.max() <= 4.0 + 1e-3
    assert 2.0 < gain_db.std() < 4.5


def test_dropouts_leave_holes_and_nothing_else():
    x = np.full(60 * RATE, 0.1, dtype=np.float32)
    y = Dropouts(per_s=0.5, shortest_s=0.02, longest_s=0.1).apply(x, RATE, rng())
    assert 0.01 < np.mean(y < 0.01) < 0.06  # 0.5 a second x 60 ms = 3 %
    assert y.max() == pytest.approx(0.1) and y.min() == pytest.approx(0.0, abs=1e-6)
    assert np.abs(np.diff(y)).max() < 0.1 / 30


def test_squelch_swallows_the_opening_and_ends_with_a_burst():
    x = sine(1000, 2.0)
    y = Squelch(opening_s=0.05, tail_s=0.1, tail_dbov=-20.0).apply(x, RATE, rng())
    assert not y[: round(0.05 * RATE)].any()
    np.testing.assert_array_equal(
        y[round(0.06 * RATE) : round(1.89 * RATE)], x[round(0.06 * RATE) : round(1.89 * RATE)]
    )
    assert rms_dbov(y[-round(0.1 * RATE) :]) == pytest.approx(-20.0, abs=0.01)


def test_squelch_bears_a_transmission_shorter_than_its_edges():
    assert Squelch(0.5, 0.5).apply(sine(1000, 0.1), RATE, rng()).size == RATE // 10


def test_narrowband_and_codec_keep_the_voice_and_lose_what_8_khz_cannot_carry():
    for made in (Narrowband(), Codec("mu"), Codec("a")):
        assert level_change_db(made, sine(1000)) == pytest.approx(0.0, abs=0.1)
        assert level_change_db(made, sine(5500)) < -40.0


def test_codec_keeps_speech_in_step():
    x = BandPass(300, 2500, order=8).apply(noise("pink", 1.0, RATE, rng()), RATE, rng())
    for law in ("mu", "a"):
        y = Codec(law).apply(x, RATE, rng())
        assert rms_dbov(y - x) < rms_dbov(x) - 25.0  # not a sample late, and little noise


def test_named_channels_are_usable_and_a_stage_is_made_from_settings():
    for channel in CHANNELS.values():
        assert np.isfinite(channel.apply(sine(1000), RATE, rng())).all()
    assert stage("band", {"low_hz": 350}) == BandPass(low_hz=350)


@pytest.mark.parametrize(
    ("call", "says"),
    [
        (lambda: stage("flanger"), "channel stage 'flanger': unknown; choose one of gain, band"),
        (lambda: stage("band", {"lo": 3}), "has no field 'lo'; it has low_hz, high_hz, order"),
        (lambda: stage("codec", {"law": "opus"}), "law 'opus' is unknown; choose one of mu, a"),
        (lambda: BandPass(3000, 300).apply(sine(1000), RATE, rng()), "lower edge must lie below"),
    ],
)
def test_wrong_settings_are_refused_in_one_line(call, says):
    with pytest.raises(UserError, match=says):
        call()

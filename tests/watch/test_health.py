"""Every way in which sound can be wrong is seen in time, and well sound is left alone."""

import os
from pathlib import Path

import numpy as np
import pytest
import soundfile
import soxr
from scipy.signal import butter, sosfilt

from listener.settings.watch import HealthSettings
from listener.watch.health import SoundHealth
from tests.watch.parts import noise, traffic

RATE_HZ = 48_000
STEP = RATE_HZ // 10


def pcm(sound: np.ndarray) -> np.ndarray:
    """As a 16-bit device gives it."""
    return (np.round(np.clip(sound, -1, 32767 / 32768) * 32768) / 32768).astype(np.float32)


def first_seen_s(sound: np.ndarray, code: str, settings: HealthSettings = HealthSettings()) -> float | None:
    """When the reason was given, in seconds of the sound; None if it never was."""
    health = SoundHealth(settings, RATE_HZ)
    for at in range(0, len(sound), STEP):
        health.feed(sound[at : at + STEP])
        if code in [reason.code for reason in health.reasons()]:
            return (at + STEP) / RATE_HZ
    return None


def codes(sound: np.ndarray, settings: HealthSettings = HealthSettings()) -> set[str]:
    health, seen = SoundHealth(settings, RATE_HZ), set()
    for at in range(0, len(sound), STEP):
        health.feed(sound[at : at + STEP])
        seen |= {reason.code for reason in health.reasons()}
    return seen


def well() -> np.ndarray:
    return pcm(traffic(3.0, [0.0]))


def test_radio_traffic_in_noise_is_well():
    assert codes(pcm(traffic(40.0, [3.0, 12.0, 30.0]))) == set()


def test_quiet_16_bit_noise_of_one_or_two_steps_is_no_loop():
    assert codes(pcm(noise(10.0, dbov=-72))) == set()


@pytest.mark.parametrize("value", [0.0, 0.25])
def test_one_fixed_value_is_digital_silence_within_two_seconds(value):
    sound = np.concatenate([well(), np.full(5 * RATE_HZ, value, np.float32)])
    assert 4.0 <= first_seen_s(sound, "digital_silence") <= 5.0


def test_two_samples_in_between_take_digital_silence_back():
    dead = np.zeros(3 * RATE_HZ, np.float32)
    health = SoundHealth(HealthSettings(), RATE_HZ)
    for at in range(0, len(dead), STEP):
        health.feed(dead[at : at + STEP])
    assert [r.code for r in health.reasons()] == ["digital_silence"]
    health.feed(well()[:STEP])
    assert health.reasons() == []


@pytest.mark.parametrize("period_s", [0.02, 0.0853, 0.3, 0.5])
def test_a_looping_buffer_is_seen_within_two_seconds(period_s):
    period = well()[: round(period_s * RATE_HZ)]
    sound = np.concatenate([well(), np.tile(period, round(5 / period_s))])
    seen_s = first_seen_s(sound, "looping")
    assert seen_s is not None and 3.0 < seen_s <= 3.0 + 2.0


def test_clipping_is_seen_after_five_seconds_and_within_two_more():
    t = np.arange(12 * RATE_HZ) / RATE_HZ
    loud = pcm(np.clip(3 * np.sin(2 * np.pi * 333.3 * t) + noise(12.0, dbov=-20), -1, 1))
    seen_s = first_seen_s(np.concatenate([well(), loud]), "clipping")
    assert 3.0 + 5.0 <= seen_s <= 3.0 + 7.0


def test_a_loud_word_now_and_then_is_no_clipping():
    sound = traffic(30.0, [2.0, 10.0, 20.0]) * 3
    assert "clipping" not in codes(pcm(np.clip(sound, -1, 1)))


def test_a_level_too_low_to_hear_speech_is_seen_within_two_seconds():
    sound = np.concatenate([well(), noise(5.0, dbov=-85)])
    assert 3.0 + 1.5 <= first_seen_s(sound, "low_level") <= 3.0 + 2.0


def test_a_steady_carrier_is_seen_after_its_time_and_within_two_seconds_more():
    settings = HealthSettings(steady_carrier_s=10.0)
    sound = pcm(np.concatenate([well(), noise(20.0, dbov=-30)]))
    seen_s = first_seen_s(sound, "steady_carrier", settings)
    assert 3.0 + 10.0 <= seen_s <= 3.0 + 12.0


def test_long_talk_on_an_open_carrier_is_no_steady_carrier():
    t = np.arange(40 * RATE_HZ) / RATE_HZ
    talk = noise(40.0, dbov=-20) * np.repeat(np.random.default_rng(5).uniform(0.05, 1, 200), len(t) // 200)
    assert "steady_carrier" not in codes(pcm(talk.astype(np.float32)), HealthSettings(steady_carrier_s=10.0))


@pytest.mark.parametrize(
    "sound, off",
    [
        (np.zeros(4 * RATE_HZ, np.float32), {"digital_silence_s": "off", "lowest_level_dbov": "off"}),
        (noise(4.0, dbov=-90), {"lowest_level_dbov": False}),
        (np.tile(noise(0.1), 50), {"loop_s": "off"}),
        (noise(70.0, dbov=-20), {"steady_carrier_s": "off"}),
    ],
    ids=["silence", "level", "loop", "carrier"],
)
def test_each_test_can_be_turned_off_for_a_line_that_cannot_pass_it(sound, off):
    assert codes(sound, HealthSettings.model_validate(off)) == set()


def engines() -> list[Path]:
    folder = Path(os.environ.get("LISTENER_TEST_SPEECH", "")) / "usr/share/games/searchandrescue/sounds"
    return sorted(folder.glob("**/*engine*side*.wav"))


@pytest.mark.parametrize("dbov", [-40, -30, -20])
def test_recorded_engines_are_no_steady_carrier(need, dbov):
    need(len(engines()) >= 8, "engines (apt-get download searchandrescue-data; dpkg-deb -x; LISTENER_TEST_SPEECH)")
    told = []
    for file in engines():
        sound, rate_hz = soundfile.read(file, dtype="float32", always_2d=True)
        sound = voice_band(np.tile(soxr.resample(sound[:, 0], rate_hz, 16_000), 70)[: 90 * 16_000])
        sound *= 10 ** (dbov / 20) / np.sqrt(np.mean(np.square(sound)))
        told += [file.name] if is_carrier(sound) else []
    assert told == []


@pytest.mark.parametrize("dbov", [-40, -30, -20])
@pytest.mark.parametrize("seed", range(4))
def test_hiss_and_a_tone_are_one(dbov, seed):
    t = np.arange(90 * 16_000) / 16_000
    tone = np.sqrt(2) * 10 ** (dbov / 20) * np.sin(2 * np.pi * (700 + 100 * seed) * t).astype(np.float32)
    assert is_carrier(tone + noise(90.0, 16_000, dbov - 30, seed))
    assert is_carrier(voice_band(noise(90.0, 16_000, dbov + 4, seed)))


def is_carrier(sound: np.ndarray) -> bool:
    """Whether it was told, at any time, through a 16-bit device at 16 kHz."""
    health = SoundHealth(HealthSettings(), 16_000)
    for at in range(0, len(sound), 1_600):
        health.feed(pcm(sound[at : at + 1_600]))
        if "steady_carrier" in [reason.code for reason in health.reasons()]:
            return True
    return False


def voice_band(sound: np.ndarray) -> np.ndarray:
    return sosfilt(butter(4, [300, 3_400], "bandpass", fs=16_000, output="sos"), sound).astype(np.float32)

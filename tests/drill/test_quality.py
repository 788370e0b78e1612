"""What a channel let through, measured on sound whose truth is known."""

import numpy as np
import pytest

from listener.drill.quality import LOWEST_SNR_DB, FrameLevels, call_sound, unheard
from tests.drill.exercise import call_at

RATE_HZ = 16000


def hiss(length_s: float, level: float, seed: int = 1) -> np.ndarray:
    return np.random.default_rng(seed).normal(0, level, round(length_s * RATE_HZ)).astype(np.float32)


def stretches(samples: np.ndarray, start_s: float = 0.0) -> list[tuple[str, float, float]]:
    levels = FrameLevels(RATE_HZ, start_s)
    for piece in np.array_split(samples, 7):
        levels.feed(piece)
    return [(s.why, s.start_s, s.end_s) for s in unheard(levels.finish())]


def talk(length_s: float) -> np.ndarray:
    """Bursts of noise as loud as speech, half a second each second, over a quiet line."""
    on = (np.arange(round(length_s * RATE_HZ)) / RATE_HZ) % 1.0 < 0.5
    return hiss(length_s, 0.05, 2) * on + hiss(length_s, 0.0005)


def test_talk_over_a_quiet_line_can_be_heard() -> None:
    assert stretches(talk(60.0)) == []


def test_a_dead_recorder_is_no_sound() -> None:
    samples = talk(80.0)
    samples[20 * RATE_HZ : 50 * RATE_HZ] = 0.0
    ((why, start, end),) = stretches(samples, start_s=100.0)
    assert why == "no sound"
    assert start == pytest.approx(120.0, abs=0.6) and end == pytest.approx(150.0, abs=0.05)


def test_a_pause_of_ten_seconds_is_only_a_pause() -> None:
    samples = talk(60.0)
    samples[20 * RATE_HZ : 30 * RATE_HZ] = 0.0
    assert stretches(samples) == []


def test_clipping_is_told_where_it_is() -> None:
    samples = talk(60.0)
    loud = slice(30 * RATE_HZ, 33 * RATE_HZ)
    samples[loud] = np.clip(samples[loud] * 60, -1, 1)
    found = [s for s in stretches(samples) if s[0] == "clipping"]
    ((_, start, end),) = found
    assert start == pytest.approx(30.0, abs=0.6) and end == pytest.approx(33.0, abs=0.6)


def test_a_roar_as_loud_as_the_talk_hides_it() -> None:
    samples = talk(60.0)
    samples[20 * RATE_HZ : 30 * RATE_HZ] += hiss(10.0, 0.06, 3)
    ((why, start, end),) = stretches(samples)
    assert why == "noise as loud as speech"
    assert start == pytest.approx(20.0, abs=1.5) and end == pytest.approx(30.0, abs=1.5)


def test_a_call_or_two_on_a_quiet_line_can_be_heard() -> None:
    samples = hiss(200.0, 0.001)
    samples[50 * RATE_HZ : 52 * RATE_HZ] += hiss(2.0, 0.1, 2)
    assert stretches(samples) == []
    assert stretches(hiss(60.0, 0.001)) == []


def test_a_roar_over_everything_hides_everything() -> None:
    ((why, start, end),) = stretches(hiss(60.0, 0.1))
    assert (why, start, end) == ("noise as loud as speech", 0.0, 60.0)


@pytest.mark.parametrize("snr_db", [20.0, 10.0, 5.0, 0.0, -5.0])
def test_the_snr_of_a_call_is_measured(snr_db: float) -> None:
    """Words of white noise over white noise: the ratio of powers is exact in any band."""
    words = call_at(1.0)
    at = np.arange(4 * RATE_HZ) / RATE_HZ
    on = sum(((at >= a) & (at < b)).astype(np.float32) for a, b in words)
    samples = 0.01 * 10 ** (snr_db / 20) * hiss(4.0, 1.0, 4) * on + 0.01 * hiss(4.0, 1.0, 5)
    found = call_sound(samples.astype(np.float32), 0.0, RATE_HZ, words)
    assert found is not None and found.snr_db == pytest.approx(snr_db, abs=1.5)


def test_words_that_are_lost_in_the_noise_say_so() -> None:
    found = call_sound(0.01 * hiss(4.0, 1.0, 6), 0.0, RATE_HZ, call_at(1.0))
    assert found is not None and found.snr_db is not None and found.snr_db <= 0 and found.snr_db >= LOWEST_SNR_DB


def test_a_short_first_word_and_clipping_are_seen() -> None:
    words = call_at(1.0)
    late = [(words[0][0] + 0.2, words[0][1]), *words[1:]]
    samples = np.clip(hiss(4.0, 0.5), -1, 1)
    found = call_sound(samples, 0.0, RATE_HZ, late)
    assert found is not None
    assert found.first_word == pytest.approx(0.5)
    assert found.clipped == pytest.approx(0.045, abs=0.01)  # a normal draw passes two sigma in 4.6 % of cases


def test_an_excerpt_without_the_words_gives_nothing() -> None:
    assert call_sound(hiss(1.0, 0.1), 0.0, RATE_HZ, [(5.0, 6.0)]) is None

"""The proof test: the known call is what the settings call a call, and goes through a Monitor of its own."""

import itertools

import numpy as np
import pytest

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.settings import PhraseSettings, Settings
from listener.watch.proof import LEAD_S, Proof, proof_call, without_proof, word_sound, words_for
from tests.fakes import BurstEngine
from tests.watch import engines
from tests.watch.parts import settings

WORD = (0.5 * np.sin(2 * np.pi * 500 * np.arange(RATE_HZ * 2 // 5) / RATE_HZ)).astype(np.float32)


def spoken(sound: np.ndarray, rate_hz: int) -> list[tuple[float, float]]:
    """Start and end of each stretch that is louder than the noise."""
    n = rate_hz // 100
    loud = np.abs(sound[: len(sound) // n * n]).reshape(-1, n).max(axis=1) > 0.05
    edges = np.flatnonzero(np.diff(np.concatenate([[False], loud, [False]]).astype(int)))
    return [(float(a) / 100, float(b) / 100) for a, b in edges.reshape(-1, 2)]


@pytest.mark.parametrize("repeats", [1, 2, 3, 5])
@pytest.mark.parametrize("rate_hz", [8_000, 16_000, 44_100, 48_000])
def test_the_word_is_said_as_often_as_the_settings_ask_within_the_gap_limits(repeats, rate_hz):
    phrase = PhraseSettings(words="kestrel", repeats=repeats, min_gap_s=0.5, max_gap_s=0.9)
    call, ends_s = proof_call(WORD, phrase, rate_hz)
    words = spoken(call, rate_hz)
    assert len(words) == repeats
    assert words[0][0] == pytest.approx(LEAD_S, abs=0.02) and words[-1][1] == pytest.approx(ends_s, abs=0.02)
    assert all(0.5 <= b[0] - a[1] <= 0.9 for a, b in itertools.pairwise(words))


@pytest.mark.parametrize("phrase", ["suspend", "stop", "hold"])
def test_words_are_shipped_for_the_phrases_of_the_shipped_settings(phrase):
    word = word_sound(phrase, Settings())
    assert 0.3 < len(word) / RATE_HZ < 1.0 and 0.2 < np.abs(word).max() < 0.5


def test_a_phrase_without_a_word_is_named():
    mine = Settings(phrases=(PhraseSettings(words="suspend"), PhraseSettings(words="kestrel down")))
    assert without_proof(mine) == ["kestrel down"]
    assert list(words_for(mine)) == ["suspend"]


def test_a_word_of_one_s_own_that_cannot_be_read_is_one_line(tmp_path):
    mine = Settings.model_validate({"watch": {"proof": {"words": {"suspend": tmp_path / "none.wav"}}}})
    with pytest.raises(UserError, match="none.wav: no such file"):
        words_for(mine)


def result(engine, tmp_path):
    given = settings(tmp_path, [{"name": "Launch"}])
    proof = Proof(given, 48_000, engine, words_for(given))
    for _ in range(200):
        if found := proof.step():
            return found
    raise AssertionError("it never ended")


def test_a_hearing_recogniser_passes_and_tells_its_delay(tmp_path):
    found = result(BurstEngine(), tmp_path)
    assert found.passed and 0.0 < found.delay_s < 0.3


def test_a_deaf_one_fails(tmp_path):
    found = result(engines.deaf(Settings()), tmp_path)
    assert not found.passed and "'suspend'" in found.detail and "not found" in found.detail


def test_one_that_hears_only_weakly_fails(tmp_path):
    assert not result(BurstEngine(score=1.0), tmp_path).passed


def test_one_that_needs_longer_than_the_call_lasts_fails_though_it_finds_it(tmp_path):
    found = result(engines.slow(Settings()), tmp_path)
    assert not found.passed and "s for each second of sound: the computer is too slow" in found.detail

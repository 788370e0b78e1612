"""When a word known by examples is told: at once where nothing more can come, else when its last sound was heard."""

from dataclasses import replace

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.speech.examples import COMPLETE, FIT_LOWEST, HOLD, ExampleEar, Examples
from listener.speech.network import read_info, shipped_model
from listener.speech.word_view import NOT_HEARD

WEIGHTS = read_info(shipped_model()).weights
UP = Examples("up", "ear", np.zeros((1, 4), np.float32), np.zeros(1, np.float32), 0.3, 0.1, 0.8, 0.8, 3.0, 1.0, (), {})
PEAK, SURELY = 50, -0.1


def told(examples: Examples, fits: dict[int, float], sure: range = range(PEAK, PEAK + 7)) -> list[tuple[int, float, float]]:
    """(frame, fit, score) of what is told of 120 frames in which the word view is sure in these."""
    ear, out = ExampleEar(examples, WEIGHTS), []
    for frame in range(120):
        words = np.array([SURELY if frame in sure else NOT_HEARD], np.float32)
        fit = ear.hear(frame, fits.get(frame, -9.0), words)
        if fit:
            out.append((frame, fit.phones, fit.score))
    return out


def test_a_sure_word_waits_for_the_consonant_that_ends_it():
    """The p of "up" is heard after the vowel at which the word view peaks; told at the peak, it would count as not heard."""
    frame, fit, score = told(UP, {PEAK + 5: -0.1})[0]
    assert (frame, fit) == (PEAK + 5, -0.1)
    assert score == pytest.approx(0.8 * -0.1 + 0.8 * SURELY + 3.0, abs=1e-6)


def test_a_sure_word_whose_sounds_were_heard_already_is_told_at_once():
    assert [frame for frame, *_ in told(UP, {PEAK - 2: COMPLETE})] == [PEAK]


def test_a_word_whose_sounds_never_fit_is_told_when_none_can_come_and_pays_for_it():
    (frame, fit, score), *more = told(UP, {})
    assert (frame, fit, more) == (PEAK + HOLD, FIT_LOWEST, [])
    assert score == pytest.approx(0.8 * FIT_LOWEST + 0.8 * SURELY + 3.0, abs=1e-6)


def test_where_phones_do_not_count_a_sure_word_waits_for_nothing():
    alone = replace(UP, phones=0.0, words=1.0)
    assert [frame for frame, *_ in told(alone, {})] == [PEAK]


@given(st.dictionaries(st.integers(PEAK - 20, PEAK + 20), st.floats(-9.0, 0.0)), st.integers(1, 12))
def test_one_word_is_told_once_and_never_later_than_its_peak_and_the_hold(fits, frames):
    """So an alert waits 160 ms for phones at most."""
    found = told(UP, fits, range(PEAK, PEAK + frames))
    assert len(found) <= 1
    for frame, fit, score in found:
        assert PEAK <= frame <= PEAK + frames - 1 + HOLD
        assert fit >= FIT_LOWEST and score <= 0.8 * SURELY + 3.0 + 1e-6

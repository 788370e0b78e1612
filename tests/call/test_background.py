"""How often talk alone makes such a call: the tail of its joint scores, told no finer than its hours support."""

from dataclasses import replace
from math import e, exp, isfinite, log

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.call.background import PEAKS, Background, background, joint_peaks
from listener.call.rule import CallRule
from listener.events import LEAST_CHANCE_PER_H, Alert, Hit, chance_text
from listener.settings import PhraseSettings, Settings
from listener.speech.network import read_info, shipped_model
from listener.speech.spotter import NO_TALK, Talk
from tests.fakes import CALIBRATION

ONCE = PhraseSettings(words="stop", repeats=1)
EAR = read_info(shipped_model()).calibration


def talk(scores: list[float], hours: float = 4.0) -> Talk:
    """Words a minute apart, so that each is a peak of its own when one word makes a call."""
    return Talk(hours, {"stop": tuple(Hit("stop", 60.0 * n, 60.0 * n + 0.4, s) for n, s in enumerate(scores))})


def test_by_hand():
    """20 peaks an hour exceed -2, each e times rarer a unit higher: 20/e at -1, 20/e^2 at 0."""
    tail = Background(hours=100.0, score=-2.0, rate_per_h=20.0, fall=1.0)
    assert tail.chance_per_h(-1.0) == pytest.approx(20 / e)
    assert tail.chance_per_h(0.0) == pytest.approx(20 / e**2)
    assert tail.chance_per_h(-5.0) == 20.0


@pytest.mark.parametrize("fall", [0.2, 0.5])
def test_the_tail_of_known_talk_is_found_again(fall):
    """Exponential scores, 100 an hour above -2.5: what is told for a rate ten times below the tail's own is within a factor of 3.

    By theory the log of told over true has a spread of 0.55 (20 peaks: 0.22 of the fall, times ln 10, and 0.22 of where the
    tail begins), so 95 in 100 are within 3; of 40 at least 36 are, but once in forty such tests.
    """
    ratios = []
    for seed in range(40):
        scores = np.random.default_rng(seed).exponential(fall, 400) - 2.5
        found = background(talk(list(scores)), ONCE, replace(EAR, word_cap=100.0, alert_levels={"balanced": 1e3}))
        assert found
        joint = 3 * (-2.5 + fall * log(100 / 0.5))  # exceeded 0.5 times an hour; stated for three words
        ratios.append(found.chance_per_h(joint) / 0.5)
    assert np.median(ratios) == pytest.approx(1.0, abs=0.3)
    assert np.mean([1 / 3 < ratio < 3 for ratio in ratios]) >= 0.9


@given(st.lists(st.floats(-3, 8), min_size=PEAKS + 1, max_size=60), st.floats(-50, 50), st.floats(0, 20))
def test_it_falls_as_the_score_rises_and_is_always_a_number_that_the_hours_support(scores, joint, more):
    found = background(talk(scores), ONCE, EAR)
    if found:
        low, high = found.chance_per_h(joint + more), found.chance_per_h(joint)
        assert isfinite(high) and found.least_per_h <= low <= high
        assert found.least_per_h >= max(LEAST_CHANCE_PER_H, 1 / (10 * found.hours))


@pytest.mark.parametrize("scores", [[], [1.0] * PEAKS, [1.0] * (PEAKS + 5)])
def test_too_little_talk_tells_nothing(scores):
    assert background(talk(scores), ONCE, EAR) is None
    assert background(NO_TALK, ONCE, EAR) is None


def test_peaks_are_joined_by_the_rule_of_calls():
    phrase = PhraseSettings(words="stop")
    words = tuple(Hit("stop", at, at + 0.4, -1.0) for at in (0.0, 0.8, 1.6, 30.0, 30.8, 60.0, 60.8, 61.6))
    assert joint_peaks(words, phrase, EAR) == pytest.approx([-3.0, -3.0])  # three even words twice; two are no call


def test_an_alert_carries_it_and_only_whole_calls_do():
    scores = list(np.random.default_rng(3).exponential(0.5, 200) - 2.0)
    rule = CallRule(Settings(phrases=(ONCE,)), CALIBRATION, 0, "test", talk(scores))
    (alert,) = rule.hear([Hit("stop", 1.0, 1.4, 2.9)], 1.5)
    assert isinstance(alert, Alert) and alert.chance_per_h is not None
    expected = background(talk(scores), ONCE, CALIBRATION)
    assert expected and alert.chance_per_h == expected.chance_per_h(3 * 2.9)
    rule = CallRule(Settings(phrases=(PhraseSettings(words="stop", repeats=2),)), CALIBRATION, 0, "test", talk(scores))
    events = [*rule.hear([Hit("stop", 1.0, 1.4, 2.9)], 1.5), *rule.pass_time(60.0, ended=True)]
    assert [event.chance_per_h for event in events] == [None]


def test_told_to_people():
    assert chance_text(0.5) == "once in 2 h of talk"
    assert chance_text(1.2) == "once in 0.8 h of talk"
    assert chance_text(exp(-20)) == f"less than once in {1 / LEAST_CHANCE_PER_H:.0f} h of talk"


def test_it_is_worked_out_once_for_all_channels_and_anew_for_another_phrase_or_calibration(monkeypatch):
    known = talk(list(np.random.default_rng(3).exponential(0.5, 200) - 2.0))
    first = background(known, ONCE, EAR)
    other = background(known, ONCE, replace(EAR, word_cap=0.2))
    assert first and other and other != first
    monkeypatch.setattr("listener.call.background.best_chain", lambda *_: pytest.fail("worked out again"))
    assert background(known, ONCE, EAR) is first
    with pytest.raises(pytest.fail.Exception):
        background(known, PhraseSettings(words="stop", repeats=1, max_gap_s=0.5), EAR)

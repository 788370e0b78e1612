"""Courses and sessions: dealt fairly, in an order of their own, and nothing lost whenever the power goes."""

import json
from collections import Counter

import numpy as np
import polars as pl
import pytest

from listener.errors import UserError
from listener.score.psychometric import fit
from listener.study.design import Design
from listener.study.people import answers
from listener.study.people.course import ATTENTION_CHECKS, EXTRA, course, dealt_calls, practice
from listener.study.people.rows import listener_of, people_frame
from listener.study.people.session import Session, judge
from listener.study.people.sounds import tone_count
from listener.study.plan import plan_from
from tests.study.people.simulated import Simulated, truth_without_sound

LOCK = {"plan_sha256": "p", "bank_sha256": "b"}


@pytest.fixture(scope="module")
def design() -> Design:
    return Design(plan_from({
        "name": "Heron field", "speech": {"voices": ["espeak en-gb"]}, "engines": {"ear": {"engine": "ear"}},
        "noises": ["turbine", "static"], "snr_db": [6.0, 0.0, -3.0, -6.0, -9.0, -12.0], "trials": 20,
        "negatives": {"hours": 0.5}, "seed": 5,
    }, "plan"))  # fmt: skip


def begin(folder, number: int, mode: str = "study", calls: int = 48):
    head = {"id": answers.new_id(), "mode": mode, "number": number, "calls": calls, **LOCK}
    return answers.create(folder, head)


def go_on(path, design) -> Session:
    return Session(design, answers.read_lines(path), truth_without_sound(design))


def sit_through(path, design, listener: Simulated, steps: int = 10_000) -> Session:
    """As the page does it: each answer is on the disk before the next sound."""
    session = go_on(path, design)
    truth = truth_without_sound(design)
    if session.screen == "consent":
        session.take(answers.append(path, session.consent("0" * 64)))
        session.take(answers.append(path, session.set_level(-20.0)))
    while session.step and steps:
        step = session.step
        presses = listener.presses_s(truth(step)) if step.what not in ("tones", "rest") else []
        right = None
        if step.what == "tones":
            right = tone_count(step.number)
        session.take(answers.append(path, session.answer(session.done, presses, right)))
        steps -= 1
    return session


def test_each_of_the_study_s_calls_is_dealt_once_before_any_comes_again(design):
    calls = design.sounds - design.negative_count
    dealt = [sound for listener in range(calls // 48) for sound in dealt_calls(design, listener, 48)]
    assert sorted(dealt) == list(range(design.negative_count, design.sounds))


def test_every_listener_gets_all_conditions_alike_and_voices_in_turn(design):
    for listener in (0, 3, 17):
        slots = [design.slot(sound) for sound in dealt_calls(design, listener, 48)]
        assert set(Counter(slot.condition for slot in slots).values()) == {4}
        assert len({slot.number % 4 for slot in slots}) == 4


def test_the_order_is_the_listener_s_own_and_the_same_every_time(design):
    assert course(design, 1) == course(design, 1) != course(design, 2)
    kinds = Counter(step.what for step in course(design, 1))
    assert kinds == {"call": 48, "talk": 6, "clear": 4, "blank": 12, "tones": ATTENTION_CHECKS, "rest": 2}


def test_practice_and_extra_sounds_are_none_of_the_study_s(design):
    extra = [step for step in (*practice(3), *course(design, 3)) if step.what in ("clear", "blank") or step.practice]
    assert all(step.number >= EXTRA for step in extra) and len({step.number for step in extra}) == len(extra)


@pytest.mark.parametrize(
    "call, presses, found, delay_s, false",
    [
        ((2.0, 4.0), [4.5], True, 0.5, 0), ((2.0, 4.0), [1.9], False, None, 1), ((2.0, 4.0), [6.0], True, 2.0, 0),
        ((2.0, 4.0), [6.01], False, None, 1), ((2.0, 4.0), [0.5, 4.5, 5.0], True, 0.5, 1), ((2.0, 4.0), [], False, None, 0),
        (None, [1.0, 1.5, 3.0], False, None, 2),
    ],
)  # fmt: skip
def test_a_press_counts_from_the_call_s_beginning_to_two_seconds_after_it(call, presses, found, delay_s, false):
    judged = judge(call, presses)
    assert (judged.found, judged.delay_s, len(judged.false_presses_s)) == (found, delay_s, false)


def test_a_session_that_was_cut_at_any_byte_goes_on_and_only_the_cut_answer_is_asked_again(design, tmp_path):
    path = begin(tmp_path, 0)
    sit_through(path, design, Simulated(-6.0), steps=12)
    whole = path.read_bytes()
    ends = [i for i, byte in enumerate(whole) if byte == 10]
    for cut in range(ends[3] + 1, len(whole), 97):
        path.write_bytes(whole[:cut])
        session = go_on(path, design)
        assert session.done == sum(end < cut for end in ends) - 3
        sit_through(path, design, Simulated(-6.0), steps=1)
        assert all(json.loads(line) for line in path.read_bytes().splitlines())
        assert go_on(path, design).done == session.done + 1


def test_an_answer_that_comes_twice_counts_once_and_one_for_a_later_step_is_refused(design, tmp_path):
    path = begin(tmp_path, 0)
    session = sit_through(path, design, Simulated(-6.0), steps=2)
    assert session.answer(1, [], None) is None
    with pytest.raises(UserError, match="step 5 is not the next one"):
        session.answer(5, [], None)


def test_the_level_can_be_made_softer_never_louder(design, tmp_path):
    session = sit_through(begin(tmp_path, 0), design, Simulated(-6.0), steps=1)
    session.take(session.set_level(-26.0))
    assert session.gain_db == -26.0
    with pytest.raises(UserError, match="softer, not louder"):
        session.set_level(-24.0)


def test_the_known_srt_of_simulated_listeners_is_within_the_interval_of_their_rows(design, tmp_path):
    """Twelve listeners of SRT -6 dB (theirs spread by 1 dB): 576 answers through the same session code as the page's."""
    own = np.random.default_rng(3).normal(-6.0, 1.0, 12)
    for number, srt_db in enumerate(own):
        sit_through(begin(tmp_path, number), design, Simulated(srt_db, seed=number, false=0.03))
    rows = people_frame(tmp_path, LOCK)
    calls = rows.filter(pl.col("kind") == "call")
    assert calls.height == 12 * 48 and calls["sound"].n_unique() == 240 and set(rows["engine"]) == {"people"}
    fitted = fit(calls["snr_db"].to_numpy(), calls["found"].to_numpy(), calls["listener"].to_numpy(), 500,
                 np.random.default_rng(1))  # fmt: skip
    low, high = fitted.srt_db
    assert low <= own.mean() <= high and high - low < 2.5
    talk = rows.filter(pl.col("kind") == "negative")
    assert talk.height == 12 * 6 and 0 <= talk["false_alerts"].sum() <= 8


def test_who_does_not_attend_is_left_out_by_the_rule(design, tmp_path):
    sleeping, wide_awake = begin(tmp_path, 0), begin(tmp_path, 1)
    sit_through(sleeping, design, Simulated(-6.0, lapse=0.45, seed=6))
    sit_through(wide_awake, design, Simulated(-6.0))
    asleep, awake = (listener_of(answers.read_lines(path)) for path in (sleeping, wide_awake))
    assert asleep.left_out.startswith("heard ") and awake.left_out == ""
    assert set(people_frame(tmp_path, LOCK)["listener"]) == {awake.listener}


def test_a_track_through_a_session_gives_the_listener_s_srt(design, tmp_path):
    path = begin(tmp_path, 0, mode="track")
    sit_through(path, design, Simulated(-9.0, seed=8))
    listener = listener_of(answers.read_lines(path))
    assert listener.srt_low_db <= -9.0 <= listener.srt_high_db and listener.blank == 4


def test_answers_to_another_study_s_sounds_are_refused(design, tmp_path):
    path = begin(tmp_path, 0)
    with pytest.raises(UserError, match=f"{path}: was answered on other sounds"):
        people_frame(tmp_path, {**LOCK, "bank_sha256": "c"})

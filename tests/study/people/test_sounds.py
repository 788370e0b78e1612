"""What is played: never louder than the level that was set, no extra sound with a call where none is meant, tones to count."""

import io

import numpy as np
import pytest
import soundfile

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.study.people.course import EXTRA, Step, course, practice
from listener.study.people.desk import Desk
from listener.study.people.sounds import LOUDEST_DBOV, loudest_dbov, tone_count, tones, wav
from tests.study.people.parts import make_study


@pytest.fixture(scope="module")
def desk(tmp_path_factory, speech_folder) -> Desk:
    return Desk(make_study(tmp_path_factory.mktemp("people") / "study", speech_folder), calls=6)


def test_nothing_in_a_session_is_louder_than_the_sound_that_the_level_is_set_by(desk):
    assert loudest_dbov(desk.sounds.calibration()) == pytest.approx(LOUDEST_DBOV, abs=0.1)
    steps = (*practice(0), *course(desk.design, 0, 6), Step("track", EXTRA * 2, snr_db=-20.0))
    levels = [loudest_dbov(desk.sounds.of(step)[0]) for step in steps]
    assert max(levels) <= LOUDEST_DBOV + 0.01
    assert sum(level > LOUDEST_DBOV - 0.01 for level in levels) >= 2, "some would have been louder"


def test_what_is_served_is_the_sound_at_the_level_that_was_set(desk):
    session = desk.begin("study")
    desk.consent(session.id, "0" * 64)
    desk.set_level(session.id, -26.0)
    served, rate_hz = soundfile.read(io.BytesIO(desk.step_sound(session.id, 0)), dtype="float32")
    made = desk.sounds.of(session.step)[0]
    assert rate_hz == RATE_HZ
    np.testing.assert_allclose(served, made * 10 ** (-26 / 20), atol=2e-7)


def test_a_level_above_full_is_refused():
    with pytest.raises(UserError, match="a level of 1 dB cannot be"):
        wav(np.zeros(10, np.float32), 1.0)


def test_the_loudest_eighth_of_a_second_by_hand():
    """A full-scale square wave for 1/16 s is half of an eighth's power: -3.01 dBov."""
    samples = np.zeros(RATE_HZ, np.float32)
    samples[4_000:5_000] = 1.0
    assert loudest_dbov(samples) == pytest.approx(-3.01, abs=0.01)


def test_a_piece_without_a_call_is_as_long_as_one_with_it(desk):
    blanks = [desk.sounds.truth(Step("blank", EXTRA + n)) for n in range(12)]
    calls = [desk.sounds.truth(step) for step in course(desk.design, 0, 6) if step.what == "call"]
    assert all(b.call_start_s is None and b.kind == "negative" for b in blanks)
    assert abs(np.mean([b.seconds for b in blanks]) - np.mean([c.seconds for c in calls])) < 0.25


def test_clear_calls_are_without_noise(desk):
    truth = desk.sounds.truth(Step("clear", EXTRA + 7))
    assert truth.snr_db is None and truth.call_end_s and truth.kind == "call"


def test_as_many_tones_as_are_asked_for():
    for count in range(2, 6):
        loud = np.abs(tones(count)) > 0.01
        rises = np.flatnonzero(np.diff(np.convolve(loud, np.ones(400)) > 0.5) > 0)[::2]
        assert rises.size == count
    assert {tone_count(n) for n in range(60)} == {2, 3, 4, 5}

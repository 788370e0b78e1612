"""Recordings of actors: what each says, as far as it can be known."""

import pytest

from tests.parts import need_python

need_python("rapidfuzz", "the train extra")
need_python("wordfreq", "the train extra")

from models.training import actors  # noqa: E402
from models.training.words import Ration  # noqa: E402
from models.training.writer import letters, once  # noqa: E402


def test_what_was_heard_becomes_the_nearest_line_or_nothing() -> None:
    lines = {letters(t): t for t in ("Close the hatch!", "It leaks.", "Ask Xqzzv about it.")}
    assert actors.nearest("Close the hutch", lines) == "close the hatch"
    assert actors.nearest("Something else was said", lines) is None
    assert actors.nearest("Ask Xqzzv about it", lines) is None, "a word that cannot be pronounced teaches nothing"


@pytest.mark.parametrize(
    ("heard", "again", "said"),
    [
        ("Lovely piece of work.", "lovely piece of work", "lovely piece of work"),
        ("Lovely piece of work.", "Lovely piece of work lovely pie", "lovely piece of work"),
        ("Lovely piece of work.", "Lovely peace of work", "lovely piece of work"),
        ("Lovely piece of work.", "Lovely piece of work and more of it", None),
        ("Shut tight.", "Shot bright.", None),
        ("Ask Xqzzv.", "Ask Xqzzv.", None),
        ("", "", None),
    ],
)
def test_without_a_script_two_must_have_written_the_same(heard: str, again: str, said: str | None) -> None:
    assert actors.agreed(heard, again) == said


@pytest.mark.parametrize(
    ("written", "kept"),
    [
        ("Put it on. Put it on. Put", "Put it on."),
        ("Put it on.", "Put it on."),
        ("No. No.", "No."),
        ("Hello Hello Hello Hel", "Hello"),
        ("Wait. Wait for me.", "Wait. Wait for me."),
        ("We met. We met again later.", "We met. We met again later."),
    ],
)
def test_a_line_written_again_is_written_once(written: str, kept: str) -> None:
    assert once(written) == kept


def test_no_word_is_given_more_often_than_its_ration() -> None:
    ration = Ration(in_all=3, by_one=2)
    given = [ration.take("stop", who) for who in ("a", "a", "a", "b", "b", "c")]
    assert given == [True, True, False, True, False, False]
    assert ration.take("go", "a")

"""The voice gate: what it lets through, and that it opens when it fails."""

from collections.abc import Iterable

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.events import RATE_HZ
from listener.settings import GateSettings
from listener.speech.gate import FRAME, Closed, Failed, Gate, Opened, Passed, Step


class Loud:
    """Takes any frame with a sample above a tenth of full scale for speech."""

    def is_speech(self, pcm16: bytes, rate_hz: int) -> bool:
        assert rate_hz == RATE_HZ
        return bool(np.abs(np.frombuffer(pcm16, np.int16)).max() > 3276)


class Broken:
    """Works for ten frames."""

    def __init__(self) -> None:
        self.left = 10

    def is_speech(self, pcm16: bytes, rate_hz: int) -> bool:
        self.left -= 1
        if self.left < 0:
            raise RuntimeError("no more")
        return False


def frames(pattern: str) -> np.ndarray:
    """'.' is a quiet frame of 20 ms, 's' a loud one; samples tell their own number in their low bits."""
    return np.concatenate([np.full(FRAME, 0.5 if c == "s" else 0.01, np.float32) for c in pattern])


def gate(pre_roll_s: float = 0.04, hangover_s: float = 0.06) -> Gate:
    return Gate(GateSettings(pre_roll_s=pre_roll_s, hangover_s=hangover_s), test=Loud())


def passed(steps: Iterable[Step], length: int) -> str:
    """What the spotter hears, frame by frame: 'o' is a frame that went through, '.' one that did not."""
    heard = ["."] * length
    at = 0
    for step in steps:
        match step:
            case Opened(first_sample):
                at = first_sample // FRAME
            case Passed(samples):
                for i in range(len(samples) // FRAME):
                    heard[at + i] = "o"
                at += len(samples) // FRAME
    return "".join(heard)


@pytest.mark.parametrize(
    "sound, heard",
    [
        ("..........", ".........."),
        (".....s....", "...oooooo."),  # two frames of pre-roll, three of hangover
        ("s.........", "oooo......"),
        (".....s.s..", "...ooooooo"),
        ("....s....s", "..oooooooo"),
        ("....s.....s", "..oooooo" + "ooo"),
        ("....s......s", "..oooooo.ooo"),
        (".........s", ".......ooo"),
    ],
)
def test_pre_roll_and_hangover(sound, heard):
    g = gate()
    assert passed([*g.feed(frames(sound)), *g.finish()], len(sound)) == heard


def test_every_opening_is_followed_by_one_closing():
    g = gate()
    steps = [s for s in [*g.feed(frames("..s........s......s")), *g.finish()] if not isinstance(s, Passed)]
    assert [type(s) for s in steps] == [Opened, Closed] * 3
    assert [s.first_sample // FRAME for s in steps[::2]] == [0, 9, 16]


@given(st.text("s.", min_size=1, max_size=40), st.lists(st.integers(0, 900), max_size=30))
def test_the_pieces_it_is_fed_do_not_matter(sound, sizes):
    samples = frames(sound)
    one, two = gate(), gate()
    whole = [*one.feed(samples), *one.finish()]
    cut = [step for piece in np.split(samples, np.cumsum(sizes)) for step in two.feed(piece)]
    assert flat([*cut, *two.finish()]) == flat(whole)


@given(st.text("s.", min_size=1, max_size=60))
def test_no_loud_frame_is_ever_lost_and_no_sample_is_heard_twice(sound):
    g = gate()
    steps = [*g.feed(frames(sound)), *g.finish()]
    heard = passed(steps, len(sound))
    assert all(h == "o" for s, h in zip(sound, heard) if s == "s")
    assert sum(len(s.samples) for s in steps if isinstance(s, Passed)) == heard.count("o") * FRAME


def test_when_the_speech_test_breaks_the_gate_opens_and_stays_open():
    g = Gate(GateSettings(pre_roll_s=0.04), test=Broken())
    steps = [*g.feed(frames("." * 30)), *g.finish()]
    assert [s.reason for s in steps if isinstance(s, Failed)] == ["RuntimeError: no more"]
    assert passed(steps, 30) == "." * 8 + "o" * 22


def test_off_passes_everything_as_one_stretch():
    g = Gate("off")
    steps = [*g.feed(frames("..s...")), *g.finish()]
    assert passed(steps, 6) == "oooooo"
    assert [type(s) for s in steps] == [Opened, Passed, Closed]


def test_the_real_speech_test_keeps_digital_silence_out():
    g = Gate(GateSettings(aggressiveness=0))
    assert [*g.feed(np.zeros(RATE_HZ, np.float32)), *g.finish()] == []


def flat(steps: list[Step]) -> list[object]:
    """Steps with neighbouring samples joined."""
    out: list[object] = []
    for step in steps:
        if isinstance(step, Passed) and out and isinstance(out[-1], list):
            out[-1].extend(step.samples.tolist())
        else:
            out.append(step.samples.tolist() if isinstance(step, Passed) else step)
    return out

"""What one listener hears, in which order: a pure function of (design, the listener's number, how many calls).

The study's calls are dealt out like cards: each listener gets the next ones, so that every sound is heard about equally
often, each listener gets all conditions alike, and the voices take turns over the conditions. Calls and talk are shuffled
with extra sounds that no machine hears: calls without noise, which show who is not attending, and pieces of a call's
length without a call, which show who presses at everything. Tones to be counted show that the sound arrives at all.
"""

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Literal

import numpy as np

from listener.study.design import Design

What = Literal["call", "talk", "clear", "blank", "tones", "rest", "track"]

CALLS = 48
"""Calls a listener, unless told otherwise: about a quarter of an hour with all that is shuffled among them."""
EXTRA = 1_000_000
"""Numbers of the extra sounds begin here, far beyond any study's own, so that they share no random draws."""
REST_EVERY = 30
ATTENTION_CHECKS = 3
PRACTICE: tuple[What, ...] = ("clear", "blank", "call", "blank")
_ORDER, _PRACTICE_NUMBER, _A_LISTENER = 0x0DE2, 900, 1_000


@dataclass(frozen=True, slots=True)
class Step:
    """One thing that a listener does. number: of the study's sound for call and talk, else one of its own.

    snr_db: of an adaptive track's call; None for all else (what the sound's own condition says holds).
    """

    what: What
    number: int = 0
    practice: bool = False
    snr_db: float | None = None

    @property
    def is_heard(self) -> bool:
        """Whether a sound is played in it."""
        return self.what != "rest"


def practice(listener: int) -> tuple[Step, ...]:
    """The block to begin with: its sounds are extra ones, its answers count for nothing."""
    return tuple(Step(what, _extra(listener, _PRACTICE_NUMBER + i), practice=True) for i, what in enumerate(PRACTICE))


def course(design: Design, listener: int, calls: int = CALLS) -> tuple[Step, ...]:
    """The listener's steps after the practice, in order. listener: 0 for the first one of a study, 1, 2, ...

    calls: of the study, at most all there are. Talk, extra sounds, checks and rests come on top.
    """
    calls = min(calls, design.sounds - design.negative_count)
    heard = [Step("call", sound) for sound in dealt_calls(design, listener, calls)]
    heard += [Step("talk", sound) for sound in dealt_talk(design, listener, round(calls / 8))]
    clear, blank = max(3, round(calls / 12)), max(2, round(calls / 4))
    heard += [Step("clear", _extra(listener, i)) for i in range(clear)]
    heard += [Step("blank", _extra(listener, clear + i)) for i in range(blank)]
    order = np.random.default_rng([design.plan.seed, listener, _ORDER]).permutation(len(heard))
    return tuple(_with_pauses([heard[i] for i in order], listener))


def dealt_calls(design: Design, listener: int, calls: int) -> tuple[int, ...]:
    """The study's sounds that this listener gets: condition by condition, each at a number shifted by the condition's.

    (t mod conditions, (t div conditions + t mod conditions) mod trials) goes once through all of them before any comes
    again; without the shift all of a listener's calls would be by one voice.
    """
    trials = design.plan.trials
    conditions = (design.sounds - design.negative_count) // trials
    sounds = []
    for t in range(listener * calls, (listener + 1) * calls):
        round_, which = divmod(t, conditions)
        sounds.append(design.negative_count + (round_ + which) % trials * conditions + which)
    return tuple(sounds)


def dealt_talk(design: Design, listener: int, pieces: int) -> tuple[int, ...]:
    """The pieces of talk that this listener gets; none where the study has none."""
    there = design.negative_count
    pieces = min(pieces, there)
    return tuple((listener * pieces + i) % there for i in range(pieces))


def _with_pauses(heard: list[Step], listener: int) -> Iterator[Step]:
    """Attention checks after each third, rests in between."""
    check_after = {round((k + 1) * len(heard) / ATTENTION_CHECKS): k for k in range(ATTENTION_CHECKS)}
    for done, step in enumerate(heard, 1):
        yield step
        if done in check_after:
            yield Step("tones", _extra(listener, check_after[done]))
        if done % REST_EVERY == 0 and done < len(heard):
            yield Step("rest")


def _extra(listener: int, number: int) -> int:
    return EXTRA + listener * _A_LISTENER + number

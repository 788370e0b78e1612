"""What is said around a study's calls: which position they are about, and who calls.

Each call of a plan with positions is about one of them or, as often, about none; it is said right before or right after the
call. A caller, where the plan names some, comes first of all in every second call.
"""

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
from numpy.typing import NDArray

from listener.events import RATE_HZ, Answer, Update
from listener.radio import active_level_dbov
from listener.radio.shape import db
from listener.study.bank import Bank
from listener.study.design import Slot, rng_for
from listener.study.plan import Plan

NONE = "none"
"""What a call without a position or caller has in the results."""
PAUSE_S = (0.1, 0.6)
"""Shortest and longest pause between a call and what is said around it."""
KINDS = ("position", "caller")

Samples = NDArray[np.float32]


@dataclass(frozen=True, slots=True, eq=False)
class Around:
    """What is said around one call. position, caller: "" where the plan names none, NONE where none is said.

    before, after: the sound, with its pauses.
    """

    position: str
    caller: str
    before: tuple[Samples, ...]
    after: tuple[Samples, ...]


def said_around(plan: Plan, bank: Bank, slot: Slot, speaker: str) -> Around:
    """What this call is about and who makes it; drawn from the slot alone."""
    rng = rng_for(plan, slot, "around")
    before: list[Samples] = []
    after: list[Samples] = []
    position, words = _drawn(rng, [(p.name, list(p.spoken)) for p in plan.positions], nobody=1)
    is_after = bool(rng.integers(2))
    callers = [named for caller in plan.callers for named in caller.each()]
    caller, sign = _drawn(rng, callers, nobody=len(callers))
    for said, where in ((sign, before), (words, after if is_after else before)):
        if not said:
            continue
        takes = bank.said_around(said, speaker)
        clip = bank.sound(takes[rng.integers(len(takes))])
        clip = clip * db(rng.uniform(-1.0, 1.0) - active_level_dbov(clip, RATE_HZ))
        pause = np.zeros(round(rng.uniform(*PAUSE_S) * RATE_HZ), np.float32)
        where += [pause, clip] if where is after else [clip, pause]
    return Around(position, caller, tuple(before), tuple(after))


def _drawn(rng: np.random.Generator, names: Sequence[tuple[str, list[str]]], nobody: int) -> tuple[str, str]:
    """(name, words) of one of them, or (NONE, ""), which weighs as much as so many; ("", "") where there are none."""
    which, way = int(rng.integers(len(names) + nobody)) if names else 0, rng.random()
    if not names:
        return "", ""
    if which >= len(names):
        return NONE, ""
    name, ways = names[which]
    return name, ways[int(way * len(ways))]


def heard_around(updates: Sequence[Update], phrase: str, start_s: float) -> tuple[str, str]:
    """What the last update about an alert said of position and caller: a name, or else the verdict; "" for nothing."""
    mine = [update for update in updates if (update.phrase, update.start_s) == (phrase, start_s)]
    return (_told(mine[-1].position), _told(mine[-1].caller)) if mine else ("", "")


def _told(answer: Answer | None) -> str:
    return "" if answer is None else answer.name or answer.verdict

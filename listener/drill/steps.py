"""What should have followed a call, beside what was done: each expected step is done, late, out of order or not done.

The rules are common practice of ours without a source. A step is late if it came more than its within_s after the end of
the word that completes the call; it is out of order if a step that stands before it came later. Delays may be below zero:
a visual signal comes first, and the voice is its backup.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import Literal

from listener.drill.script import Action, ExpectedStep

StepStatus = Literal["done", "late", "out of order", "not done"]


@dataclass(frozen=True, slots=True)
class StepScore:
    """One expected step of one call.

    number: its place in the order, from 1. action: what was done, None if nothing was. delay_s: from the end of the
    call, None where nobody knows that. is_late: later than its within_s. before: the numbers of steps that should have
    come earlier and came later.
    """

    number: int
    step: ExpectedStep
    action: Action | None
    delay_s: float | None
    is_late: bool
    before: tuple[int, ...]

    @property
    def status(self) -> StepStatus:
        """In one word: out of order comes before late, and `is_late` and `before` say each by itself."""
        if self.action is None:
            return "not done"
        return "out of order" if self.before else "late" if self.is_late else "done"

    @property
    def by(self) -> str:
        """Who did it, if that was somebody else than the one who should."""
        return "" if self.action is None or _same(self.action.who, self.step.who) else self.action.who


def score_steps(
    expected: Sequence[ExpectedStep], actions: Sequence[Action], complete_s: float | None
) -> tuple[StepScore, ...]:
    """Each expected step with its action: the first that reads alike, by whoever should have done it, else by anybody.

    actions: those of this call, in time order. complete_s: the end of the word that completes it, None if not known.
    """
    found: dict[int, Action] = {}
    for anybody in (False, True):
        for i, step in enumerate(expected):
            free = [a for a in actions if _same(a.what, step.what) and not any(a is used for used in found.values())]
            did = next((a for a in free if anybody or _same(a.who, step.who)), None)
            if did and i not in found:
                found[i] = did
    scores = []
    for i, step in enumerate(expected):
        action = found.get(i)
        delay_s = action.at_s - complete_s if action and complete_s is not None else None
        is_late = delay_s is not None and step.within_s is not None and delay_s > step.within_s
        before = tuple(k + 1 for k in range(i) if action and k in found and found[k].at_s > action.at_s)
        scores.append(StepScore(i + 1, step, action, delay_s, is_late, before))
    return tuple(scores)


def step_key(step: ExpectedStep) -> tuple[str, str]:
    """Who and what, for telling steps of several calls and drills together."""
    return " ".join(step.who.casefold().split()), " ".join(step.what.casefold().split())


def is_step(what: str, step: ExpectedStep) -> bool:
    """Whether something that was done, by whomever, is this step."""
    return _same(what, step.what)


def expects(expected: Sequence[ExpectedStep], action: Action) -> bool:
    """Whether an action is one of the expected steps."""
    return any(is_step(action.what, step) for step in expected)


def _same(one: str, other: str) -> bool:
    return " ".join(one.casefold().split()) == " ".join(other.casefold().split())

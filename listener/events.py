"""The values that flow through the listener. All are frozen; every time is in seconds of the stream.

Second 0 is the first sample of the file or of the capture. The sample count is the only clock here.
"""

from dataclasses import dataclass, field
from typing import ClassVar, Literal, NamedTuple

import numpy as np
from numpy.typing import NDArray

RATE_HZ = 16_000
"""The rate at which everything behind the resampler listens."""


@dataclass(frozen=True, slots=True, eq=False)
class Block:
    """Some consecutive samples of one channel.

    samples: float32, shape (n,), full scale is +-1.
    first_sample: index of samples[0] in its stream.
    rate_hz: samples a second.

    >>> half_a_second_later = Block(np.zeros(800, np.float32), first_sample=8_000, rate_hz=16_000)
    >>> half_a_second_later.first_sample / half_a_second_later.rate_hz
    0.5
    """

    samples: NDArray[np.float32]
    first_sample: int
    rate_hz: int


class Span(NamedTuple):
    """From start_s up to end_s, in seconds of one clock. In order of their starts.

    >>> call, talk = Span(1.0, 3.0), Span(2.5, 6.0)
    >>> call.overlaps(talk), call.shared_s(talk), call.gap_s(talk), call.gap_s(Span(4.5, 5.0))
    (True, 0.5, 0.0, 1.5)
    >>> call.duration_s, call.middle_s, call < talk, call.overlaps(Span(3.0, 4.0))
    (2.0, 2.0, True, False)
    """

    start_s: float
    end_s: float

    @property
    def duration_s(self) -> float:
        """How long it lasts."""
        return self.end_s - self.start_s

    @property
    def middle_s(self) -> float:
        """The time half way through."""
        return (self.start_s + self.end_s) / 2

    def overlaps(self, other: "Span") -> bool:
        """Whether some time belongs to both; to touch is not to overlap."""
        return self.start_s < other.end_s and other.start_s < self.end_s

    def shared_s(self, other: "Span") -> float:
        """How much time belongs to both."""
        return max(0.0, min(self.end_s, other.end_s) - max(self.start_s, other.start_s))

    def gap_s(self, other: "Span") -> float:
        """How much time lies between them, whichever is first; 0 where they touch or overlap."""
        return max(0.0, max(self.start_s, other.start_s) - min(self.end_s, other.end_s))

    def likeness(self, other: "Span") -> float:
        """Shared time over the time from the first start to the last end, 0..1: 1 for the same span.

        >>> Span(1.0, 2.0).likeness(Span(1.5, 2.5))
        0.3333333333333333
        """
        joint_s = max(self.end_s, other.end_s) - min(self.start_s, other.start_s)
        return self.shared_s(other) / max(joint_s, 1e-9)


@dataclass(frozen=True, slots=True)
class Hit:
    """The words of one phrase, heard once.

    score: like a log-odds, calibrated by each engine: 0 is even, more is surer. Engines are generous
    and report weak hits too; the call rule judges several together. rivals: by how much each of the phrase's rivals (words
    that sound alike) explains it better, natural log, in the engine's own order; empty where the engine knows none.

    >>> Hit("suspend", start_s=1.25, end_s=1.75, score=4.0) == Hit("suspend", 1.25, 1.75, 4.0)
    True
    """

    phrase: str
    start_s: float
    end_s: float
    score: float
    rivals: tuple[float, ...] = field(default=(), compare=False, repr=False)

    @property
    def span(self) -> Span:
        """When the words were said."""
        return Span(self.start_s, self.end_s)


@dataclass(frozen=True, slots=True)
class Call:
    """One phrase heard several times in a row: the common part of Alert, Candidate and PartlyHeard.

    repeats: how many times the phrase must be said to be a call (the setting).
    end_s: when the last word ends; for an alert told while it was still being said, as its earlier words let expect.
    raised_s: stream time of the last sample that had been fed when this event came out, so that
    raised_s - end_s is the honest delay.
    confidence: 0..1, the calibrated chance that this is a true call.
    hits: the words it rests on, in time order.
    chance_per_h: how often talk alone makes a call as clear as this, an hour of talk, as far as the engine knows; at least
    LEAST_CHANCE_PER_H. None where it knows nothing, or not all the repeats were heard.

    >>> words = tuple(Hit("suspend", at_s, at_s + 0.5, score=4.0) for at_s in (1.0, 1.75, 2.5))
    >>> alert = Alert(0, "suspend", 3, start_s=1.0, end_s=3.0, raised_s=3.125, confidence=0.98, engine="ear", hits=words)
    >>> alert.kind, alert.raised_s - alert.end_s
    ('alert', 0.125)
    """

    kind: ClassVar[str] = "call"
    channel: int
    phrase: str
    repeats: int
    start_s: float
    end_s: float
    raised_s: float
    confidence: float
    engine: str
    hits: tuple[Hit, ...]
    chance_per_h: float | None = None

    @property
    def span(self) -> Span:
        """From the first word's start to the last word's end."""
        return Span(self.start_s, self.end_s)


@dataclass(frozen=True, slots=True)
class Alert(Call):
    """The call was made. There is exactly one for each call, however often the words are repeated."""

    kind: ClassVar[str] = "alert"


@dataclass(frozen=True, slots=True)
class Candidate(Call):
    """All the repeats were heard, but too weakly for an alert. Told when the call is over."""

    kind: ClassVar[str] = "candidate"


@dataclass(frozen=True, slots=True)
class PartlyHeard(Call):
    """All repeats but one were clearly heard, and the last did not come in time."""

    kind: ClassVar[str] = "partly_heard"


Verdict = Literal["heard", "not heard", "unclear", "not available"]
"""What became of the search for a position or a caller around a call."""


@dataclass(frozen=True, slots=True)
class Answer:
    """Which position a call is about, or who made it, as far as it was heard.

    verdict: heard; not heard; unclear (two of them, one denied, or one that stood in other talk only); not available
    (the engine cannot hear it). name: which one, if heard. confidence: 0..1, the calibrated chance that the verdict is
    right: that this one was said or, if not heard, that none was. start_s, end_s: when it was said, if heard.

    >>> Answer("heard", "two", 0.97, 4.1, 4.4).name
    'two'
    """

    verdict: Verdict
    name: str | None = None
    confidence: float | None = None
    start_s: float | None = None
    end_s: float | None = None


@dataclass(frozen=True, slots=True)
class Update:
    """More about an alert that was told: its position and its caller.

    It changes nothing about the alert, and a later one takes its place. channel, phrase, start_s: which alert it is about.
    position, caller: None where the settings name none, and while it is still listened for.

    >>> Update(0, "stop", 1.2, raised_s=3.0, position=Answer("heard", "two", 0.97, 2.4, 2.6)).kind
    'update'
    """

    kind: ClassVar[str] = "update"
    channel: int
    phrase: str
    start_s: float
    raised_s: float
    position: Answer | None = None
    caller: Answer | None = None


@dataclass(frozen=True, slots=True)
class Fault:
    """Something is wrong with the sound or with a stage; listening goes on if it can.

    what: a short name that programs can rely on ("not_finite", "gate", ...).
    detail: one sentence for people.
    """

    kind: ClassVar[str] = "fault"
    channel: int
    what: str
    detail: str
    raised_s: float


Event = Alert | Candidate | PartlyHeard | Update | Fault


def times_text(repeats: int) -> str:
    """How often a phrase is said, in words: once, twice, 3 times."""
    return {1: "once", 2: "twice"}.get(repeats, f"{repeats} times")


def confidence_text(confidence: float) -> str:
    """A confidence 0..1 as per cent for people, 1 to 99: nothing that a program says is certain.

    >>> confidence_text(0.9987), confidence_text(0.874), confidence_text(0.0)
    ('99%', '87%', '1%')
    """
    return f"{min(max(confidence, 0.01), 0.99):.0%}"


LEAST_CHANCE_PER_H = 1 / 40
"""Nothing is told to be rarer in talk than once in 40 hours: ten times the hours from which it is told."""


def chance_text(chance_per_h: float) -> str:
    """How often talk alone makes such a call, for people.

    >>> chance_text(0.1), chance_text(0.025), chance_text(3.0)
    ('once in 10 h of talk', 'less than once in 40 h of talk', '3 times in an hour of talk')
    """
    if chance_per_h <= LEAST_CHANCE_PER_H:
        return f"less than once in {1 / LEAST_CHANCE_PER_H:.0f} h of talk"
    if chance_per_h > 1.5:
        return f"{chance_per_h:.0f} times in an hour of talk"
    return f"once in {1 / chance_per_h:.{1 if chance_per_h > 0.5 else 0}f} h of talk"


def around_text(position: Answer | None, caller: Answer | None) -> str:
    """Position and caller of a call for people, those that are listened for and known.

    >>> around_text(Answer("heard", "two", 0.97), Answer("not heard", confidence=0.8))
    'position two (97%); caller not heard'
    """
    asked = (("position", position), ("caller", caller))
    return "; ".join(f"{what} {_answer_text(answer)}" for what, answer in asked if answer)


def _answer_text(answer: Answer) -> str:
    if answer.name is None or answer.confidence is None:
        return answer.verdict
    return f"{answer.name} ({confidence_text(answer.confidence)})"

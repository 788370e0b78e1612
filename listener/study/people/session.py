"""One listener's way through consent, level, practice and trials; where it stands follows from the lines alone.

So a session that was killed goes on where it was: the next step is the one that has no line yet.
"""

from collections.abc import Callable, Sequence
from dataclasses import asdict, dataclass
from typing import Any, Literal

from listener.errors import UserError
from listener.study.design import CALL, Design
from listener.study.people import track
from listener.study.people.answers import Line
from listener.study.people.course import EXTRA, Step, course, practice
from listener.study.people.sounds import LEVEL_RANGE_DB, Truth, tone_count

Mode = Literal["study", "track"]
Screen = Literal["consent", "level", "step", "finished"]
RESPONSE_S = 2.0
"""A press counts for a call from its beginning until so long after its end (common practice, no source)."""
SAME_PRESS_S = 1.0
"""Presses closer than this are one: a key that was hit twice (common practice, no source)."""
_BLANKS = 500


@dataclass(frozen=True, slots=True)
class Judged:
    """What presses in one sound mean. delay_s: from the call's end to the press; negative for one before its end."""

    found: bool
    delay_s: float | None
    false_presses_s: tuple[float, ...]
    press_s: float | None


def judge(call: tuple[float, float] | None, presses_s: Sequence[float]) -> Judged:
    """The first press that is in time for the call answers it; every other one is false, however near.

    >>> judge((2.0, 4.0), [4.5, 4.9])
    Judged(found=True, delay_s=0.5, false_presses_s=(), press_s=4.5)
    >>> judge(None, [1.0])
    Judged(found=False, delay_s=None, false_presses_s=(1.0,), press_s=None)
    """
    single: list[float] = []
    for press in sorted(presses_s):
        if not single or press - single[-1] >= SAME_PRESS_S:
            single.append(press)
    right = next((p for p in single if call and call[0] <= p <= call[1] + RESPONSE_S), None)
    false = tuple(p for p in single if p != right)
    return Judged(right is not None, right - call[1] if call and right is not None else None, false, right)


class Session:
    """A listener's session. lines: as they are in the file, head first; new ones come from consent, level and answer.

    truth: what is in a step's sound (None for tones).
    """

    def __init__(self, design: Design, lines: Sequence[Line], truth: Callable[[Step], Truth | None]) -> None:
        head = lines[0]
        self.id: str = head["id"]
        self.mode: Mode = head["mode"]
        self.number: int = head["number"]
        self._truth = truth
        self._practice = practice(self.number)
        self._course = course(design, self.number, head["calls"]) if self.mode == "study" else ()
        self._answers: list[Line] = []
        self.has_consented = False
        self.gain_db: float | None = None
        self._plays = 0
        for line in lines[1:]:
            self.take(line)

    def take(self, line: Line) -> None:
        """Note a line that is on the disk."""
        match line["kind"]:
            case "consent":
                self.has_consented = True
            case "level":
                self.gain_db = float(line["gain_db"])
            case "answer" if line["step"] == len(self._answers):
                self._answers.append(line)
                self._plays = 0
            case "begun" if line["step"] == len(self._answers):
                self._plays += 1

    # Where it stands.

    @property
    def screen(self) -> Screen:
        """What the listener is to see."""
        if not self.has_consented:
            return "consent"
        if self.gain_db is None:
            return "level"
        return "step" if self.step else "finished"

    @property
    def done(self) -> int:
        """How many steps have been answered, those of the practice included."""
        return len(self._answers)

    @property
    def whole(self) -> int:
        """How many steps there will be, those of the practice included."""
        rest = len(self._course) if self.mode == "study" else track.CALLS + track.CALLS // track.BLANK_EVERY
        return len(self._practice) + rest

    @property
    def step(self) -> Step | None:
        """The next one; None when all are answered."""
        if self.done < len(self._practice):
            return self._practice[self.done]
        done = self.done - len(self._practice)
        if self.mode == "study":
            return self._course[done] if done < len(self._course) else None
        return self._next_of_track(done)

    def _next_of_track(self, done: int) -> Step | None:
        if self.done >= self.whole:
            return None
        first = EXTRA * 2 + self.number * 1_000
        if (done + 1) % (track.BLANK_EVERY + 1) == 0:
            return Step("blank", first + _BLANKS + done)
        return Step("track", first + done, snr_db=track.levels(self.track_found)[-1])

    @property
    def track_found(self) -> list[bool]:
        """Of the adaptive track's calls so far, which were heard."""
        return [line["found"] for line in self._answers if line["what"] == "track"]

    @property
    def answers(self) -> tuple[Line, ...]:
        """The lines of all answered steps."""
        return tuple(self._answers)

    # What the listener does: each gives the line to be written; `take` it when it is on the disk.

    def consent(self, text_sha256: str) -> Line:
        """The listener agrees to the text with this checksum."""
        return {"kind": "consent", "text_sha256": text_sha256}

    def set_level(self, gain_db: float) -> Line:
        """The level that was set. Raises UserError for one out of range, or set before: it is never changed afterwards."""
        if not LEVEL_RANGE_DB[0] <= gain_db <= LEVEL_RANGE_DB[1]:
            raise UserError(f"a level of {gain_db:g} dB cannot be: {LEVEL_RANGE_DB[0]:g} to {LEVEL_RANGE_DB[1]:g}")
        if self.gain_db is not None and gain_db > self.gain_db:
            raise UserError(f"the level was set to {self.gain_db:g} dB; it can be made softer, not louder")
        return {"kind": "level", "gain_db": gain_db}

    def begun(self) -> Line:
        """The next step's sound goes out to be played."""
        return {"kind": "begun", "step": self.done}

    def answer(self, number: int, presses_s: Sequence[float], count: int | None) -> Line | None:
        """The answer to step `number` (0, 1, ...); None if that is on the disk already. Raises UserError for a later step.

        presses_s: seconds from the sound's first sample. count: of tones. The line also tells how often the
        sound had gone out, which is more than once when the session was cut off in it.
        """
        step = self.step
        if number < self.done:
            return None
        if step is None or number > self.done or self.screen != "step":
            raise UserError(f"step {number} is not the next one ({self.done}); load the page again")
        line: dict[str, Any] = {"kind": "answer", "step": number, "what": step.what, "practice": step.practice}
        if step.what == "rest":
            return line
        line |= {"plays": self._plays}
        if step.what == "tones":
            return {**line, "tones": tone_count(step.number), "count": count, "right": count == tone_count(step.number)}
        truth = self._truth(step)
        assert truth is not None
        judged = judge(call_of(truth), presses_s)
        return {**line, "presses_s": list(presses_s), "found": judged.found, "delay_s": judged.delay_s,
                "false_presses_s": list(judged.false_presses_s), "truth": asdict(truth)}  # fmt: skip


def call_of(truth: Truth) -> tuple[float, float] | None:
    """(start_s, end_s) of the call in a sound; None where there is none."""
    if truth.kind != CALL or truth.call_start_s is None or truth.call_end_s is None:
        return None
    return truth.call_start_s, truth.call_end_s

"""All listeners of a study folder: sessions begun, gone on with, and answered, each answer on the disk first."""

import threading
from pathlib import Path
from typing import Any

from listener.errors import UserError
from listener.study.bank import Bank
from listener.study.design import Design
from listener.study.lock import read_lock
from listener.study.people import track
from listener.study.people.answers import Line, append, create, listener_path, listener_paths, new_id, read_lines
from listener.study.people.course import CALLS, course, practice
from listener.study.people.rows import PEOPLE
from listener.study.people.session import RESPONSE_S, Mode, Session
from listener.study.people.sounds import Sounds, wav
from listener.study.plan import PLAN, plan_from
from listener.yaml_file import read_yaml

GAP_S = 0.6
"""From an answer to the next sound."""
MOST_LISTENERS = 10_000
_KEPT = 64


class Desk:
    """The sessions of one study's folder. Any thread may ask; one listener's requests are done one after another."""

    def __init__(self, folder: Path, calls: int = CALLS) -> None:
        """Raises UserError where no study lies, or one in which people cannot be told from an engine."""
        self.folder, self._lock_file = folder, read_lock(folder)
        plan = plan_from(read_yaml(folder / PLAN, "the study plan"), str(folder / PLAN))
        if PEOPLE in plan.engines:
            raise UserError(f"{folder / PLAN}: has an engine called {PEOPLE!r}; give it another name and run the study again")
        try:
            bank = Bank.load(folder)
        except (OSError, ValueError) as error:
            raise UserError(f"{folder}: its speech and noise cannot be read ({error}); run the study again") from None
        self.design, self._calls = Design(plan), calls
        self.sounds = Sounds(self.design, bank)
        self._sessions: dict[str, Session] = {}
        self._lock = threading.RLock()

    @property
    def phrases(self) -> list[tuple[str, int]]:
        """What is listened for: words and how often in a row."""
        return [(phrase.words, phrase.repeats) for phrase in self.design.plan.phrases]

    def begin(self, mode: Mode) -> Session:
        """A new listener, with the next number of the study."""
        with self._lock:
            number = self._next_number()
            head = {"id": new_id(), "mode": mode, "number": number, "calls": self._calls,
                    **{key: self._lock_file[key] for key in ("plan_sha256", "bank_sha256", "code_sha256")}}  # fmt: skip
            create(self.folder, head)
            return self.session(head["id"])

    def session(self, listener: str) -> Session:
        """The listener's session as it stands. Raises UserError for one that is not known here."""
        with self._lock:
            if listener not in self._sessions:
                lines = read_lines(listener_path(self.folder, listener))
                if any(lines[0].get(key) != self._lock_file[key] for key in ("plan_sha256", "bank_sha256")):
                    raise UserError(f"listener {listener}: began with other sounds than this study's; begin anew")
                while len(self._sessions) >= _KEPT:
                    self._sessions.pop(next(iter(self._sessions)))
                self._sessions[listener] = Session(self.design, lines, self.sounds.truth)
            return self._sessions[listener]

    def consent(self, listener: str, text_sha256: str) -> None:
        """Note that the listener agreed to the text with this checksum."""
        with self._lock:
            session = self.session(listener)
            self._write(session, session.consent(text_sha256))

    def set_level(self, listener: str, gain_db: float) -> None:
        """Note the level. Raises UserError for a louder one than before."""
        with self._lock:
            session = self.session(listener)
            self._write(session, session.set_level(gain_db))

    def answer(self, listener: str, number: int, presses_s: tuple[float, ...], count: int | None) -> dict[str, Any]:
        """Note an answer; gives what the listener may be told of it: something in the practice, else nothing."""
        with self._lock:
            session = self.session(listener)
            line = session.answer(number, presses_s, count)
            if line is not None:
                self._write(session, line)
            return _feedback(session.answers[number])

    def _write(self, session: Session, line: Line) -> None:
        session.take(append(listener_path(self.folder, session.id), line))

    def _next_number(self) -> int:
        numbers = [read_lines(path)[0]["number"] for path in listener_paths(self.folder)]
        if len(numbers) >= MOST_LISTENERS:
            raise UserError(f"{self.folder}: has {len(numbers)} listeners already, and takes no more")
        return max(numbers, default=-1) + 1

    # What the page plays and shows.

    def level_sound(self) -> bytes:
        """The sound by which the level is set, at full level: the page plays it softer, never louder."""
        return wav(self.sounds.calibration(), 0.0)

    def step_sound(self, listener: str, number: int) -> bytes:
        """The next step's sound at the listener's level. Raises UserError for any other step: none can be heard again."""
        with self._lock:
            session = self.session(listener)
            step, gain_db = session.step, session.gain_db
            if session.screen != "step" or step is None or gain_db is None or number != session.done or not step.is_heard:
                raise UserError(f"step {number} has no sound to play now; load the page again")
            self._write(session, session.begun())
        return wav(self.sounds.of(step)[0], gain_db)

    def state(self, listener: str) -> dict[str, Any]:
        """What the page needs to know and no more: which screen, which step, how far."""
        session = self.session(listener)
        step = session.step
        first = len(practice(session.number))
        return {
            "id": session.id, "mode": session.mode, "screen": session.screen, "gain_db": session.gain_db,
            "step": session.done, "what": _shown(step.what) if step else "", "practice": bool(step and step.practice),
            "done": max(0, session.done - first), "of": session.whole - first, "gap_s": GAP_S,
            "after_s": max(0.3, RESPONSE_S - self.design.plan.tail_s), "srt_db": _srt(session),
        }  # fmt: skip

    def minutes(self, mode: Mode) -> int:
        """About how long a session lasts, practice included."""
        if mode == "track":
            return 3
        plan = self.design.plan
        call_s, talk_s = self.design.seconds(self.design.sounds - 1), plan.negatives.piece_s
        steps = (*practice(0), *course(self.design, 0, self._calls))
        each = max(0.3, RESPONSE_S - plan.tail_s) + GAP_S
        return max(1, round(sum((talk_s if s.what == "talk" else call_s) + each for s in steps) / 60))


def _shown(what: str) -> str:
    """The kind of screen: what is heard is not told."""
    return what if what in ("tones", "rest") else "listen"


def _feedback(line: Line) -> dict[str, Any]:
    if not line["practice"]:
        return {}
    truth = line["truth"]
    return {"call": truth["call_end_s"] is not None, "phrase": truth["phrase"], "found": line["found"],
            "false": len(line["false_presses_s"])}  # fmt: skip


def _srt(session: Session) -> dict[str, float] | None:
    """What a finished track came to."""
    found = track.threshold(session.track_found) if session.screen == "finished" else None
    return {"srt_db": found.srt_db, "low_db": found.low_db, "high_db": found.high_db} if found else None



"""An acceptance with people: hours of normal traffic, then calls on request, each on the disk before the next.

How a call came out is not told before its caller has made all of theirs, so that nobody learns to please the machine.
"""

import queue
import sys
import threading
from collections.abc import Callable, Sequence
from dataclasses import dataclass
from datetime import UTC, datetime

from listener.errors import UserError
from listener.events import confidence_text
from listener.site.acceptance.live import LiveLine, Taken
from listener.site.acceptance.session import Ended, Judged, LeftOut, MadeCall, Part, Session, Told, now_utc

PART_S = 60.0
"""So much of the line goes into one part, and so much is lost at most when the computer is switched off."""

SETTLE_S = 3.0
"""So long after a call an answer is waited for."""

_NOISE_BEFORE_S = 10.0
_OPENING_S = 30.0
Say = Callable[[str], None]


@dataclass(frozen=True, slots=True)
class Wish:
    """How much: hours of normal traffic, the people who call, and how often each does."""

    hours: float
    people: tuple[str, ...]
    calls: int


class Typed:
    """The lines that a person types, without waiting for them. is_over: no more can come."""

    def __init__(self) -> None:
        self._lines: queue.SimpleQueue[str | None] = queue.SimpleQueue()
        self.is_over = False
        threading.Thread(target=self._read, name="typed lines", daemon=True).start()

    def _read(self) -> None:
        for line in sys.stdin:
            self._lines.put(line.strip())
        self._lines.put(None)

    def line(self) -> str | None:
        """The next line, None if there is none yet."""
        try:
            line = self._lines.get_nowait()
        except queue.Empty:
            return None
        self.is_over = self.is_over or line is None
        return line


def opened(line: LiveLine) -> None:
    """Wait until the line gives sound. Raises UserError with the reason when it does not."""
    waited_s = 0.0
    while not line.is_open or line.now_s == 0.0:
        line.tick()
        taken = line.take()
        waited_s += max(taken.blind_s, 0.0)
        if waited_s > _OPENING_S:
            why = "; ".join(reason.detail for reason in line.reasons()) or "no sound comes"
            raise UserError(f"{why}: nothing can be accepted; 'listener devices' shows which inputs have sound")


class Guide:
    """Leads through one session on a live line. run() until all is done; whatever stops it, the session can go on."""

    def __init__(self, session: Session, line: LiveLine, wish: Wish, typed: Typed, say: Say) -> None:
        self._session, self._line, self._wish, self._typed, self._say = session, line, wish, typed, say
        self._in_force = session.begun.in_force
        self._pending_s = 0.0
        self._last: tuple[Told, str] | None = None
        self._blind_told = ""

    def run(self) -> None:
        """Traffic, then calls; then the session is over. Raises UserError when calls are wanted and nobody types."""
        try:
            self._traffic()
            for person in self._wish.people:
                self._calls_of(person)
        finally:
            self._keep(())
        self._session.add(Ended(utc=now_utc()))

    # -- the line -----------------------------------------------------------------------------------------------

    def _tick(self) -> None:
        """Listen on; now and then put it on the disk."""
        before_s = self._line.now_s
        self._line.tick()
        self._pending_s += self._line.now_s - before_s
        self._tell_blindness()

    def _tell_blindness(self) -> None:
        why = "; ".join(reason.detail for reason in self._line.reasons())
        if why != self._blind_told:
            self._say(f"BLIND: {why}; this does not count" if why else "listening again")
            self._blind_told = why

    def _keep(self, calls: tuple[MadeCall, ...], taken: Taken | None = None) -> None:
        """What came since the last part, as a part. taken: if that was asked for already, without the calls' answers."""
        taken = taken or self._line.take()
        self._pending_s = 0.0
        if not (taken.seconds or taken.blind_s or calls):
            return
        name = f"live {now_utc()[:22]}"
        false = {sensitivity: tuple(told) for sensitivity, told in taken.alerts.items()}
        self._session.add(Part(
            name=name, utc=now_utc(), seconds=taken.seconds, blind_s=taken.blind_s, calls=calls, false=false,
            levels=taken.frames,
        ))  # fmt: skip

    def _heard_s(self) -> float:
        return sum(part.seconds for part in self._session.parts) + self._pending_s

    # -- normal traffic -----------------------------------------------------------------------------------------

    def _traffic(self) -> None:
        wanted_s = 3600 * self._wish.hours
        if self._heard_s() >= wanted_s:
            return
        self._say(
            f"Normal traffic: {wanted_s / 60:.0f} min are wanted, {self._heard_s() / 60:.0f} are there. Work as ever. "
            "Type 'real NAME' when an alert answered a real call, 'enough' to go on with the calls; Ctrl-C stops, and the same "
            "command goes on."
        )
        while self._heard_s() < wanted_s:
            self._tick()
            for told in self._line.new_alerts(self._in_force):
                self._keep(())
                self._last = told, self._session.parts[-1].name
                self._say(
                    f"ALERT {told.phrase!r} at {datetime.now(UTC).astimezone():%H:%M:%S}, "
                    f"{confidence_text(told.confidence)} sure. If it was a real call, type: real NAME"
                )
            if self._pending_s >= PART_S:
                self._keep(())
                self._say(f"{self._heard_s() / 60:.0f} of {wanted_s / 60:.0f} min of traffic heard")
            if self._obeys(self._typed.line()):
                break
        self._keep(())

    def _obeys(self, words: str | None) -> bool:
        """Whether the traffic is enough."""
        if words and words.casefold().startswith("real") and self._last:
            told, part = self._last
            who = words[4:].strip() or "somebody"
            self._session.add(Judged(utc=now_utc(), part=part, raised_s=told.raised_s, who=who))
            self._say(f"noted: a real call by {who}; it counts neither as false nor as found")
            self._last = None
        elif words and words.casefold() != "enough":
            self._say(f"{words!r}: type 'real NAME' after an alert, or 'enough'")
        return words is not None and words.casefold() == "enough"

    # -- calls on request ---------------------------------------------------------------------------------------

    def _calls_of(self, person: str) -> None:
        while (done := len(self._made_by(person))) < self._wish.calls:
            self._say(f"{person}, call {done + 1} of {self._wish.calls}: press Enter, then make the call on the radio.")
            self._enter(keeping=True)
            self._keep(())
            start_s = self._line.now_s
            self._say("   When it has been said, press Enter (x Enter: it went wrong, take it back).")
            if self._enter(keeping=False).casefold() == "x":
                self._session.add(LeftOut(what=f"a call by {person}", why="taken back by the people who made it"))
                self._keep(())
                continue
            self._keep_call(person, start_s)
            own = self._made_by(person)
            if len(own) == self._wish.calls:
                found = sum(call.answers[self._in_force] is not None for call in own)
                self._say(f"{person}: {found} of {len(own)} found.")

    def _made_by(self, person: str) -> Sequence[MadeCall]:
        return [call for part in self._session.parts for call in part.calls if call.person == person]

    def _enter(self, keeping: bool) -> str:
        """Listen on until somebody presses Enter; gives what was typed before it. keeping: parts may end meanwhile."""
        while (words := self._typed.line()) is None:
            if self._typed.is_over:
                raise UserError(f"{self._session.folder}: calls need somebody who types; run the same command on a terminal")
            self._tick()
            if keeping and self._pending_s >= PART_S:
                self._keep(())
        return words

    def _keep_call(self, person: str, start_s: float) -> None:
        """Listen a moment longer, then judge and keep the call: the first alert since its start answers it."""
        end_s = self._line.now_s
        while self._line.now_s < end_s + SETTLE_S and not self._line.reasons():
            self._tick()
        noise, level = self._line.level(start_s - _NOISE_BEFORE_S, start_s, 0.1), self._line.level(start_s, end_s, 0.95)
        taken = self._line.take()
        answers: dict[str, Told | None] = {}
        for name in self._session.begun.alert_levels:
            told = taken.alerts.get(name, [])
            answers[name] = told.pop(0) if told else None
        call = MadeCall(
            person=person, start_s=round(start_s, 3), end_s=round(end_s, 3), is_marked=False, answers=answers,
            partly=bool(taken.partly) and answers[self._in_force] is None, level_dbov=level, noise_dbov=noise,
        )  # fmt: skip
        self._keep((call,), taken)

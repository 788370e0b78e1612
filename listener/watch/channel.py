"""One channel of the station: its sound, its recogniser, its health, and the one state that results."""

from dataclasses import dataclass

from listener.events import Event
from listener.settings import Settings
from listener.settings.watch import ChannelSettings
from listener.sound.meter import FLOOR_DBOV
from listener.watch.calls import Calls
from listener.watch.health import Reason
from listener.watch.parts.capture import CaptureSupervisor, Gap
from listener.watch.parts.recogniser import Recogniser, Turns
from listener.watch.parts.recogniser_process import LoadEngine
from listener.watch.signals import Blindness
from listener.watch.state import Because, ChannelView, Choice, State, choose
from listener.watch.trace import Trace, unix_of

_PROOF_AGAIN_S = 30.0
_MOST_UNRESOLVED = 6
_SILENCE = ("digital_silence", "low_level", "looping")


@dataclass(frozen=True, slots=True)
class Change:
    """The state, or its reasons, have changed."""

    state: State
    reasons: tuple[Reason, ...]


class Channel:
    """Follows one channel. tick() about ten times a second.

    calls: what was called on it, and who knows. trace: its level strip and the words heard.
    """

    def __init__(
        self, number: int, settings: Settings, own: ChannelSettings, capture: CaptureSupervisor, column: int, load: LoadEngine,
        turns: Turns | None = None,
    ) -> None:  # fmt: skip
        self.number, self.name = number, own.name
        self.capture, self.column = capture, column
        self.recogniser = Recogniser(settings, load, number, column, turns)
        self.gaps = 0
        self.calls = Calls(bool(settings.watch.resolved_as))
        self.trace = Trace(settings.watch.health, column)
        self.state = State.BLIND
        self.blindness = Blindness(settings.watch.tone.blind_after_s)
        self._settings = settings
        self._generation = 0
        self._since: dict[str, Because] = {}
        self._state_since_unix_s = 0.0
        self._told: tuple[State, tuple[str, ...]] | None = None
        self._proof_due_s: float | None = None
        self.proof_unix_s = 0.0
        self._proof_told: object = None
        self._proved_restarts = -1

    # -- following ----------------------------------------------------------------------------------------

    def tick(self, now_s: float, unix_s: float, gaps: list[Gap]) -> tuple[list[Event], list[Gap]]:
        """gaps: those that the capture found. Gives new events (each call once) and all gaps."""
        ring = self.capture.ring
        if ring and self.capture.generation != self._generation:
            self._generation = self.capture.generation
            self.trace.use(ring)
            self.recogniser.use(ring, now_s)
        if self.trace.health and any(gap.after > gap.first for gap in gaps):
            self.trace.health.restart()
        events, words, unheard = self.recogniser.tick(now_s)
        self.trace.note(words, ring, unix_s)
        if ring:
            self.trace.measure(ring, unix_s)
        self._prove_in_time(now_s)
        gaps = gaps + unheard
        self.gaps += len(gaps)
        return self.calls.only_new(events), gaps

    def stop(self) -> list[Event]:
        """End the recogniser; gives the new events that it still held."""
        return self.calls.only_new(self.recogniser.stop())

    def unix_of(self, stream_s: float, unix_s: float) -> float:
        """When the sound at this stream time came in, given that it is unix_s now."""
        return unix_of(self.capture.ring, stream_s, unix_s)

    def delay_s(self, stream_s: float) -> float:
        """How long ago, by the sound that has come in since, this stream time was."""
        ring = self.capture.ring
        return 0.0 if ring is None else ring.written / ring.rate_hz - stream_s

    # -- proof ----------------------------------------------------------------------------------------------

    def _prove_in_time(self, now_s: float) -> None:
        if not self.recogniser.is_ready or not self.recogniser.can_prove:
            return
        anew = self.recogniser.restarts != self._proved_restarts
        if self._proof_due_s is None or now_s >= self._proof_due_s or anew:
            self._proved_restarts = self.recogniser.restarts
            passed = self.recogniser.proof is None or self.recogniser.proof.passed
            self._proof_due_s = now_s + (self._settings.watch.proof.every_min * 60 if passed else _PROOF_AGAIN_S)
            self.recogniser.prove(now_s)

    def new_proof(self, unix_s: float, now_s: float) -> tuple[bool, str, float | None] | None:
        """The result of a proof test that has just come in."""
        proof = self.recogniser.proof
        if proof is None or proof is self._proof_told:
            return None
        self._proof_told, self.proof_unix_s = proof, unix_s
        if not proof.passed:
            self._proof_due_s = now_s + _PROOF_AGAIN_S
        return proof.passed, proof.detail, proof.delay_s

    # -- the state ----------------------------------------------------------------------------------------------

    def reasons(self) -> list[Reason]:
        """Why this channel is blind, if it is."""
        found = self.capture.reasons() + self.recogniser.reasons()
        if self.trace.health and not self.capture.reasons():
            # A radio that says that its squelch is closed may be as silent as it likes.
            is_closed = self.capture.squelch_open is False
            found += [r for r in self.trace.health.reasons() if not (is_closed and r.code in _SILENCE)]
        if not found and self.recogniser.can_prove is not False and self.recogniser.proof is None:
            found.append(Reason("starting", "the first proof test is running"))
        if self.recogniser.proof and not self.recogniser.proof.passed:
            found.append(Reason("proof_failed", self.recogniser.proof.detail))
        return found

    def decide(self, now_s: float, unix_s: float, common: list[Reason]) -> Change | None:
        """Settle the state; gives the change if there was one. common: reasons that blind every channel."""
        reasons = tuple(self.reasons() + common)
        self.blindness.tick(now_s, tuple(r.code for r in reasons))
        before = self._since
        self._since = {
            r.code: Because(r.code, r.detail, before[r.code].since_unix_s if r.code in before else unix_s)
            for r in reasons
        }
        choice = Choice(reasons, self.calls.unacknowledged_since_s, self.calls.partly_since_s)
        watch = self._settings.watch
        self.state = choose(choice, now_s, watch.call_first_s, watch.partly_shown_s)
        told = (self.state, tuple(sorted({r.code for r in reasons})))
        if told == self._told:
            return None
        if self._told is None or self._told[0] != self.state:
            self._state_since_unix_s = unix_s
        self._told = told
        return Change(self.state, reasons)

    def view(self) -> ChannelView:
        """All that people see of the channel now, as an immutable value."""
        ring, health, recogniser = self.capture.ring, self.trace.health, self.recogniser
        meter = health.meter if health else None
        return ChannelView(
            number=self.number,
            name=self.name,
            device=" · ".join(filter(None, (self.capture.device_name, self.capture.line))),
            state=self.state,
            since_unix_s=self._state_since_unix_s,
            because=tuple(self._since.values()),
            level_dbov=meter.level_dbov if meter else FLOOR_DBOV,
            peak_dbov=meter.peak_dbov if meter else FLOOR_DBOV,
            noise_dbov=meter.noise_dbov if meter else FLOOR_DBOV,
            snr_db=meter.snr_db if meter else 0.0,
            words=tuple(self.trace.words)[-12:],
            last_alert=self.calls.last_alert,
            last_partly=self.calls.last_partly,
            unacknowledged=tuple(self.calls.unacknowledged.values()),
            unresolved=tuple(self.calls.unresolved.values())[-_MOST_UNRESOLVED:],
            unresolved_more=max(0, len(self.calls.unresolved) - _MOST_UNRESOLVED),
            engine=recogniser.engine,
            model=recogniser.model,
            behind_s=recogniser.behind_s,
            restarts=recogniser.restarts + self.capture.restarts,
            gaps=self.gaps,
            proof_passed=recogniser.proof.passed if recogniser.proof else None,
            proof_unix_s=self.proof_unix_s,
            proof_detail=recogniser.proof.detail if recogniser.proof else "",
            stream_s=ring.written / ring.rate_hz if ring else 0.0,
            pids={"capture": self.capture.pid, "recogniser": recogniser.pid},
            hearing=self._told is not None and not self._since,
            blind_seen_by=self.blindness.acknowledged_by,
        )

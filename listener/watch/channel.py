"""One channel of the station: its sound, its recogniser, its health, and the one state that results."""

from collections import deque
from dataclasses import dataclass, replace

from listener.events import Alert, Call, Event, Hit, PartlyHeard
from listener.settings import Settings
from listener.settings.watch import ChannelSettings
from listener.sound.meter import FLOOR_DBOV
from listener.sound.ring import Overwritten
from listener.watch.health import Reason, SoundHealth
from listener.watch.parts.capture import CaptureSupervisor, Gap
from listener.watch.parts.recogniser import Recogniser, Turns
from listener.watch.parts.recogniser_process import LoadEngine
from listener.watch.signals import Blindness
from listener.watch.state import Because, ChannelView, Choice, Shown, State, Strip, WordHeard, choose

_STRIP_S = 600.0
_STEP_S = 0.1
_SPEECH_DB = 6.0
_PROOF_AGAIN_S = 30.0
_SILENCE = ("digital_silence", "low_level", "looping")


@dataclass(frozen=True, slots=True)
class Change:
    """The state, or its reasons, have changed."""

    state: State
    reasons: tuple[Reason, ...]


class Channel:
    """Follows one channel. tick() about ten times a second."""

    def __init__(
        self, number: int, settings: Settings, own: ChannelSettings, capture: CaptureSupervisor, column: int, load: LoadEngine,
        turns: Turns | None = None,
    ) -> None:  # fmt: skip
        self.number, self.name = number, own.name
        self.capture, self.column = capture, column
        self.recogniser = Recogniser(settings, load, number, column, turns)
        self.gaps = 0
        self.strip: deque[Strip] = deque(maxlen=round(_STRIP_S / _STEP_S))
        self.words: deque[WordHeard] = deque(maxlen=200)
        self._last_word: Hit | None = None
        self.unacknowledged: dict[int, Shown] = {}
        self.last_alert: Shown | None = None
        self.last_partly: Shown | None = None
        self.state = State.BLIND
        self.blindness = Blindness(settings.watch.tone.blind_after_s)
        self._settings = settings
        self._generation = 0
        self._measured = 0
        self._health: SoundHealth | None = None
        self._since: dict[str, Because] = {}
        self._state_since_unix_s = 0.0
        self._told: tuple[State, tuple[str, ...]] | None = None
        self._call_shown_s = self._partly_shown_s = -1e9
        self._heard: deque[Call] = deque(maxlen=20)
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
            self._measured = 0
            self._health = SoundHealth(self._settings.watch.health, ring.rate_hz)
            self.recogniser.use(ring, now_s)
        if self._health and any(gap.after > gap.first for gap in gaps):
            self._health.restart()
        events, words, unheard = self.recogniser.tick(now_s)
        self._note_words(words, unix_s)
        self._measure(unix_s)
        self._prove_in_time(now_s)
        gaps = gaps + unheard
        self.gaps += len(gaps)
        return [event for event in events if self._is_new(event)], gaps

    def stop(self) -> list[Event]:
        """End the recogniser; gives the new events that it still held."""
        return [event for event in self.recogniser.stop() if self._is_new(event)]

    def unix_of(self, stream_s: float, unix_s: float) -> float:
        """When the sound at this stream time came in, given that it is unix_s now."""
        ring = self.capture.ring
        return unix_s if ring is None else unix_s - max(0.0, ring.written / ring.rate_hz - stream_s)

    def delay_s(self, stream_s: float) -> float:
        """How long ago, by the sound that has come in since, this stream time was."""
        ring = self.capture.ring
        return 0.0 if ring is None else ring.written / ring.rate_hz - stream_s

    def _measure(self, unix_s: float) -> None:
        ring, health = self.capture.ring, self._health
        if ring is None or health is None:
            return
        written, step = ring.written, round(_STEP_S * ring.rate_hz)
        if written - self._measured > 20 * step:  # the station was held up: the newest two seconds will do
            self._measured = written - 20 * step
        if ring.hole.first <= self._measured < ring.hole.after:
            self._measured = ring.hole.after
        while written - self._measured >= step:
            try:
                health.feed(ring.read(self.column, self._measured, self._measured + step))
            except Overwritten:
                self._measured = written - step
                continue
            self._measured += step
            meter = health.meter
            speech = meter.level_dbov > meter.noise_dbov + _SPEECH_DB
            at = self.unix_of(self._measured / ring.rate_hz, unix_s)
            self.strip.append(Strip(at, round(meter.level_dbov, 1), round(meter.peak_dbov, 1), speech))

    def _note_words(self, words: list[Hit], unix_s: float) -> None:
        """One entry a word, however often it is told again, with its best score."""
        for hit in words:
            at, before = self.unix_of(hit.end_s, unix_s), self._last_word
            if before and before.phrase == hit.phrase and hit.start_s < before.end_s and self.words:
                last = self.words[-1]
                self.words[-1] = replace(last, unix_s=max(last.unix_s, at), score=max(last.score, hit.score))
                hit = replace(hit, start_s=min(before.start_s, hit.start_s), end_s=max(before.end_s, hit.end_s))
            else:
                self.words.append(WordHeard(at, hit.phrase, hit.score))
            self._last_word = hit

    def _is_new(self, event: Event) -> bool:
        """A recogniser that was started anew hears some sound a second time."""
        if not isinstance(event, Alert | PartlyHeard):
            return True
        for old in self._heard:
            if old.kind == event.kind and old.phrase == event.phrase and _overlap(old, event):
                return False
        self._heard.append(event)
        return True

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

    # -- calls ------------------------------------------------------------------------------------------------

    def show(self, shown: Shown, now_s: float) -> None:
        """A call goes on the display."""
        if shown.kind == "alert":
            self.last_alert = self.unacknowledged[shown.id] = shown
            self._call_shown_s = now_s
        else:
            self.last_partly = shown
            self._partly_shown_s = now_s

    def acknowledge(self, alert_id: int, who: str) -> bool:
        """A person has seen it; gives whether it was one of ours and not yet acknowledged."""
        shown = self.unacknowledged.pop(alert_id, None)
        if shown is None:
            return False
        if self.last_alert and self.last_alert.id == alert_id:
            self.last_alert = replace(shown, acknowledged_by=who)
        return True

    # -- the state ----------------------------------------------------------------------------------------------

    def reasons(self) -> list[Reason]:
        """Why this channel is blind, if it is."""
        found = self.capture.reasons() + self.recogniser.reasons()
        if self._health and not self.capture.reasons():
            # A radio that says that its squelch is closed may be as silent as it likes.
            is_closed = self.capture.squelch_open is False
            found += [r for r in self._health.reasons() if not (is_closed and r.code in _SILENCE)]
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
        choice = Choice(
            reasons,
            self._call_shown_s if self.unacknowledged else None,
            self._partly_shown_s if self.last_partly else None,
        )
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
        ring, health, recogniser = self.capture.ring, self._health, self.recogniser
        meter = health.meter if health else None
        return ChannelView(
            number=self.number,
            name=self.name,
            device=self.capture.device_name,
            state=self.state,
            since_unix_s=self._state_since_unix_s,
            because=tuple(self._since.values()),
            level_dbov=meter.level_dbov if meter else FLOOR_DBOV,
            peak_dbov=meter.peak_dbov if meter else FLOOR_DBOV,
            noise_dbov=meter.noise_dbov if meter else FLOOR_DBOV,
            snr_db=meter.snr_db if meter else 0.0,
            words=tuple(self.words)[-12:],
            last_alert=self.last_alert,
            last_partly=self.last_partly,
            unacknowledged=tuple(self.unacknowledged.values()),
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


def _overlap(one: Call, two: Call) -> bool:
    return min(one.end_s, two.end_s) - max(one.start_s, two.start_s) > 0

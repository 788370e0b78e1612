"""One channel's recogniser process under supervision."""

import time

from listener.events import Event, Hit
from listener.settings import Settings
from listener.sound.ring import Ring
from listener.watch.health import Reason
from listener.watch.parts.capture import Gap
from listener.watch.parts.process import Child, Patience, Supervisor
from listener.watch.parts.recogniser_process import Failed, Job, LoadEngine, Ready, Recognised, Skipped, run_recogniser
from listener.watch.proof import ProofResult

REHEAR_S = 5.0
"""A recogniser that starts again hears this much of the sound before its end again, for the call in it."""
_LOADING_S = 60.0
_TURN_S = 30.0
_PROOF_S = 20.0
_CATCH_UP_S = 20.0  # one that was started anew gets this long to come up with the sound
_ALL_S = 0.8  # whoever uses this much of a processor and is behind is slow by itself


class Turns:
    """The first loading of recognisers, one after another: all at once, none would be ready in time.

    One that takes longer than _TURN_S keeps its place but no longer holds up the next one.
    """

    def __init__(self) -> None:
        self._waiting: list[Recogniser] = []
        self._loading: dict[Recogniser, float] = {}

    def take(self, who: "Recogniser", now_s: float) -> bool:
        """Whether this one may load now. First come, first served."""
        if who not in self._waiting:
            self._waiting.append(who)
        if self._waiting[0] is not who or any(now_s - since_s < _TURN_S for since_s in self._loading.values()):
            return False
        self._waiting.remove(who)
        self._loading[who] = now_s
        return True

    def done(self, who: "Recogniser") -> None:
        """It is ready, or it has failed."""
        self._loading.pop(who, None)


class Recogniser(Supervisor):
    """Keeps a recogniser at work on one column of a ring. tick() often, then read what it collected.

    events, words: what was heard since they were last taken.
    """

    def __init__(self, settings: Settings, load: LoadEngine, channel: int, column: int, turns: Turns | None = None) -> None:
        self.engine = self.model = ""
        self.restarts = 0
        self.can_prove: bool | None = None
        self.proof: ProofResult | None = None
        self._settings = settings
        self._load = load
        self._turns = turns or Turns()
        self._was_ready = False
        self._channel = channel
        self._column = column
        self._ring: Ring | None = None
        self._reason: Reason | None = Reason("starting", "the recogniser is being loaded")
        self._ready = False
        self._start_at_s = 0.0
        self._failures = 0
        self._proving_until_s: float | None = None
        self._next_memory_s = 0.0
        self._moving: Patience | None = None
        self._caught_up_s = self._cpu_s = 0.0

    @property
    def is_ready(self) -> bool:
        """Whether the engine is loaded and the process has begun to listen."""
        return self._ready

    @property
    def behind_s(self) -> float:
        """How far it is behind the sound."""
        if self._ring is None or not self._ready:
            return 0.0
        return max(0.0, self._ring.written - self._ring.heard(self._column)) / self._ring.rate_hz

    def reasons(self) -> list[Reason]:
        """Why nothing is recognised, if nothing is. Before there is sound at all that is not its fault."""
        if self._ring is None:
            return []
        if self._reason:
            return [self._reason]
        behind_s = self.behind_s
        if behind_s > self._settings.watch.health.behind_s:
            return [
                Reason("behind", f"the recogniser is {behind_s:.1f} s behind: the computer is too slow or too busy")
            ]
        return []

    def use(self, ring: Ring, now_s: float) -> None:
        """Hear this ring from its first frame on."""
        if self._child:
            self._child.kill()
        self._ring = ring
        self._child = None
        self._ready = False
        self._turns.done(self)
        self._start_at_s = now_s

    def prove(self, now_s: float) -> None:
        """Begin a proof test; its result comes with a later tick."""
        if self._child and self._ready and self._child.tell("prove"):
            self._proving_until_s = now_s + _PROOF_S

    def tick(self, now_s: float) -> tuple[list[Event], list[Hit], list[Gap]]:
        """Follow the process. Gives events and words as heard, and the sound that went unheard."""
        events: list[Event] = []
        words: list[Hit] = []
        gaps: list[Gap] = []
        if self._ring is None:
            return events, words, gaps
        if self._child is None:
            if now_s >= self._start_at_s and self._may_load(now_s):
                gaps += self._resume(now_s)
            return events, words, gaps
        for message in self._child.messages():
            match message:
                case Ready(engine, model, can_prove):
                    self.engine, self.model, self.can_prove = engine, model, can_prove
                case Recognised():
                    events += message.events
                    words += message.words
                case Skipped(first, after):
                    gaps.append(
                        Gap((after - first) / self._ring.rate_hz, first, after, "unheard: the recogniser was behind")
                    )
                case ProofResult():
                    self.proof, self._proving_until_s = message, None
                case Failed(reason):
                    self._end(Reason("worker_dead", f"the recogniser cannot work: {reason}"), now_s)
                    return events, words, gaps
        self._supervise(now_s)
        return events, words, gaps

    def stop(self, wait_s: float = 1.0) -> list[Event]:
        """End it in order; gives the events that it still held back."""
        if not self._child:
            return []
        self._child.tell("stop")
        events: list[Event] = []
        ends_s = time.monotonic() + wait_s
        while self._child.alive and time.monotonic() < ends_s:
            for message in self._child.messages():
                if isinstance(message, Recognised):
                    events += message.events
            time.sleep(0.02)
        self._child.kill()
        self._child = None
        return events

    # -- supervision ------------------------------------------------------------------------------------

    def _supervise(self, now_s: float) -> None:
        assert self._child and self._ring
        limits = self._settings.watch.supervision
        beat_ns = self._ring.heartbeat_ns(self._column)
        if not self._child.alive:
            return self._end(Reason("worker_dead", f"the recogniser process {self._child.ended}"), now_s)
        if beat_ns < self._started_ns:
            if not self._was_ready:
                self._reason = Reason("starting", f"the recogniser is being loaded ({now_s - self._started_s:.0f} s)")
            if self._loading.is_over(now_s):
                self._end(Reason("stalled", "the recogniser does not start"), now_s)
            return None
        silent_s = (time.monotonic_ns() - beat_ns) * 1e-9
        if silent_s >= limits.heartbeat_s:
            self._reason = Reason("stalled", f"the recogniser has not moved for {silent_s:.1f} s")
            if self._moving is None:
                self._moving = Patience(self._child, 2 * limits.heartbeat_s, now_s)
            elif self._moving.is_over(now_s):
                self._end(self._reason, now_s)
            return None
        self._moving = None
        self._ready, self._reason = True, None
        self._was_ready = True
        self._turns.done(self)
        if now_s - self._started_s > 10:
            self._failures = 0
        if self.behind_s > limits.backlog_s and now_s - self._caught_up_s > _CATCH_UP_S:
            cpu_s, self._cpu_s = self._cpu_s, self._child.cpu_s()
            if self._cpu_s - cpu_s > _ALL_S * (now_s - self._caught_up_s):
                return self._end(Reason("behind", "the recogniser is too slow for this computer"), now_s)
            self._caught_up_s = now_s  # the computer is too busy: to load anew would make it busier
            self._child.tell("catch up")
        if now_s >= self._next_memory_s:
            self._next_memory_s = now_s + 1.0
            used_mb = self._child.memory_bytes() / 1e6
            if used_mb > limits.memory_mb:
                return self._end(Reason("leaking", f"the recogniser took {used_mb:.0f} MB of memory"), now_s)
        if self._proving_until_s is not None and now_s > self._proving_until_s:
            self._proving_until_s = None
            self.proof = ProofResult(False, f"the recogniser did not finish the test within {_PROOF_S:.0f} s")
        return None

    def _may_load(self, now_s: float) -> bool:
        """One that has worked before starts again at once; the first time they load in turn."""
        if self._was_ready or self._turns.take(self, now_s):
            return True
        if self._failures == 0:
            self._reason = Reason("starting", "waits for its turn: recognisers are loaded one after another")
        return False

    def _start(self, first: int, now_s: float) -> None:
        assert self._ring
        job = Job(self._settings, self._load, self._channel, self._ring.name, self._column, first)
        self._ready = False
        self._proving_until_s = None
        self._started_s, self._started_ns = now_s, time.monotonic_ns()
        self._child = Child(f"recogniser {self._channel}", run_recogniser, job)
        self._loading = Patience(self._child, _LOADING_S, now_s)
        self._moving = None
        self._caught_up_s, self._cpu_s = now_s, 0.0

    def _end(self, reason: Reason, now_s: float) -> None:
        assert self._child
        self._child.kill()
        self._child = None
        self._turns.done(self)
        self._reason = reason
        self._ready = False
        self._start_at_s = now_s + (0.0, 0.0, 0.5, 2.0, 5.0)[min(self._failures, 4)]
        self._failures += 1
        self.restarts += 1

    def _resume(self, now_s: float) -> list[Gap]:
        """Start again a little before the place that was reached; what is too long ago is a gap."""
        assert self._ring
        rate_hz = self._ring.rate_hz
        reached = self._ring.heard(self._column)
        oldest = max(
            self._ring.oldest, self._ring.written - round(self._settings.watch.supervision.backlog_s * rate_hz)
        )
        self._start(max(0, reached - round(REHEAR_S * rate_hz), oldest), now_s)
        if reached >= oldest:
            return []
        why = "started anew" if self._was_ready else "still being loaded"
        return [Gap((oldest - reached) / rate_hz, reached, oldest, f"unheard: the recogniser was {why}")]

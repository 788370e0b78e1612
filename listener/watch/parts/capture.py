"""One source of sound under supervision: its process and its ring, whatever happens to them."""

import time
from dataclasses import dataclass, replace
from multiprocessing.connection import Connection

from listener.settings.watch import SupervisionSettings
from listener.sound.capture import Source as Card
from listener.sound.inputs import Identity
from listener.sound.ring import Hole, Ring
from listener.sound.source import LineState, Lost, Opened, Source, Transmission, Unheard
from listener.watch.health import Reason
from listener.watch.parts.process import Child, Patience, Supervisor

_WAITS_S = (0.2, 0.5, 1.0, 2.0)
_OPENING_S = 10.0
_FIRST_FRAMES_S = 8.0
_TELLS_S = 2.0  # a source that tells how it is does so four times a second


@dataclass(frozen=True, slots=True)
class Gap:
    """Sound that is missing: seconds, in frames [first, after) if they are known."""

    seconds: float
    first: int
    after: int
    why: str


def run_source(link: Connection, source: Source, ring_name: str | None) -> None:
    """The body of a capture process, whatever kind the source is."""
    source.run(link, ring_name)


def source_name(capture: "CaptureSupervisor") -> str:
    """What a capture listens to, by a name that is the same after a restart; the device's own where nothing tells."""
    return capture.connected.name if capture.connected else capture.device_name


class CaptureSupervisor(Supervisor):
    """Keeps a source open. tick() often; ring is None until it was opened for the first time.

    generation counts the rings: a device that comes back with another rate gets a new one. connected: what the sound
    really comes from, None where nothing tells; it stays the same for good, and nothing else is listened to.
    line: what the source says of itself, for people. squelch_open: what its radio says, None if nothing.
    """

    def __init__(self, source: Source, settings: SupervisionSettings, now_s: float) -> None:
        self.source = source
        self.ring: Ring | None = None
        self.generation = 0
        self.device_name = source.title
        self.connected: Identity | None = None
        self._news: list[Identity] = []
        self.restarts = 0
        self._settings = settings
        self._reason: Reason | None = Reason("starting", f"{source.title} is being opened")
        self._overflows = 0
        self._counted = (0, 0.0)
        self._failures = 0
        self.line = ""
        self.squelch_open: bool | None = None
        self._transmissions: list[Transmission] = []
        self._told: tuple[Reason, ...] = ()  # by the source
        self._told_s = 0.0
        self._start(now_s)

    def reasons(self) -> list[Reason]:
        """Why no sound comes, if none does."""
        return [self._reason] if self._reason else list(self._told)

    def tick(self, now_s: float) -> list[Gap]:
        """Follow the process; gives the gaps that became known."""
        gaps: list[Gap] = []
        if self._child is None:
            if now_s >= self._start_at_s:
                self._start(now_s)
            return gaps
        for message in self._child.messages():
            match message:
                case Opened():
                    gaps += self._opened(message)
                    self._told_s = now_s
                case LineState(reasons, line, squelch_open):
                    self._told = tuple(Reason(code, detail) for code, detail in reasons)
                    self.line, self.squelch_open, self._told_s = line, squelch_open, now_s
                    self._reason, self._failures = None, 0
                case Unheard(first, after, seconds, why):
                    gaps.append(Gap(seconds, first, after, why))
                case Transmission():
                    self._transmissions.append(message)
                case Lost(reason, code):
                    self._reason = Reason(code, reason)
                    self._end(now_s)
                    return gaps
        if not self._child.alive:
            self._reason = Reason("device_gone", f"the capture process of {self.source.title} {self._child.ended}")
            self._end(now_s)
            return gaps
        self._watch_frames(now_s)
        return gaps + self._overflow(now_s)

    def newly_connected(self) -> list[Identity]:
        """What it was opened on since this was last asked, for the journal."""
        news, self._news = self._news, []
        return news

    def new_transmissions(self) -> list[Transmission]:
        """What the radio said of transmissions since this was last asked."""
        news, self._transmissions = self._transmissions, []
        return news

    def stop(self) -> None:
        """End the capture process, within a second, and free the ring."""
        if self._child:
            self._child.stop(1.0)
            self._child = None
        if self.ring:
            self.ring.free()

    def _start(self, now_s: float) -> None:
        self._child = Child(
            f"capture of {self.source.title}", run_source, self.source, self.ring.name if self.ring else None
        )
        self._opening = Patience(self._child, _OPENING_S, now_s)
        self._start_at_s = 0.0
        self._opened_ns = 0

    def _end(self, now_s: float) -> None:
        assert self._child
        self._child.kill()
        self._child, self._told, self.squelch_open = None, (), None
        self._start_at_s = now_s + _WAITS_S[min(self._failures, len(_WAITS_S) - 1)]
        self._failures += 1
        self.restarts += 1

    def _opened(self, opened: Opened) -> list[Gap]:
        self.device_name = opened.device_name
        if opened.identity and isinstance(self.source, Card) and not self.source.before:
            self.source = replace(self.source, before=opened.identity)
        self.connected = opened.identity
        if opened.identity:
            self._news.append(opened.identity)
        self._opened_ns = time.monotonic_ns()
        if self.ring and self.ring.name == opened.ring_name:
            hole: Hole = self.ring.hole
            if hole.after != self.ring.written and hole.after == hole.first:
                return []
            return [Gap((hole.after - hole.first) / self.ring.rate_hz, hole.first, hole.after, "the device was gone")]
        if self.ring:
            self.ring.free()
        self.ring = Ring.attach(opened.ring_name)
        self.generation += 1
        self._overflows = 0
        return []

    def _watch_frames(self, now_s: float) -> None:
        assert self._child
        if not self._opened_ns:
            if self._opening.is_over(now_s):
                self._reason = Reason("device_gone", f"{self.source.title} does not open")
                self._end(now_s)
            return
        if self.source.tells_itself:
            self._watch_what_it_tells(now_s)
            return
        came_ns = max(self.ring.written_ns if self.ring else 0, self._opened_ns)
        silent_s = (time.monotonic_ns() - came_ns) * 1e-9
        if self.ring and self.ring.written_ns > self._opened_ns and silent_s < self._settings.no_frames_s:
            self._reason, self._failures = None, 0
        elif silent_s >= self._settings.no_frames_s:
            self._reason = Reason("no_frames", f"{self.device_name} is open but gives no sound")
            # The first sound of a sound server's source may take seconds.
            patience_s = _FIRST_FRAMES_S if came_ns == self._opened_ns else 3 * self._settings.no_frames_s
            if silent_s >= patience_s and not self.source.ends:
                self._end(now_s)

    def _watch_what_it_tells(self, now_s: float) -> None:
        if now_s - self._told_s >= _TELLS_S:
            self._reason = Reason("device_gone", f"the process that listens to {self.source.title} stands still")
            self._end(now_s)

    def _overflow(self, now_s: float) -> list[Gap]:
        """The sound system dropped sound: how much is estimated from the clock."""
        if not self.ring:
            return []
        written, overflows = self.ring.written, self.ring.overflows
        before, then_s = self._counted
        self._counted = (written, now_s)
        if overflows == self._overflows:
            return []
        self._overflows = overflows
        missing_s = max(0.0, (now_s - then_s) - (written - before) / self.ring.rate_hz)
        return [Gap(missing_s, written, written, "dropped by the sound system (length estimated)")]

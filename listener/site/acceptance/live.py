"""The line as it is now: the watch's own capture, the Monitor in this process, and what came of it since last asked."""

import time
from collections import Counter
from dataclasses import dataclass

from listener.settings import Settings
from listener.settings.watch import ChannelSettings
from listener.site.acceptance.hearing import Hearing
from listener.site.acceptance.session import Told
from listener.sound.ring import Overwritten, Ring
from listener.speech.spotter import Engine
from listener.watch.health import Reason, SoundHealth
from listener.watch.parts.capture import CaptureSupervisor, source_name
from listener.watch.parts.sources import sources_of

STEP_S = 0.1
_KEEP_S = 120.0
_IDLE_S = 0.03


@dataclass(frozen=True, slots=True)
class Taken:
    """What came of a stretch of the line: seconds heard and blind, alerts by sensitivity, partly heard calls, levels."""

    seconds: float
    blind_s: float
    alerts: dict[str, list[Told]]
    partly: list[Told]
    frames: dict[int, int]


class LiveLine:
    """Follows one channel. tick() often. reasons: why it cannot be heard now, as the watch would say; empty when it can.

    now_s: seconds of the stream up to which was heard. Times of alerts are of this stream, which begins with each run.
    speed: of a file that is played in place of a radio.
    """

    def __init__(self, settings: Settings, channel: ChannelSettings, engine: Engine, speed: float = 1.0) -> None:
        self._settings, self._engine = settings, engine
        watch = settings.watch.model_copy(update={"channels": (channel,)})
        ((source, _),) = sources_of(watch, speed, 0)
        self._capture = CaptureSupervisor(source, watch.supervision, time.monotonic())
        self._generation = 0
        self._hearing: Hearing | None = None
        self._offset_s = 0.0  # of this ring's stream, after those before it
        self._at = 0
        self._ticked_s = time.monotonic()
        self._fresh: dict[str, list[Told]] = {}
        self._partly: list[Told] = []
        self._taken: dict[str, int] = {}
        self._frames: Counter[int] = Counter()
        self._seconds = self._blind_s = 0.0

    @property
    def source(self) -> str:
        """What it is really connected to, as far as that is known."""
        return source_name(self._capture)

    @property
    def is_open(self) -> bool:
        """Sound comes in, or came."""
        return self._hearing is not None

    @property
    def now_s(self) -> float:
        """Stream time up to which was heard."""
        return self._offset_s + (self._hearing.now_s if self._hearing else 0.0)

    def reasons(self) -> list[Reason]:
        """Why it cannot be heard."""
        return [*self._capture.reasons(), *(self._health.reasons() if self._hearing else [])]

    def tick(self) -> None:
        """Hear what has come in; waits a moment when nothing has."""
        now_s = time.monotonic()
        passed_s, self._ticked_s = now_s - self._ticked_s, now_s
        self._capture.tick(now_s)
        ring = self._capture.ring
        if ring is not None and self._generation != self._capture.generation:
            self._begin(ring)
        heard_s = self._hear(ring) if ring else 0.0
        if self.reasons():
            self._blind_s += max(passed_s, heard_s)
        else:
            self._seconds += heard_s
        if not heard_s:
            time.sleep(_IDLE_S)

    def level(self, start_s: float, end_s: float, share: float) -> float | None:
        """See Hearing.level_at; of the last two minutes."""
        off = self._offset_s
        return self._hearing.level_at(start_s - off, end_s - off, share) if self._hearing else None

    def new_alerts(self, name: str) -> list[Told]:
        """Alerts of a sensitivity since they were last asked for here; they stay for take()."""
        seen = self._taken.get(name, 0)
        fresh = self._fresh.get(name, [])[seen:]
        self._taken[name] = seen + len(fresh)
        return fresh

    def take(self) -> Taken:
        """All since the last time."""
        taken = Taken(
            round(self._seconds, 3), round(self._blind_s, 3), self._fresh, self._partly, dict(sorted(self._frames.items()))
        )
        self._fresh, self._partly, self._taken, self._frames = {}, [], {}, Counter()
        self._seconds = self._blind_s = 0.0
        return taken

    def stop(self) -> None:
        """End the capture."""
        self._capture.stop()

    def _begin(self, ring: Ring) -> None:
        self._offset_s = self.now_s
        self._generation = self._capture.generation
        self._hearing = Hearing(self._settings, ring.rate_hz, self._engine, _KEEP_S)
        self._health = SoundHealth(self._settings.watch.health, ring.rate_hz)
        self._at = 0

    def _hear(self, ring: Ring) -> float:
        """Half a second at most; gives how much."""
        assert self._hearing
        step, heard = round(STEP_S * ring.rate_hz), 0
        hole = ring.hole
        if hole.first <= self._at < hole.after:
            self._at = hole.after
            self._health.restart()
        while heard < 5 * step and ring.written - self._at >= step:
            try:
                samples = ring.read(0, self._at, self._at + step)
            except Overwritten as error:
                self._at = error.first
                continue
            self._hearing.feed(samples, self._at)
            self._health.feed(samples)
            self._at += step
            heard += step
        self._collect(ring)
        return heard / ring.rate_hz

    def _collect(self, ring: Ring) -> None:
        assert self._hearing
        late_s = round(max(0.0, ring.written / ring.rate_hz - self._hearing.now_s), 3)
        for name, told in self._hearing.told.items():
            self._fresh.setdefault(name, []).extend(self._moved(one, late_s) for one in told)
            told.clear()
        self._partly += [self._moved(one, late_s) for one in self._hearing.partly]
        self._hearing.partly.clear()
        self._frames.update(self._hearing.frames)
        self._hearing.frames.clear()

    def _moved(self, told: Told, late_s: float) -> Told:
        off = self._offset_s
        times = {"start_s": told.start_s + off, "end_s": told.end_s + off, "raised_s": told.raised_s + off}
        return told.model_copy(update={**{k: round(v, 3) for k, v in times.items()}, "late_s": late_s})

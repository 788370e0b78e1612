"""One line as an acceptance hears it: the Monitor of the watch, and its words judged at every sensitivity beside it."""

from collections import Counter, deque

import numpy as np
from numpy.typing import NDArray

from listener.call.rule import CallRule
from listener.events import Alert, Block, Event, Fault, Hit, PartlyHeard
from listener.monitor import Monitor
from listener.settings import Settings
from listener.site.acceptance.session import Told
from listener.sound.meter import FLOOR_DBOV, FRAME_S, Meter
from listener.speech.spotter import Engine

AS_SET = "as set"
"""The name of an alert_level that the settings give, beside the three sensitivities."""


def alert_levels(settings: Settings, engine: Engine) -> dict[str, float]:
    """Joint score of an alert at each sensitivity, and at the settings' own alert_level if they give one."""
    own = {} if settings.alert_level is None else {AS_SET: settings.alert_level}
    return {**engine.calibration.alert_levels, **own}


def in_force(settings: Settings) -> str:
    """Which of them the watch uses."""
    return settings.sensitivity if settings.alert_level is None else AS_SET


class Hearing:
    """Hears one channel at rate_hz. told: the alerts of each sensitivity so far, in order; those of the one in force are
    the Monitor's own. partly: where all words but one were heard. faults: what the Monitor complained of.

    keep_s: how long frame levels are kept for `level_at`; without it, all.
    """

    def __init__(self, settings: Settings, rate_hz: int, engine: Engine, keep_s: float | None = None) -> None:
        self.told: dict[str, list[Told]] = {name: [] for name in alert_levels(settings, engine)}
        self.partly: list[Told] = []
        self.faults: list[str] = []
        self.frames: Counter[int] = Counter()
        self._rules = {
            name: CallRule(
                settings.model_copy(update={"alert_level": level}), engine.calibration, 0, engine.name, engine.talk
            )
            for name, level in alert_levels(settings, engine).items()
        }
        self.monitor = Monitor(settings, rate_hz, 0, engine, on_hits=self._judge)
        self._meter = Meter(rate_hz)
        self._frame_s = max(1, round(rate_hz * FRAME_S)) / rate_hz
        self._levels: deque[float] = deque(maxlen=None if keep_s is None else round(keep_s / self._frame_s))
        self._first_frame_s = 0.0
        self._rate_hz = rate_hz

    @property
    def now_s(self) -> float:
        """Stream time up to which the sound has been heard."""
        return self.monitor.now_s

    def feed(self, samples: NDArray[np.float32], first_sample: int) -> list[Event]:
        """The next samples, float32, shape (n,); gives the Monitor's events. See Monitor.feed for gaps."""
        gap = first_sample - round(self.monitor.now_s * self._rate_hz)
        if gap > self._rate_hz // 50:  # levels go on behind it, as frames without sound
            self._levels.extend([FLOOR_DBOV] * round(gap / self._rate_hz / self._frame_s))
        events = self.monitor.feed(Block(samples, first_sample, self._rate_hz))
        levels = self._meter.feed(samples).tolist()
        self._levels.extend(levels)
        self.frames.update(int(np.floor(level)) for level in levels)
        return self._took(events)

    def finish(self) -> list[Event]:
        """No sound follows."""
        return self._took(self.monitor.finish())

    def level_at(self, start_s: float, end_s: float, share: float) -> float | None:
        """The level that this share of the stretch's frames does not exceed, in dBov; None where nothing is kept."""
        end = round(self.now_s / self._frame_s)
        first = end - len(self._levels)
        kept = list(self._levels)[max(0, round(start_s / self._frame_s) - first) : max(0, round(end_s / self._frame_s) - first)]
        sounding = [level for level in kept if level > FLOOR_DBOV]
        return round(float(np.quantile(sounding, share)), 1) if sounding else None

    def _judge(self, now_s: float, hits: list[Hit]) -> None:
        """As in the Monitor, whose own rule hears the same words at the same time."""
        for name, rule in self._rules.items():
            self.told[name] += [told(event) for event in rule.hear(hits, now_s) if isinstance(event, Alert)]

    def _took(self, events: list[Event]) -> list[Event]:
        for event in events:
            if isinstance(event, PartlyHeard):
                self.partly.append(told(event))
            elif isinstance(event, Fault):
                self.faults.append(f"{event.raised_s:.1f} s: {event.detail}")
        return events


def told(call: Alert | PartlyHeard) -> Told:
    """The call as a line of a session keeps it, to the millisecond."""
    times = {name: round(getattr(call, name), 3) for name in ("start_s", "end_s", "raised_s")}
    return Told(phrase=call.phrase, confidence=round(call.confidence, 4), **times)

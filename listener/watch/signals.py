"""What is meant to sound now: the alert tone for calls, the softer blind signal for channels that cannot hear.

Plain decisions on monotonic seconds; watch/parts/tone.py makes them heard. Both are repeated until a person
acknowledges or all is well, but only so often in an hour: a sound that never ends is switched off by people.
"""

from collections import deque
from collections.abc import Hashable
from typing import Literal

from listener.settings.watch import ToneSettings

Signal = Literal["alert", "blind"]

BLIND_FOR_S = 2.0
_OVER_S = 3.0  # a channel that hears for this long is well again; blindness after that is a new one
_HOUR_S = 3600.0


class Blindness:
    """The blindness of one channel: when it began, and whether somebody has acknowledged it.

    after_s: what is shorter asks for no signal. count: how many there have been, so that each has a name.
    """

    def __init__(self, after_s: float) -> None:
        self.count = 0
        self.acknowledged_by = ""
        self._after_s = after_s
        self._since_s: float | None = None
        self._well_s: float | None = None
        self._now_s = 0.0

    @property
    def is_on(self) -> bool:
        """The channel is blind, or was until a moment ago."""
        return self._since_s is not None

    @property
    def wants_signal(self) -> bool:
        """Blind now, for long enough, and nobody has acknowledged."""
        if self._since_s is None or self._well_s is not None or self.acknowledged_by:
            return False
        return self._now_s - self._since_s >= self._after_s

    def tick(self, now_s: float, codes: tuple[str, ...]) -> None:
        """codes: of the reasons why it is blind now. A start that goes on as it should is not blindness."""
        self._now_s = now_s
        if codes and (self._since_s is not None or set(codes) != {"starting"}):
            if self._since_s is None:
                self._since_s = now_s
                self.count += 1
            self._well_s = None
        elif not codes and self._since_s is not None:
            self._well_s = now_s if self._well_s is None else self._well_s
            if now_s - self._well_s >= _OVER_S:
                self._since_s, self._well_s, self.acknowledged_by = None, None, ""

    def acknowledge(self, who: str) -> bool:
        """Somebody knows; gives False if it is not blind or was acknowledged before."""
        if not self.is_on or self.acknowledged_by:
            return False
        self.acknowledged_by = who
        return True


class Signals:
    """Decides from tick to tick what sounds. held_back: told once, by the tick at which an hour's limit is reached."""

    def __init__(self, settings: ToneSettings) -> None:
        self.held_back = ""
        self._settings = settings
        self._sounding: Signal | None = None
        self._blind_told: frozenset[Hashable] = frozenset()
        self._ends_s = 0.0
        self._next_s: dict[Signal, float] = {"alert": 0.0, "blind": 0.0}
        self._sounded_s: dict[Signal, deque[float]] = {"alert": deque(), "blind": deque()}
        self._limited: dict[Signal, bool] = {"alert": False, "blind": False}
        self._known: dict[Signal, frozenset[Hashable]] = {"alert": frozenset(), "blind": frozenset()}

    def tick(self, now_s: float, calls: frozenset[Hashable], blind: frozenset[Hashable]) -> Signal | None:
        """calls, blind: names of the calls and blindnesses that nobody has acknowledged. Gives what sounds now."""
        self.held_back = ""
        if not self._settings.enabled:
            return None
        new_call = calls - self._known["alert"]
        self._blind_told &= blind  # one that began under an alert sounds after it
        self._known = {"alert": calls, "blind": blind}
        if self._sounding and (now_s >= self._ends_s or not self._known[self._sounding]):
            self._sounding = None
        if new_call:
            self._begin("alert", now_s, self._settings.for_s, self._settings.again_s)
        if self._sounding:
            return self._sounding
        if calls and now_s >= self._next_s["alert"] and self._may("alert", now_s, self._settings.most_per_hour):
            self._begin("alert", now_s, self._settings.for_s, self._settings.again_s)
        elif self._is_blind_due(now_s, blind) and self._may("blind", now_s, self._settings.blind_most_per_hour):
            self._begin("blind", now_s, BLIND_FOR_S, self._settings.blind_again_s)
            self._blind_told = blind
        return self._sounding

    def _is_blind_due(self, now_s: float, blind: frozenset[Hashable]) -> bool:
        """A new blindness is told at once, an old one again and again."""
        return self._settings.blind and bool(blind) and (bool(blind - self._blind_told) or now_s >= self._next_s["blind"])

    def _begin(self, signal: Signal, now_s: float, for_s: float, again_s: float) -> None:
        self._sounding, self._ends_s = signal, now_s + for_s
        self._next_s[signal] = self._ends_s + again_s
        self._sounded_s[signal].append(now_s)

    def _may(self, signal: Signal, now_s: float, most: int) -> bool:
        sounded_s = self._sounded_s[signal]
        while sounded_s and now_s - sounded_s[0] >= _HOUR_S:
            sounded_s.popleft()
        limited = len(sounded_s) >= most
        if limited and not self._limited[signal]:
            self.held_back = f"the {signal} signal has sounded {len(sounded_s)} times in an hour; the display still shows it"
        self._limited[signal] = limited
        return not limited

"""Two clocks: the steady one that runs the station, and the wall clock that people read."""

import time
from typing import Protocol


class Clock(Protocol):
    """Tests put another in its place."""

    def monotonic(self) -> float:
        """Seconds of the steady clock: never steps, zero has no meaning."""

    def unix(self) -> float:
        """Seconds since 1970 UTC by the wall clock, which may step."""


class SystemClock:
    """The computer's own."""

    def monotonic(self) -> float:
        """time.monotonic()."""
        return time.monotonic()

    def unix(self) -> float:
        """time.time()."""
        return time.time()


class JumpWatch:
    """Notices when the wall clock steps against the steady one, and stays worried for hold_s."""

    def __init__(self, limit_s: float, hold_s: float = 5.0) -> None:
        self._limit_s = limit_s
        self._hold_s = hold_s
        self._offset_s: float | None = None
        self._until_s = 0.0
        self.step_s = 0.0

    def tick(self, now_s: float, unix_s: float) -> bool:
        """Gives True at the moment a step was noticed; step_s then says how large (+: forwards)."""
        offset_s = unix_s - now_s
        before, self._offset_s = self._offset_s, offset_s
        if before is None or abs(offset_s - before) <= self._limit_s:
            return False
        self.step_s = offset_s - before
        self._until_s = now_s + self._hold_s
        return True

    def is_worried(self, now_s: float) -> bool:
        """Whether the wall clock stepped within the last hold_s; now_s is of the steady clock."""
        return now_s < self._until_s

"""What was counted on a line: sound heard and lost, and packets that were none of its."""

from collections import deque

_STEP_S = 0.1
_KEPT = 110  # eleven seconds
_HINT_S = 3.0


class Tally:
    """Counts in steps of a tenth of a second, eleven seconds of them."""

    def __init__(self, now_s: float) -> None:
        self.bad = self.changes = 0
        self.other_ssrc: int | None = None
        self._refused: tuple[str, float] | None = None
        self._steps: deque[tuple[float, int, int]] = deque(maxlen=_KEPT)
        self._untold: list[int] = []  # lost frames, first, after
        self._told_s = now_s

    def refuse(self, host: str, now_s: float) -> None:
        """A datagram came from an address that is not listened to."""
        self._refused = (host, now_s)

    def heard(self, frames: int, now_s: float) -> None:
        """Sound came in."""
        self._add(now_s, frames, 0)

    def lost(self, first: int, frames: int, now_s: float) -> None:
        """Sound at this frame was lost."""
        self._add(now_s, 0, frames)
        if self._untold:
            self._untold = [self._untold[0] + frames, self._untold[1], first + frames]
        else:
            self._untold = [frames, first, first + frames]

    def loss_percent(self, now_s: float, over_s: float) -> float:
        """How much of the sound of the last so many seconds was lost."""
        heard = lost = 0
        for at_s, one, other in self._steps:
            if now_s - at_s < over_s:
                heard, lost = heard + one, lost + other
        return 100.0 * lost / (heard + lost) if lost else 0.0

    def loss_told(self, now_s: float, every_s: float) -> tuple[int, float, int, int] | None:
        """Once in so many seconds, if anything was lost in them: frames, per cent, and first and last place."""
        if now_s - self._told_s < every_s:
            return None
        self._told_s = now_s
        if not self._untold:
            return None
        (frames, first, after), self._untold = self._untold, []
        return frames, self.loss_percent(now_s, every_s), first, after

    def hint(self, now_s: float, wanted_ssrc: int | None) -> str:
        """Why that may be, for people: what came instead."""
        if self._refused and now_s - self._refused[1] < _HINT_S:
            return f" from the allowed sources; packets come from {self._refused[0]}"
        if wanted_ssrc is not None and self.other_ssrc is not None:
            return f" as {wanted_ssrc:#010x}; {self.other_ssrc:#010x} does"
        return "; what comes is no RTP" if self.bad else ""

    def _add(self, now_s: float, heard: int, lost: int) -> None:
        if self._steps and now_s - self._steps[-1][0] < _STEP_S:
            at_s, one, other = self._steps[-1]
            self._steps[-1] = (at_s, one + heard, other + lost)
        else:
            self._steps.append((now_s, heard, lost))

"""How far the sender's clock runs from ours: parts per million, out of when packets come in.

A packet is late by what the network adds and never early. So of each stretch of ten seconds only the packet that was
on its way for the shortest time counts, and the drift is the slope through those (least squares).
"""

from collections import deque

import numpy as np

_STRETCH_S = 10.0
_KEPT = 30  # stretches: five minutes
_LEAST = 4


class Drift:
    """Feed arrived() with every packet; ppm is None until 40 s have come."""

    def __init__(self) -> None:
        self._done: deque[tuple[float, float]] = deque(maxlen=_KEPT)
        self._stretch_s: float | None = None
        self._best = (0.0, 0.0)

    def arrived(self, arrival_s: float, stamp_s: float) -> None:
        """A packet that bears stamp_s by the sender's clock came in at arrival_s by ours."""
        delay_s = arrival_s - stamp_s
        if self._stretch_s is None or arrival_s - self._stretch_s >= _STRETCH_S:
            if self._stretch_s is not None:
                self._done.append(self._best)
            self._stretch_s, self._best = arrival_s, (arrival_s, delay_s)
        elif delay_s < self._best[1]:
            self._best = (arrival_s, delay_s)

    @property
    def ppm(self) -> float | None:
        """Positive when the sender's clock runs fast against ours."""
        if len(self._done) < _LEAST:
            return None
        at, delay = np.array(self._done).T
        return float(-1e6 * np.polyfit(at - at.mean(), delay - delay.mean(), 1)[0])

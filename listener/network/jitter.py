"""The jitter buffer: packets in the order in which they were sent, or the news that one is missing.

What comes in order goes on at once: nobody listens at the other end of the ring who would hear it stutter. Only a
packet that is missing is waited for, `depth_s` long from when the one behind it came. So the buffer adds no delay to a
good network, and at most depth_s to a bad one.
"""

from collections import deque
from dataclasses import dataclass

from listener.network.rtp import Packet

DEPTH_S = 0.060
_MOST_PACKETS = 64


@dataclass(frozen=True, slots=True)
class Missing:
    """Packets that did not come in time: sequence numbers [first, after), unwrapped."""

    first: int
    after: int


class JitterBuffer:
    """Feed put(), then take ready() as often as you like. Numbers are unwrapped sequence numbers.

    late: how many came after they had been given up; duplicates: how many came a second time.
    """

    def __init__(self, depth_s: float = DEPTH_S) -> None:
        self.depth_s = depth_s
        self.duplicates = self.late = 0
        self._given_up: deque[int] = deque(maxlen=_MOST_PACKETS)
        self._next: int | None = None
        self._held: dict[int, tuple[float, Packet]] = {}

    def put(self, number: int, packet: Packet, arrival_s: float) -> bool:
        """A packet has come; gives whether it is of use (not too late, not a second time)."""
        if self._next is None:
            self._next = number
        if number < self._next and number in self._given_up:
            self._given_up.remove(number)
            self.late += 1
            return False
        if number < self._next or number in self._held:
            self.duplicates += 1
            return False
        self._held[number] = (arrival_s, packet)
        return True

    def ready(self, now_s: float) -> list[Packet | Missing]:
        """What can go on now, in order."""
        out: list[Packet | Missing] = []
        while self._held:
            assert self._next is not None
            if self._next in self._held:
                out.append(self._held.pop(self._next)[1])
                self._next += 1
                continue
            first = min(self._held)
            waited_s = now_s - min(arrival_s for arrival_s, _ in self._held.values())
            if waited_s < self.depth_s and len(self._held) < _MOST_PACKETS:
                break
            out.append(Missing(self._next, first))
            self._given_up.extend(range(max(self._next, first - _MOST_PACKETS), first))
            self._next = first
        return out

    @property
    def due_s(self) -> float | None:
        """When ready() next gives something although nothing comes; None if it waits for nothing."""
        if not self._held:
            return None
        return min(arrival_s for arrival_s, _ in self._held.values()) + self.depth_s

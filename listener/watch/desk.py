"""What people do at the station: acknowledge, work on a radio, take the watch, say what they know about an alert."""

import threading
from collections.abc import Callable, Iterable
from typing import Any

from listener.keep.row import Row
from listener.watch.channel import Channel
from listener.watch.duty import Duty
from listener.watch.logbook import Logbook
from listener.watch.state import HandOver, StationView, Work


class Desk:
    """Everything here is journalled and may be called from any thread.

    lock: the station's, over the state of its channels. look: gives how everything is at this moment. snapshot: what
    people were shown last.
    """

    def __init__(
        self, channels: list[Channel], duty: Duty, logbook: Logbook, lock: threading.RLock,
        look: Callable[[], StationView], snapshot: Callable[[], StationView],
    ) -> None:  # fmt: skip
        self._channels, self._duty, self._logbook = channels, duty, logbook
        self._lock, self._look, self._snapshot = lock, look, snapshot

    def acknowledge(self, alert_id: int, who: str) -> bool:
        """A person has seen this alert: silences the tone and is journalled. Gives False if there is none open."""
        with self._lock:
            for channel in self._channels:
                if channel.calls.acknowledge(alert_id, who):
                    self._logbook.append("acknowledge", {"who": who}, channel.name, about=alert_id)
                    return True
        return False

    def acknowledge_all(self, who: str) -> int:
        """Every open alert that is shown; gives how many there were. One that nobody can have seen yet stays open."""
        open_ids = [shown.id for channel in self._snapshot().channels for shown in channel.unacknowledged]
        return sum(self.acknowledge(alert_id, who) for alert_id in open_ids)

    def acknowledge_blind(self, who: str, channels: Iterable[str] | None = None) -> int:
        """A person knows that these channels (by name; all that are, by default) are blind; gives of how many that was new.

        Their signal falls silent for this blindness, not for the next. It is journalled and changes nothing else: the
        channels stay BLIND until they are well.
        """
        with self._lock:
            wanted = [c for c in self._channels if channels is None or c.name in channels]
            news = [channel for channel in wanted if channel.blindness.acknowledge(who)]
            for channel in news:
                self._logbook.append("acknowledge", {"who": who, "blind": True}, channel.name)
        return len(news)

    def begin_work(self, channel: str, who: str, minutes: int, text: str = "") -> Work:
        """Somebody works on a channel's radio. Calls are told as ever. Raises UserError for what cannot be."""
        with self._lock:
            return self._duty.begin_work(channel, who, minutes, text)

    def end_work(self, channel: str, who: str) -> bool:
        """It is done before its time; gives False if there was none."""
        with self._lock:
            return self._duty.end_work(channel, who)

    def take_watch(self, who: str, text: str = "") -> HandOver:
        """Somebody takes the watch: journalled with what is open now. It acknowledges nothing."""
        with self._lock:
            return self._duty.take(who, text, self._look())

    def add(self, kind: str, about: int, body: dict[str, Any], channel: str | None = None) -> Row:
        """Journal what a person did about an alert: kind "note", "mark" or "step"."""
        if kind not in ("note", "mark", "step"):
            raise ValueError(f"{kind!r} is not something a person adds")
        return self._logbook.append(kind, body, channel, about=about)

"""The calls of a channel: which of them are new, shown, and not acknowledged yet."""

from collections import deque
from dataclasses import replace

from listener.events import Alert, Call, Event, PartlyHeard
from listener.watch.state import Shown


class Calls:
    """last_alert, last_partly: the newest ones that were shown. unacknowledged: alerts by their row's id."""

    def __init__(self) -> None:
        self.unacknowledged: dict[int, Shown] = {}
        self.last_alert: Shown | None = None
        self.last_partly: Shown | None = None
        self._alert_shown_s = self._partly_shown_s = -1e9
        self._heard: deque[Call] = deque(maxlen=20)

    @property
    def unacknowledged_since_s(self) -> float | None:
        """When the newest alert was shown (monotonic seconds), while any is not acknowledged."""
        return self._alert_shown_s if self.unacknowledged else None

    @property
    def partly_since_s(self) -> float | None:
        """When the last partly heard call was shown (monotonic seconds), if there was one."""
        return self._partly_shown_s if self.last_partly else None

    def only_new(self, events: list[Event]) -> list[Event]:
        """Without the calls that are known: a recogniser that was started anew hears some sound a second time."""
        return [event for event in events if self._is_new(event)]

    def show(self, shown: Shown, now_s: float) -> None:
        """A call goes on the display."""
        if shown.kind == "alert":
            self.last_alert = self.unacknowledged[shown.id] = shown
            self._alert_shown_s = now_s
        else:
            self.last_partly = shown
            self._partly_shown_s = now_s

    def acknowledge(self, alert_id: int, who: str) -> bool:
        """A person has seen it; gives whether it was one of ours and not yet acknowledged."""
        shown = self.unacknowledged.pop(alert_id, None)
        if shown is None:
            return False
        if self.last_alert and self.last_alert.id == alert_id:
            self.last_alert = replace(shown, acknowledged_by=who)
        return True

    def _is_new(self, event: Event) -> bool:
        if not isinstance(event, Alert | PartlyHeard):
            return True
        for old in self._heard:
            if old.kind == event.kind and old.phrase == event.phrase and old.span.overlaps(event.span):
                return False
        self._heard.append(event)
        return True

"""The calls of a channel: which of them are new, shown, acknowledged, and ended.

What people do about a call is kept with it and changes no state but one: an alert that nobody acknowledged is CALL HEARD.
"""

from collections import deque
from dataclasses import replace
from typing import Any

from listener.events import Alert, Answer, Call, Event, PartlyHeard, Update
from listener.watch.state import Shown, StepDone

_ENDED_KEPT = 20
_SAME_S = 0.5


class Calls:
    """last_alert, last_partly: the newest ones that were shown. unacknowledged: alerts by their row's id.

    unresolved: those that were acknowledged and that nobody has called ended, by id. are_resolved: whether people say
    so at all; else a call ends when it is acknowledged.
    """

    def __init__(self, are_resolved: bool = True) -> None:
        self.unacknowledged: dict[int, Shown] = {}
        self.unresolved: dict[int, Shown] = {}
        self.last_alert: Shown | None = None
        self.last_partly: Shown | None = None
        self._are_resolved = are_resolved
        self._ended: dict[int, Shown] = {}
        self._alert_shown_s = self._partly_shown_s = -1e9
        self._heard: deque[Call] = deque(maxlen=20)
        self._told: deque[tuple[Alert, int]] = deque(maxlen=20)

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
        """A call goes on the display; one of an earlier watch, or heard by ear, too: acknowledged already."""
        if shown.kind == "partly_heard":
            self.last_partly = shown
            self._partly_shown_s = now_s
            return
        self.last_alert = shown
        if shown.acknowledged_by:
            self._put_acknowledged(shown)
        else:
            self.unacknowledged[shown.id] = shown
            self._alert_shown_s = now_s

    def told(self, alert: Alert, alert_id: int) -> None:
        """This alert has the row of that id."""
        self._told.append((alert, alert_id))

    def id_of(self, update: Update) -> int | None:
        """The row of the alert that an update is about; also of one that is heard a second time, a little elsewhere."""
        for alert, alert_id in reversed(self._told):
            if alert.phrase == update.phrase and alert.start_s - _SAME_S <= update.start_s < alert.end_s:
                return alert_id
        return None

    def update(self, alert_id: int, position: Answer | None, caller: Answer | None) -> None:
        """More is known about an alert of ours."""
        self._change(alert_id, position=position, caller=caller)

    def find(self, alert_id: int) -> Shown | None:
        """An alert that is open, or ended not long ago."""
        return self.unacknowledged.get(alert_id) or self.unresolved.get(alert_id) or self._ended.get(alert_id)

    def acknowledge(self, alert_id: int, who: str) -> bool:
        """A person has seen it; gives whether it was one of ours and not yet acknowledged."""
        shown = self.unacknowledged.pop(alert_id, None)
        if shown is None:
            return False
        self._put_acknowledged(shown)
        self._change(alert_id, acknowledged_by=who)
        return True

    def tick(self, alert_id: int, name: str, done: StepDone | None) -> None:
        """A step after an alert of ours is done, or (None) taken back."""
        shown = self.find(alert_id)
        assert shown, "an alert of ours"
        others = tuple(step for step in shown.steps if step.name != name)
        self._change(alert_id, steps=(*others, done) if done else others)

    def resolve(self, alert_id: int, who: str, ending: str) -> bool:
        """A person says that an acknowledged call has ended, and how; gives whether it was open."""
        shown = self.unresolved.pop(alert_id, None)
        if shown is None:
            return False
        self._put_ended(shown)
        self._change(alert_id, resolved_by=who, resolved_as=ending)
        return True

    def reopen(self, alert_id: int) -> bool:
        """A person takes that back; gives whether it had ended not long ago."""
        shown = self._ended.get(alert_id)
        if shown is None or not shown.resolved_as:
            return False
        self.unresolved[alert_id] = self._ended.pop(alert_id)
        self._change(alert_id, resolved_by="", resolved_as="")
        return True

    def _put_acknowledged(self, shown: Shown) -> None:
        if self._are_resolved:
            self.unresolved[shown.id] = shown
        else:
            self._put_ended(shown)

    def _put_ended(self, shown: Shown) -> None:
        self._ended[shown.id] = shown
        while len(self._ended) > _ENDED_KEPT:
            del self._ended[next(iter(self._ended))]

    def _change(self, alert_id: int, **what: Any) -> None:
        for place in (self.unacknowledged, self.unresolved, self._ended):
            if shown := place.get(alert_id):
                place[alert_id] = replace(shown, **what)
                if self.last_alert and self.last_alert.id == alert_id:
                    self.last_alert = place[alert_id]

    def _is_new(self, event: Event) -> bool:
        if not isinstance(event, Alert | PartlyHeard):
            return True
        for old in self._heard:
            if old.kind == event.kind and old.phrase == event.phrase and old.span.overlaps(event.span):
                return False
        self._heard.append(event)
        return True

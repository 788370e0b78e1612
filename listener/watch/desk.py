"""What people do at the station: acknowledge, tick steps, say how a call ended, work on a radio, take the watch."""

import threading
from collections.abc import Callable, Iterable
from datetime import datetime
from typing import Any

from listener.errors import UserError
from listener.keep.row import Row
from listener.settings.watch import WatchSettings
from listener.watch.calls import Calls
from listener.watch.channel import Channel
from listener.watch.clock import Clock
from listener.watch.duty import Duty
from listener.watch.logbook import Logbook
from listener.watch.state import HandOver, Shown, StationView, StepDone, Work

_SAME_CALL_S = 3.0


class Desk:
    """Everything here is journalled and may be called from any thread.

    lock: the station's, over the state of its channels. look: gives how everything is at this moment. snapshot: what
    people were shown last. phrase: what a call heard by ear is called; empty where none can be, since alerts are shown.
    """

    def __init__(
        self, watch: WatchSettings, channels: list[Channel], duty: Duty, logbook: Logbook, clock: Clock,
        lock: threading.RLock, look: Callable[[], StationView], snapshot: Callable[[], StationView], phrase: str = "",
    ) -> None:  # fmt: skip
        self._phrase, self._by_ear_s = phrase, -1e9
        self._steps, self._endings = watch.steps, watch.resolved_as
        self._channels, self._duty, self._logbook, self._clock = channels, duty, logbook, clock
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
        """Journal what a person says about an alert: kind "note" or "mark"."""
        if kind not in ("note", "mark"):
            raise ValueError(f"{kind!r} is not something a person adds")
        return self._logbook.append(kind, body, channel, about=about)

    # -- what follows a call: a record of what people did, and never a state -------------------------------

    def step(self, alert: Row, name: str, who: str, done: bool = True, since_call_s: float | None = None) -> Row:
        """One of the unit's own steps after a call is done, now or (by the person's word) so long after its end.

        since_call_s below zero: before the call's last word ended, as a visual signal may be. done: no takes it back.
        It may come in any order and at any time: the row says what was still open before it. Raises UserError for a
        step that there is not.
        """
        names = [step.name for step in self._steps]
        if name not in names:
            raise UserError(f"no step {name!r} in the settings (watch.steps)")
        with self._lock:
            known = self._calls_of(alert.id)
            body: dict[str, Any] = {"step": name, "number": names.index(name) + 1, "done": done, "who": who}
            told = since_call_s is not None
            since_s = round(self._since_s(alert) if since_call_s is None else since_call_s, 3)
            if done:
                step = self._steps[names.index(name)]
                body |= {"since_call_s": since_s, "told": told, "within_s": step.within_s}
            if known:
                calls, shown = known
                if done:
                    body["still_open"] = self._open_steps(shown, before=name)
                calls.tick(alert.id, name, StepDone(name, who, since_s) if done else None)
            return self._logbook.append("step", body, alert.channel, about=alert.id)

    def by_ear(self, who: str, channel: str | None = None) -> Row | None:
        """In a drill without alerts a person hears a call: it is shown as theirs. channel: the first by default.

        Pressed again within three seconds it is the same call: None. Raises UserError where alerts are shown.
        """
        own = next((c for c in self._channels if channel in (None, c.name)), None)
        if not self._phrase or own is None or own.capture.ring is None:
            raise UserError("a call is told by ear only in a drill without alerts, on one of its channels")
        with self._lock:
            now_s, ring = self._clock.unix(), own.capture.ring
            if now_s - self._by_ear_s < _SAME_CALL_S:
                return None
            self._by_ear_s = now_s
            at_s = ring.written / ring.rate_hz

            def show(row: Row) -> None:
                call = Shown(row.id, "by_ear", row.utc, now_s, self._phrase, 1, 0, 0.0, at_s, at_s, 0.0, acknowledged_by=who)
                own.calls.show(call, self._clock.monotonic())

            body = {"who": who, "stream_s": round(at_s, 3)}
            return self._logbook.append("by_ear", body, own.name, ring.written, unix_s=now_s, then=show)

    def resolve(self, alert: Row, who: str, ending: str) -> Row | None:
        """A person says that a call has ended, and how; that they have seen it too, if nobody had. None: it had ended.

        Raises UserError for an ending that the settings do not have.
        """
        if ending not in self._endings:
            raise UserError(f"no ending {ending!r} in the settings (watch.resolved_as)")
        with self._lock:
            self.acknowledge(alert.id, who)
            known = self._calls_of(alert.id)
            if known is None or not known[0].resolve(alert.id, who, ending):
                return None
            body = {"as": ending, "done": True, "who": who, "since_call_s": round(self._since_s(alert), 3)}
            body["still_open"] = self._open_steps(known[1])
            return self._logbook.append("resolve", body, alert.channel, about=alert.id)

    def reopen(self, alert: Row, who: str) -> Row | None:
        """A person takes back that a call has ended: it is open again. None: it was, or it ended long ago."""
        with self._lock:
            known = self._calls_of(alert.id)
            if known is None or not known[0].reopen(alert.id):
                return None
            return self._logbook.append("resolve", {"as": "", "done": False, "who": who}, alert.channel, about=alert.id)

    def _calls_of(self, alert_id: int) -> tuple[Calls, Shown] | None:
        """The channel's calls that have this alert, and how it is shown."""
        found = ((channel.calls, channel.calls.find(alert_id)) for channel in self._channels)
        return next(((calls, shown) for calls, shown in found if shown), None)

    def _since_s(self, alert: Row) -> float:
        return self._clock.unix() - datetime.fromisoformat(alert.utc).timestamp()

    def _open_steps(self, shown: Shown, before: str | None = None) -> list[str]:
        """The steps that are not done, in order; only those that stand before one."""
        names = [step.name for step in self._steps]
        done = {step.name for step in shown.steps}
        return [name for name in (names[: names.index(before)] if before else names) if name not in done]

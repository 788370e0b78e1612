"""What people tell the station about themselves: who has the watch, and what is being worked on.

All of it is journalled, shown, and read back after a restart. None of it silences a call or hides a state: a channel
that is worked on is heard, and told BLIND, as ever. Only the signal for blindness may be quiet meanwhile.
"""

from collections.abc import Callable, Iterable
from dataclasses import replace
from datetime import datetime
from pathlib import Path

from listener.errors import UserError
from listener.keep.records import Query, Records
from listener.keep.row import Row, utc_text
from listener.watch.clock import Clock
from listener.watch.state import ChannelView, HandOver, Shown, StationView, Work

LONGEST_WORK_MIN = 720
ENDED_SHOWN_S = 600.0
"""That work has ended is shown for so long."""


class Duty:
    """Not for several threads at a time: the station holds its lock. Reads back what an earlier watch left.

    journal: as Logbook.append: (kind, body, channel) to a row.
    """

    def __init__(self, folder: Path, channels: Iterable[str], clock: Clock, journal: Callable[..., Row]) -> None:
        self._channels, self._clock, self._journal = tuple(channels), clock, journal
        self._work: dict[str, Work] = {}
        self._ends_s: dict[str, float] = {}  # on the steady clock: a step of the other one makes no work longer
        self.hand_over: HandOver | None = None
        self._read_back(folder)

    # -- the radio is being worked on ----------------------------------------------------------------------

    def begin_work(self, channel: str, who: str, minutes: int, text: str = "") -> Work:
        """Somebody works on this channel's radio for so long. Raises UserError for a channel that there is not."""
        if channel not in self._channels:
            raise UserError(f"no channel {channel!r}")
        if not 1 <= minutes <= LONGEST_WORK_MIN:
            raise UserError(f"work lasts 1 to {LONGEST_WORK_MIN} minutes; say so again when it takes longer")
        since_s = self._clock.unix()
        until_s = since_s + 60.0 * minutes
        row = self._journal("maintenance", {"begins": True, "who": who, "until": utc_text(until_s), "text": text}, channel)
        self._work[channel] = Work(row.id, channel, who, text, since_s, until_s)
        self._ends_s[channel] = self._clock.monotonic() + 60.0 * minutes
        return self._work[channel]

    def end_work(self, channel: str, who: str) -> bool:
        """The work is done; who: empty if its time was over. Gives False if there was none."""
        work = self._work.get(channel)
        if work is None or work.ended_unix_s is not None:
            return False
        self._journal("maintenance", {"begins": False, "who": who, "row": work.id}, channel)
        self._work[channel] = replace(work, ended_unix_s=self._clock.unix(), ended_by=who)
        return True

    def is_worked_on(self, channel: str) -> bool:
        """Somebody works on it now: the signal for its blindness need not sound."""
        work = self._work.get(channel)
        return work is not None and work.ended_unix_s is None

    def tick(self) -> None:
        """Work whose time is over ends."""
        now_s = self._clock.monotonic()
        for channel in [c for c, ends_s in self._ends_s.items() if now_s >= ends_s]:
            del self._ends_s[channel]
            self.end_work(channel, "")

    # -- who has the watch ---------------------------------------------------------------------------------

    def take(self, who: str, text: str, view: StationView) -> HandOver:
        """Somebody takes the watch, with what is open at that moment."""
        points = open_points(view)
        before = self.hand_over.who if self.hand_over else ""
        calls = [call.id for channel in view.channels for call in channel.unacknowledged]
        row = self._journal("hand_over", {"who": who, "from": before, "text": text, "open": points, "calls": calls})
        self.hand_over = HandOver(row.id, who, before, self._clock.unix(), tuple(points), text)
        return self.hand_over

    # -- for the view, and after a restart -----------------------------------------------------------------

    def on(self, channel: ChannelView) -> ChannelView:
        """The channel's view with what people told about it."""
        work = self._work.get(channel.name)
        if work and work.ended_unix_s is not None and self._clock.unix() - work.ended_unix_s > ENDED_SHOWN_S:
            work = None
        return replace(channel, work=work)

    def _read_back(self, folder: Path) -> None:
        now_s = self._clock.unix()
        records = Records(folder)
        try:
            since = utc_text(now_s - 60.0 * LONGEST_WORK_MIN - 60.0)
            last = {row.channel: row for row in records.rows(Query(kinds=("maintenance",), since=since))}
            taken = next(iter(records.rows(Query(kinds=("hand_over",), limit=1, newest_first=True))), None)
        finally:
            records.close()
        if taken:
            b = taken.body
            self.hand_over = HandOver(taken.id, b["who"], b["from"], _unix_s(taken.utc), tuple(b["open"]), b["text"])
        for channel, row in last.items():
            if channel not in self._channels or not row.body["begins"]:
                continue
            until_s = _unix_s(row.body["until"])
            self._work[channel] = Work(row.id, channel, row.body["who"], row.body["text"], _unix_s(row.utc), until_s)
            self._ends_s[channel] = self._clock.monotonic() + min(until_s - now_s, 60.0 * LONGEST_WORK_MIN)


def open_points(view: StationView) -> list[str]:
    """What whoever takes the watch must know, a line each: calls that have not ended, blind channels, work, troubles."""
    calls = [
        f"call not acknowledged: {channel.name}, {call.phrase}, {call.utc[11:19]} UTC"
        for channel in view.channels for call in channel.unacknowledged
    ]  # fmt: skip
    calls += [
        f"call not resolved: {channel.name}, {call.phrase}, {call.utc[11:19]} UTC, {_steps_text(call, view)}"
        for channel in view.channels for call in channel.unresolved
    ]  # fmt: skip
    blind = [f"BLIND: {c.name}, {'; '.join(b.detail for b in c.because)}" for c in view.channels if c.because]
    work = [
        f"work on {c.name}: {c.work.who} until {utc_text(c.work.until_unix_s)[11:16]} UTC"
        f"{f', {c.work.text}' if c.work.text else ''}"
        for c in view.channels if c.work and c.work.ended_unix_s is None
    ]  # fmt: skip
    return [*calls, *blind, *work, *(trouble for trouble in (view.journal_trouble, view.tone_trouble) if trouble)]


def _steps_text(call: Shown, view: StationView) -> str:
    done = {step.name for step in call.steps}
    left = [step.name for step in view.steps if step.name not in done]
    return f"open: {', '.join(left)}" if left else f"acknowledged by {call.acknowledged_by}"


def _unix_s(utc: str) -> float:
    return datetime.fromisoformat(utc).timestamp()

"""Journal first, then people: rows are written by the journal's thread and published in the order of their ids."""

import threading
import time
from collections import deque
from collections.abc import Callable, Iterable, Iterator
from concurrent.futures import Future
from dataclasses import dataclass, replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from listener.events import Answer
from listener.keep.journal import Journal
from listener.keep.records import Query, Records
from listener.keep.repair import Trouble
from listener.keep.row import Row, utc_text
from listener.watch.clock import Clock
from listener.watch.state import Shown, StepDone

KEPT_ROWS = 5_000
_KEEP_WAIT_S = 0.4  # a row waits this long for the journal, then it is shown without


@dataclass(frozen=True, slots=True)
class _Pending:
    row: Row
    kept: "Future[bool]"
    since_s: float
    then: Callable[[Row], None]


class Publication:
    """The journal of a station and what people may see of it. Any thread, but for publish() and close().

    on_trouble: as Journal's. cursor: the id of the last row that was published; at the start, of the last one that
    an earlier watch left. Raises UserError when the journal cannot be kept.
    """

    def __init__(self, folder: Path, clock: Clock, on_trouble: Callable[[Trouble | None], None]) -> None:
        self._folder = folder
        self._clock = clock
        self._pending: deque[_Pending] = deque()
        self._rows: deque[Row] = deque(maxlen=KEPT_ROWS)
        self._order = threading.Lock()  # rows wait in the order of their ids
        self._fresh = threading.Condition()
        self.journal = Journal(folder, on_trouble, self._on_damage)
        self.cursor = self.journal.opened_after

    @property
    def is_waiting(self) -> bool:
        """Some rows are not published yet."""
        return bool(self._pending)

    def append(
        self, kind: str, body: dict[str, Any], channel: str | None = None, sample: int | None = None,
        about: int | None = None, unix_s: float | None = None, then: Callable[[Row], None] = lambda row: None,
    ) -> Row:  # fmt: skip
        """Journal a row; never waits. `then` is called by publish() when it may be shown."""
        unix_s = self._clock.unix() if unix_s is None else unix_s
        with self._order:
            now_s = self._clock.monotonic()
            row, kept = self.journal.append(kind, body, channel, sample, about, unix_s, now_s)
            self._pending.append(_Pending(row, kept, now_s, then))
        return row

    def publish(self, wait_s: float = 0.0) -> None:
        """Show, in order, the rows that are on the disk, and those that have waited long enough for it."""
        ends_s = time.monotonic() + wait_s
        fresh = []
        while self._pending:
            first = self._pending[0]
            while not first.kept.done() and time.monotonic() < ends_s:
                time.sleep(0.005)
            if not first.kept.done() and self._clock.monotonic() - first.since_s < _KEEP_WAIT_S:
                break
            self._pending.popleft()
            first.then(first.row)
            fresh.append(first.row)
        if fresh:
            with self._fresh:
                self._rows.extend(fresh)
                self.cursor = fresh[-1].id
                self._fresh.notify_all()

    def rows_after(self, cursor: int, wait_s: float = 0.0) -> list[Row]:
        """The published rows with ids above the cursor, each once, in order. Waits up to wait_s for the first one.

        Older ones than are kept in memory come from the journal's file, so that a page that reconnects misses nothing.
        """
        with self._fresh:
            if self.cursor <= cursor and wait_s:
                self._fresh.wait_for(lambda: self.cursor > cursor, wait_s)
            recent = [row for row in self._rows if row.id > cursor]
            oldest = self._rows[0].id if self._rows else self.cursor + 1
        if cursor + 1 >= oldest:
            return recent
        records = Records(self._folder)
        try:
            return list(records.rows(Query(after_id=cursor, before_id=oldest))) + recent
        finally:
            records.close()

    def row(self, id: int) -> Row | None:
        """One published row. One that could not be written yet is here too: people may answer to it."""
        with self._fresh:
            found = next((row for row in self._rows if row.id == id), None)
        if found:
            return found
        records = Records(self._folder)
        try:
            return records.row(id)
        finally:
            records.close()

    def close(self) -> bool:
        """Publish what waits and close the journal; gives whether everything was kept."""
        self.publish(wait_s=2.0)
        return self.journal.close()

    def _on_damage(self, detail: str) -> None:
        self.append("fault", {"what": "journal_damaged", "detail": detail})


def open_calls(folder: Path, since_unix_s: float, are_resolved: bool) -> Iterator[tuple[str, Shown]]:
    """The alerts since a time that have not ended, with their channels and what people did: they stay, also across a restart.

    are_resolved: whether a call ends when a person says how; else it does when it is acknowledged.
    """
    about: dict[int, list[Row]] = {}
    records = Records(folder)
    try:
        alerts = list(records.rows(Query(kinds=("alert",), since=utc_text(since_unix_s))))
        for row in records.rows(Query(kinds=("acknowledge", "step", "resolve", "update"), since=utc_text(since_unix_s))):
            if row.about is not None:
                about.setdefault(row.about, []).append(row)
    finally:
        records.close()
    for row in alerts:
        if row.channel is None:
            continue
        shown = _followed(_shown(row), about.get(row.id, ()))
        if not shown.resolved_as and (are_resolved or not shown.acknowledged_by):
            yield row.channel, shown


def _shown(row: Row) -> Shown:
    b = row.body
    unix_s = datetime.fromisoformat(row.utc).replace(tzinfo=UTC).timestamp()
    return Shown(
        row.id, "alert", row.utc, unix_s, b["phrase"], b["repeats"], len(b["hits"]), b["confidence"],
        b["start_s"], b["end_s"], b["delay_s"], chance_per_h=b.get("chance_per_h"),
    )  # fmt: skip


def _followed(shown: Shown, rows: Iterable[Row]) -> Shown:
    """The alert with what people did about it. Rows of an earlier version lack what it did not write."""
    for row in rows:
        b, who = row.body, str(row.body.get("who") or "somebody")
        match row.kind:
            case "acknowledge":
                shown = replace(shown, acknowledged_by=shown.acknowledged_by or who)
            case "resolve":
                shown = replace(shown, resolved_as=b["as"], resolved_by=who if b["as"] else "")
            case "update":
                position, caller = (Answer(**b[key]) if b[key] else None for key in ("position", "caller"))
                shown = replace(shown, position=position, caller=caller)
            case "step":
                steps = tuple(step for step in shown.steps if step.name != b["step"])
                if b.get("done", True):
                    since_s = b.get("since_call_s")
                    at_s = datetime.fromisoformat(row.utc).timestamp() - shown.unix_s if since_s is None else since_s
                    steps = (*steps, StepDone(b["step"], who, round(at_s, 3)))
                shown = replace(shown, steps=steps)
    return shown

"""What happens, sent to every open page as server-sent events (WHATWG HTML, section 9.2).

One thread waits for the station; pages wait in the event loop and never on the station. Nothing queues for a slow
page: it is sent the newest look when it takes one, and the journal's rows from where it stopped.

Events: `begin` once for each connection (strips, heard words, what people may do), `row` for each journal row with its
id as the event's, `look` four times a second (the states), `strip` each second.
"""

import asyncio
import json
import math
import threading
import time
from collections.abc import AsyncIterator
from typing import Any

from sse_starlette import ServerSentEvent
from starlette.concurrency import run_in_threadpool

from listener.keep.records import Query, Records
from listener.keep.row import Row, utc_text
from listener.watch.duty import open_points
from listener.watch.page.strip import LONG_S, by_second
from listener.watch.station import Station

LOOK_S = 0.25
RETRY_MS = 500
_BEGINNINGS = 4  # so many new pages at a time are read the last ten minutes from the journal


class Feed:
    """Follows one station for all pages. start() within the event loop that serves them."""

    def __init__(self, station: Station) -> None:
        self.station = station
        self._loop: asyncio.AbstractEventLoop | None = None
        self._waiting: set[asyncio.Event] = set()
        self._beginning = asyncio.Semaphore(_BEGINNINGS)
        self._ended = threading.Event()
        self._look = ""
        self._number = 0
        self._cursor = station.cursor
        self._strips = ""
        self._strip_number = 0
        self._sent_until_s = [station.clock.unix() - 2.0] * len(station.settings.watch.channels)

    def start(self) -> None:
        """Begin to follow the station; call it in the event loop in which the pages wait."""
        self._loop = asyncio.get_running_loop()
        self._thread = threading.Thread(target=self._follow, name="page feed", daemon=True)
        self._thread.start()

    def stop(self) -> None:
        """Tell the following thread to end."""
        self._ended.set()
        self._wake()

    # -- the thread that waits for the station -------------------------------------------------------------

    def _follow(self) -> None:
        seconds_told = 0.0
        while not self._ended.is_set():
            rows = self.station.rows_after(self._cursor, LOOK_S)
            if rows:
                self._cursor = rows[-1].id
                self._wait_for_look(self._cursor)
            if time.monotonic() - seconds_told >= 1.0:
                seconds_told = time.monotonic()
                self._strips = as_json(self._new_strips())
                self._strip_number += 1
            self._look = self._look_now()
            self._number += 1
            assert self._loop
            try:
                self._loop.call_soon_threadsafe(self._wake)
            except RuntimeError:  # the server has ended
                return

    def _wait_for_look(self, cursor: int) -> None:
        """The states that go with a row come a moment after it; half a second at most."""
        ends_s = time.monotonic() + 0.5
        while self.station.snapshot().cursor < cursor and time.monotonic() < ends_s:
            time.sleep(0.005)

    def _look_now(self) -> str:
        """The snapshot; its age tells whether the station still turns."""
        view = self.station.snapshot()
        return as_json({**view.as_dict(), "open_points": open_points(view), "sent_unix_s": self.station.clock.unix()})

    def _new_strips(self) -> list[dict[str, Any]]:
        """The seconds that were completed since the last time, one entry a channel."""
        told = []
        until_s = float(int(self.station.clock.unix()) - 1)
        for number, since_s in enumerate(self._sent_until_s):
            fresh = [s for s in self.station.strip(number, since_s - 1e-9) if s.unix_s < until_s]
            self._sent_until_s[number] = until_s
            told.append({"channel": number, "seconds": by_second(fresh)})
        return told

    def _wake(self) -> None:
        for waiting in self._waiting:
            waiting.set()

    # -- for each page -------------------------------------------------------------------------------------

    async def events(self, after: int | None) -> AsyncIterator[ServerSentEvent]:
        """Everything from here on. after: the last row the page has; None for a page that has none yet."""
        woken = asyncio.Event()
        self._waiting.add(woken)
        try:
            async with self._beginning:
                begin, cursor = await run_in_threadpool(self._begin, after)
            yield ServerSentEvent(begin, event="begin", retry=RETRY_MS)
            number = strip_number = -1
            while not self._ended.is_set():
                woken.clear()
                async for row in self._rows(cursor):
                    cursor = row.id
                    yield ServerSentEvent(as_json(row.as_dict()), event="row", id=str(row.id))
                if self._strips and strip_number != self._strip_number:
                    strip_number = self._strip_number
                    yield ServerSentEvent(self._strips, event="strip")
                if self._look and number != self._number:
                    number = self._number
                    yield ServerSentEvent(self._look, event="look")
                await woken.wait()
        finally:
            self._waiting.discard(woken)

    async def _rows(self, cursor: int) -> AsyncIterator[Row]:
        while cursor < self._cursor:
            # May read the journal's file: not in the event loop.
            rows = [row for row in await run_in_threadpool(self.station.rows_after, cursor) if row.id <= self._cursor]
            if not rows:
                return
            for row in rows:
                yield row
            cursor = rows[-1].id

    def _begin(self, after: int | None) -> tuple[str, int]:
        """The first event, and the row after which rows are to be sent."""
        since_s = self.station.clock.unix() - LONG_S
        top = self.station.cursor
        records = Records(self.station.folder)
        try:
            is_other = after is not None and after > top  # another journal than the one that the page knew
            if after is None or is_other:
                first = next(iter(records.rows(Query(since=utc_text(since_s), limit=1))), None)
                after = first.id - 1 if first else top
            shown = [a.id for c in self.station.snapshot().channels for a in (*c.open_calls, c.last_alert) if a]
            older = {row.id: row for id in shown for row in records.rows(Query(about=id)) if row.id <= after}
        finally:
            records.close()
        settings = self.station.settings
        channels = range(len(settings.watch.channels))
        begin = {
            "cursor": after,
            "start_over": is_other,
            "rows": [older[id].as_dict() for id in sorted(older)],
            "phrases": [{"words": p.words, "repeats": p.repeats} for p in settings.phrases],
            "is_local": settings.watch.page.is_local,
            "has_tone": settings.watch.tone.enabled,
            "strips": [by_second(self.station.strip(n, since_s)) for n in channels],
            "words": [[_word(w) for w in self.station.words_heard(n, since_s)] for n in channels],
        }
        return as_json(begin), after


def _word(heard: Any) -> list[Any]:
    return [round(heard.unix_s, 1), heard.phrase, round(heard.score, 1)]


def as_json(value: Any) -> str:
    """JSON that a browser reads: what is not finite becomes null."""
    return json.dumps(_finite(value), separators=(",", ":"), ensure_ascii=False, allow_nan=False)


def _finite(value: Any) -> Any:
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if isinstance(value, dict):
        return {key: _finite(one) for key, one in value.items()}
    if isinstance(value, list | tuple):
        return [_finite(one) for one in value]
    return value

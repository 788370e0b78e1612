"""The open event streams, bounded: in number, and in what may wait for each.

A client that does not read costs memory and time, and a crowd of them could slow the desk's own page. So a stream that
takes nothing for some seconds is cut off, and when there are too many the oldest one goes: first of those that nobody
has been seen to read. A page that was cut off comes back by itself and misses nothing.
"""

from collections.abc import Callable
from dataclasses import dataclass

from sse_starlette import EventSourceResponse
from sse_starlette.sse import SendTimeoutError
from starlette.types import Message, Receive, Scope, Send

MOST_STREAMS = 48
SLOW_S = 5.0
"""A stream that takes no event for so long is let go."""
READ_BYTES = 700_000
"""More than the buffers between here and a client hold (ours 192 kB, a client's 426 kB where Linux is as it comes): who
took so much has read some of it."""


@dataclass(eq=False, slots=True)
class Stream:
    """One open stream: how to cut it off, and how many bytes the connection took."""

    cut: Callable[[], None]
    taken: int = 0

    @property
    def is_read(self) -> bool:
        return self.taken > READ_BYTES


class Streams:
    """All open streams of a server, oldest first. Only within its event loop."""

    def __init__(self, most: int = MOST_STREAMS) -> None:
        self._most = most
        self._open: dict[Stream, None] = {}

    def __len__(self) -> int:
        return len(self._open)

    def enter(self, cut: Callable[[], None]) -> Stream:
        """Room for a new stream; the one that goes for it is cut off."""
        while len(self._open) >= self._most:
            goes = next((stream for stream in self._open if not stream.is_read), next(iter(self._open)))
            self.leave(goes)
            goes.cut()
        stream = Stream(cut)
        self._open[stream] = None
        return stream

    def leave(self, stream: Stream) -> None:
        self._open.pop(stream, None)


class EventStream(EventSourceResponse):
    """Server-sent events to one client, as one of a bounded number. Ends without a word when the client does not read."""

    def __init__(self, content: object, streams: Streams) -> None:
        super().__init__(content, ping=15, send_timeout=SLOW_S, cleanup_timeout=1.0)  # type: ignore[arg-type]
        self._streams = streams

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        cut = scope.get("listener.cut", lambda: None)
        stream = self._streams.enter(cut)

        async def counted(message: Message) -> None:
            await send(message)
            stream.taken += len(message.get("body", b""))

        try:
            await super().__call__(scope, receive, counted)
        except SendTimeoutError:
            cut()
        finally:
            self._streams.leave(stream)

"""Clients, bounded: how many there may be, and how much may wait for each.

A client that does not read costs memory, time and an open file, and a crowd of them could slow the desk's own page or
take the last file that the journal needs. So one that takes nothing for some seconds is cut off, and when there are too
many the oldest one goes: first of those that nobody has been seen to read. A page that was cut off comes back by itself
and misses nothing.
"""

import asyncio
import resource
import socket
import struct
from asyncio import Transport
from collections.abc import AsyncIterable

from sse_starlette import EventSourceResponse, ServerSentEvent
from sse_starlette.sse import SendTimeoutError
from starlette.types import Receive, Scope, Send

MOST_STREAMS = 48
MOST_CONNECTIONS = 200
SLOW_S = 5.0
"""An event stream that takes no event for so long is let go."""
SEND_BUFFER_BYTES = 65_536
READ_BYTES = 700_000
"""More than the buffers between here and a client hold (ours 192 kB, a client's 426 kB where Linux is as it comes): who
took so much has read some of it."""
TURN_S = 0.02
"""Streams begin one after another: all at once, three hundred would keep the desk's page waiting for over a second."""
_FILES = 4_096


class Client:
    """One connection. taken: how many bytes of answers the system has taken for it."""

    def __init__(self, transport: Transport) -> None:
        self._transport = transport
        self.taken = 0

    @property
    def is_read(self) -> bool:
        """Somebody has been seen to read at the other end."""
        return self.taken > READ_BYTES

    @property
    def is_gone(self) -> bool:
        """Whether the connection is closed, or about to be."""
        return self._transport.is_closing()

    def cut(self) -> None:
        """Reset the connection. Closed in the ordinary way the system would keep what it could not send."""
        connection = self._transport.get_extra_info("socket")
        connection.setsockopt(socket.SOL_SOCKET, socket.SO_LINGER, struct.pack("ii", 1, 0))
        self._transport.abort()


class Crowd:
    """At most so many clients, oldest first. Only within the server's event loop."""

    def __init__(self, most: int) -> None:
        self._most = most
        self._here: dict[Client, None] = {}
        self._turns = asyncio.Lock()

    def __len__(self) -> int:
        return len(self._here)

    def enter(self, client: Client) -> None:
        """Room for a new one; the one that goes for it is cut off."""
        while len(self._here) >= self._most:
            goes = next((one for one in self._here if not one.is_read), next(iter(self._here)))
            self.leave(goes)
            goes.cut()
        self._here[client] = None

    def leave(self, client: Client) -> None:
        """One has gone; nothing happens if it was not here."""
        self._here.pop(client, None)

    async def turn(self, client: Client) -> None:
        """Returns when it is this one's turn to begin; at once if it was cut off meanwhile."""
        async with self._turns:
            if not client.is_gone:
                await asyncio.sleep(TURN_S)


class EventStream(EventSourceResponse):
    """Server-sent events to one client, as one of a bounded number. Ends without a word if the client does not read.

    The server has put the client into the scope (`listener.client`).
    """

    def __init__(self, events: AsyncIterable[ServerSentEvent], streams: Crowd) -> None:
        super().__init__(events, ping=15, send_timeout=SLOW_S, cleanup_timeout=1.0)
        self._streams = streams

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI: the stream, with its client counted in the crowd as long as it lasts."""
        client: Client = scope["listener.client"]
        self._streams.enter(client)
        try:
            await self._streams.turn(client)
            if not client.is_gone:
                await super().__call__(scope, receive, send)
        except SendTimeoutError:
            client.cut()
        finally:
            self._streams.leave(client)


def room_for_connections() -> int:
    """How many connections may be open: no more than a quarter of the files that this program may open, which is
    raised first as far as the system lets us.
    """
    soft, hard = resource.getrlimit(resource.RLIMIT_NOFILE)
    if 0 <= soft < _FILES:
        soft = _FILES if hard < 0 else min(_FILES, hard)
        resource.setrlimit(resource.RLIMIT_NOFILE, (soft, hard))
    return MOST_CONNECTIONS if soft < 0 else min(MOST_CONNECTIONS, soft // 4)

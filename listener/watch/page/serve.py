"""The page's server beside the station: a thread of its own, so that no browser can hold the station up."""

import asyncio
import logging
import socket
import threading
from typing import Any

import uvicorn
from starlette.applications import Starlette
from starlette.requests import ClientDisconnect
from starlette.types import Message, Receive, Scope, Send
from uvicorn.protocols.http.h11_impl import H11Protocol

from listener.watch.page.app import page_app
from listener.watch.page.crowd import (
    SEND_BUFFER_BYTES,
    Client,
    Crowd,
    room_for_connections,
)
from listener.watch.station import Station

REQUEST_WAIT_S = 10.0
"""A connection that has not asked for anything by then is closed."""
SEND_WAIT_S = 20.0
"""A client that takes nothing of its answer for so long is cut off."""
_BACKLOG = 16  # connections that are taken at a time; with those it cuts off for them, asyncio runs out of files with many more
_WAITING = 1_024  # and that wait in the system to be taken; one too many asks again only after a whole second
_CLOSE_WAIT_S = 2.0

for name in ("uvicorn", "sse_starlette", "starlette", "asyncio"):  # a log on stderr would spoil the console view
    logging.getLogger(name).addHandler(logging.NullHandler())


class PageServer:
    """Serves the page until closed, if it is wanted here and in the settings.

    A server that cannot be started, or ends, is a fault that the station tells. address: what to open in a browser,
    empty if nothing is served.
    """

    def __init__(self, station: Station, wanted: bool = True) -> None:
        page = station.settings.watch.page
        self._station, self.address = station, ""
        if not (wanted and page.enabled):
            return
        try:
            self._socket = listen(page.host, page.port)
        except OSError as error:
            why = error.strerror or str(error)
            station.logbook.fault("page", f"the page cannot be served on {page.host}:{page.port}: {why}; set watch.page.port")
            return
        if not page.is_local:
            station.logbook.fault("page_open", "the page can be reached from the network, with the token, not encrypted")
        port = self._socket.getsockname()[1]
        host = {"0.0.0.0": socket.gethostname(), "::": socket.gethostname()}.get(page.host, page.host)
        self.address = station.page = f"http://{f'[{host}]' if ':' in host else host}:{port}/"
        self._server = server_for(page_app(station))
        self._thread = threading.Thread(target=self._run, name="page", daemon=True)
        self._thread.start()

    def close(self) -> None:
        """End it; open pages see a lost connection."""
        if self.address:
            self._server.should_exit = True
            self._thread.join(_CLOSE_WAIT_S)

    def _run(self) -> None:
        try:
            asyncio.run(self._server.serve(sockets=[self._socket]))
        except Exception as error:  # noqa: BLE001 - told, and the watch goes on
            self._station.logbook.fault("page", f"the page's server ended: {type(error).__name__}: {error}")


def server_for(app: Starlette) -> uvicorn.Server:
    """A server for this application, with its clients bounded; it says nothing on stderr."""
    config = uvicorn.Config(
        app, http=_protocol(Crowd(room_for_connections())), lifespan="on", log_config=None,
        access_log=False, server_header=False,
        timeout_keep_alive=30, timeout_graceful_shutdown=1, backlog=_BACKLOG,
        h11_max_incomplete_event_size=16_384, ws="none",
    )  # fmt: skip
    return _Server(config)


class _Server(uvicorn.Server):
    async def startup(self, sockets: list[socket.socket] | None = None) -> None:
        """As it is, with a longer queue: asyncio takes as many connections at a time as may wait, and each a file."""
        await super().startup(sockets)
        for listening in sockets or []:
            listening.listen(_WAITING)


def _protocol(connections: Crowd) -> type[H11Protocol]:
    """HTTP for a bounded number of connections, which are closed when no whole request comes in time."""

    class Impatient(H11Protocol):
        def connection_made(self, transport: Any) -> None:
            super().connection_made(transport)
            self._client = Client(transport)
            connections.enter(self._client)
            self.app = _in_time(self.app, self._client)
            self._patience = self.loop.call_later(REQUEST_WAIT_S, self._give_up)

        def _give_up(self) -> None:
            if self.cycle is None and self.transport and not self.transport.is_closing():
                self.transport.close()

        def connection_lost(self, exc: Exception | None) -> None:
            self._patience.cancel()
            connections.leave(self._client)
            super().connection_lost(exc)

    return Impatient


def _in_time(app: Any, client: Client) -> Any:
    """The same application for one connection, which is cut off when it takes nothing."""

    async def answer(scope: Scope, receive: Receive, send: Send) -> None:
        scope["listener.client"] = client

        async def send_in_time(message: Message) -> None:
            if client.is_gone:
                await asyncio.sleep(0)  # uvicorn learns of it now and sends no more: asyncio would log every try
            try:
                async with asyncio.timeout(SEND_WAIT_S):
                    await send(message)
            except TimeoutError:
                client.cut()
                raise OSError("the client does not read") from None
            client.taken += len(message.get("body", b""))

        try:
            await app(scope, receive, send_in_time)
        except (OSError, ClientDisconnect):
            if not client.is_gone:
                raise
        if client.is_gone:
            await asyncio.sleep(0)  # let uvicorn learn of it first, else it logs an answer that is not whole

    return answer


def listen(host: str, port: int) -> socket.socket:
    """A socket that browsers ask at. Raises OSError when the port is taken."""
    family = socket.AF_INET6 if ":" in host else socket.AF_INET
    listening = socket.create_server((host, port), family=family, backlog=_WAITING)
    # Connections inherit it: little may wait in the system for a client that does not read.
    listening.setsockopt(socket.SOL_SOCKET, socket.SO_SNDBUF, SEND_BUFFER_BYTES)
    return listening

"""Who may ask the page's server, and what every answer says about itself.

The server tells what was heard on a radio, and takes acknowledgements. So: only hosts that are meant (a web page from
elsewhere whose name was pointed at this computer is refused), posts only from the page itself, small bodies that come
in time, a token when the server can be reached from the network, and headers that let a browser load nothing from
anywhere else. Sources: OWASP cheat sheets on cross-site request forgery and HTTP headers; W3C Content Security Policy 3.
"""

import asyncio
import hashlib
import hmac
import platform
import secrets
import time
from http.cookies import CookieError, SimpleCookie
from ipaddress import ip_address
from urllib.parse import urlsplit

from starlette.datastructures import Headers, MutableHeaders
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.types import ASGIApp, Message, Receive, Scope, Send

from listener.settings.watch import PageSettings

MOST_BODY_BYTES = 8_192
BODY_WAIT_S = 5.0
COOKIE = "listener_page"
TRIES = 8
"""So many wrong tokens are answered at once; after them"""
TRY_EVERY_S = 2.0
"""one more in this time, whoever asks: guesses made side by side are no faster than one after the other."""
OPEN_PATHS = ("/enter", "/static/")
HEADERS = {
    "Content-Security-Policy": (
        "default-src 'none'; script-src 'self'; style-src 'self'; img-src 'self'; connect-src 'self'; "
        "media-src 'self'; form-action 'self'; base-uri 'none'; frame-ancestors 'none'"
    ),
    "X-Content-Type-Options": "nosniff",
    "X-Frame-Options": "DENY",
    "Referrer-Policy": "no-referrer",
    "Cross-Origin-Opener-Policy": "same-origin",
    "Cross-Origin-Resource-Policy": "same-origin",
    "Permissions-Policy": "camera=(), microphone=(), geolocation=()",
    "Cache-Control": "no-store",
}


class Refused(Exception):
    """The request is not served: status and one line."""

    def __init__(self, status: int, line: str) -> None:
        super().__init__(line)
        self.status, self.line = status, line


class Tries:
    """Wrong tokens of all clients together: a stock of tries that fills up slowly (a token bucket)."""

    def __init__(self) -> None:
        self._left, self._at_s = float(TRIES), time.monotonic()

    def check(self) -> None:
        """Raises Refused when there were too many: then no token is looked at, right or wrong."""
        now_s = time.monotonic()
        self._left = min(TRIES, self._left + (now_s - self._at_s) / TRY_EVERY_S)
        self._at_s = now_s
        if self._left < 1:
            raise Refused(429, "too many wrong tokens; wait some seconds")

    def wrong(self) -> None:
        """A wrong token was given: one try less."""
        self._left -= 1


class Guard:
    """ASGI middleware: everything passes here first."""

    def __init__(self, app: ASGIApp, page: PageSettings) -> None:
        self._app, self._page = app, page
        # The cookie is not the token, and another start of the program gives another one.
        self._salt = secrets.token_bytes(16)
        # Guesses from the network do not lock out whoever sits at this computer.
        self._tries = {"here": Tries(), "network": Tries()}

    async def __call__(self, scope: Scope, receive: Receive, send: Send) -> None:
        """ASGI: let a request through with the safety headers added, or answer it with the refusal."""
        if scope["type"] != "http":
            if scope["type"] == "websocket":
                await send({"type": "websocket.close", "code": 1008})
            elif scope["type"] == "lifespan":
                await self._app(scope, receive, send)
            return
        scope["listener.guard"] = self  # for the form that takes the token

        async def send_guarded(message: Message) -> None:
            if message["type"] == "http.response.start":
                headers = MutableHeaders(raw=message.setdefault("headers", []))
                for name, value in HEADERS.items():
                    headers.setdefault(name, value)
            await send(message)

        try:
            answer = self._judge(scope)
        except Refused as refused:
            answer = PlainTextResponse(refused.line + "\n", refused.status)
        if answer:
            await answer(scope, receive, send_guarded)
        else:
            await self._app(scope, _bounded(receive), send_guarded)

    def _judge(self, scope: Scope) -> Response | None:
        """None if the request may pass. Raises Refused."""
        headers = Headers(scope=scope)
        check_host(headers.getlist("host"), self._page)
        if scope["method"] not in ("GET", "HEAD"):
            check_post(headers, scope["scheme"])
        if self._page.token is None or scope["path"].startswith(OPEN_PATHS) or self.knows(headers, scope):
            return None
        if scope["method"] == "GET" and "text/html" in headers.get("accept", ""):
            return RedirectResponse("/enter", 303)
        raise Refused(401, "a token is needed: open /enter")

    def knows(self, headers: Headers, scope: Scope) -> bool:
        """The request bears the token, as a cookie of ours or as a bearer token (RFC 6750).

        Raises Refused after too many wrong ones; a browser that has its cookie is served all the same.
        """
        if self._has_cookie(headers):
            return True
        kind, _, given = headers.get("authorization", "").partition(" ")
        return kind.lower() == "bearer" and self.try_token(given.strip(), scope)

    def _has_cookie(self, headers: Headers) -> bool:
        try:
            cookie = SimpleCookie(headers.get("cookie", "")).get(COOKIE)
        except CookieError:
            return False
        return cookie is not None and hmac.compare_digest(cookie.value.encode(), self.cookie_value().encode())

    def try_token(self, given: str, scope: Scope) -> bool:
        """Whether it is the token. Raises Refused when too many wrong ones were tried: all clients count together."""
        tries = self._tries["here" if _is_here(scope) else "network"]
        tries.check()
        right = self._is_token(given)
        if not right:
            tries.wrong()
        return right

    def _is_token(self, given: str) -> bool:
        wanted = self._page.token.get_secret_value() if self._page.token else ""
        return bool(wanted) and hmac.compare_digest(given.encode(), wanted.encode())

    def cookie_value(self) -> str:
        """What the cookie holds: a keyed hash of the token, so that the token itself stays out of browsers."""
        wanted = self._page.token.get_secret_value() if self._page.token else ""
        return hmac.new(self._salt, wanted.encode(), hashlib.sha256).hexdigest()


def _is_here(scope: Scope) -> bool:
    """The client is a program on this computer."""
    try:
        return ip_address((scope.get("client") or ("",))[0]).is_loopback
    except ValueError:
        return False


def check_host(given: list[str], page: PageSettings) -> None:
    """One Host header that names this computer.

    A name that a stranger's DNS points here (DNS rebinding) is never an address, nor one of our names. Raises Refused.
    """
    if len(given) != 1:
        raise Refused(400, "one Host header is needed")
    host = _host_name(given[0])
    if host == "localhost" or host.casefold() in (name.casefold() for name in page.names):
        return
    try:
        address = ip_address(host)
    except ValueError:
        if not page.is_local and host.casefold() == platform.node().casefold():
            return
        raise Refused(421, f"not served under the name {host[:80]!r}; see watch.page.names") from None
    if page.is_local and not address.is_loopback:
        raise Refused(421, "served on this computer only")


def check_post(headers: Headers, scheme: str) -> None:
    """A post comes from our own page, as JSON or from our form, and says how long it is. Raises Refused."""
    origin = headers.get("origin")
    if origin is None or urlsplit(origin).netloc.lower() != headers["host"].lower() or urlsplit(origin).scheme != scheme:
        raise Refused(403, "only the page itself may post here (Origin)")
    if headers.get("sec-fetch-site", "same-origin") != "same-origin":
        raise Refused(403, "only the page itself may post here (Sec-Fetch-Site)")
    kind = headers.get("content-type", "").partition(";")[0].strip().lower()
    if kind not in ("application/json", "application/x-www-form-urlencoded"):
        raise Refused(415, "JSON is expected")
    try:
        length = int(headers.get("content-length", "-1"))
    except ValueError:
        length = -1
    if length < 0:
        raise Refused(411, "Content-Length is needed")
    if length > MOST_BODY_BYTES:
        raise Refused(413, f"more than {MOST_BODY_BYTES} bytes")


def _host_name(given: str) -> str:
    """A Host header without its port: 'localhost:8765', '[::1]:8765'."""
    if given.startswith("["):
        return given[1:].partition("]")[0]
    return given.rpartition(":")[0] if given.rpartition(":")[2].isdigit() and ":" in given else given


def _bounded(receive: Receive) -> Receive:
    """A body that does not come in time is taken for a client that left."""
    is_whole = False

    async def bounded() -> Message:
        nonlocal is_whole
        if is_whole:  # what comes now is the news that the client left
            return await receive()
        try:
            message = await asyncio.wait_for(receive(), BODY_WAIT_S)
        except TimeoutError:
            return {"type": "http.disconnect"}
        is_whole = not message.get("more_body", False)
        return message

    return bounded

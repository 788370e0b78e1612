"""What can be asked of the page's server."""

import asyncio
from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path
from urllib.parse import parse_qs

import yaml
from sse_starlette import EventSourceResponse
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from listener import __version__
from listener.tell import cautions
from listener.watch.page.actions import action_routes
from listener.watch.page.feed import Feed
from listener.watch.page.guard import COOKIE, Guard
from listener.watch.page.history import history_routes
from listener.watch.station import Station

HERE = Path(str(files("listener.watch.page")))
SLOW_S = 5.0
"""A page that takes no event for so long is let go; it comes back by itself and misses nothing."""
_WRONG_TOKEN_S = 1.0


def page_app(station: Station) -> Starlette:
    """The ASGI application for one station."""
    feed = Feed(station)
    page = station.settings.watch.page
    templates = Jinja2Templates(HERE / "templates")
    templates.env.globals |= {"version": __version__, "is_local": page.is_local, "cautions": cautions.WATCH}

    @asynccontextmanager
    async def while_running(app: Starlette) -> AsyncIterator[None]:
        feed.start()
        yield
        feed.stop()

    async def watch(request: Request) -> Response:
        return templates.TemplateResponse(request, "watch.html", {"channels": station.settings.watch.channels})

    async def events(request: Request) -> Response:
        given = request.headers.get("last-event-id") or request.query_params.get("after") or ""
        after = int(given) if given.isdecimal() and len(given) < 16 else None
        return EventSourceResponse(feed.events(after), ping=15, send_timeout=SLOW_S)

    async def settings(request: Request) -> Response:
        shown = yaml.safe_dump(station.settings.model_dump(mode="json"), sort_keys=False, allow_unicode=True)
        values = {"settings": shown, "fingerprint": station.fingerprint, "folder": station.folder}
        return templates.TemplateResponse(request, "settings.html", values)

    middleware = [Middleware(Guard, page=page)]
    routes = [
        Route("/", watch), Route("/events", events), Route("/settings", settings),
        *action_routes(station), *history_routes(station, templates), *_enter_routes(templates),
        Mount("/static", StaticFiles(directory=HERE / "static")),
    ]  # fmt: skip
    return Starlette(routes=routes, middleware=middleware, lifespan=while_running)


def _enter_routes(templates: Jinja2Templates) -> list[Route]:
    """GET and POST /enter: the token, once for each browser."""

    async def ask(request: Request) -> Response:
        return templates.TemplateResponse(request, "enter.html", {"wrong": False})

    async def enter(request: Request) -> Response:
        try:
            form = parse_qs((await request.body()).decode("utf-8", "replace"))
        except ClientDisconnect:
            return PlainTextResponse("the form did not come\n", 408)
        guard = _guard_of(request)
        if not guard.is_token("".join(form.get("token", [])).strip()):
            await asyncio.sleep(_WRONG_TOKEN_S)  # guessing is slow
            return templates.TemplateResponse(request, "enter.html", {"wrong": True}, status_code=403)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, guard.cookie_value(), httponly=True, samesite="strict", path="/")
        return answer

    return [Route("/enter", ask), Route("/enter", enter, methods=["POST"])]


def _guard_of(request: Request) -> Guard:
    guard = request.scope["listener.guard"]
    assert isinstance(guard, Guard)
    return guard

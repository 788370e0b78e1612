"""What can be asked of the page's server."""

from collections.abc import AsyncIterator
from contextlib import asynccontextmanager
from importlib.resources import files
from pathlib import Path
from urllib.parse import parse_qs

import yaml
from starlette.applications import Starlette
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import FileResponse, PlainTextResponse, RedirectResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from listener import __version__
from listener.tell import cautions
from listener.watch.page.actions import action_routes
from listener.watch.page.crowd import MOST_STREAMS, Crowd, EventStream
from listener.watch.page.feed import Feed
from listener.watch.page.guard import COOKIE, Guard, Refused
from listener.watch.page.history import history_routes
from listener.watch.station import Station

HERE = Path(str(files("listener.watch.page")))


def page_app(station: Station) -> Starlette:
    """The ASGI application for one station."""
    feed, streams = Feed(station), Crowd(MOST_STREAMS)
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
        return EventStream(feed.events(after), streams)

    async def settings(request: Request) -> Response:
        shown = yaml.safe_dump(station.settings.model_dump(mode="json"), sort_keys=False, allow_unicode=True)
        values = {"settings": shown, "fingerprint": station.logbook.fingerprint, "folder": station.folder}
        return templates.TemplateResponse(request, "settings.html", values)

    middleware = [Middleware(Guard, page=page)]
    routes = [
        Route("/", watch), Route("/events", events), Route("/settings", settings),
        *action_routes(station), *(_kept_routes() if station.hides_alerts else history_routes(station, templates)),
        *_listen_routes(station), *_enter_routes(templates),
        Mount("/static", StaticFiles(directory=HERE / "static")),
    ]  # fmt: skip
    return Starlette(routes=routes, middleware=middleware, lifespan=while_running)


def _kept_routes() -> list[Route]:
    """In a drill without alerts the journal would tell them: it is read afterwards."""

    async def kept(request: Request) -> Response:
        return PlainTextResponse("The alerts of this drill are kept, and not shown while it lasts; nor is the journal.\n", 403)

    return [Route(path, kept) for path in ("/history", "/history.csv", "/history.jsonl", "/clips/{id:int}")]


def _listen_routes(station: Station) -> list[Route]:
    """GET /listen/NUMBER: the sound of a drill that is played, for people to hear what the station hears."""

    async def listen(request: Request) -> Response:
        channels, number = station.settings.watch.channels, int(request.path_params["number"])
        path = channels[number].file if number < len(channels) else None
        return FileResponse(path) if path else PlainTextResponse("no such channel\n", 404)

    return [Route("/listen/{number:int}", listen)] if station.drill else []


def _enter_routes(templates: Jinja2Templates) -> list[Route]:
    """GET and POST /enter: the token, once for each browser."""

    async def ask(request: Request) -> Response:
        return templates.TemplateResponse(request, "enter.html", {"wrong": ""})

    async def enter(request: Request) -> Response:
        try:
            form = parse_qs((await request.body()).decode("utf-8", "replace"))
        except ClientDisconnect:
            return PlainTextResponse("the form did not come\n", 408)
        guard = _guard_of(request)
        try:
            if not guard.try_token("".join(form.get("token", [])).strip(), request.scope):
                return templates.TemplateResponse(request, "enter.html", {"wrong": "That is not the token."}, status_code=403)
        except Refused as refused:
            wrong = f"{refused.line[:1].upper()}{refused.line[1:]}."
            return templates.TemplateResponse(request, "enter.html", {"wrong": wrong}, status_code=refused.status)
        answer = RedirectResponse("/", 303)
        answer.set_cookie(COOKIE, guard.cookie_value(), httponly=True, samesite="strict", path="/")
        return answer

    return [Route("/enter", ask), Route("/enter", enter, methods=["POST"])]


def _guard_of(request: Request) -> Guard:
    guard = request.scope["listener.guard"]
    assert isinstance(guard, Guard)
    return guard

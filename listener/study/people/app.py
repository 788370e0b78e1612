"""What can be asked of the listening page's server. Nothing in an answer tells whether a sound holds a call."""

import hashlib
from collections.abc import Awaitable, Callable
from importlib.resources import files
from pathlib import Path
from typing import Annotated, Any, TypeVar

from pydantic import Field, ValidationError
from starlette.applications import Starlette
from starlette.concurrency import run_in_threadpool
from starlette.middleware import Middleware
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, PlainTextResponse, Response
from starlette.routing import Mount, Route
from starlette.staticfiles import StaticFiles
from starlette.templating import Jinja2Templates

from listener.errors import UserError
from listener.settings.watch import PageSettings
from listener.study.people.desk import Desk
from listener.study.people.session import Mode
from listener.study.people.sounds import LEVEL_RANGE_DB
from listener.tell.cautions import PEOPLE
from listener.watch.page.guard import Guard
from listener.yaml_file import Checked, error_lines

Given = TypeVar("Given", bound=Checked)
HERE = Path(str(files("listener.study.people")))
SHARED = Path(str(files("listener.watch.page"))) / "static"
"""The two themes and their switch are the watch page's."""


class Begin(Checked):
    """A new listener."""

    mode: Mode


class Consent(Checked):
    """The listener agrees to the text on the page."""

    agreed: bool


class Level(Checked):
    """The level that was set."""

    gain_db: float = Field(ge=LEVEL_RANGE_DB[0], le=LEVEL_RANGE_DB[1])


class Answer(Checked):
    """The answer to one step."""

    step: int = Field(ge=0, lt=100_000)
    presses_s: tuple[Annotated[float, Field(ge=0.0, le=3_600.0)], ...] = Field((), max_length=200)
    count: int | None = Field(None, ge=0, le=100)


def people_app(desk: Desk, consent: str, page: PageSettings) -> Starlette:
    """The ASGI application for one study's listeners. consent: the text that they agree to, paragraphs apart."""
    templates = Jinja2Templates(HERE / "templates")
    text_sha256 = hashlib.sha256(consent.encode()).hexdigest()
    shown = {
        "phrases": desk.phrases, "minutes": {mode: desk.minutes(mode) for mode in ("study", "track")}, "cautions": PEOPLE,
        "study": desk.design.plan.name, "consent": [p for p in consent.split("\n\n") if p.strip()], "level": LEVEL_RANGE_DB,
    }  # fmt: skip

    def front(request: Request) -> Response:
        return templates.TemplateResponse(request, "people.html", {**shown, "listener": ""})

    def listener(request: Request) -> Response:
        who = request.path_params["listener"]
        desk.session(who)
        return templates.TemplateResponse(request, "people.html", {**shown, "listener": who})

    def state(request: Request) -> Response:
        return JSONResponse(desk.state(request.path_params["listener"]))

    def level_sound(request: Request) -> Response:
        return Response(desk.level_sound(), media_type="audio/wav")

    def step_sound(request: Request) -> Response:
        sound = desk.step_sound(request.path_params["listener"], request.path_params["step"])
        return Response(sound, media_type="audio/wav")

    def begin(who: str, given: Begin) -> dict[str, Any]:
        return desk.state(desk.begin(given.mode).id)

    def agree(who: str, given: Consent) -> dict[str, Any]:
        if given.agreed:
            desk.consent(who, text_sha256)
        return desk.state(who)

    def set_level(who: str, given: Level) -> dict[str, Any]:
        desk.set_level(who, given.gain_db)
        return desk.state(who)

    def answer(who: str, given: Answer) -> dict[str, Any]:
        told = desk.answer(who, given.step, given.presses_s, given.count)
        return {**desk.state(who), "told": told}

    routes = [
        Route("/", front), Route("/l/{listener}", listener), Route("/l/{listener}/state", state),
        Route("/level.wav", level_sound), Route("/l/{listener}/{step:int}.wav", step_sound),
        Route("/begin", _post(Begin, begin), methods=["POST"]),
        Route("/l/{listener}/consent", _post(Consent, agree), methods=["POST"]),
        Route("/l/{listener}/level", _post(Level, set_level), methods=["POST"]),
        Route("/l/{listener}/answer", _post(Answer, answer), methods=["POST"]),
        Mount("/static", StaticFiles(directory=HERE / "static")), Mount("/shared", StaticFiles(directory=SHARED)),
    ]  # fmt: skip
    middleware = [Middleware(Guard, page=page)]
    return Starlette(routes=routes, middleware=middleware, exception_handlers={UserError: _refused})


def _refused(request: Request, error: Exception) -> Response:
    """What cannot be done is one line."""
    return PlainTextResponse(f"{error}\n", 404 if request.method == "GET" else 409)


def _post(
    kind: type[Given], do: Callable[[str, Given], dict[str, Any]]
) -> Callable[[Request], Awaitable[Response]]:
    async def post(request: Request) -> Response:
        try:
            given = kind.model_validate_json(await request.body())
        except ClientDisconnect:
            return PlainTextResponse("the answer did not come whole\n", 408)
        except ValidationError as error:
            return PlainTextResponse(f"{error_lines(error)}\n", 422)
        return JSONResponse(await run_in_threadpool(do, request.path_params.get("listener", ""), given))

    return post

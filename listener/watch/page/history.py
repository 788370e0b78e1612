"""The journal on the page: search by day, channel and kind, play clips, export, print."""

from collections.abc import Iterator
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from urllib.parse import urlencode

from starlette.concurrency import run_in_threadpool
from starlette.requests import Request
from starlette.responses import (
    FileResponse,
    PlainTextResponse,
    Response,
    StreamingResponse,
)
from starlette.routing import Route
from starlette.templating import Jinja2Templates

from listener.errors import UserError
from listener.keep.records import Query, Records, as_csv, as_json_lines, when, words
from listener.keep.row import KINDS, Row
from listener.watch.station import Station

PAGE_ROWS = 300
COMMON = ("alert", "update", "partly_heard", "acknowledge", "note", "mark", "step", "resolve", "fault", "gap",
          "maintenance", "hand_over")  # fmt: skip
"""What is shown when no kind is chosen: what people did and what they should know."""


@dataclass(frozen=True, slots=True)
class Line:
    """One row as the page tells it."""

    id: int
    utc_day: str
    utc: str
    local: str
    kind: str
    channel: str
    about: int | None
    text: str
    has_clip: bool


@dataclass(frozen=True, slots=True)
class Wish:
    """What the person asked for. kind: "" for the common ones, "all", or one."""

    day: str = ""
    channel: str = ""
    kind: str = ""
    text: str = ""
    before: int | None = None

    def query(self, limit: int | None = PAGE_ROWS + 1) -> Query:
        """Raises UserError for what is not a day or not a kind of row."""
        if self.kind not in ("", "all", *KINDS):
            raise UserError(f"{self.kind!r} is not a kind of row")
        kinds = COMMON if not self.kind else () if self.kind == "all" else (self.kind,)
        return Query(
            since=when(self.day[:10]) if self.day else None, until=when(self.day[:10], end=True) if self.day else None,
            before_id=self.before, kinds=kinds, channel=self.channel or None, text=self.text or None, limit=limit,
            newest_first=limit is not None,
        )  # fmt: skip

    def address(self, path: str, before: int | None = None) -> str:
        """Path and query that ask for the same again, from a row id downwards if before is given."""
        asked = {"day": self.day, "channel": self.channel, "kind": self.kind, "text": self.text, "before": before or ""}
        return f"{path}?{urlencode({key: value for key, value in asked.items() if value})}"


def wish_of(request: Request) -> Wish:
    """Raises UserError for what is not a number."""
    asked = {key: request.query_params.get(key, "")[:100] for key in ("day", "channel", "kind", "text", "before")}
    before = asked.pop("before")
    if before and not (before.isdecimal() and len(before) < 16):
        raise UserError(f"{before!r} is not a row")
    return Wish(**asked, before=int(before) if before else None)


def lines_of(records: Records, rows: list[Row]) -> list[Line]:
    """Journal rows as lines of the history page, times in UTC and local."""
    return [
        Line(
            row.id, row.utc[:10], row.utc[11:19], _local(row.utc), row.kind.replace("_", " "), row.channel or "",
            row.about, words(row), row.kind == "alert" and records.clip(row.id) is not None,
        )
        for row in rows
    ]  # fmt: skip


def _local(utc: str) -> str:
    return f"{datetime.fromisoformat(utc).astimezone():%H:%M:%S}"


def history_routes(station: Station, templates: Jinja2Templates) -> list[Route]:
    """GET /history, /history.csv, /history.jsonl and /clips/ID."""

    def find(wish: Wish) -> tuple[list[Line], bool]:
        records = Records(station.folder)
        try:
            rows = list(records.rows(wish.query()))
            return lines_of(records, rows[:PAGE_ROWS]), len(rows) > PAGE_ROWS
        finally:
            records.close()

    async def history(request: Request) -> Response:
        lines: list[Line] = []
        error, more, wish = "", False, Wish()
        try:
            wish = wish_of(request)
            lines, more = await run_in_threadpool(find, wish)
        except UserError as wrong:
            error = str(wrong)
        channels = [channel.name for channel in station.settings.watch.channels]
        values = {
            "wish": wish, "lines": lines, "error": error, "kinds": KINDS, "channels": channels,
            "older": wish.address("/history", lines[-1].id) if more else "",
            "csv": wish.address("/history.csv"), "jsonl": wish.address("/history.jsonl"),
            "now": datetime.now(UTC),
        }  # fmt: skip
        return templates.TemplateResponse(request, "history.html", values, status_code=400 if error else 200)

    async def export(request: Request) -> Response:
        kind = request.url.path.rpartition(".")[2]
        try:
            query = wish_of(request).query(limit=None)
        except UserError as wrong:
            return PlainTextResponse(f"{wrong}\n", 400)
        media = {"csv": "text/csv; charset=utf-8", "jsonl": "application/jsonl"}[kind]
        headers = {"Content-Disposition": f'attachment; filename="journal.{kind}"'}
        return StreamingResponse(_exported(station.folder, query, kind), media_type=media, headers=headers)

    async def clip(request: Request) -> Response:
        path = await run_in_threadpool(_clip, station.folder, int(request.path_params["id"]))
        if path is None:
            return PlainTextResponse("no clip of this alert\n", 404)
        return FileResponse(path, media_type="audio/flac")

    return [
        Route("/history", history), Route("/history.csv", export), Route("/history.jsonl", export),
        Route("/clips/{id:int}", clip),
    ]  # fmt: skip


def _exported(folder: Path, query: Query, kind: str) -> Iterator[str]:
    records = Records(folder)
    try:
        for line in {"csv": as_csv, "jsonl": as_json_lines}[kind](records.rows(query)):
            yield line + "\n"
    finally:
        records.close()


def _clip(folder: Path, alert_id: int) -> Path | None:
    """The clip's file, only ever out of the evidence folder, whatever a journal may say."""
    if alert_id >= 2**63:
        return None
    records = Records(folder)
    try:
        path = records.clip(alert_id)
    finally:
        records.close()
    inside = path is not None and path.resolve().is_relative_to((folder / "evidence").resolve())
    return path if inside else None

"""What people do on the page: acknowledge, note, mark, tick a step, resolve, take the watch, work on a radio.

Each is a row of the journal; none moves anything.
"""

from collections.abc import Awaitable, Callable
from typing import Annotated, Literal

from pydantic import BaseModel, ConfigDict, Field, StringConstraints, ValidationError
from starlette.concurrency import run_in_threadpool
from starlette.requests import ClientDisconnect, Request
from starlette.responses import JSONResponse, Response
from starlette.routing import Route

from listener.errors import UserError
from listener.keep.row import Row
from listener.watch.duty import LONGEST_WORK_MIN
from listener.watch.station import Station

_PRINTED = r"^[^\x00-\x1f\x7f-\x9f]*$"
"""No control characters: what is written here is printed on terminals too."""
Who = Annotated[str, StringConstraints(strip_whitespace=True, max_length=40, pattern=_PRINTED)]
Name = Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=40, pattern=_PRINTED)]
Text = Annotated[str, StringConstraints(strip_whitespace=True, max_length=200, pattern=_PRINTED)]
NOBODY = "page"
"""Who it was when nobody wrote a name: an acknowledgement never fails for want of one."""


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid")


class _Done(_Model):
    alert_id: int = Field(gt=0)
    who: Who = ""

    @property
    def name(self) -> str:
        return self.who or NOBODY


class Acknowledged(_Done):
    """A person has seen the alert."""


class Noted(_Done):
    """What a person wrote about it."""

    text: Annotated[str, StringConstraints(strip_whitespace=True, min_length=1, max_length=1000, pattern=_PRINTED)]


class Marked(_Done):
    """What it was, for later study."""

    mark: Literal["true call", "drill", "false alert"]


class Ticked(_Done):
    """One of the unit's own steps, done or taken back. since_call_s: when, if not now; below zero, before the call."""

    step: Annotated[str, StringConstraints(min_length=1, max_length=60)]
    done: bool = True
    since_call_s: float | None = Field(None, ge=-3_600, le=36_000, allow_inf_nan=False)


class Resolved(_Done):
    """How the call ended, in the unit's own words."""

    ending: Annotated[str, StringConstraints(min_length=1, max_length=60)]


class Heard(_Model):
    """In a drill without alerts: a person hears the call."""

    channel: str | None = None
    who: Who = ""


class Reopened(_Done):
    """It has not ended after all."""


class Seen(_Model):
    """A person knows that these channels are blind."""

    channels: tuple[str, ...] = Field(max_length=16)
    who: Who = ""


class Began(_Model):
    """A radio is being worked on; who does it must be said."""

    channel: str
    who: Name
    minutes: int = Field(ge=1, le=LONGEST_WORK_MIN)
    text: Text = ""


class Ended(_Model):
    """The work is done."""

    channel: str
    who: Who = ""


class Taken(_Model):
    """Somebody takes the watch."""

    who: Name
    text: Text = ""


class Impossible(Exception):
    """It cannot be done: one line for the person."""


def acknowledge(station: Station, done: Acknowledged) -> dict[str, object]:
    """Somebody has seen the alert; the first name stands. Raises Impossible when there is no such alert."""
    if station.desk.acknowledge(done.alert_id, done.name):
        return {"acknowledged": done.alert_id}
    _alert(station, done.alert_id)
    return {"acknowledged": done.alert_id, "already": True}


def note(station: Station, done: Noted) -> dict[str, object]:
    """A remark about an alert, in people's own words. Raises Impossible when there is no such alert."""
    return _add(station, done, "note", {"text": done.text})


def mark(station: Station, done: Marked) -> dict[str, object]:
    """Whether it was a call, by whoever was there. Raises Impossible when there is no such alert."""
    return _add(station, done, "mark", {"mark": done.mark})


def step(station: Station, done: Ticked) -> dict[str, object]:
    """A step of the list, done or undone. Raises Impossible for an alert that there is not, UserError for a step."""
    alert = _alert(station, done.alert_id)
    return {"row": station.desk.step(alert, done.step, done.name, done.done, done.since_call_s).id}


def resolve(station: Station, done: Resolved) -> dict[str, object]:
    """The call has ended. Raises Impossible when there is no such alert, UserError for another ending than the unit's."""
    row = station.desk.resolve(_alert(station, done.alert_id), done.name, done.ending)
    return {"row": row.id} if row else {"resolved": done.alert_id, "already": True}


def reopen(station: Station, done: Reopened) -> dict[str, object]:
    """The call has not ended after all. Raises Impossible when there is no such alert."""
    row = station.desk.reopen(_alert(station, done.alert_id), done.name)
    return {"row": row.id} if row else {"open": done.alert_id, "already": True}


def by_ear(station: Station, heard: Heard) -> dict[str, object]:
    """A call is heard by ear. Raises UserError where alerts are shown."""
    row = station.desk.by_ear(heard.who or NOBODY, heard.channel)
    return {"row": row.id} if row else {"already": True}


def acknowledge_blind(station: Station, seen: Seen) -> dict[str, object]:
    """Somebody knows that channels are blind; gives of how many that was new."""
    return {"new": station.desk.acknowledge_blind(seen.who or NOBODY, seen.channels)}


def begin_work(station: Station, began: Began) -> dict[str, object]:
    """A radio is being worked on; gives the row. Raises UserError for a channel that there is not."""
    return {"row": station.desk.begin_work(began.channel, began.who, began.minutes, began.text).id}


def end_work(station: Station, ended: Ended) -> dict[str, object]:
    """The work is done; gives whether there was any."""
    return {"ended": station.desk.end_work(ended.channel, ended.who or NOBODY)}


def take_watch(station: Station, taken: Taken) -> dict[str, object]:
    """Somebody takes the watch; gives the row."""
    return {"row": station.desk.take_watch(taken.who, taken.text).id}


WORKS: tuple[tuple[Callable[..., dict[str, object]], type[_Model]], ...] = (
    (acknowledge, Acknowledged), (note, Noted), (mark, Marked), (step, Ticked), (resolve, Resolved),
    (reopen, Reopened), (by_ear, Heard), (acknowledge_blind, Seen), (begin_work, Began), (end_work, Ended), (take_watch, Taken),
)  # fmt: skip


def _add(station: Station, done: _Done, kind: str, body: dict[str, object]) -> dict[str, object]:
    alert = _alert(station, done.alert_id)
    row = station.desk.add(kind, alert.id, {**body, "who": done.name}, alert.channel)
    return {"row": row.id}


def _alert(station: Station, alert_id: int) -> Row:
    """The alert that it is about. Raises Impossible if there is none."""
    row = station.logbook.rows.row(alert_id)
    if row is None or row.kind not in ("alert", "by_ear") or (row.kind == "alert" and station.hides_alerts):
        raise Impossible(f"row {alert_id} of the journal is not an alert")
    return row


def action_routes(station: Station) -> list[Route]:
    """POST /do/WORK with a JSON body, for each of WORKS."""
    return [
        Route(f"/do/{work.__name__}", _taking(model, work, station), methods=["POST"])
        for work, model in WORKS
    ]


def _taking(
    model: type[_Model], work: Callable[..., dict[str, object]], station: Station
) -> Callable[[Request], Awaitable[Response]]:
    async def take(request: Request) -> Response:
        try:
            done = model.model_validate_json(await request.body())
        except ClientDisconnect:
            return Response(status_code=408)
        except ValidationError as error:
            first = error.errors()[0]
            return _wrong(f"{'.'.join(map(str, first['loc'])) or 'body'}: {first['msg']}")
        try:
            return JSONResponse(await run_in_threadpool(work, station, done))
        except (Impossible, UserError) as error:
            return _wrong(str(error), 404)

    return take


def _wrong(line: str, status: int = 422) -> Response:
    return JSONResponse({"error": line}, status)

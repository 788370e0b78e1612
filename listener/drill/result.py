"""The figures of a scored drill, for programs: one JSON object, and the source of crew records."""

import datetime
from pathlib import Path
from typing import Literal

from pydantic import BaseModel, ConfigDict, ValidationError

from listener.drill.score import ActionScore, CallScore, DrillScore, is_right
from listener.drill.steps import StepScore
from listener.errors import UserError
from listener.events import Answer, Call


class _Model(BaseModel):
    model_config = ConfigDict(frozen=True, extra="ignore")


class ActionResult(_Model):
    """What one person did. delay_s counts from the end of the third word."""

    who: str
    what: str
    at_s: float
    delay_s: float | None


class AlertResult(_Model):
    """An alert, or something heard short of one."""

    recording: str
    start_s: float
    end_s: float
    raised_s: float
    phrase: str
    confidence: float
    chance_per_h: float | None = None


class StepResult(_Model):
    """One expected step, in its place of the order. by: who did it, if anybody. delay_s: below zero before the call's end."""

    number: int
    who: str
    what: str
    within_s: float | None
    status: Literal["done", "late", "out of order", "not done"]
    by: str
    at_s: float | None
    delay_s: float | None
    late: bool
    out_of_order: bool


class AnswerResult(_Model):
    """A position or a caller as the machine heard it. right: against what the trainer wrote; null where that is not known."""

    verdict: str
    name: str | None
    confidence: float | None
    right: bool | None


class CallResult(_Model):
    """One call. Times in seconds of the drill. near: what was heard of it, when there was no alert."""

    number: int
    phrase: str
    caller: str
    status: Literal["found", "partly heard", "missed"]
    counted: bool
    start_s: float | None
    end_s: float | None
    complete_s: float | None
    timed_by: Literal["trainer", "machine", "nobody"]
    recording: str
    missed_on: tuple[str, ...]
    alert: AlertResult | None
    near: AlertResult | None
    delay_s: float | None
    snr_db: float | None
    level_dbov: float | None
    hard: tuple[str, ...]
    actions: tuple[ActionResult, ...]
    position: str = ""
    steps: tuple[StepResult, ...] = ()
    heard_position: AnswerResult | None = None
    heard_caller: AnswerResult | None = None


class StretchResult(_Model):
    """A stretch of a recording, in drill time, in which a call could hardly have been heard, and why."""

    recording: str
    start_s: float
    end_s: float
    why: str


class Result(_Model):
    """A scored drill. found and counted leave out calls that only the machine has timed. alerts: as people played it."""

    kind: Literal["drill"] = "drill"
    file: str
    title: str
    place: str
    date: datetime.date | None
    crew: str
    synthetic: bool
    engine: str
    heard_s: float
    counted: int
    found: int
    calls: tuple[CallResult, ...]
    false_alerts: tuple[AlertResult, ...]
    partly: tuple[AlertResult, ...]
    other_actions: tuple[ActionResult, ...]
    unheard: tuple[StretchResult, ...]
    alerts: Literal["shown", "hidden"] = "shown"

    @property
    def delays_s(self) -> list[float]:
        """The machine's delays, where the trainer knows when the call was complete."""
        return [c.delay_s for c in self.calls if c.delay_s is not None and c.timed_by == "trainer"]


def result_of(score: DrillScore, file: Path) -> Result:
    """The figures of a score; times rounded to the millisecond."""
    drill = score.drill
    return Result(
        file=str(file),
        title=drill.title,
        place=drill.place,
        date=drill.date,
        crew=drill.crew,
        synthetic=drill.synthetic,
        engine=score.engine,
        heard_s=_ms(score.heard_s),
        counted=score.counted,
        found=score.found,
        calls=tuple(_call(call) for call in score.calls),
        false_alerts=tuple(_alert(x.track, x.event) for x in score.false_alerts),
        partly=tuple(_alert(x.track, x.event) for x in score.partly),
        other_actions=tuple(_action(x) for x in score.other_actions),
        unheard=tuple(
            StretchResult(recording=x.track, start_s=x.stretch.start_s, end_s=x.stretch.end_s, why=x.stretch.why)
            for x in score.unheard
        ),
        alerts=drill.alerts,
    )


def _call(call: CallScore) -> CallResult:
    start, end = call.span_s or (call.call.at_s[0], None)
    return CallResult(
        number=call.number,
        phrase=call.phrase,
        caller=call.call.caller,
        status=call.status,
        counted=call.counted,
        start_s=_ms(start),
        end_s=_ms(end),
        complete_s=_ms(call.complete_s),
        timed_by=call.timed_by,
        recording=call.track,
        missed_on=tuple(name for name, _ in call.missed_on),
        alert=_alert(call.track, call.alert) if call.alert else None,
        near=_alert(call.track, call.near) if call.near else None,
        delay_s=_ms(call.delay_s),
        snr_db=call.sound.snr_db if call.sound else None,
        level_dbov=call.sound.level_dbov if call.sound else None,
        hard=call.hard,
        actions=tuple(_action(x) for x in call.actions),
        position=call.call.position,
        steps=tuple(_step(x) for x in call.steps),
        heard_position=_answer(call.position, call.call.position),
        heard_caller=_answer(call.caller, call.call.caller),
    )


def _action(done: ActionScore) -> ActionResult:
    action = done.action
    return ActionResult(who=action.who, what=action.what, at_s=_ms(action.at_s), delay_s=_ms(done.delay_s))


def _answer(answer: Answer | None, said: str) -> AnswerResult | None:
    if answer is None:
        return None
    sure = None if answer.confidence is None else round(answer.confidence, 4)
    return AnswerResult(verdict=answer.verdict, name=answer.name, confidence=sure, right=is_right(said, answer))


def _step(score: StepScore) -> StepResult:
    action = score.action
    return StepResult(
        number=score.number,
        who=score.step.who,
        what=score.step.what,
        within_s=score.step.within_s,
        status=score.status,
        by=action.who if action else "",
        at_s=_ms(action.at_s) if action else None,
        delay_s=_ms(score.delay_s),
        late=score.is_late,
        out_of_order=bool(score.before),
    )


def _alert(track: str, event: Call) -> AlertResult:
    return AlertResult(
        recording=track,
        start_s=_ms(event.start_s),
        end_s=_ms(event.end_s),
        raised_s=_ms(event.raised_s),
        phrase=event.phrase,
        confidence=round(event.confidence, 4),
        chance_per_h=None if event.chance_per_h is None else round(event.chance_per_h, 4),
    )


def _ms(seconds: float | None) -> float | None:
    return None if seconds is None else round(seconds, 3)


def read_results(path: Path) -> list[Result]:
    """Results that `listener drill --json` wrote, one a line. Raises UserError that names the line."""
    try:
        lines = path.read_text(encoding="utf-8").splitlines()
    except (OSError, UnicodeDecodeError) as error:
        raise UserError(f"{path}: cannot read the results: {getattr(error, 'strerror', None) or 'not text'}") from None
    results = []
    for number, line in enumerate(lines, 1):
        if not line.strip():
            continue
        try:
            results.append(Result.model_validate_json(line))
        except ValidationError:
            raise UserError(f"{path}: line {number} is not a result of 'listener drill --json'; write it again") from None
    if not results:
        raise UserError(f"{path}: holds no results; write them with 'listener drill --json DRILL.yaml'")
    return results

"""The drill file: what was recorded, which calls were made, what people did and when.

All times are seconds of the drill: a recording's own time plus its offset_s. People may write
1:03.7 for 63.7.
"""

import datetime
import re
from collections.abc import Sequence
from pathlib import Path
from typing import Annotated, Any, Literal

import yaml
from pydantic import (
    AfterValidator,
    BaseModel,
    BeforeValidator,
    Discriminator,
    Field,
    Tag,
    ValidationError,
    model_validator,
)

from listener.errors import SettingsError, UserError
from listener.events import Span
from listener.settings import PhraseSettings, Settings, read_settings, settings_from
from listener.settings.base import Words
from listener.yaml_file import Checked, FilePath, Line, parse_yaml, read_yaml

FIND_IT = "find it"
_CLOCK = re.compile(r"(?:(\d+):)?(\d+):(\d{1,2}(?:\.\d+)?)")


class DrillError(UserError):
    """The drill file is wrong: one line for each problem, in `problems`."""

    def __init__(self, problems: list[str]) -> None:
        super().__init__("\n".join(problems))
        self.problems = tuple(problems)


def _seconds(value: Any) -> Any:
    """1:03.7 or 1:01:03.7 as seconds. (Unquoted, YAML already reads them as 63.7 and 3663.7.)"""
    if isinstance(value, bool):
        raise ValueError("must be a time; YAML reads on, off, yes and no as true or false")
    found = _CLOCK.fullmatch(value.strip()) if isinstance(value, str) else None
    if not found:
        return value
    hours, minutes, seconds = found.groups()
    return int(hours or 0) * 3600 + int(minutes) * 60 + float(seconds)


Time = Annotated[float, BeforeValidator(_seconds), Field(allow_inf_nan=False)]
Times = tuple[Time, Time]


class Track(Checked):
    """One channel of one recording."""

    name: Annotated[str, Field(min_length=1, pattern=r"^[^\[\]\t\r\n]+$")]
    """What the crew calls this channel: launch, deck, tower."""
    file: FilePath
    """The sound file, from the drill file's folder."""
    channel: int | None = Field(None, ge=0)
    """Which channel of the file, from 0. May be left out when it has only one."""
    offset_s: Time = 0.0
    """Drill time at the recording's first sample: recorders are rarely started together."""


def _call_time(value: Any) -> Any:
    if isinstance(value, str) and value.strip().lower() == FIND_IT:
        return (None, None)
    value = _seconds(value)
    return (value, None) if isinstance(value, (int, float)) else value


class ExpectedStep(Checked):
    """What somebody should do after a call, or before it."""

    who: Line
    what: Line
    """As the actions call it: tension released."""
    within_s: Annotated[float | None, BeforeValidator(_seconds)] = Field(None, ge=-600, le=3_600)
    """So soon after the end of the call at the latest; 0 or less: by the time it ends, or so long before."""

    @model_validator(mode="before")
    @classmethod
    def _for_somebody(cls, value: Any) -> Any:
        if isinstance(value, str):
            raise ValueError(f"{value!r} is for nobody: write {{who: deck, what: {value}}}")
        if isinstance(value, dict) and not str(value.get("who") or "").strip():
            raise ValueError(f"{str(value.get('what') or 'the step')!r} is for nobody: say who does it, for example who: deck")
        return value


def _steps_differ(steps: Any) -> Any:
    if isinstance(steps, tuple):
        plain = [(step.who.casefold(), step.what.casefold()) for step in steps]
        for step, key in zip(steps, plain):
            if plain.count(key) > 1:
                raise ValueError(f"{step.who}: {step.what} stands there twice")
    return steps


def _words_or_steps(value: Any) -> str:
    return "steps" if isinstance(value, list | tuple) else "words"


Steps = Annotated[tuple[ExpectedStep, ...], Field(max_length=20), AfterValidator(_steps_differ)]


class MadeCall(Checked):
    """A call that somebody made."""

    at_s: Annotated[tuple[Time | None, Time | None], BeforeValidator(_call_time)]
    """[start of the first word, end of the last]; or about when it began; or "find it"."""
    words_s: tuple[Times, ...] = ()
    """[start, end] of each word, if they were marked. Delays are taken from the end of the third."""
    recording: str | None = None
    """The one recording that can hold it; without it, any."""
    phrase: Words | None = None
    """The words, when not the drill's."""
    caller: str = ""
    position: str = ""
    """The launch position that it stopped, where there are several."""
    expected: Annotated[Annotated[str, Tag("words")] | Annotated[Steps, Tag("steps")], Discriminator(_words_or_steps)] = ""
    """What should have followed: steps in their order, which are scored; or words, which are only printed."""
    checked: bool = True
    """no: the times are the machine's own and nobody has listened yet; such a call proves nothing about it."""
    snr_db: float | None = None
    """The signal-to-noise ratio, where it is known because a program mixed it."""
    note: str = ""

    @model_validator(mode="after")
    def _in_order(self) -> "MadeCall":
        start, end = self.at_s
        if start is None and end is not None:
            raise ValueError("at_s has an end and no start")
        if start is not None and end is not None and end <= start:
            raise ValueError(f"at_s ends ({end:g}) before it starts ({start:g})")
        last = -float("inf")
        for a, b in self.words_s:
            if b <= a or a < last:
                raise ValueError(f"words_s: [{a:g}, {b:g}] is not in order")
            last = b
        if self.words_s and (start is None or end is None):
            raise ValueError("words_s needs at_s: [start, end]")
        if self.words_s and (self.words_s[0][0] < start - 1e-6 or self.words_s[-1][1] > end + 1e-6):  # type: ignore[operator]
            raise ValueError("words_s reaches outside at_s")
        return self

    @property
    def to_find(self) -> bool:
        """The trainer knows that it was made, and not when."""
        return self.at_s[0] is None

    @property
    def span_s(self) -> Span | None:
        """Start and end, when both are known."""
        start, end = self.at_s
        return None if start is None or end is None else Span(start, end)


class Action(Checked):
    """Something a person did."""

    who: Line
    what: Line
    """heard, pressed, signalled, or whatever the crew practises."""
    at_s: Time
    call: int | None = Field(None, ge=1)
    """The number of the call it answers (1 is the first in the list); without it, the latest before it."""
    before: bool = False
    """yes: it was done before the spoken call that it belongs to, as a visual signal may be: the next one."""
    note: str = ""


class Traffic(Checked):
    """Other speech that was marked: who talks over a call makes it hard."""

    at_s: Times
    who: str = ""
    text: str = ""
    recording: str | None = None


class Drill(Checked):
    """A drill, as the trainer writes it down."""

    title: Line
    place: str = ""
    date: datetime.date | None = None
    crew: str = ""
    phrase: Words = "suspend"
    """The words of the call, said once."""
    repeats: int = Field(3, ge=1, le=5)
    settings: FilePath | None = None
    """A settings file for the listener, from the drill file's folder; without it, the defaults."""
    tolerance_s: float = Field(0.5, ge=0.0, le=5.0)
    """An alert answers a call when its middle lies within the call or this far from it."""
    synthetic: bool = False
    """yes: no real person speaks in it."""
    recordings: Annotated[tuple[Track, ...], Field(min_length=1)]
    calls: tuple[MadeCall, ...]
    """The calls that were made. [] says that none was: then every alert is false."""
    actions: tuple[Action, ...] = ()
    expected: Steps = ()
    """The steps that should follow each call that names none of its own."""
    alerts: Literal["shown", "hidden"] = "shown"
    """hidden: it was played live without showing the machine's alerts, so that people had no help from it."""
    traffic: tuple[Traffic, ...] = ()
    notes: str = ""

    def phrase_of(self, call: MadeCall) -> str:
        """The words of this call."""
        return call.phrase or self.phrase

    def steps_of(self, call: MadeCall) -> tuple[ExpectedStep, ...]:
        """The steps that should follow this call."""
        return call.expected if isinstance(call.expected, tuple) else self.expected


def read_drill(path: Path) -> Drill:
    """Read a drill file. Raises DrillError: one line for each thing that is wrong with the text.

    Whether its times fit the recordings is for `check_drill`.
    """
    try:
        path.stat()
    except FileNotFoundError:
        raise DrillError([f"{path}: no such drill file; start one with 'listener drill new RECORDING'"]) from None
    except (OSError, ValueError):
        pass  # why it cannot be read is said when it is
    try:
        data = read_yaml(path, "the drill")
    except SettingsError as error:
        raise DrillError([str(error)]) from None
    return _drill_of(data, path)


def parse_drill(text: str, path: Path) -> Drill:
    """The same for a text that is to be the drill file `path`."""
    try:
        return _drill_of(parse_yaml(text, path), path)
    except SettingsError as error:
        raise DrillError([str(error)]) from None


def _drill_of(data: Any, path: Path) -> Drill:
    if data is None:
        raise DrillError([f"{path}: the drill is empty; it needs title, recordings and calls"])
    if not isinstance(data, dict):
        raise DrillError([f"{path}: expected a drill with title, recordings and calls, found {data!r:.60}"])
    try:
        return Drill.model_validate(data)
    except ValidationError as error:
        raise DrillError([f"{path}: {_line(e)}" for e in _own_errors(error)]) from None


def _own_errors(error: ValidationError) -> list[Any]:
    """Without "too short" for a list that only lost its wrong entries."""
    errors = error.errors()
    deep = {e["loc"][0] for e in errors if len(e["loc"]) > 1}
    return [e for e in errors if not (e["type"] == "too_short" and e["loc"][:1] and e["loc"][0] in deep)]


_REMEDIES = {
    "calls": "name the calls that were made, or write 'calls: []' if none was",
    "recordings": "name at least one recording",
}


def _line(error: Any) -> str:
    """One pydantic error as 'calls 2, at_s: what is wrong (value)'; list items count from 1."""
    parts: list[str] = []
    for part in error["loc"]:
        if isinstance(part, int) and parts:
            parts[-1] += f" {part + 1}"
        else:
            parts.append(str(part))
    key = ", ".join(parts) or "the drill"
    value = error["input"]
    match error["type"]:
        case "missing":
            said = f"is missing; {_REMEDIES.get(key, 'add it')}"
        case "extra_forbidden":
            return f"{key}: no such entry"
        case "value_error":
            said = str(error["ctx"]["error"])
        case "too_short":
            said = f"is empty; {_REMEDIES.get(key, 'it needs more')}"
        case "tuple_type" if error["loc"] == ("expected",):
            said = "must be a list"
        case _:
            said = error["msg"][0].lower() + error["msg"][1:]
    shown = "" if isinstance(value, (dict, list, tuple, BaseModel)) else f" (it is {value!r})"
    return f"{key}: {said}{shown}"


def drill_settings(drill: Drill, folder: Path, config: Path | None = None, engine: str | None = None) -> Settings:
    """The listener's settings for a drill: its file's (or `config`), listening for the drill's phrases too.

    A phrase that the settings name keeps its gaps; only the drill's repeats may differ and then win.
    """
    file = config or (folder / drill.settings.expanduser() if drill.settings else None)
    base = read_settings(file) if file else Settings(phrases=(PhraseSettings(words=drill.phrase),))
    known = {p.words: p for p in base.phrases}
    wanted = dict.fromkeys([drill.phrase, *(drill.phrase_of(call) for call in drill.calls)])
    for words in wanted:
        known[words] = known.get(words, PhraseSettings(words=words)).model_copy(update={"repeats": drill.repeats})
    settings = base.with_phrases(tuple(known.values()))
    return settings_from({**dict(settings), "engine": engine}, where="command line") if engine else settings


def drill_text(drill: Drill, remarks: Sequence[str] = ()) -> str:
    """The drill as YAML for people to edit, with remarks as comments at its end."""
    data = drill.model_dump(mode="json", exclude_defaults=True)
    for call, made in zip(data["calls"], drill.calls):
        if made.to_find:
            call["at_s"] = FIND_IT
        elif made.at_s[1] is None:
            call["at_s"] = made.at_s[0]
    if drill.date:
        data["date"] = drill.date
    head = {k: v for k, v in data.items() if k not in _LISTS and k != "notes"}
    parts = [yaml.safe_dump(head, sort_keys=False, allow_unicode=True, width=100)]
    for key in _LISTS:
        if key in data or key == "calls":
            parts.append(_list_text(key, data.get(key, [])))
    if drill.notes:
        parts.append(yaml.safe_dump({"notes": drill.notes}, allow_unicode=True, width=100))
    parts += [f"# {line}\n" if line else "#\n" for line in remarks]
    return "".join(parts)


_LISTS = ("recordings", "expected", "calls", "actions", "traffic")


def _list_text(key: str, items: list[dict[str, Any]]) -> str:
    """A list in which each entry's value stands on a line of its own, whatever is nested in it."""
    if not items:
        return f"{key}: []\n"
    lines = [f"{key}:"]
    for item in items:
        for i, (name, value) in enumerate(item.items()):
            lines.append(f"  {'-' if i == 0 else ' '} {name}: {_flow(value)}")
    return "\n".join(lines) + "\n"


def _flow(value: Any) -> str:
    text = yaml.safe_dump([value], allow_unicode=True, default_flow_style=True, width=10_000)
    return text.strip()[1:-1]

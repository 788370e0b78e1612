"""The session of an acceptance: a file of lines, each on the disk before the next begins, so it can be stopped at any time.

All that a report says follows from these lines alone.
"""

import json
import os
import re
from collections.abc import Iterator, Mapping
from datetime import UTC, datetime
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BaseModel, ConfigDict, Field, TypeAdapter, ValidationError

from listener.atomic_write import own_folder
from listener.errors import UsageError, UserError
from listener.keep.accepted import FOLDER, differences
from listener.yaml_file import error_lines

LINES = "session.jsonl"


class _Line(BaseModel):
    model_config = ConfigDict(frozen=True, extra="forbid", allow_inf_nan=False)


class Told(_Line):
    """An alert, or a call that was partly heard. Times in seconds of the sound; late_s: how far the computer was behind."""

    phrase: str
    start_s: float
    end_s: float
    raised_s: float
    confidence: float
    late_s: float = 0.0


class MadeCall(_Line):
    """A call that somebody made. answers: what each sensitivity made of it, None: missed. person: "" if nobody is named.

    is_marked: start_s and end_s were labelled by people who listened; else they only hold the call somewhere.
    level_dbov: what a twentieth of the call's frames exceeds; noise_dbov: what nine tenths of the ten seconds before do.
    """

    person: str
    start_s: float
    end_s: float
    is_marked: bool
    answers: dict[str, Told | None]
    partly: bool = False
    level_dbov: float | None = None
    noise_dbov: float | None = None


class Begun(_Line):
    """The first line. heard_with: the settings on which hearing depends. in_force: the sensitivity of the watch."""

    kind: Literal["begun"] = "begun"
    utc: str
    how: Literal["recordings", "live"]
    channel: str
    source: str
    in_force: str
    alert_levels: dict[str, float]
    heard_with: dict[str, Any]
    engine: str
    model: str
    version: str


class Part(_Line):
    """Some sound that was heard: a file, or a minute of a live line. false: alerts that answer no call, by sensitivity.

    seconds: heard; blind_s: in which it could not be, not in `seconds`. levels: how many frames of 20 ms had each level
    (whole dBov, rounded down).
    """

    kind: Literal["part"] = "part"
    name: str
    sha256: str = ""
    utc: str = ""
    seconds: float
    blind_s: float = 0.0
    calls: tuple[MadeCall, ...] = ()
    false: dict[str, tuple[Told, ...]] = {}
    levels: dict[int, int] = {}
    faults: tuple[str, ...] = ()


class Judged(_Line):
    """A person says that the alert of a part (by its name, raised at raised_s) was a real call."""

    kind: Literal["judged"] = "judged"
    utc: str
    part: str
    raised_s: float
    who: str


class LeftOut(_Line):
    """A file that could not be heard, or a call that was taken back, and why."""

    kind: Literal["left out"] = "left out"
    what: str
    why: str


class Ended(_Line):
    """The session is over: no line follows."""

    kind: Literal["ended"] = "ended"
    utc: str


AnyLine = Annotated[Begun | Part | Judged | LeftOut | Ended, Field(discriminator="kind")]
_LINE: TypeAdapter[AnyLine] = TypeAdapter(AnyLine)


def now_utc() -> str:
    """The time now, as journal and session write it."""
    return datetime.now(UTC).strftime("%Y-%m-%dT%H:%M:%S.%fZ")


class Session:
    """One acceptance in its folder. begun: its first line; lines: all that followed."""

    def __init__(self, folder: Path, begun: Begun, lines: list[AnyLine]) -> None:
        self.folder, self.begun, self.lines = folder, begun, lines

    @property
    def parts(self) -> list[Part]:
        """The sound that was heard, in order."""
        return [line for line in self.lines if isinstance(line, Part)]

    @property
    def is_over(self) -> bool:
        """Nothing more goes into it."""
        return any(isinstance(line, Ended) for line in self.lines)

    def add(self, line: Part | Judged | LeftOut | Ended) -> None:
        """Put a line on the disk. Raises UserError when that cannot be done."""
        _append(self.folder / LINES, line)
        self.lines.append(line)


def begin(station: Path, begun: Begun) -> Session:
    """A new session below the station's folder; what it keeps is for this account alone. Raises UserError."""
    above = station / FOLDER
    own_folder(above)
    name = f"{re.sub(r'[^0-9T]', '', begun.utc)}Z-{re.sub(r'[^A-Za-z0-9]+', '_', begun.channel)}"
    folder = above / name
    try:
        above.chmod(0o700)
        folder.mkdir(mode=0o700)
    except OSError as error:
        raise UserError(f"{folder}: cannot be made: {error.strerror}") from None
    _append(folder / LINES, begun)
    return Session(folder, begun, [])


def open_one(station: Path, begun: Begun) -> Session | None:
    """The newest session of this channel and kind that is not over; None if there is none.

    Raises UsageError when it was begun with other settings, since its calls could not be put together with new ones.
    """
    for session in reversed(list(sessions(station))):
        old = session.begun
        if (old.how, old.channel) != (begun.how, begun.channel) or session.is_over:
            continue
        changed = differences(old.heard_with, begun.heard_with)
        changed += [] if old.model == begun.model else [f"model: {old.model} then, {begun.model} now"]
        changed += [] if old.source == begun.source else [f"source: {old.source} then, {begun.source} now"]
        if changed:
            raise UsageError(f"{session.folder}: was begun with other settings ({'; '.join(changed)}); --new begins another")
        return session
    return None


def sessions(station: Path) -> Iterator[Session]:
    """All sessions below the station's folder, oldest first; what is no session is passed over."""
    for path in sorted((station / FOLDER).glob(f"*/{LINES}")):
        yield read(path.parent)


def read(folder: Path) -> Session:
    """A session as it lies on the disk. A last line that was cut off by a power failure is left out. Raises UserError."""
    path = folder / LINES
    try:
        text = path.read_text(encoding="utf-8")
    except (OSError, ValueError) as error:
        raise UserError(f"{path}: cannot be read: {getattr(error, 'strerror', None) or error}") from None
    whole = text[: text.rfind("\n") + 1].splitlines()
    try:
        lines = [_LINE.validate_json(line) for line in whole]
    except ValidationError as error:
        why = error_lines(error)
        raise UserError(f"{path}: is no session of an acceptance ({why}); move its folder away") from None
    if not lines or not isinstance(lines[0], Begun):
        raise UserError(f"{path}: is no session of an acceptance; move its folder away")
    return Session(folder, lines[0], lines[1:])


def _append(path: Path, line: _Line) -> None:
    data = (json.dumps(_plain(line), ensure_ascii=False, allow_nan=False) + "\n").encode("utf-8", "backslashreplace")
    try:
        descriptor = os.open(path, os.O_RDWR | os.O_CREAT | os.O_CLOEXEC, 0o600)
        with os.fdopen(descriptor, "rb+") as file:
            # What a power failure left of a line is written over, or the next one would be lost with it.
            file.truncate(file.read().rfind(b"\n") + 1)
            file.seek(0, os.SEEK_END)
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
    except OSError as error:
        raise UserError(f"{path}: cannot be written: {error.strerror}; make room, and run the same command again") from None


def _plain(line: _Line) -> Mapping[str, Any]:
    return line.model_dump(mode="json")

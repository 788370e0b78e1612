"""An acceptance from recordings of the line: files with labels of the calls in them, and files of normal traffic."""

import hashlib
from collections.abc import Callable
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from listener.errors import UserError
from listener.events import Span
from listener.monitor import engine_failures_told
from listener.score.labels import FORMATS, Label, read_labels
from listener.score.match import TOLERANCE_S, match
from listener.score.said import plain, times_said
from listener.settings import PhraseSettings, Settings
from listener.site.acceptance.hearing import Hearing, in_force
from listener.site.acceptance.session import MadeCall, Part, Told
from listener.sound.files import SOUND_FILES, Recording, open_recording
from listener.speech.spotter import Engine

NOISE_BEFORE_S = 10.0
_CALL = "call:"


@dataclass(frozen=True, slots=True)
class Labelled:
    """A call as its label says: who made it ("" if nobody is named), of which phrase (None: any), from when to when."""

    person: str
    phrase: str | None
    span: Span


@dataclass(frozen=True, slots=True)
class RecordedFile:
    """A sound file with the calls in it; without labels it holds none. name: its path within the folder."""

    path: Path
    name: str
    calls: tuple[Labelled, ...]

    @property
    def seconds(self) -> float:
        """How long it is, as its header says; 0 where it cannot be read."""
        try:
            with open_recording(self.path) as recording:
                return recording.frames / recording.rate_hz
        except UserError:
            return 0.0


def recorded_files(folder: Path, phrases: tuple[PhraseSettings, ...]) -> list[RecordedFile]:
    """All sound files of a folder, with what the label files beside them (of the same name) say.

    A label is a call if its text is "call: NAME", or the phrase as often as it makes one; then the person is the label's
    track, or without one the folder that the file lies in. All other labels are normal traffic, as is what has none.
    Raises UserError for a folder that is none, or holds no sound, and for labels that cannot be read.
    """
    if not folder.is_dir():
        raise UserError(f"{folder}: no such folder; name the one with the recordings")
    sounds = sorted(path for path in folder.rglob("*") if path.suffix.lower() in SOUND_FILES)
    if not sounds:
        raise UserError(f"{folder}: no sound files in it; name the folder with the recordings")
    return [_with_labels(path, folder, phrases) for path in sounds]


def _with_labels(path: Path, folder: Path, phrases: tuple[PhraseSettings, ...]) -> RecordedFile:
    name = path.relative_to(folder)
    person = name.parent.as_posix() if name.parent.parts else ""
    calls: list[Labelled] = []
    for labels in filter(Path.exists, map(path.with_suffix, FORMATS)):
        read = read_labels(labels)
        if read.bad:
            raise UserError(f"{labels}: line {read.bad[0].number}: {read.bad[0].why}; correct the label")
        calls += filter(None, (_call(label, person, phrases) for label in read.labels))
        for one in calls:
            if one.span.duration_s <= 0:
                raise UserError(
                    f"{labels}: the call at {one.span.start_s:.2f} s is a point in time; mark it from first word to last"
                )
    return RecordedFile(path, name.as_posix(), tuple(sorted(calls, key=lambda call: call.span)))


def _call(label: Label, person: str, phrases: tuple[PhraseSettings, ...]) -> Labelled | None:
    span = Span(label.start_s, label.end_s)
    if label.text.lower().startswith(_CALL):
        return Labelled(label.text[len(_CALL) :].strip() or label.track or person, None, span)
    for phrase in phrases:
        if times_said(plain(label.text), phrase.words) >= phrase.repeats:
            return Labelled(label.track or person, phrase.words, span)
    return None


def fingerprint(file: RecordedFile) -> str:
    """SHA-256 of sound and labels. Raises UserError when the sound cannot be read."""
    total = hashlib.sha256(repr(file.calls).encode())
    try:
        with file.path.open("rb") as data:
            while chunk := data.read(1 << 20):
                total.update(chunk)
    except OSError as error:
        raise UserError(f"{file.path}: cannot be read: {error.strerror}") from None
    return total.hexdigest()


def hear_file(
    file: RecordedFile, settings: Settings, line_input: int, engine: Engine, told: Callable[[float], None] = lambda s: None
) -> Part:
    """One file as a part of a session. line_input: which channel, from 1, of a file with several.

    told(seconds) is called for each second heard. Raises UserError for a file that cannot be read or used.
    """
    with open_recording(file.path) as recording:
        column = _column(recording, line_input)
        length_s = recording.frames / recording.rate_hz
        for call in file.calls:
            if call.span.end_s > length_s + TOLERANCE_S:
                raise UserError(
                    f"{file.path}: the call at {call.span.start_s:.2f}-{call.span.end_s:.2f} s lies outside its "
                    f"{length_s:.2f} s of sound; correct the label"
                )
        hearing = Hearing(settings, recording.rate_hz, engine)
        read = 0
        for block in recording.blocks():
            samples = np.ascontiguousarray(block[:, column])
            with engine_failures_told(file.path, [hearing.monitor]):
                hearing.feed(samples, read)
            read += len(samples)
            told(len(samples) / recording.rate_hz)
        with engine_failures_told(file.path, [hearing.monitor]):
            hearing.finish()
    calls, false = judged(file.calls, hearing, in_force(settings))
    return Part(
        name=file.name, sha256=fingerprint(file), seconds=round(read / recording.rate_hz, 3), calls=calls, false=false,
        levels=dict(sorted(hearing.frames.items())), faults=tuple(hearing.faults),
    )  # fmt: skip


def _column(recording: Recording, line_input: int) -> int:
    if recording.channels == 1:
        return 0
    if line_input > recording.channels:
        raise UserError(f"{recording.path}: has {recording.channels} channels, and no input {line_input} as in the settings")
    return line_input - 1


def judged(
    calls: tuple[Labelled, ...], hearing: Hearing, present: str
) -> tuple[tuple[MadeCall, ...], dict[str, tuple[Told, ...]]]:
    """The calls with what each sensitivity made of them, and the alerts that answer none."""
    spans = [call.span for call in calls]
    answers: list[dict[str, Told | None]] = [{} for _ in calls]
    false: dict[str, tuple[Told, ...]] = {}
    for name, told in hearing.told.items():
        pairs = dict(match(spans, [(t.start_s, t.end_s) for t in told], TOLERANCE_S, _same_phrase(calls, told)))
        for i, answer in enumerate(answers):
            answer[name] = told[pairs[i]] if i in pairs else None
        false[name] = tuple(t for j, t in enumerate(told) if j not in pairs.values())
    partly = {i for i, _ in match(spans, [(t.start_s, t.end_s) for t in hearing.partly], TOLERANCE_S)}
    made = tuple(
        MadeCall(
            person=call.person, start_s=round(call.span.start_s, 3), end_s=round(call.span.end_s, 3), is_marked=True,
            answers=answers[i], partly=i in partly and answers[i][present] is None,
            level_dbov=hearing.level_at(*call.span, 0.95),
            noise_dbov=hearing.level_at(call.span.start_s - NOISE_BEFORE_S, call.span.start_s, 0.1),
        )
        for i, call in enumerate(calls)
    )  # fmt: skip
    return made, false


def _same_phrase(calls: tuple[Labelled, ...], told: list[Told]) -> np.ndarray:
    same = [[call.phrase in (None, t.phrase) for t in told] for call in calls]
    return np.array(same, bool).reshape(len(calls), len(told))

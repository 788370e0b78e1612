"""A first drill file from recordings: the machine listens, the trainer corrects."""

import itertools
import os
from collections.abc import Callable
from pathlib import Path
from typing import TypeVar

from pydantic import ValidationError

from listener.drill.answers import heard_at_all
from listener.drill.check import Sound, action_problems, call_problems, check_drill, overlap, traffic_problems
from listener.drill.convert import calls_and_actions
from listener.drill.hear import HeardTrack
from listener.drill.script import Action, Drill, MadeCall, Track, Traffic, drill_text, parse_drill
from listener.errors import UsageError, UserError
from listener.events import Alert, Call, Candidate, PartlyHeard, confidence_text
from listener.score.labels import Label
from listener.settings import PhraseSettings
from listener.sound.files import open_recording
from listener.yaml_file import error_lines, plain_line


def blank_drill(title: str, phrase: PhraseSettings, files: list[Path], folder: Path) -> Drill:
    """A drill without calls, to be kept in `folder`. Raises UserError for files or a title that cannot be in one."""
    tracks = tuple(_tracks_of(files, folder))
    try:
        return Drill(title=title, phrase=phrase.words, repeats=phrase.repeats, recordings=tracks, calls=())
    except ValidationError as error:
        raise UsageError(error_lines(error)) from None


def _tracks_of(files: list[Path], folder: Path) -> list[Track]:
    """A track for each channel of each recording, named after the file; paths as seen from the folder."""
    tracks: list[Track] = []
    for file in files:
        with open_recording(file) as recording:
            channels = recording.channels
        path = Path(os.path.relpath(file.resolve(), folder.resolve()))
        try:
            plain_line(str(path))
        except ValueError:
            raise UserError(f"{file}: a drill cannot name this file, whose name is not plain text; rename it") from None
        stem = file.stem.replace("[", "(").replace("]", ")")
        for channel in range(channels):
            name = stem if channels == 1 else f"{stem} {channel}"
            tracks.append(Track(name=name, file=path, channel=None if channels == 1 else channel))
    names = [track.name for track in tracks]
    for name in names:
        if names.count(name) > 1:
            raise UserError(f"two recordings are named {name!r}; rename one of the files")
    return tracks


def draft(blank: Drill, path: Path, heard: list[HeardTrack], labels: list[Label]) -> tuple[str, list[str]]:
    """The text of the drill file `path`, and a line for each label that did not fit the recordings.

    Calls come from the labels, and unchecked ones from what the machine heard; an alert that a labelled call
    explains is not drafted again. What is written is a drill that can be scored: raises DrillError if not.
    """
    left_out: list[str] = []
    calls, actions, traffic = _fitting(labels, blank, [h.sound for h in heard], left_out.append)
    known = [call.span_s or (call.at_s[0] or 0.0, call.at_s[0] or 0.0) for call in calls]
    tracks = tuple(h.sound.track for h in heard)
    names = [track.name for track in tracks]
    alerts = sorted(
        ((h.sound.track.name, e) for h in heard for e in h.events if isinstance(e, Alert)), key=lambda x: x[1].start_s
    )
    for name, alert in alerts:
        if not any(a - 1.0 < alert.end_s and alert.start_s < b + 1.0 for a, b in known):
            known.append((alert.start_s, alert.end_s))
            calls.append(_unchecked(name if len(names) > 1 else None, alert, blank.repeats))
    calls.sort(key=lambda call: call.at_s[0] or 0.0)
    update = {"recordings": tracks, "calls": tuple(calls), "actions": tuple(actions), "traffic": tuple(traffic)}
    text = drill_text(blank.model_copy(update=update), _remarks(heard))
    check_drill(parse_drill(text, path), path)
    return text, left_out


def _fitting(
    labels: list[Label], blank: Drill, sounds: list[Sound], told: Callable[[str], object]
) -> tuple[list[MadeCall], list[Action], list[Traffic]]:
    """What the labels say, without what no drill could hold; told(line) for each of these."""
    calls, actions, traffic = calls_and_actions(labels, told)
    kept: list[MadeCall] = []
    for call in sorted(calls, key=lambda call: call.at_s[0] or 0.0):
        where = f"call at {call.at_s[0] or 0.0:.2f} s"
        if call.words_s and len(call.words_s) < blank.repeats:
            told(f"{where}: {len(call.words_s)} words are marked and a call has {blank.repeats}; kept without them")
            call = call.model_copy(update={"words_s": ()})
        problems = call_problems(where, call, blank.repeats, sounds)
        problems += [f"{where}: overlaps the call before it" for other in kept[-200:] if overlap(other, call)][:1]
        if problems:
            told(f"{problems[0]}; left out")
        else:
            kept.append(call)
    return (
        kept,
        _without(actions, told, lambda a: action_problems(f"action at {a.at_s:.2f} s", a, sounds)),
        _without(traffic, told, lambda t: traffic_problems(f"traffic at {t.at_s[0]:.2f} s", t, sounds)),
    )


T = TypeVar("T")


def _without(entries: list[T], told: Callable[[str], object], problems: Callable[[T], list[str]]) -> list[T]:
    kept = []
    for entry in entries:
        if found := problems(entry):
            told(f"{found[0]}; left out")
        else:
            kept.append(entry)
    return kept


def _unchecked(name: str | None, alert: Alert, repeats: int) -> MadeCall:
    words = tuple((round(h.start_s, 3), round(h.end_s, 3)) for h in alert.hits)
    ordered = all(a[1] <= b[0] for a, b in itertools.pairwise(words))
    return MadeCall(
        at_s=(round(alert.start_s, 3), round(alert.end_s, 3)),
        words_s=words if ordered and len(words) >= repeats else (),
        recording=name,
        checked=False,
    )


_HELP = """
This is a draft. Listen to each call, correct its times, and take "checked: false" away (a call that
only the machine has timed proves nothing about the machine). Add calls that it missed:
  - at_s: [1:03.5, 1:05.9]     start of the first word, end of the last; or 1:03.5; or find it
    caller: launcher two
    expected:                  what should follow, in order; within_s after the end of the call
      - {who: deck, what: tension released, within_s: 15}
and what people did:
actions:
  - who: controller
    what: pressed              heard, pressed, signalled, ...
    at_s: 1:07.2
More channels of other recorders: name, file, channel, and offset_s (drill time at their start)."""


def _remarks(heard: list[HeardTrack]) -> list[str]:
    lines = _HELP.strip("\n").splitlines()
    doubts = [
        (h.sound.track.name, e)
        for h in heard
        for e in h.events
        if isinstance(e, (PartlyHeard, Candidate)) and heard_at_all(e)
    ]
    if doubts:
        lines += ["", "The listener also heard, short of an alert (was one a call?):"]
        lines += [f"  {name}: {_doubt(event)}" for name, event in sorted(doubts, key=lambda x: x[1].start_s)]
    return lines


def _doubt(event: Call) -> str:
    return (
        f"{event.start_s:.2f} to {event.end_s:.2f}, {len(event.hits)} of {event.repeats} words, "
        f"confidence {confidence_text(event.confidence)}"
    )

"""A first drill file from recordings: the machine listens, the trainer corrects."""

import os
from pathlib import Path

from listener.drill.answers import heard_at_all
from listener.drill.convert import calls_and_actions
from listener.drill.hear import HeardTrack
from listener.drill.script import Drill, MadeCall, Track, drill_text
from listener.errors import UserError
from listener.events import Alert, Call, Candidate, Event, PartlyHeard
from listener.score.labels import Label
from listener.sound.files import open_recording
from listener.tell.console import confidence_text


def tracks_of(files: list[Path], folder: Path) -> list[Track]:
    """A track for each channel of each recording, named after the file; paths as seen from the folder."""
    tracks: list[Track] = []
    for file in files:
        with open_recording(file) as recording:
            channels = recording.channels
        path = Path(os.path.relpath(file.resolve(), folder.resolve()))
        stem = file.stem.replace("[", "(").replace("]", ")")
        for channel in range(channels):
            name = stem if channels == 1 else f"{stem} {channel}"
            tracks.append(Track(name=name, file=path, channel=None if channels == 1 else channel))
    names = [track.name for track in tracks]
    for name in names:
        if names.count(name) > 1:
            raise UserError(f"two recordings are named {name!r}; rename one of the files")
    return tracks


def draft(title: str, heard: list[HeardTrack], labels: list[Label], phrase: str, repeats: int) -> str:
    """The text of a drill file: calls from the labels, and unchecked ones from what the machine heard.

    An alert that a labelled call explains is not drafted again.
    """
    calls, actions, traffic = calls_and_actions(labels)
    known = [call.span_s or (call.at_s[0] or 0.0, call.at_s[0] or 0.0) for call in calls]
    tracks = tuple(h.sound.track for h in heard)
    names = [track.name for track in tracks]
    alerts = sorted(
        ((h.sound.track.name, e) for h in heard for e in h.events if isinstance(e, Alert)), key=lambda x: x[1].start_s
    )
    for name, alert in alerts:
        if not any(a - 1.0 < alert.end_s and alert.start_s < b + 1.0 for a, b in known):
            known.append((alert.start_s, alert.end_s))
            calls.append(_unchecked(name if len(names) > 1 else None, alert, repeats))
    calls.sort(key=lambda call: call.at_s[0] or 0.0)
    drill = Drill(
        title=title,
        phrase=phrase,
        repeats=repeats,
        recordings=tracks,
        calls=tuple(calls),
        actions=tuple(actions),
        traffic=tuple(traffic),
    )
    return drill_text(drill, _remarks(heard))


def _unchecked(name: str | None, alert: Alert, repeats: int) -> MadeCall:
    words = tuple((round(h.start_s, 3), round(h.end_s, 3)) for h in alert.hits)
    ordered = all(a[1] <= b[0] for a, b in zip(words, words[1:]))
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
    expected: throttle back
and what people did:
actions:
  - who: controller
    what: pressed              heard, pressed, signalled, ...
    at_s: 1:07.2
More channels of other recorders: name, file, channel, and offset_s (drill time at their start)."""


def _remarks(heard: list[HeardTrack]) -> list[str]:
    lines = _HELP.strip("\n").splitlines()
    doubts = [(h.sound.track.name, e) for h in heard for e in h.events if _is_doubt(e)]
    if doubts:
        lines += ["", "The listener also heard, short of an alert (was one a call?):"]
        lines += [f"  {name}: {_doubt(event)}" for name, event in sorted(doubts, key=lambda x: x[1].start_s)]
    return lines


def _is_doubt(event: Event) -> bool:
    return isinstance(event, (PartlyHeard, Candidate)) and heard_at_all(event)


def _doubt(event: Call) -> str:
    return (
        f"{event.start_s:.2f} to {event.end_s:.2f}, {len(event.hits)} of {event.repeats} words, "
        f"confidence {confidence_text(event.confidence)}"
    )

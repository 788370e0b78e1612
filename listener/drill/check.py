"""Does a drill fit its recordings? Every problem is one line that names the entry and the remedy."""

import itertools
from dataclasses import dataclass
from pathlib import Path

from listener.drill.script import Action, Drill, DrillError, MadeCall, Track, Traffic, read_drill
from listener.errors import UsageError, UserError
from listener.events import Span
from listener.sound.files import open_recording

ACTION_AFTER_S = 60.0
"""People may still act this long after the last recording has ended."""


@dataclass(frozen=True, slots=True)
class Sound:
    """One track as it lies in the drill: where its sound is, and which drill time it covers."""

    track: Track
    path: Path
    channel: int
    rate_hz: int
    start_s: float
    end_s: float

    @property
    def span(self) -> Span:
        """The drill time that it covers."""
        return Span(self.start_s, self.end_s)

    def holds(self, span: Span) -> bool:
        """Whether a span of drill time lies inside this recording;

        a millisecond of rounding is allowed.
        """
        return self.start_s - 0.001 <= span.start_s and span.end_s <= self.end_s + 0.001


def check_drill(drill: Drill, path: Path) -> list[Sound]:
    """Look at the recordings (not at their sound) and compare; gives the tracks in the drill's order.

    path: the drill file, from whose folder the recordings are meant. Raises DrillError with a line
    for each: recording missing or unreadable, unknown channel or recording, an offset that puts a
    recording beyond the others, times outside the recordings, calls that overlap.
    """
    problems: list[str] = []
    sounds = [s for s in (_sound(track, path.parent, problems) for track in drill.recordings) if s]
    names = [track.name for track in drill.recordings]
    problems += [f"recordings: {n!r} is named more than once" for n in dict.fromkeys(names) if names.count(n) > 1]
    if not problems:
        problems += _offsets(sounds)
    if not problems:
        problems += _calls(drill, sounds) + _others(drill, sounds)
    if problems:
        raise DrillError([f"{path}: {problem}" for problem in problems])
    return sounds


def recording_named(path: Path, name: str | None) -> tuple[Path, int]:
    """File and channel of a drill's recording of that name, of its only one for None; a sound file is its own channel 0.

    Raises UserError for a drill that cannot be read, UsageError when the name is none of its recordings or is missing.
    """
    if path.suffix.lower() not in (".yaml", ".yml"):
        if name is not None:
            raise UsageError(f"--recording {name}: {path} is no drill (.yaml)")
        return path, 0
    tracks = read_drill(path).recordings
    names = ", ".join(track.name for track in tracks)
    chosen = [track for track in tracks if name in (None, track.name)]
    if not chosen:
        raise UsageError(f"--recording {name}: {path} has {names}")
    if len(chosen) > 1:
        raise UsageError(f"{path} has several recordings; say which one with --recording: {names}")
    problems: list[str] = []
    sound = _sound(chosen[0], path.parent, problems)
    if sound is None:
        raise DrillError([f"{path}: {problem}" for problem in problems])
    return sound.path, sound.channel


def _sound(track: Track, folder: Path, problems: list[str]) -> Sound | None:
    where = f"recording {track.name!r}"
    file = folder / track.file.expanduser()
    try:
        with open_recording(file) as recording:
            rate_hz, channels, frames = recording.rate_hz, recording.channels, recording.frames
    except UserError as error:
        problems.append(f"{where}: {error}")
        return None
    if track.channel is None and channels > 1:
        problems.append(f"{where}: {file.name} has {channels} channels; say which: channel: 0 to {channels - 1}")
        return None
    channel = track.channel or 0
    if channel >= channels:
        problems.append(
            f"{where}: {file.name} has no channel {channel}; it has {channels}: channel: 0"
            + (f" to {channels - 1}" if channels > 1 else "")
        )
        return None
    return Sound(track, file, channel, rate_hz, track.offset_s, track.offset_s + frames / rate_hz)


def _offsets(sounds: list[Sound]) -> list[str]:
    """A recording that shares no time with another was put there by a wrong offset (not the first one's)."""
    problems = []
    for sound in sounds:
        others = [s for s in sounds if s is not sound]
        if sound.end_s <= 0:
            problems.append(
                f"recording {sound.track.name!r}: offset_s {sound.start_s:g} lies beyond its end: "
                f"all {sound.end_s - sound.start_s:.1f} s would be before the drill begins"
            )
        elif sound is not sounds[0] and not any(sound.span.overlaps(s.span) for s in others):
            problems.append(
                f"recording {sound.track.name!r}: offset_s {sound.start_s:g} puts it at {sound.start_s:.1f} to "
                f"{sound.end_s:.1f} s, where no other recording is ({_extent(others)}); correct the offset"
            )
    return problems


def call_problems(where: str, call: MadeCall, repeats: int, sounds: list[Sound]) -> list[str]:
    """What is wrong with one call by itself. where: how the lines call it."""
    problems: list[str] = []
    if call.words_s and len(call.words_s) < repeats:
        problems.append(f"{where}: {len(call.words_s)} words are marked and a call has {repeats}")
    reach = _reach(where, call.recording, sounds, problems)
    start, end = call.at_s
    if start is not None and reach:
        span = Span(start, start if end is None else end)
        if not any(s.holds(span) for s in reach):
            problems.append(f"{where}: {_times(span)} lies outside the recording ({_extent(reach)}); correct the time")
    return problems


def overlap(one: MadeCall, two: MadeCall) -> bool:
    """Whether two calls claim the same time on what may be the same recording."""
    a, b = one.span_s, two.span_s
    apart = one.recording and two.recording and one.recording != two.recording
    return not apart and a is not None and b is not None and a.overlaps(b)


def _calls(drill: Drill, sounds: list[Sound]) -> list[str]:
    problems = []
    placed: list[tuple[int, MadeCall, Span]] = []
    for number, call in enumerate(drill.calls, 1):
        problems += call_problems(f"call {number}", call, drill.repeats, sounds)
        if call.span_s:
            placed.append((number, call, call.span_s))
    placed.sort(key=lambda item: item[2])
    for (n, one, a), (m, two, b) in itertools.pairwise(placed):
        if overlap(one, two):
            problems.append(f"calls {n} and {m} overlap: {_times(a)} and {_times(b)}; correct or remove one")
    return problems


def _others(drill: Drill, sounds: list[Sound]) -> list[str]:
    problems: list[str] = []
    for number, action in enumerate(drill.actions, 1):
        if action.call is not None and action.call > len(drill.calls):
            problems.append(f"action {number}: there is no call {action.call}; there are {len(drill.calls)}")
        problems += action_problems(f"action {number}", action, sounds)
    for number, talk in enumerate(drill.traffic, 1):
        problems += traffic_problems(f"traffic {number}", talk, sounds)
    return problems


def action_problems(where: str, action: Action, sounds: list[Sound]) -> list[str]:
    """What is wrong with one action's time. where: how the lines call it."""
    first_s, last_s = min(s.start_s for s in sounds), max(s.end_s for s in sounds) + ACTION_AFTER_S
    if first_s <= action.at_s <= last_s:
        return []
    return [f"{where}: {action.at_s:g} s lies outside the recording ({_extent(sounds)})"]


def traffic_problems(where: str, talk: Traffic, sounds: list[Sound]) -> list[str]:
    """What is wrong with one piece of traffic. where: how the lines call it."""
    problems: list[str] = []
    reach = _reach(where, talk.recording, sounds, problems)
    if talk.at_s[1] <= talk.at_s[0]:
        problems.append(f"{where}: at_s ends before it starts")
    elif reach and not any(s.holds(Span(*talk.at_s)) for s in reach):
        problems.append(f"{where}: {_times(Span(*talk.at_s))} lies outside the recording ({_extent(reach)})")
    return problems


def _reach(where: str, name: str | None, sounds: list[Sound], problems: list[str]) -> list[Sound]:
    """The tracks that can hold an entry; none (and a problem) when it names an unknown recording."""
    reach = [s for s in sounds if name in (None, s.track.name)]
    if not reach:
        known = ", ".join(s.track.name for s in sounds)
        problems.append(f"{where}: no recording is named {name!r}; there are: {known}")
    return reach


def _times(span: Span) -> str:
    return f"{span[0]:.2f} s" if span[0] == span[1] else f"{span[0]:.2f} to {span[1]:.2f} s"


def _extent(sounds: list[Sound]) -> str:
    return ", ".join(f"{s.start_s:.1f} to {s.end_s:.1f} s" for s in sounds)

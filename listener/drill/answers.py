"""Which events answer which calls: alerts track by track, then what was heard short of an alert."""

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TypeVar

import numpy as np

from listener.drill.hear import HeardTrack
from listener.drill.script import Drill, MadeCall
from listener.events import Alert, Call, Candidate, PartlyHeard, Span
from listener.score.match import match

ABOUT_S = (1.0, 3.0)
"""A call known only by about when it began may lie this far before and after."""

NEAR_CONFIDENCE = 0.1
"""A candidate below this was not heard: engines put such together from anything."""


@dataclass(frozen=True, slots=True)
class TrackEvent:
    """An event, and the recording it came from."""

    track: str
    event: Call


Kind = TypeVar("Kind", bound=Call)


class Answers:
    """alerts: call index -> recording -> its alert. near: call index -> the best that came of it without one."""

    def __init__(self, drill: Drill, tracks: Sequence[HeardTrack]) -> None:
        self._drill = drill
        self._tracks = tracks
        self._used: set[int] = set()
        self.alerts: dict[int, dict[str, Alert]] = {i: {} for i in range(len(drill.calls))}
        self.near: dict[int, tuple[str, Call]] = {}

    def match_timed(self) -> None:
        """Calls whose time is known take their events:

        alerts first, one to one and a recording at a time, then what fell short.
        """
        for track in self._tracks:
            for i, alert in self._pairs(track, Alert, range(len(self._drill.calls))):
                self.alerts[i][track.sound.track.name] = alert
        kinds: tuple[type[Call], ...] = (PartlyHeard, Candidate)
        for kind in kinds:
            for track in self._tracks:
                missed = [i for i, found in self.alerts.items() if not found and i not in self.near]
                for i, event in self._pairs(track, kind, missed):
                    self.near[i] = (track.sound.track.name, event)

    def match_to_find(self) -> None:
        """A call that is to be found takes the earliest alert that no timed call wants."""
        for i, call in enumerate(self._drill.calls):
            if not call.to_find:
                continue
            left = [t for t in self.left(Alert) if self._may(call, t.track, t.event)]
            if not left:
                continue
            first = min(left, key=lambda t: t.event.start_s)
            for other in left:
                same = other.event.span.overlaps(first.event.span)
                if same and other.track not in self.alerts[i] and isinstance(other.event, Alert):
                    self._used.add(id(other.event))
                    self.alerts[i][other.track] = other.event

    def left(self, kind: type[Call]) -> list[TrackEvent]:
        """Events of a kind that answer no call."""
        return [
            TrackEvent(track.sound.track.name, event)
            for track in self._tracks
            for event in track.events
            if isinstance(event, kind) and id(event) not in self._used
        ]

    def tracks_of(self, i: int) -> list[HeardTrack]:
        """The tracks that can hold a call: those it names and that were running then."""
        call = self._drill.calls[i]
        start, end = call.at_s
        return [
            t
            for t in self._tracks
            if call.recording in (None, t.sound.track.name)
            and (start is None or t.sound.holds(Span(start, start if end is None else end)))
        ]

    def _may(self, call: MadeCall, track: str, event: Call) -> bool:
        return call.recording in (None, track) and event.phrase == self._drill.phrase_of(call)

    def _pairs(self, track: HeardTrack, kind: type[Kind], wanted: Sequence[int]) -> list[tuple[int, Kind]]:
        calls = [(i, self._drill.calls[i]) for i in wanted if not self._drill.calls[i].to_find]
        events = [e for e in track.events if isinstance(e, kind) and heard_at_all(e) and id(e) not in self._used]
        may = np.array([[self._may(c, track.sound.track.name, e) for e in events] for _, c in calls], bool)
        spans = [reach_s(call) for _, call in calls]
        pairs = match(spans, [e.span for e in events], self._drill.tolerance_s, may)
        self._used |= {id(events[j]) for _, j in pairs}
        return [(calls[i][0], events[j]) for i, j in pairs]


def reach_s(call: MadeCall) -> Span:
    """Where an alert for a call with a known time may lie."""
    start, end = call.at_s
    assert start is not None
    return Span(start, end) if end is not None else Span(start - ABOUT_S[0], start + ABOUT_S[1])


def heard_at_all(event: Call) -> bool:
    """Not a candidate that nobody would believe."""
    return not isinstance(event, Candidate) or event.confidence >= NEAR_CONFIDENCE

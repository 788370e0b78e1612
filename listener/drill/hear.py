"""The recordings of a drill through the Monitor: events and levels, in drill time."""

from collections.abc import Callable
from dataclasses import dataclass, replace

import numpy as np
from numpy.typing import NDArray

from listener.drill.check import Sound
from listener.drill.quality import FrameLevels, Levels
from listener.errors import UserError
from listener.events import Answer, Block, Call, Event, Update
from listener.monitor import Monitor, engine_failures_told
from listener.settings import Settings
from listener.sound.bounds import within_bounds
from listener.sound.files import open_recording
from listener.speech.spotter import Engine


@dataclass(frozen=True, slots=True)
class HeardTrack:
    """What came of one track: its events in drill time, its levels frame by frame."""

    sound: Sound
    events: tuple[Event, ...]
    levels: Levels


def hear(
    sound: Sound, settings: Settings, engine: Engine, told: Callable[[float], None] = lambda read_s: None
) -> HeardTrack:
    """Play one track into a Monitor. told(read_s) is called about once a second of sound.

    Raises UserError when the recording breaks off, or the engine does.
    """
    try:
        monitor = Monitor(settings, sound.rate_hz, sound.channel, engine)
    except UserError as error:
        raise UserError(f"{sound.path}: {error}") from None
    levels = FrameLevels(sound.rate_hz, sound.start_s)
    events: list[Event] = []
    read = 0
    with open_recording(sound.path) as recording:
        for block in recording.blocks():
            samples = np.ascontiguousarray(block[:, sound.channel])
            with engine_failures_told(sound.path, [monitor]):
                events += monitor.feed(Block(samples, read, sound.rate_hz))
            levels.feed(samples)
            read += len(samples)
            told(read / sound.rate_hz)
    with engine_failures_told(sound.path, [monitor]):
        events += monitor.finish()
    return HeardTrack(sound, tuple(_shifted(event, sound.start_s) for event in events), levels.finish())


def _shifted(event: Event, by_s: float) -> Event:
    """The event on the drill's clock."""
    if isinstance(event, Update):
        position, caller = _shifted_answer(event.position, by_s), _shifted_answer(event.caller, by_s)
        start_s, raised_s = event.start_s + by_s, event.raised_s + by_s
        return replace(event, start_s=start_s, raised_s=raised_s, position=position, caller=caller)
    if not isinstance(event, Call):
        return replace(event, raised_s=event.raised_s + by_s)
    hits = tuple(replace(hit, start_s=hit.start_s + by_s, end_s=hit.end_s + by_s) for hit in event.hits)
    times = {name: getattr(event, name) + by_s for name in ("start_s", "end_s", "raised_s")}
    return replace(event, hits=hits, **times)


def _shifted_answer(answer: Answer | None, by_s: float) -> Answer | None:
    if answer is None or answer.start_s is None or answer.end_s is None:
        return answer
    return replace(answer, start_s=answer.start_s + by_s, end_s=answer.end_s + by_s)


def excerpt(sound: Sound, start_s: float, end_s: float) -> tuple[NDArray[np.float32], float]:
    """The samples of a track between two drill times, as far as it has them, and the time of the first.

    float32, shape (n,). Raises UserError for a file that cannot be read.
    """
    first = max(0, round((start_s - sound.start_s) * sound.rate_hz))
    last = max(first, round((end_s - sound.start_s) * sound.rate_hz))
    with open_recording(sound.path) as recording:
        samples = within_bounds(np.ascontiguousarray(recording.span(first, last)[:, sound.channel]))[0]
    return samples, sound.start_s + first / sound.rate_hz

"""Replay: sound files through the Monitor, one after the other, each channel on its own."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from listener.errors import UserError
from listener.events import Block, Event
from listener.monitor import EngineFailed, Monitor, engine_failures_told
from listener.settings import Settings
from listener.sound.files import open_recording
from listener.speech.spotter import Engine

_PACED_BLOCK_S = 0.1


@dataclass(frozen=True, slots=True)
class Progress:
    """What one file gave so far: the new events, how far it was read, how long it is.

    began_unix_s: the wall-clock time of second 0, where the file tells it (packet captures do).
    """

    events: list[Event]
    read_s: float
    length_s: float
    channels: int
    began_unix_s: float | None = None


def replay(path: Path, settings: Settings, engine: Engine, paced: bool = False) -> Iterator[Progress]:
    """Play one file into a Monitor per channel; gives what was heard as it goes.

    paced: at the speed of the clock, as if it were live. Raises UserError for a file that cannot be
    read; when it breaks off half-way, what was heard before has been given.
    """
    with open_recording(path) as recording:
        try:
            monitors = [
                Monitor(settings, recording.rate_hz, channel, engine) for channel in range(recording.channels)
            ]
        except UserError as error:
            raise UserError(f"{path}: {error}") from None
        length_s, channels = recording.frames / recording.rate_hz, recording.channels
        began_s = time.monotonic()
        read = 0
        broken: UserError | None = None
        try:
            for block in recording.blocks(_PACED_BLOCK_S if paced else 1.0):
                with engine_failures_told(path, monitors):
                    events = [
                        event
                        for monitor, samples in zip(monitors, block.T)
                        for event in monitor.feed(Block(samples, read, recording.rate_hz))
                    ]
                read += len(block)
                yield Progress(_by_time(events), read / recording.rate_hz, length_s, channels)
                if paced:
                    time.sleep(max(0.0, read / recording.rate_hz - (time.monotonic() - began_s)))
        except UserError as error:
            broken = error
        if not isinstance(broken, EngineFailed):
            with engine_failures_told(path, monitors):
                events = [event for monitor in monitors for event in monitor.finish()]
            yield Progress(_by_time(events), read / recording.rate_hz, length_s, channels)
        if broken:
            raise broken


def _by_time(events: list[Event]) -> list[Event]:
    return sorted(events, key=lambda event: (event.raised_s, event.channel))

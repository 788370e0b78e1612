"""Replay: sound files through the Monitor, one after the other, each channel on its own."""

import time
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path

from listener.errors import UserError
from listener.events import Event
from listener.monitor import Monitor
from listener.settings import Settings
from listener.sound.files import open_recording
from listener.speech.spotter import Engine

_PACED_BLOCK_S = 0.1


@dataclass(frozen=True, slots=True)
class Heard:
    """What one file gave so far: the new events, how far it was read, how long it is."""

    events: list[Event]
    read_s: float
    length_s: float
    channels: int


def replay(path: Path, settings: Settings, engine: Engine, paced: bool = False) -> Iterator[Heard]:
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
        length_s = recording.frames / recording.rate_hz
        began = time.monotonic()
        broken: UserError | None = None
        blocks = recording.blocks(_PACED_BLOCK_S if paced else 1.0)
        while True:
            try:
                block = next(blocks, None)
            except UserError as error:
                block, broken = None, error
            if block is None:
                break
            events = [e for monitor, samples in zip(monitors, block.T) for e in monitor.feed(samples)]
            yield Heard(_by_time(events), monitors[0].now_s, length_s, recording.channels)
            if paced:
                time.sleep(max(0.0, monitors[0].now_s - (time.monotonic() - began)))
        events = [e for monitor in monitors for e in monitor.finish()]
        yield Heard(_by_time(events), monitors[0].now_s, length_s, recording.channels)
        if broken:
            raise broken


def _by_time(events: list[Event]) -> list[Event]:
    return sorted(events, key=lambda event: (event.raised_s, event.channel))

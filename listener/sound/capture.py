"""One sound device into a Ring, in a process of its own.

PortAudio learns the devices only once, may hang when a device goes away, and can take the program down
with it. So it lives in a child process that the supervisor can kill, and every new try is a new process.
"""

import threading
import time
from dataclasses import dataclass, field
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.sound import server
from listener.sound.files import open_recording
from listener.sound.inputs import Chosen, Identity, WrongSource, find_input, identify, is_same, sound_library
from listener.sound.ring import Ring
from listener.sound.server import Line
from listener.sound.source import RING_S, Lost, Opened, next_ring, send, told_to_stop

BLOCK_S = 0.02
_CONNECTED_S = 1.5
"""So long a sound server may take to connect a stream."""


@dataclass(frozen=True, slots=True)
class Source:
    """What one capture process listens to.

    device: number, or (part of) a name; None is the system's default. inputs: counted from 1.
    rate_hz: None takes the device's native rate.
    file: a sound file to play in place of a device, over and over, for exercises and tests; speed:
    how many times faster than the clock (0: as fast as the recogniser listens); rounds: how often, 0 for ever.
    before: what it was when it was first opened; from then on nothing else will do, whatever fits the name.
    """

    device: str | int | None
    inputs: tuple[int, ...]
    rate_hz: int | None = None
    file: Path | None = None
    speed: float = 1.0
    rounds: int = 0
    before: Identity | None = None

    @property
    def title(self) -> str:
        """The source as people know it, for messages."""
        if self.file:
            return f"file {self.file}"
        return "the default input" if self.device is None else f"device {self.device!r}"

    @property
    def tells_itself(self) -> bool:
        """A sound library may hang without a word: the supervisor judges by what comes."""
        return False

    @property
    def ends(self) -> bool:
        """A file may."""
        return self.file is not None

    def run(self, link: Connection, ring_name: str | None) -> None:
        """The body of a capture process."""
        run_capture(link, self, ring_name)


def run_capture(link: Connection, source: Source, ring_name: str | None) -> None:
    """The body of a capture process: opens the source and fills a ring until told to stop.

    ring_name: go on in this ring, behind a hole as long as the time without sound, if its rate is the
    source's; a source that now has another rate gets a new ring. Sends Opened, and Lost before it ends.
    """
    try:
        if source.file:
            _play_file(link, source)
        else:
            _listen(link, source, ring_name)
    except UserError as error:
        send(link, _lost(error))


def _lost(error: UserError) -> Lost:
    return Lost(str(error), "wrong_source" if isinstance(error, WrongSource) else "device_gone")


def _listen(link: Connection, source: Source, ring_name: str | None) -> None:
    chosen = find_input(source.device, source.before)
    if max(source.inputs) > chosen.inputs:
        raise UserError(f"input {max(source.inputs)} of {chosen.title!r}: it has {chosen.inputs}; choose a lower one")
    rate_hz = source.rate_hz or chosen.rate_hz
    columns = np.array(source.inputs) - 1
    # A stream of one channel from a stereo source is both of its sides mixed: another radio told as this one.
    channels = chosen.inputs if chosen.line else max(*source.inputs, min(2, chosen.inputs))
    connection = _Connection(server.mark_streams())
    chosen.aim()
    sd = sound_library()
    ring: Ring

    def take(sound: NDArray[np.float32], frames: int, when: object, flags: Any) -> None:
        if flags.input_overflow:
            ring.count_overflow()
        ring.write(sound[:, columns])

    try:
        stream = sd.InputStream(
            device=chosen.device.number, channels=channels, samplerate=rate_hz, dtype="float32",
            blocksize=round(rate_hz * BLOCK_S), latency=2 * BLOCK_S, callback=take, finished_callback=connection.ended.set,
        )  # fmt: skip
        ring = next_ring(ring_name, rate_hz, len(source.inputs))
        with stream:
            try:
                identity = connection.establish(chosen, source.before)
            except UserError as error:
                if ring.name != ring_name:  # nobody else knows of it, and it would be kept for good
                    ring.free()
                send(link, _lost(error))
                return
            send(link, Opened(ring.name, rate_hz, identity.title if identity else chosen.device.name, identity))
            while not connection.ended.wait(0.1):
                if told_to_stop(link):
                    return
            if connection.trouble:  # told at once: to close a stream that was moved may take a second
                send(link, _lost(connection.trouble))
                return
    except sd.PortAudioError as error:
        said = error.args[0] if error.args else str(error)
        raise UserError(f"input device {chosen.title!r} cannot be opened: {said}; is it in use or unplugged?") from None
    raise UserError(f"input device {chosen.title!r} has stopped: unplugged, or its sound server ended")


@dataclass
class _Connection:
    """Where the sound of an open stream really comes from. ended: set when no more sound comes, or other sound."""

    mark: str
    ended: threading.Event = field(default_factory=threading.Event)
    trouble: UserError | None = None
    _seen_s: float = 0.0

    def establish(self, chosen: Chosen, before: Identity | None) -> Identity | None:
        """What it is connected to, None where nothing tells; follows that from now on in a thread.

        Raises WrongSource when it is not what was chosen, or not what it was before.
        """
        line = server.connected_source(self.mark, _CONNECTED_S if chosen.line else 0.0)
        if line is None:
            if chosen.line:
                raise UserError(f"{chosen.title}: the sound server does not show what it is connected to")
            return chosen.identity
        if line.is_stand_in and not (before or chosen.identity):
            raise UserError(f"input device {chosen.title!r} is not there: the sound server has connected it to nothing")
        wanted = before or chosen.identity or identify(line, server.sources())
        self._check(line, wanted)
        if self.trouble:
            raise self.trouble
        threading.Thread(target=server.follow, args=(self.mark, lambda now: self._check(now, wanted)), daemon=True).start()
        return wanted

    def _check(self, line: Line | None, wanted: Identity) -> bool:
        """Whether all is well: still connected to what it should be."""
        now_s = time.monotonic()
        if line:
            self._seen_s = now_s
            if line.is_stand_in:
                self.trouble = UserError(f"{wanted.title} is gone: the sound server has connected the stream to nothing")
            elif not is_same(line, wanted):
                self.trouble = WrongSource(f"connected to {line.title} instead of {wanted.title}")
        elif now_s - self._seen_s > _CONNECTED_S:  # ALSA's plugin makes a new stream when one broke off
            self.trouble = UserError(f"the sound server has ended the stream from {wanted.title}")
        if self.trouble:
            self.ended.set()
        return self.trouble is None


def _play_file(link: Connection, source: Source) -> None:
    """A file in place of a device; at a speed of 0 it waits for the recogniser and never loses a sample."""
    assert source.file
    played, round_number = 0, 0
    began = time.monotonic()
    ring: Ring | None = None
    while source.rounds == 0 or round_number < source.rounds:
        round_number += 1
        with open_recording(source.file) as recording:
            if ring is None:
                if max(source.inputs) > recording.channels:
                    raise UserError(f"{source.file}: has no channel {max(source.inputs)}")
                ring = Ring.create(recording.rate_hz, len(source.inputs), RING_S)
                send(link, Opened(ring.name, recording.rate_hz, source.file.name))
            for block in recording.blocks(BLOCK_S if source.speed == 1 else 0.1):
                ring.write(block[:, np.array(source.inputs) - 1])
                played += len(block)
                while _ahead_s(ring, source, played / recording.rate_hz, time.monotonic() - began) > 0:
                    if told_to_stop(link):
                        return
                    time.sleep(0.002 if source.speed != 1 else BLOCK_S / 2)
            if told_to_stop(link):
                return
    while not told_to_stop(link):
        time.sleep(0.1)


def _ahead_s(ring: Ring, source: Source, played_s: float, passed_s: float) -> float:
    """How long, in stream seconds, the file has run ahead of where it may be."""
    if source.speed:
        return played_s - passed_s * source.speed
    slowest = min(ring.heard(column) for column in range(ring.columns))
    return (ring.written - slowest) / ring.rate_hz - 0.8

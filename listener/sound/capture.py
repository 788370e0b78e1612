"""Sound cards: which there are, and one of them into a Ring, in a process of its own.

PortAudio learns the devices only once, may hang when a device goes away, and can take the program down
with it. So it lives in a child process that the supervisor can kill, and every new try is a new process.
sounddevice is imported only here and only when needed, since it fails without PortAudio.
"""

import threading
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.sound.files import open_recording
from listener.sound.ring import Ring
from listener.sound.source import RING_S, Lost, Opened, next_ring, send, told_to_stop

BLOCK_S = 0.02


@dataclass(frozen=True, slots=True)
class InputDevice:
    """A sound device that can listen. inputs: how many; native_rate_hz: what it prefers."""

    number: int
    name: str
    system: str
    inputs: int
    native_rate_hz: int
    is_default: bool


@dataclass(frozen=True, slots=True)
class Source:
    """What one capture process listens to.

    device: number, or (part of) a name; None is the system's default. inputs: counted from 1.
    rate_hz: None takes the device's native rate.
    file: a sound file to play in place of a device, over and over, for exercises and tests; speed:
    how many times faster than the clock (0: as fast as the recogniser listens); rounds: how often, 0 for ever.
    """

    device: str | int | None
    inputs: tuple[int, ...]
    rate_hz: int | None = None
    file: Path | None = None
    speed: float = 1.0
    rounds: int = 0

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


def sound_library() -> Any:
    """The sounddevice module. Raises UserError with the remedy where PortAudio is missing."""
    try:
        import sounddevice
    except OSError:
        raise UserError(
            "PortAudio is missing, so no sound card can be used: install it (Debian: apt install libportaudio2)"
        ) from None
    return sounddevice


def list_inputs() -> list[InputDevice]:
    """The devices that can listen, in PortAudio's order. The list is as old as the process."""
    sd = sound_library()
    systems = sd.query_hostapis()
    default = sd.default.device[0]
    return [
        InputDevice(
            number=number,
            name=device["name"],
            system=systems[device["hostapi"]]["name"],
            inputs=device["max_input_channels"],
            native_rate_hz=round(device["default_samplerate"]),
            is_default=number == default,
        )
        for number, device in enumerate(sd.query_devices())
        if device["max_input_channels"] > 0
    ]


def choose_input(devices: list[InputDevice], wanted: str | int | None) -> InputDevice:
    """The device meant by a number or a (part of a) name. An exact name comes before a part.

    Raises UserError that lists what there is when none or several are meant.
    """
    there = "; ".join(f"{d.number}: {d.name}" for d in devices) or "none"
    if wanted is None:
        found = [d for d in devices if d.is_default] or devices[:1]
    elif isinstance(wanted, int) or wanted.isdecimal():
        found = [d for d in devices if d.number == int(wanted)]
    else:
        name = wanted.casefold()
        found = [d for d in devices if d.name.casefold() == name]
        found = found or [d for d in devices if name in d.name.casefold()]
    if len(found) == 1:
        return found[0]
    if not found:
        said = "no sound device can listen" if wanted is None else f"no input device {wanted!r}"
        raise UserError(f"{said}; plug it in, or choose one of these: {there}")
    several = ", ".join(f"{d.number}: {d.name}" for d in found)
    raise UserError(f"input device {wanted!r} may mean {several}; give its number or full name")


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
        send(link, Lost(str(error)))


def _listen(link: Connection, source: Source, ring_name: str | None) -> None:
    device = choose_input(list_inputs(), source.device)
    if max(source.inputs) > device.inputs:
        raise UserError(
            f"input {max(source.inputs)} of {device.name!r}: it has {device.inputs}; choose a lower one"
        )
    rate_hz = source.rate_hz or device.native_rate_hz
    ring = next_ring(ring_name, rate_hz, len(source.inputs))
    columns = np.array(source.inputs) - 1
    # A stream of one channel from a stereo source is both of its sides mixed: another radio told as this one.
    channels = max(*source.inputs, min(2, device.inputs))
    sd = sound_library()
    ended = threading.Event()

    def take(sound: NDArray[np.float32], frames: int, when: object, flags: Any) -> None:
        if flags.input_overflow:
            ring.count_overflow()
        ring.write(sound[:, columns])

    try:
        stream = sd.InputStream(
            device=device.number, channels=channels, samplerate=rate_hz, dtype="float32",
            blocksize=round(rate_hz * BLOCK_S), latency=2 * BLOCK_S, callback=take, finished_callback=ended.set,
        )  # fmt: skip
        with stream:
            send(link, Opened(ring.name, rate_hz, device.name))
            while not ended.wait(0.1):
                if told_to_stop(link):
                    return
    except sd.PortAudioError as error:
        said = error.args[0] if error.args else str(error)
        raise UserError(f"input device {device.name!r} cannot be opened: {said}; is it in use or unplugged?") from None
    raise UserError(f"input device {device.name!r} has stopped: unplugged, or its sound server ended")


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

"""Which sound devices there are, and which one is meant: PortAudio's, and behind a sound server the server's own.

sounddevice is imported only here and only when needed, since it fails without PortAudio.
"""

import os
from dataclasses import dataclass
from typing import Any

from listener.errors import UserError
from listener.sound import server
from listener.sound.cards import card_of
from listener.sound.server import Line

THROUGH_SERVER = "pulse"
"""The PortAudio device (ALSA's plugin) that leads to the sound server; it goes where PULSE_SOURCE and PULSE_SINK say."""


@dataclass(frozen=True, slots=True)
class InputDevice:
    """A sound device that can listen. inputs: how many; native_rate_hz: what it prefers.

    stable_name: of a sound card, what stays the same after a reboot, as its number does not; else empty.
    """

    number: int
    name: str
    system: str
    inputs: int
    native_rate_hz: int
    is_default: bool
    stable_name: str = ""

    @property
    def title(self) -> str:
        """For messages."""
        return f"{self.name} [{self.stable_name}]" if self.stable_name else self.name


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
            stable_name=card.stable_name if (card := card_of(device["name"])) else "",
        )
        for number, device in enumerate(sd.query_devices())
        if device["max_input_channels"] > 0
    ]


def choose_input(devices: list[InputDevice], wanted: str | int | None) -> InputDevice:
    """The device meant by a number or a (part of a) name. An exact name comes before a part.

    Raises UserError that lists what there is when none or several are meant.
    """
    there = "; ".join(f"{d.number}: {d.title}" for d in devices) or "none"
    if wanted is None:
        found = [d for d in devices if d.is_default] or devices[:1]
    elif isinstance(wanted, int) or wanted.isdecimal():
        found = [d for d in devices if d.number == int(wanted)]
    else:
        name = wanted.casefold()
        found = [d for d in devices if name in (d.name.casefold(), d.stable_name.casefold())]
        found = found or [d for d in devices if name in f"{d.name}\n{d.stable_name}".casefold()]
    if len(found) == 1:
        return found[0]
    if not found:
        said = "no sound device can listen" if wanted is None else f"no input device {wanted!r}"
        raise UserError(f"{said}; plug it in, or choose one of these: {there}")
    several = ", ".join(f"{d.number}: {d.title}" for d in found)
    raise UserError(f"input device {wanted!r} may mean {several}; give its number or full name")


@dataclass(frozen=True, slots=True)
class Identity:
    """What a source is known by. name: stable, see server.stable_name and Card.stable_name; title: for people."""

    name: str
    title: str


class WrongSource(UserError):
    """Something else is there, or is connected, in place of the source that was there at first."""


@dataclass(frozen=True, slots=True)
class Chosen:
    """What to open: a PortAudio device, and if that leads to the sound server, the source there.

    identity: None where only the open stream shows what it is connected to.
    """

    device: InputDevice
    line: Line | None
    identity: Identity | None

    @property
    def inputs(self) -> int:
        """How many it has."""
        return self.line.channels if self.line else self.device.inputs

    @property
    def rate_hz(self) -> int:
        """The rate that it prefers."""
        return self.line.rate_hz if self.line else self.device.native_rate_hz

    @property
    def title(self) -> str:
        """For messages."""
        return self.identity.title if self.identity else self.device.name

    def aim(self) -> None:
        """Have PortAudio, in this process, open what was chosen."""
        if self.line:
            os.environ["PULSE_SOURCE"] = self.line.name


def find_input(wanted: str | int | None, before: Identity | None = None) -> Chosen:
    """What is meant by a number, by a name or a part of one, or by nothing (the default).

    A whole name of PortAudio's comes first (somebody wrote it into ALSA's configuration), then the sound server's sources,
    whole names before parts, then parts of PortAudio's names.
    before: what it was when it was first opened; nothing else will do, though it fits the name too.
    Raises UserError that lists what there is when none or several are meant, WrongSource when it is not `before`.
    """
    devices, lines = list_inputs(), server.sources()
    gate = next((d for d in devices if d.name == THROUGH_SERVER), None)
    if before and (same := _again(before, gate, devices, lines)):
        return same
    chosen = _find(wanted, gate, devices, lines)
    if before and chosen.identity and chosen.identity.name != before.name:
        raise WrongSource(f"{chosen.identity.title} is there instead of {before.title}")
    return chosen


def _again(before: Identity, gate: InputDevice | None, devices: list[InputDevice], lines: list[Line]) -> Chosen | None:
    line = next((x for x in lines if is_same(x, before)), None)
    if gate and line:
        return Chosen(gate, line, before)
    return next((Chosen(d, None, before) for d in devices if d.stable_name == before.name), None)


def _find(wanted: str | int | None, gate: InputDevice | None, devices: list[InputDevice], lines: list[Line]) -> Chosen:
    if wanted is None and gate and lines:
        return through_server(next((x for x in lines if x.is_default), lines[0]), gate, lines)
    if isinstance(wanted, str) and not wanted.isdecimal():
        whole = any(wanted.casefold() in (d.name.casefold(), d.stable_name.casefold()) for d in devices)
        line = None if whole else server.exactly(lines, wanted) or server.partly(lines, wanted)
        if line:
            return through_server(line, gate, lines)
        if lines and not any(wanted.casefold() in d.title.casefold() for d in devices):
            there = "; ".join(x.title for x in lines)
            raise UserError(f"no input device {wanted!r}; plug it in, or choose one of these: {there}")
    device = choose_input(devices, wanted)
    return Chosen(device, None, Identity(device.stable_name, device.title) if device.stable_name else None)


def through_server(line: Line, gate: InputDevice | None, lines: list[Line]) -> Chosen:
    """This source of the server, through ALSA's plugin for it. Raises UserError where that is missing."""
    if gate is None:
        raise UserError(
            f"{line.title} is behind a sound server, and ALSA's way to it is missing: install it (Debian: apt install "
            "libasound2-plugins)"
        )
    return Chosen(gate, line, identify(line, lines))


def identify(line: Line, lines: list[Line]) -> Identity:
    """What this source of the server is known by, among these."""
    alone = sum(x.description == line.description for x in lines) <= 1
    return Identity(server.stable_name(line, lines), line.description if alone else line.title)


def is_same(line: Line, identity: Identity) -> bool:
    """Whether this source of the server is the one that is known by this."""
    return identity.name in (line.name, line.place)

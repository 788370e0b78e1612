"""`listener devices`: which inputs there are, which of them has sound on it, and what the tone can sound on."""

import sys
import time
from dataclasses import dataclass

import numpy as np
from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from listener.errors import UserError
from listener.sound import server
from listener.sound.capture import Source, run_capture
from listener.sound.inputs import THROUGH_SERVER, list_inputs
from listener.sound.meter import FLOOR_DBOV, level_dbov
from listener.sound.outputs import list_outputs
from listener.sound.ring import Ring
from listener.sound.source import Lost, Opened
from listener.watch.parts.process import Child
from listener.watch.show.picture import meter_bar

_SHOWN_INPUTS = 8
_LONGEST_S = 10.0
_WINDOW_S = 0.2
_TO_THE_SERVER = (THROUGH_SERVER, "default", "pipewire", "sysdefault")


@dataclass(frozen=True, slots=True)
class Offered:
    """What can be written into the settings as `device`, and what it is."""

    device: str | int
    title: str
    system: str
    inputs: int
    rate_hz: int
    is_default: bool
    is_monitor: bool = False

    def heading(self) -> list[Text]:
        """What it is, and below it what to write."""
        written = f'"{self.device}"' if isinstance(self.device, str) else self.device
        return [
            Text(f"{'*' if self.is_default else ' '} {self.title}  ({self.system}, {self.inputs} inputs, {self.rate_hz} Hz)"),
            Text(f"       device: {written}"),
        ]


def offered_inputs() -> list[Offered]:
    """The sound server's sources, then PortAudio's devices that do not lead to the server."""
    lines = server.sources()
    found = [
        Offered(
            server.stable_name(x, lines), x.description, "sound server", x.channels, x.rate_hz, x.is_default, x.is_monitor
        )
        for x in lines
    ]
    for device in list_inputs():
        if not (lines and device.name in _TO_THE_SERVER):
            written = device.stable_name or device.number
            is_default = device.is_default and not lines
            found.append(Offered(written, device.name, device.system, device.inputs, device.native_rate_hz, is_default))
    return found


def offered_outputs() -> list[tuple[str, str]]:
    """What the tone can sound on: what to write as watch.tone.device, and its title. The default first."""
    lines = server.sinks()
    return [(server.stable_name(x, lines), x.description) for x in lines] or [(name, name) for name in list_outputs()]


def output_lines() -> list[Text]:
    """What the tone can sound on, with what to write as watch.tone.device."""
    lines = server.sinks()
    if lines:
        marks = ["*" if x.is_default else " " for x in lines]
        names = [f'{m} {x.description}\n       device: "{server.stable_name(x, lines)}"' for m, x in zip(marks, lines)]
    else:
        names = [f"  {name}" for name in list_outputs()]
    return [Text(line) for line in ["", "Outputs, for watch.tone.device:", *(names or ["  none"])]]


class _Listening:
    """One device, opened by a capture process as `watch` would; its levels, or why there are none."""

    def __init__(self, offered: Offered) -> None:
        self.offered = offered
        self.reason = "is being opened"
        self.has_sound = False
        self._ring: Ring | None = None
        self._lost = False
        inputs = tuple(range(1, min(offered.inputs, _SHOWN_INPUTS) + 1))
        self._child = Child(f"levels of {offered.device}", run_capture, Source(offered.device, inputs), None)

    @property
    def is_known(self) -> bool:
        """Its levels are known, or that it cannot be opened."""
        self._follow()
        ring = self._ring
        return self._lost or (ring is not None and ring.written >= ring.rate_hz)

    def _follow(self) -> None:
        for message in self._child.messages():
            match message:
                case Opened():
                    self._ring, self.reason = Ring.attach(message.ring_name), "gives no sound"
                case Lost(reason):
                    self.reason, self._lost = reason, True

    def levels(self) -> list[float]:
        """The level of each input over the last fifth of a second, dBov; empty while nothing comes."""
        self._follow()
        ring = self._ring
        if ring is None or ring.written < ring.rate_hz * _WINDOW_S:
            return []
        first = ring.written - round(ring.rate_hz * _WINDOW_S)
        return [level_dbov(ring.read(column, first, ring.written)) for column in range(ring.columns)]

    def lines(self) -> list[Text]:
        """The device, and a meter for each input that it gives sound for."""
        self._follow()
        lines = self.offered.heading()
        ring = self._ring
        if ring is None or ring.written < ring.rate_hz * _WINDOW_S:
            return [*lines, Text(f"       {self.reason}")]
        silent = []
        for column in range(ring.columns):
            sound = ring.read(column, ring.written - round(ring.rate_hz * _WINDOW_S), ring.written)
            level = level_dbov(sound)
            if level <= FLOOR_DBOV:
                silent.append(column + 1)
                continue
            peak = 20 * np.log10(max(float(np.abs(sound).max()), 1e-6))
            lines.append(Text(f"       input {column + 1:<2}  ").append_text(meter_bar(level, peak)))
        if silent:
            lines.append(Text(f"       {_inputs(silent)}: no sound"))
        self.has_sound = len(silent) < ring.columns
        return lines

    def close(self) -> None:
        self._child.kill()
        if self._ring:
            self._ring.free()


@dataclass(frozen=True, slots=True)
class Measured:
    """How loud an input was: the loudest and the quietest fifth of a second, dBov (FLOOR_DBOV: no sound).

    why: why nothing was heard, where that is known.
    """

    offered: Offered
    input: int
    loudest_dbov: float
    quietest_dbov: float
    why: str = ""

    @property
    def has_sound(self) -> bool:
        """Something came that is no silence."""
        return self.loudest_dbov > FLOOR_DBOV


def measure_inputs(offered: list[Offered], seconds: float) -> list[Measured]:
    """Listen to all of them at once, as `watch` would, for so long; each input with its levels, in the order given."""
    found = [_Listening(device) for device in offered]
    try:
        ends_s = time.monotonic() + _LONGEST_S
        while time.monotonic() < ends_s and not all(one.is_known for one in found):
            time.sleep(0.1)
        levels: dict[tuple[int, int], list[float]] = {}
        ends_s = time.monotonic() + seconds
        while time.monotonic() < ends_s:
            time.sleep(_WINDOW_S)
            for n, one in enumerate(found):
                for column, level in enumerate(one.levels()):
                    levels.setdefault((n, column), []).append(level)
        measured = []
        for n, one in enumerate(found):
            own = [values for (which, _), values in levels.items() if which == n]
            measured += [Measured(one.offered, i, max(values), min(values)) for i, values in enumerate(own, 1)]
            if not own:
                measured.append(Measured(one.offered, 1, FLOOR_DBOV, FLOOR_DBOV, one.reason))
        return measured
    finally:
        for one in found:
            one.close()


def _inputs(numbers: list[int]) -> str:
    """Input numbers for people: "input 3", "inputs 2-8", "inputs 1, 3-8"."""
    runs: list[list[int]] = []
    for number in numbers:
        if runs and number == runs[-1][-1] + 1:
            runs[-1].append(number)
        else:
            runs.append([number])
    said = ", ".join(str(run[0]) if len(run) == 1 else f"{run[0]}-{run[-1]}" for run in runs)
    return f"input{'s' if len(numbers) > 1 else ''} {said}"


def show_devices(seconds: float) -> None:
    """Print inputs and outputs; with seconds > 0 also the inputs' levels: live on a terminal, else once after some seconds.

    Raises UserError when there is none.
    """
    devices = offered_inputs()
    if not devices:
        raise UserError("no sound device can listen; plug one in and try again")
    console = Console(highlight=False, soft_wrap=not sys.stdout.isatty())
    if seconds <= 0:
        for device in devices:
            console.print(Group(*device.heading()))
        console.print(Group(*output_lines()))
        return
    found = [_Listening(device) for device in devices]
    try:
        if console.is_terminal:
            console.print(Group(*output_lines()))
            _live(console, found, seconds)
        else:
            ends_s = time.monotonic() + _LONGEST_S
            while time.monotonic() < ends_s and not all(one.is_known for one in found):
                time.sleep(0.1)
            for line in [*(line for one in found for line in one.lines()), *output_lines()]:
                console.print(line)
    except KeyboardInterrupt:
        pass
    finally:
        for one in found:
            one.close()


def _live(console: Console, found: list[_Listening], seconds: float) -> None:
    ends_s = time.monotonic() + seconds
    with Live(console=console, auto_refresh=False) as live:
        while (left_s := ends_s - time.monotonic()) > 0:
            live.update(_picture(found, console.width, console.height, left_s), refresh=True)
            time.sleep(0.15)


def _picture(found: list[_Listening], width: int, height: int, left_s: float) -> Group:
    """All devices, or only those with sound where the terminal has not room for all."""
    told = [(one, one.lines()) for one in found]
    foot = [f"* default   talk on the radio and see which bar moves   Ctrl-C ends, or {left_s:.0f} s"]
    if sum(1 + len(line) // width for _, lines in told for line in lines) > height - 2:
        quiet = sum(not one.has_sound for one, _ in told)
        told = [(one, lines) for one, lines in told if one.has_sound]
        foot = [f"{quiet} devices without sound are not shown: this terminal is too small", *foot]
    return Group(*[line for _, lines in told for line in lines], *[Text(line, style="dim") for line in foot])

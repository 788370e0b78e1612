"""`listener devices`: which inputs there are, and which of them has sound on it."""

import time

import numpy as np
from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from listener.errors import UserError
from listener.sound.capture import InputDevice, Lost, Opened, Source, list_inputs, run_capture
from listener.sound.meter import FLOOR_DBOV, level_dbov
from listener.sound.ring import Ring
from listener.watch.process import Child
from listener.watch.view import meter_bar

_SHOWN_INPUTS = 8
_LONGEST_S = 10.0
_WINDOW_S = 0.2


class _Listening:
    """One device, opened by a capture process as `watch` would; its levels, or why there are none."""

    def __init__(self, device: InputDevice) -> None:
        self.device = device
        self.reason = "is being opened"
        self._ring: Ring | None = None
        self._lost = False
        inputs = tuple(range(1, min(device.inputs, _SHOWN_INPUTS) + 1))
        self._child = Child(f"levels of {device.number}", run_capture, Source(device.number, inputs), None)

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

    def lines(self) -> list[Text]:
        """The device, and a meter for each input that it gives sound for."""
        self._follow()
        lines = [_heading(self.device)]
        ring = self._ring
        if ring is None or ring.written < ring.rate_hz * _WINDOW_S:
            return [*lines, Text(f"       {self.reason}")]
        for column in range(ring.columns):
            sound = ring.read(column, ring.written - round(ring.rate_hz * _WINDOW_S), ring.written)
            peak = max(FLOOR_DBOV, 20 * np.log10(max(float(np.abs(sound).max()), 1e-6)))
            lines.append(Text(f"       input {column + 1}  ").append_text(meter_bar(level_dbov(sound), peak)))
        return lines

    def close(self) -> None:
        self._child.kill()
        if self._ring:
            self._ring.free()


def _heading(d: InputDevice) -> Text:
    return Text(f"{'*' if d.is_default else ' '} {d.number:>3}  {d.name}  ({d.system}, {d.inputs} inputs, {d.native_rate_hz} Hz)")


def show_devices(seconds: float) -> None:
    """Print the inputs; with seconds > 0 also their levels: live on a terminal, else once after some seconds.

    Raises UserError when there is none.
    """
    devices = list_inputs()
    if not devices:
        raise UserError("no sound device can listen; plug one in and try again")
    console = Console(highlight=False, soft_wrap=True)
    if seconds <= 0:
        for device in devices:
            console.print(_heading(device))
        return
    found = [_Listening(device) for device in devices]
    try:
        if console.is_terminal:
            _live(console, found, seconds)
        else:
            ends_s = time.monotonic() + _LONGEST_S
            while time.monotonic() < ends_s and not all(one.is_known for one in found):
                time.sleep(0.1)
            for line in (line for one in found for line in one.lines()):
                console.print(line)
    except KeyboardInterrupt:
        pass
    finally:
        for one in found:
            one.close()


def _live(console: Console, found: list[_Listening], seconds: float) -> None:
    ends_s = time.monotonic() + seconds
    with Live(console=console, auto_refresh=False) as live:
        while time.monotonic() < ends_s:
            foot = Text("* default   talk on the radio and see which bar moves   Ctrl-C ends", style="dim")
            live.update(Group(*[line for one in found for line in one.lines()], foot), refresh=True)
            time.sleep(0.15)

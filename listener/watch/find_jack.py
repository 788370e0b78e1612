"""`listener devices`: which inputs there are, and which of them has sound on it."""

import sys
import time
from dataclasses import dataclass, field
from typing import Any

import numpy as np
from numpy.typing import NDArray
from rich.console import Console, Group
from rich.live import Live
from rich.text import Text

from listener.errors import UserError
from listener.sound.capture import BLOCK_S, InputDevice, list_inputs, sound_library
from listener.sound.meter import FLOOR_DBOV
from listener.watch.view import meter_bar

_SHOWN_INPUTS = 8
_LISTEN_S = 2.0


@dataclass
class _Levels:
    """The loudest level of each input of one device since it was last shown; or why there is none."""

    device: InputDevice
    level_dbov: list[float] = field(default_factory=list)
    peak_dbov: list[float] = field(default_factory=list)
    reason: str = ""
    _stream: Any = None

    def open(self) -> None:
        sd = sound_library()
        channels = min(self.device.inputs, _SHOWN_INPUTS)
        self.level_dbov = [FLOOR_DBOV] * channels
        self.peak_dbov = [FLOOR_DBOV] * channels
        try:
            self._stream = sd.InputStream(
                device=self.device.number, channels=channels, dtype="float32", callback=self._take,
                blocksize=round(self.device.native_rate_hz * 5 * BLOCK_S),
            )  # fmt: skip
            self._stream.start()
        except sd.PortAudioError as error:
            self.reason = f"cannot be opened now: {error.args[0] if error.args else error}"

    def _take(self, sound: NDArray[np.float32], frames: int, when: object, flags: object) -> None:
        power = np.mean(np.square(sound, dtype=np.float64), axis=0)
        self.level_dbov = list(np.maximum(FLOOR_DBOV, 10 * np.log10(np.maximum(power, 1e-13))))
        self.peak_dbov = list(np.maximum(FLOOR_DBOV, 20 * np.log10(np.maximum(np.abs(sound).max(axis=0), 1e-6))))

    def close(self) -> None:
        if self._stream is not None:
            self._stream.abort()
            self._stream.close()

    def lines(self) -> list[Text]:
        d = self.device
        mark = "*" if d.is_default else " "
        lines = [Text(f"{mark} {d.number:>3}  {d.name}  ({d.system}, {d.inputs} inputs, {d.native_rate_hz} Hz)")]
        if self.reason:
            lines.append(Text(f"       {self.reason}"))
        for number, (level, peak) in enumerate(zip(self.level_dbov, self.peak_dbov, strict=True), 1):
            if self._stream is not None:
                lines.append(Text(f"       input {number}  ").append_text(meter_bar(level, peak)))
        return lines


def show_devices(seconds: float) -> None:
    """Print the inputs; with seconds > 0 also their levels: live on a terminal, else once after two seconds.

    Raises UserError when there is none.
    """
    found = [_Levels(device) for device in list_inputs()]
    if not found:
        raise UserError("no sound device can listen; plug one in and try again")
    console = Console(highlight=False)
    if seconds <= 0:
        for one in found:
            console.print(*one.lines())
        return
    for one in found:
        one.open()
    try:
        if console.is_terminal:
            _live(console, found, seconds)
        else:
            time.sleep(_LISTEN_S)
            for one in found:
                for line in one.lines():
                    console.print(line)
    finally:
        for one in found:
            one.close()


def _live(console: Console, found: list[_Levels], seconds: float) -> None:
    ends_s = time.monotonic() + seconds
    try:
        with Live(console=console, auto_refresh=False, transient=False) as live:
            while time.monotonic() < ends_s:
                foot = Text("* default   talk on the radio and see which bar moves   Ctrl-C ends", style="dim")
                live.update(Group(*[line for one in found for line in one.lines()], foot), refresh=True)
                time.sleep(0.15)
    except KeyboardInterrupt:
        sys.stdout.flush()

"""The alert tone: a sound for people, in a process of its own so that a hanging sound card hurts nobody."""

import os
from multiprocessing.connection import Connection
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.settings.watch import ToneSettings
from listener.sound.inputs import sound_library
from listener.sound.outputs import find_output
from listener.sound.source import Lost

PART_S = 0.25
PAUSE_S = 0.5
_RAMP_S = 0.008
_BLIND_PART_S = 0.5
_BLIND_RAMP_S = 0.05
_BUFFER_S = 0.5  # a busy machine may hold this process up for some tenths of a second


def alert_tone(settings: ToneSettings, rate_hz: int) -> NDArray[np.float32]:
    """One round of the tone: high, low, and a pause; float32, shape (rate_hz,). Plays on and on without clicks.

    level_db is the peak of each part relative to full scale.
    """
    t = np.arange(round(PART_S * rate_hz)) / rate_hz
    ramp = np.minimum(1.0, np.minimum(t, t[::-1]) / _RAMP_S)
    peak = 10 ** (settings.level_db / 20)
    parts = [peak * ramp * np.sin(2 * np.pi * hz * t) for hz in (settings.high_hz, settings.low_hz)]
    return np.concatenate([*parts, np.zeros(round(PAUSE_S * rate_hz))]).astype(np.float32)


def blind_signal(settings: ToneSettings, rate_hz: int) -> NDArray[np.float32]:
    """One round of the blind signal: one low tone, twice, then a pause; float32, shape (2 * rate_hz,).

    Softer, lower and slower than the alert: nobody should take one for the other.
    """
    t = np.arange(round(_BLIND_PART_S * rate_hz)) / rate_hz
    ramp = np.minimum(1.0, np.minimum(t, t[::-1]) / _BLIND_RAMP_S)
    part = 10 ** (settings.blind_level_db / 20) * ramp * np.sin(2 * np.pi * settings.blind_hz * t)
    out = np.zeros(2 * rate_hz)
    for begins_s in (0.0, 0.8):
        first = round(begins_s * rate_hz)
        out[first : first + len(part)] = part
    return out.astype(np.float32)


def run_tone(link: Connection, settings: ToneSettings, monitored: list[str | int | None]) -> None:
    """The body of the tone process: "alert" and "blind" sound until "silence" or the other; "stop" ends the process.

    Sends Lost and ends when the device cannot be used.
    """
    told: object = "silence"
    try:
        while told != "stop":
            told = _play(link, settings, monitored, str(told)) if told in ("alert", "blind") else link.recv()
    except EOFError:
        return
    except UserError as error:
        link.send(Lost(str(error)))


def _play(link: Connection, settings: ToneSettings, monitored: list[str | int | None], signal: str) -> object:
    """Sound it until told something else; gives what was told."""
    output = find_output(settings, monitored)
    output.aim()
    tone = alert_tone(settings, output.rate_hz) if signal == "alert" else blind_signal(settings, output.rate_hz)
    sd = sound_library()
    at = 0

    def give(out: NDArray[np.float32], frames: int, when: object, flags: Any) -> None:
        nonlocal at
        out[:, 0] = tone[(at + np.arange(frames)) % len(tone)]
        at += frames

    try:
        stream = sd.OutputStream(
            device=output.number, channels=1, samplerate=output.rate_hz, dtype="float32", latency=_BUFFER_S, callback=give
        )
        with stream:
            while (told := link.recv()) == signal:
                pass
            if told == "stop":
                os._exit(0)  # a sound card may hang while it is closed
            stream.abort()  # what is still in the buffer must not sound
            return told
    except sd.PortAudioError as error:
        said = error.args[0] if error.args else str(error)
        raise UserError(f"tone: the output device cannot be used: {said}; set watch.tone.device") from None

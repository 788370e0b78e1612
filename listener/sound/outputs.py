"""Which output the tone sounds on: PortAudio's devices, and behind a sound server the server's own."""

import os
from dataclasses import dataclass

from listener.errors import UserError
from listener.settings.watch import ToneSettings
from listener.sound import server
from listener.sound.inputs import THROUGH_SERVER, Chosen, find_input, sound_library
from listener.sound.server import Line


@dataclass(frozen=True, slots=True)
class Output:
    """What to open: a PortAudio device, and if that leads to the sound server, the sink there."""

    number: int
    name: str
    rate_hz: int
    line: Line | None

    def aim(self) -> None:
        """Have PortAudio, in this process, open what was chosen."""
        if self.line:
            os.environ["PULSE_SINK"] = self.line.name


def list_outputs() -> list[str]:
    """PortAudio's output devices by name."""
    return [device["name"] for device in sound_library().query_devices() if device["max_output_channels"] > 0]


def find_output(settings: ToneSettings, monitored: list[str | int | None]) -> Output:
    """What is meant by watch.tone.device: as for an input, see inputs.find_input.

    Raises UserError when there is none, when several are meant, and when it is listened to and that was not allowed.
    """
    output = _find(settings.device)
    if not settings.on_monitored_device and _is_listened_to(output, monitored):
        raise UserError(
            f"tone: output device {output.name!r} is also listened to, and would be heard as radio; "
            "set watch.tone.device to another, or watch.tone.on_monitored_device: true"
        )
    return output


def is_listened_to(device: str, monitored: list[str | int | None]) -> bool:
    """Whether what is played on this output comes in on one of these inputs. Raises UserError for an output that is none."""
    return _is_listened_to(_find(device), monitored)


def _is_listened_to(output: Output, monitored: list[str | int | None]) -> bool:
    for source in monitored:
        try:
            chosen = find_input(source)
        except UserError:
            continue  # a monitored device that is not there cannot be the output
        if _is_heard(output, chosen):
            return True
    return False


def _find(wanted: str | int | None) -> Output:
    sd = sound_library()
    names = {name.casefold() for name in list_outputs()}
    if wanted is None or (isinstance(wanted, str) and not wanted.isdecimal() and wanted.casefold() not in names):
        lines = server.sinks()
        gate = THROUGH_SERVER if THROUGH_SERVER in names else None
        try:
            line = _line(wanted, lines)
        except UserError as error:
            raise UserError(f"tone: {error}; set watch.tone.device") from None
        if line and gate:
            device = sd.query_devices(gate, "output")
            return Output(int(device["index"]), line.description, line.rate_hz, line)
    try:
        device = sd.query_devices(int(wanted) if isinstance(wanted, str) and wanted.isdecimal() else wanted, "output")
    except (ValueError, sd.PortAudioError) as error:
        said = error.args[0] if error.args else str(error)
        raise UserError(f"tone: no output device {wanted or 'by default'}: {said}; set watch.tone.device") from None
    return Output(int(device["index"]), str(device["name"]), round(device["default_samplerate"]), None)


def _line(wanted: str | int | None, lines: list[Line]) -> Line | None:
    if wanted is None:
        return next((x for x in lines if x.is_default), None)
    return server.exactly(lines, str(wanted)) or server.partly(lines, str(wanted))


def _is_heard(output: Output, chosen: Chosen) -> bool:
    """Whether what is played there comes in here: the same device or card, or the monitor of this output."""
    one, other = output.line, chosen.line
    if one is None or other is None:
        return one is other and output.number == chosen.device.number
    return other.name == one.monitor or (one.card is not None and one.card == other.card)

"""What an installation is asked about: which input the radio is on, which output the tone is to have, and the rest."""

import sys
from collections.abc import Callable, Sequence

from listener.errors import UserError
from listener.watch.devices import Measured, measure_inputs, offered_inputs, offered_outputs
from listener.watch.show.picture import meter_bar

LISTEN_S = 6.0
Ask = Callable[[str, str], str]
"""Asks a person a question, with what is taken if they just press Enter."""


def loudest(measured: Sequence[Measured]) -> Measured | None:
    """The input that most likely has the radio: what has sound, outputs' monitors only where nothing else has any; of
    those the loudest, and of equal ones (both sides of a plug) the first. None where no input has any.
    """
    with_sound = [one for one in measured if one.has_sound]
    with_sound = [one for one in with_sound if not one.offered.is_monitor] or with_sound
    return max(with_sound, key=lambda one: round(one.loudest_dbov), default=None)


def source_by_level(ask: Ask | None) -> Measured:
    """Listens to every input and takes the loudest, or the one that a person names by its number. Shows all on stderr.

    Raises UserError where there is no input, or none has sound.
    """
    offered = offered_inputs()
    if not offered:
        raise UserError(
            "no sound device can listen: plug one in, or name a radio on the network with --source rtp:ADDRESS:PORT"
        )
    _say(f"Listening to every input for {LISTEN_S:.0f} s: have somebody talk on the radio.")
    measured = measure_inputs(offered, LISTEN_S)
    best = loudest(measured)
    for number, one in enumerate(measured, 1):
        mark = "*" if one is best else " "
        meter = meter_bar(one.loudest_dbov, one.loudest_dbov, 20).plain if one.has_sound else one.why or "no sound"
        _say(f"{mark}{number:3}  {one.offered.title}, input {one.input}   {meter}")
    if ask:
        words = ask("Which one is the radio? Its number", str(measured.index(best) + 1) if best else "")
        if not words.isdecimal() or not 1 <= int(words) <= len(measured):
            raise UserError(f"{words!r}: is none of the numbers; 'listener devices' shows the inputs as long as you like")
        return measured[int(words) - 1]
    if best is None:
        raise UserError(
            "no input has any sound on it: open the squelch or have somebody talk and try again, or name one with --source "
            "('listener devices' lists them)"
        )
    return best


def speaker(ask: Ask) -> str | None:
    """The output that a person chooses; "none" for no tone, None for the default."""
    outputs = offered_outputs()
    for number, (_, title) in enumerate(outputs, 1):
        _say(f"{number:4}  {title}")
    words = ask("Which one is the tone to sound on? Its number, or none", "1" if outputs else "none")
    if words == "none":
        return words
    if not words.isdecimal() or not 1 <= int(words) <= len(outputs):
        raise UserError(f"{words!r}: is none of the numbers, nor none")
    return outputs[int(words) - 1][0]


def _say(line: str) -> None:
    print(line, file=sys.stderr, flush=True)

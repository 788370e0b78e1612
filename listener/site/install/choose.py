"""What an installation is asked about: which input the radio is on, which output the tone is to have, and the rest."""

import sys
from collections import Counter
from collections.abc import Callable, Sequence
from itertools import groupby
from pathlib import Path
from typing import TypeVar

from listener.errors import UsageError, UserError
from listener.settings import plain_words
from listener.site.install.carry_out import check_station
from listener.sound.outputs import is_listened_to
from listener.watch.devices import Measured, measure_inputs, offered_inputs, offered_outputs
from listener.watch.show.picture import meter_bar

LISTEN_S = 6.0
_SILENT_LINES = 2
"""So many silent inputs of a device have a line each; of more only the first has one."""
Ask = Callable[[str, str], str]
"""Asks a person a question, with what is taken if they just press Enter."""
T = TypeVar("T")


def until_understood(ask: Ask, question: str, usual: str, understood: Callable[[str], T]) -> T:
    """Ask again and again until `understood` takes the answer; the UserError that it raises is told."""
    while True:
        try:
            return understood(ask(question, usual))
        except UserError as error:
            say(f"   {error}")


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
    say(f"Listening to every input for {LISTEN_S:.0f} s: have somebody talk on the radio.")
    measured = measure_inputs(offered, LISTEN_S)
    best, told = loudest(measured), _shown(measured)
    titles = _told_apart([(str(one.offered.device), one.offered.title) for one in told])
    for number, (one, title) in enumerate(zip(told, titles, strict=True), 1):
        mark = "*" if one is best else " "
        meter = meter_bar(one.loudest_dbov, one.loudest_dbov, 20).plain if one.has_sound else "no sound"
        say(f"{mark}{number:3}  {title}, input {one.input}   {meter}")
    for one in (one for one in measured if one.why):
        say(f"   -  {one.why}")
    if ask:
        usual = str(told.index(best) + 1) if best else ""
        return told[until_understood(ask, "Which one is the radio? Its number", usual, lambda words: _one_of(words, len(told)))]
    if best is None:
        raise UserError(
            "no input has any sound on it: open the squelch or have somebody talk and try again, or name one with --source "
            "('listener devices' lists them)"
        )
    return best


def _shown(measured: Sequence[Measured]) -> list[Measured]:
    """What can be chosen: inputs that were opened, of a device with many silent ones not each of these."""
    found: list[Measured] = []
    for _, inputs in groupby((one for one in measured if not one.why), key=lambda one: one.offered):
        own = list(inputs)
        silent = [one for one in own if not one.has_sound]
        hidden = silent[1:] if len(silent) > _SILENT_LINES else []
        found += [one for one in own if one not in hidden]
    return found


def _told_apart(named: Sequence[tuple[str, str]]) -> list[str]:
    """Titles of devices; with the name that is written into the settings where different devices have the same title."""
    count = Counter(title for _, title in set(named))
    return [f"{title} ({name})" if count[title] > 1 else title for name, title in named]


def _one_of(words: str, count: int) -> int:
    """A number from 1 on as an index. Raises UserError."""
    if not words.isdecimal() or not 1 <= int(words) <= count:
        raise UserError(f"{words!r}: is none of the numbers 1 to {count}; 'listener devices' shows the levels live")
    return int(words) - 1


def speaker(ask: Ask, source: str | int | None) -> str | None:
    """The output that a person chooses; "none" for no tone. source: what is listened to, whose own output is not taken."""
    outputs = offered_outputs()
    heard = [is_listened_to(name, [source]) for name, _ in outputs]
    for number, (title, is_heard) in enumerate(zip(_told_apart(outputs), heard, strict=True), 1):
        say(f"{number:4}  {title}{'   is listened to: no tone there' if is_heard else ''}")

    def understood(words: str) -> str:
        if words == "none":
            return words
        chosen = _one_of(words, len(outputs))
        if heard[chosen]:
            raise UserError(f"{words}: is listened to, so the tone would be heard as radio; choose another, or none")
        return outputs[chosen][0]

    usual = str(heard.index(False) + 1) if False in heard else "none"
    return until_understood(ask, "Which one is the tone to sound on? Its number, or none", usual, understood)


def phrase(words: str) -> str:
    """Raises UsageError for nothing at all."""
    if not words.split():
        raise UsageError("a phrase has at least one word")
    return plain_words(words)


def port(words: str) -> int:
    """Raises UsageError for what is no port."""
    if not words.isdecimal() or not 1 <= int(words) <= 65_535:
        raise UsageError(f"{words!r}: is no port; the usual one is 8765")
    return int(words)


def folder(words: str) -> Path:
    """Whole, and fit for a journal. Raises UserError for one that is not."""
    path = Path(words).expanduser().absolute()
    check_station(path)
    return path


def say(line: str) -> None:
    """To the person, beside what the command prints."""
    print(line, file=sys.stderr, flush=True)

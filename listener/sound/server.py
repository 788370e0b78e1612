"""What the sound server (PulseAudio, or PipeWire in its place) says: its sources and sinks, and which of them a stream
of ours is connected to.

It is only asked. A server moves streams by itself when a device goes away, so what was asked for says nothing about
what is heard. Everything here is empty where there is no server, or no libpulse.
"""

import os
import re
import time
import uuid
from collections.abc import Callable, Iterator
from contextlib import contextmanager, suppress
from dataclasses import dataclass
from typing import Any

from listener.errors import UserError

_LOOK_S = 0.5
_TOKEN = "launch-listener.stream"
_NOWHERE = 0xFFFFFFFF  # PulseAudio's PA_INVALID_INDEX
_STAND_IN = "auto_null.monitor"  # of the silent output that PulseAudio and PipeWire make while there is no other


@dataclass(frozen=True, slots=True)
class Line:
    """A source or a sink of the server.

    name: the server's own, the same after a reboot and a re-plug; description: for people; place: the socket of the
    computer that it is plugged into (udev's path), empty if the server does not know; card: the number of its sound
    card, None if it has none; monitor: of a sink, the source that gives what is played there; is_monitor: it is one.
    """

    index: int
    name: str
    description: str
    place: str
    channels: int
    rate_hz: int
    card: int | None
    monitor: str
    is_monitor: bool
    is_default: bool

    @property
    def is_stand_in(self) -> bool:
        """Nothing: what the server has in the place of devices while there are none."""
        return self.name == _STAND_IN

    @property
    def title(self) -> str:
        """For messages: the description with the name that tells it from any other."""
        return f"{self.description} ({self.name})"


def sources() -> list[Line]:
    """What can be listened to, the default first, monitors of outputs last; empty without a server."""
    with _server() as pulse:
        if pulse is None:
            return []
        default = pulse.server_info().default_source_name
        return _sorted([_line(one, default) for one in pulse.source_list() if one.name != _STAND_IN])


def sinks() -> list[Line]:
    """What can be played on, the default first; empty without a server."""
    with _server() as pulse:
        if pulse is None:
            return []
        default = pulse.server_info().default_sink_name
        return _sorted([_line(one, default) for one in pulse.sink_list()])


def stable_name(line: Line, lines: list[Line]) -> str:
    """What to write into the settings, so that the same device is meant after a reboot and a re-plug.

    The server's name; but devices that tell it nothing to know them apart are numbered in the order in which they
    were plugged in, and then it is the place.
    """
    twins = [other for other in lines if _unnumbered(other.name) == _unnumbered(line.name)]
    at_place = [other for other in lines if other.place == line.place]
    return line.place if len(twins) > 1 and line.place and len(at_place) == 1 else line.name


def exactly(lines: list[Line], wanted: str) -> Line | None:
    """The line with this name, place or description, if just one has it."""
    return _only([x for x in lines if wanted.casefold() in (x.name.casefold(), x.place.casefold())]) or _only(
        [x for x in lines if x.description.casefold() == wanted.casefold()]
    )


def partly(lines: list[Line], wanted: str) -> Line | None:
    """The line in whose description, name or place this stands; monitors count only if no other has it.

    Raises UserError when several have.
    """
    part = wanted.casefold()
    found = [x for x in lines if part in f"{x.description}\n{x.name}\n{x.place}".casefold()]
    found = [x for x in found if not x.is_monitor] or found
    if len(found) > 1:
        several = "; ".join(f"{x.description}: {stable_name(x, lines)}" for x in found)
        raise UserError(f"device {wanted!r} may mean any of these, give the name behind the colon: {several}")
    return _only(found)


def mark_streams() -> str:
    """Have the streams that this process opens from now on bear a mark, by which follow() knows them; gives it."""
    mark = uuid.uuid4().hex
    os.environ["PULSE_PROP"] = f"{os.environ.get('PULSE_PROP', '')} {_TOKEN}={mark}".strip()
    return mark


def connected_source(mark: str, wait_s: float = 0.0) -> Line | None:
    """The source that the marked recording stream is connected to now; None without a server or such a stream.

    wait_s: how long a stream that is not there yet is waited for.
    """
    ends_s = time.monotonic() + wait_s
    while True:
        with _server() as pulse:
            line = _connected(pulse, mark) if pulse else None
        if line or time.monotonic() >= ends_s:
            return line
        time.sleep(0.05)


def follow(mark: str, tell: Callable[[Line | None], bool]) -> None:
    """tell(the source that the marked stream is connected to) twice a second and whenever the server moves anything.

    For a thread of its own. Returns when tell gives False. A server that goes away is looked for again.
    """
    while True:
        with suppress(UserError), _server() as pulse:
            if pulse:
                _follow(pulse, mark, tell)
                return
        time.sleep(_LOOK_S)


def _follow(pulse: Any, mark: str, tell: Callable[[Line | None], bool]) -> None:
    """Until tell gives False; raises what pulsectl does when the server goes away."""
    import pulsectl

    is_listening = has_news = False

    def on_event(event: object) -> None:
        nonlocal has_news
        has_news = True
        if is_listening:  # in the middle of a question it must not be broken off
            raise pulsectl.PulseLoopStop

    pulse.event_callback_set(on_event)
    pulse.event_mask_set("source", "source_output")
    while tell(_connected(pulse, mark)):
        if not has_news:
            is_listening = True
            pulse.event_listen(timeout=_LOOK_S)
            is_listening = False
        has_news = False


def _connected(pulse: Any, mark: str) -> Line | None:
    streams = [s for s in pulse.source_output_list() if s.proplist.get(_TOKEN) == mark]
    if not streams:
        return None
    newest = max(streams, key=lambda s: s.index)
    return next((_line(s, "") for s in pulse.source_list() if s.index == newest.source), None)


def _sorted(lines: list[Line]) -> list[Line]:
    return sorted(lines, key=lambda x: (x.is_monitor, not x.is_default, x.index))


def _line(one: Any, default: str) -> Line:
    owner = getattr(one, "monitor_of_sink", _NOWHERE)
    is_monitor = owner != _NOWHERE
    return Line(
        index=one.index,
        name=one.name,
        description=one.description or one.name,
        place="" if is_monitor else one.proplist.get("device.bus_path", ""),
        channels=one.channel_count,
        rate_hz=one.sample_spec.rate,
        card=None if one.card == _NOWHERE else one.card,
        monitor=getattr(one, "monitor_source_name", "") or "",
        is_monitor=is_monitor,
        is_default=one.name == default,
    )


@contextmanager
def _server() -> Iterator[Any]:
    """A connection to the server, or None where there is none."""
    try:
        import pulsectl
    except OSError:  # no libpulse
        yield None
        return
    pulse = pulsectl.Pulse("launch-listener", connect=False)
    try:
        try:
            pulse.connect(autospawn=False)  # its timeout is always waited for to the end
        except pulsectl.PulseError:
            yield None
            return
        yield pulse
    except (pulsectl.PulseError, pulsectl.PulseDisconnected) as error:
        raise UserError(f"the sound server went away while it was asked: {error}") from None
    finally:
        pulse.close()


def _only(lines: list[Line]) -> Line | None:
    return lines[0] if len(lines) == 1 else None


def _unnumbered(name: str) -> str:
    return re.sub(r"\.\d+$", "", name)

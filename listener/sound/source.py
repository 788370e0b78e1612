"""What a source of sound is, whatever it is connected to, and what its process tells the one who supervises it."""

import os
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Protocol

from listener.sound.inputs import Identity
from listener.sound.ring import Ring

RING_S = 40.0
"""How much sound is kept: enough for an evidence clip and a restart of the recogniser."""


class Source(Protocol):
    """A sound card, a file, a radio on the network, a pipe: each fills a ring in a process of its own."""

    @property
    def title(self) -> str:
        """The source as people know it, for messages."""

    @property
    def inputs(self) -> tuple[int, ...]:
        """Which inputs of it are listened to, counted from 1: the ring's columns."""

    @property
    def tells_itself(self) -> bool:
        """It says by LineState why no sound comes, and goes on by itself; else a long silence has it opened anew."""

    @property
    def ends(self) -> bool:
        """It may end in order, as a file does that is not played over and over."""

    def run(self, link: Connection, ring_name: str | None) -> None:
        """The body of its process: fill a ring (this one, if it fits) until told to stop. Sends what stands below."""


class Unending:
    """What pipes, streams and radios on the network share: they say themselves when nothing comes, and never end in order."""

    __slots__ = ()

    @property
    def tells_itself(self) -> bool:
        """It says when nothing comes."""
        return True

    @property
    def ends(self) -> bool:
        """Its sender may break off, and go on."""
        return False


@dataclass(frozen=True, slots=True)
class Opened:
    """A capture process has opened its source. identity: what it is really connected to, None where nothing tells."""

    ring_name: str
    rate_hz: int
    device_name: str
    identity: Identity | None = None


@dataclass(frozen=True, slots=True)
class Lost:
    """A capture process could not open its source, or lost it. It ends after this. code: as in health.Reason."""

    reason: str
    code: str = "device_gone"


@dataclass(frozen=True, slots=True)
class LineState:
    """How a source that can tell is: sent at least twice a second.

    reasons: code and sentence for each thing that makes it blind. line: its health in a line for people.
    squelch_open: what the radio says of its squelch, None if it says nothing.
    """

    reasons: tuple[tuple[str, str], ...]
    line: str
    squelch_open: bool | None = None


@dataclass(frozen=True, slots=True)
class Unheard:
    """Frames [first, after) hold no sound of the radio's (silence or what conceals a loss); seconds: how much of it."""

    first: int
    after: int
    seconds: float
    why: str


@dataclass(frozen=True, slots=True)
class Transmission:
    """The radio says that a transmission begins, or has ended, at this frame. what: "squelch" or "ptt"; detail: which."""

    what: str
    begins: bool
    frame: int
    detail: str = ""


def next_ring(name: str | None, rate_hz: int, columns: int) -> Ring:
    """The ring to go on in, with the time since its last sound as a hole; or a new one, if it does not fit."""
    if name:
        old = Ring.attach(name)
        if (old.rate_hz, old.columns) == (rate_hz, columns):
            if old.written_ns:
                old.skip(round((time.monotonic_ns() - old.written_ns) * 1e-9 * rate_hz))
            return old
        old.close()
    return Ring.create(rate_hz, columns, RING_S)


def told_to_stop(link: Connection) -> bool:
    """True when the supervisor said stop or is gone."""
    try:
        return link.poll() and link.recv() == "stop"
    except (EOFError, OSError):
        return True


def send(link: Connection, message: object) -> None:
    """Tell the supervisor; without one there is nothing left to do."""
    try:
        link.send(message)
    except OSError:
        os._exit(1)  # the supervisor is gone; a sound library may hang in an orderly end

"""The body of a recogniser process: one channel's sound from the ring through a Monitor.

It tells what it heard, reports in the ring how far it has come (that is its heartbeat), and does proof
tests beside the live sound, a slice at a time and only while it is not behind.
"""

import time
from collections.abc import Callable
from dataclasses import dataclass
from multiprocessing.connection import Connection

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.events import Block, Event, Fault, Hit
from listener.monitor import Monitor
from listener.settings import Settings
from listener.sound.ring import Overwritten, Ring
from listener.speech.spotter import Engine
from listener.watch.proof import Proof, words_for

IDLE_S = 0.02
_LONGEST_READ_S = 0.5
_PROOF_SLACK_S = 0.3

LoadEngine = Callable[[Settings], Engine]



@dataclass(frozen=True, slots=True)
class Job:
    """What a recogniser process is to do. load: makes the engine, in the process.

    channel: its number; column of the ring; first: the frame to begin with.
    """

    settings: Settings
    load: LoadEngine
    channel: int
    ring_name: str
    column: int
    first: int


@dataclass(frozen=True, slots=True)
class Ready:
    """The engine is loaded. model: which weights, for the journal."""

    engine: str
    model: str
    can_prove: bool


@dataclass(frozen=True, slots=True)
class Recognised:
    """What some sound gave: events, and single words, weak ones too. Times are seconds of the ring's frames."""

    events: tuple[Event, ...]
    words: tuple[Hit, ...]


@dataclass(frozen=True, slots=True)
class Skipped:
    """Frames [first, after) could not be heard: they were written over before their turn."""

    first: int
    after: int


@dataclass(frozen=True, slots=True)
class Failed:
    """The recogniser cannot work; the process ends."""

    reason: str


def run_recogniser(link: Connection, job: Job) -> None:
    """Hear one channel until told to stop. Sends Ready, Recognised, Skipped, ProofResult and Failed."""
    try:
        engine = job.load(job.settings)
        words = words_for(job.settings)
        ring = Ring.attach(job.ring_name)
        link.send(Ready(engine.name, engine.model, bool(words)))
        _Listener(link, job, ring, engine, words).run()
    except UserError as error:
        link.send(Failed(str(error)))
    except Exception as error:  # noqa: BLE001, whatever it is, the station must say it and go on
        link.send(Failed(f"{type(error).__name__}: {error}"))


class _Listener:
    def __init__(
        self, link: Connection, job: Job, ring: Ring, engine: Engine, words: dict[str, NDArray[np.float32]]
    ) -> None:
        self._link = link
        self._job = job
        self._ring = ring
        self._engine = engine
        self._words = words
        self._passing: list[Hit] = []
        self._floor = engine.calibration.word_floor
        self._at = job.first
        self._monitor = Monitor(
            job.settings, ring.rate_hz, job.channel, engine, on_hits=lambda _, hits: self._passing.extend(hits)
        )
        self._proof: Proof | None = None

    def run(self) -> None:
        while True:
            self._ring.report(self._job.column, self._at)
            while self._link.poll():
                match self._link.recv():
                    case "prove":
                        self._proof = Proof(self._job.settings, self._ring.rate_hz, self._engine, self._words)
                    case "catch up":
                        self._catch_up()
                    case "stop":
                        self._tell(self._monitor.finish())
                        return
            heard = self._hear()
            behind_s = (self._ring.written - self._at) / self._ring.rate_hz
            if self._proof and behind_s < _PROOF_SLACK_S:
                result = self._proof.step()
                if result:
                    self._proof = None
                    self._link.send(result)
            elif not heard:
                time.sleep(IDLE_S)

    def _hear(self) -> bool:
        """Hear what has come, half a second at most; gives whether anything had."""
        hole = self._ring.hole
        if hole.first <= self._at < hole.after:
            self._at = hole.after
        after = min(self._ring.written, self._at + round(_LONGEST_READ_S * self._ring.rate_hz))
        if self._at < hole.first:
            after = min(after, hole.first)
        if after <= self._at:
            return False
        try:
            samples = self._ring.read(self._job.column, self._at, after)
        except Overwritten as error:
            self._link.send(Skipped(self._at, error.first))
            self._at = error.first
            return True
        self._tell(self._monitor.feed(Block(samples, self._at, self._ring.rate_hz)))
        self._at = after
        return True

    def _catch_up(self) -> None:
        """Leave what is too long ago, and hear what is said now."""
        now = self._ring.written - round(_PROOF_SLACK_S * self._ring.rate_hz)
        if now > self._at:
            self._link.send(Skipped(self._at, now))
            self._at = now

    def _tell(self, events: list[Event]) -> None:
        # Gaps are the station's to tell: it knows their reasons.
        told = tuple(e for e in events if not (isinstance(e, Fault) and e.what == "gap"))
        words = tuple(hit for hit in self._passing if hit.score >= self._floor)
        self._passing.clear()
        if told or words:
            self._link.send(Recognised(told, words))


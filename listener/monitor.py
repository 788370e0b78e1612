"""Monitor: the pipe from samples to events. Synchronous, deterministic, no I/O, no clock.

Whatever runs the listener (a file, a live station, a drill, a study) runs this.
"""

from collections.abc import Callable, Iterator, Sequence
from contextlib import contextmanager
from math import inf
from pathlib import Path

import numpy as np
from numpy.typing import NDArray

from listener.call.around import Around
from listener.call.rule import CallRule
from listener.errors import UserError
from listener.events import RATE_HZ, Alert, Block, Event, Fault, Hit
from listener.settings import Settings
from listener.sound.bounds import WRONG, within_bounds
from listener.sound.offset import SteadyOffset
from listener.sound.resample import HIGHEST_HZ, LOWEST_HZ, Resampler
from listener.speech.engines import load_engine
from listener.speech.gate import Closed, Failed, Gate, Opened, Passed, Step
from listener.speech.spotter import Engine

_TELL_AGAIN_S = 10.0  # samples that are no sound are told again after so long without any


class EngineFailed(UserError):
    """A recogniser (or what stands before it) broke on some sound."""


@contextmanager
def engine_failures_told(where: Path, monitors: Sequence["Monitor"]) -> Iterator[None]:
    """Whatever an engine raises meanwhile becomes EngineFailed: one line with the file, the time and the reason."""
    try:
        yield
    except UserError:
        raise
    except Exception as error:  # engines are other people's programs: any of their errors ends this file only
        at_s, name = min(((monitor.now_s, monitor.engine) for monitor in monitors), default=(0.0, "none"))
        raise EngineFailed(
            f"{where}: the engine {name} failed at {at_s:.2f} s ({type(error).__name__}: {error}); "
            "up to there it was heard; try another with --engine"
        ) from error


class Monitor:
    """Listens to one channel.

    rate_hz: 4,000 to 192,000. channel: number carried into the events. engine: a loaded engine to
    share between channels; loaded from the settings if not given. on_hits: is told the single words, weak ones too,
    and the stream time at which they became known, before the call rule judges them.

    The same samples give the same events to the last field, however they are cut into blocks: inside,
    they are cut anew into pieces of 20 ms, and raised_s is the end of the piece that made the event.
    Raises UserError for a rate out of range and for whatever the engine cannot load.
    """

    def __init__(
        self,
        settings: Settings,
        rate_hz: int,
        channel: int = 0,
        engine: Engine | None = None,
        on_hits: Callable[[float, list[Hit]], None] | None = None,
    ) -> None:
        if not LOWEST_HZ <= rate_hz <= HIGHEST_HZ:
            raise UserError(f"sample rate {rate_hz} Hz: must be {LOWEST_HZ} to {HIGHEST_HZ} Hz")
        engine = engine or load_engine(settings)
        self._settings = settings
        self._rate_hz = rate_hz
        self._channel = channel
        self._piece = round(rate_hz / 50)
        self._told_until_s = -inf
        self.engine = engine.name
        self._spotter = engine.spotter()
        self._on_hits = on_hits
        self._rule = CallRule(settings, engine.calibration, channel, engine.name, engine.talk)
        self._around = Around(settings, channel, self._spotter, engine.calibration.word_level)
        self._waiting: NDArray[np.float32]
        self._start(0)

    @property
    def now_s(self) -> float:
        """Stream time up to which the sound has been heard."""
        return self._heard / self._rate_hz

    def feed(self, block: Block) -> list[Event]:
        """Take the next block and give the events that came of it.

        A block that starts later than the last one ended leaves a gap: that is a Fault, and listening
        starts anew behind it, at the true time. Raises ValueError for another rate or a step back.
        """
        expected = self._heard + len(self._waiting)
        if block.rate_hz != self._rate_hz or block.first_sample < expected:
            raise ValueError(
                f"block at sample {block.first_sample}, {block.rate_hz} Hz: expected sample {expected} or later, "
                f"{self._rate_hz} Hz"
            )
        events: list[Event] = []
        if block.first_sample > expected:
            missing_s = (block.first_sample - expected) / self._rate_hz
            events += self._flush()
            self._start(block.first_sample)
            events.append(self._fault("gap", f"{missing_s:.3f} s of sound are missing"))
        self._waiting = np.concatenate([self._waiting, block.samples.astype(np.float32, copy=False)])
        whole = len(self._waiting) // self._piece * self._piece
        ready, self._waiting = self._waiting[:whole], self._waiting[whole:]
        for piece in np.split(ready, whole // self._piece or 1):
            events += self._hear(piece)
        return events

    def finish(self) -> list[Event]:
        """The stream has ended: gives the last events."""
        events = self._flush()
        events += self._rule.pass_time(self.now_s, ended=True)
        return events + self._about([], [], ended=True)

    def _start(self, first_sample: int) -> None:
        """Sound follows from this sample on."""
        self._heard = first_sample
        self._waiting = np.zeros(0, np.float32)
        self._resampler = Resampler(self._rate_hz)
        self._offset = SteadyOffset()
        self._gate = Gate(self._settings.gate, round(first_sample * RATE_HZ / self._rate_hz))

    def _flush(self) -> list[Event]:
        """No sound follows: hear what is still inside."""
        events = list(self._hear(self._waiting))
        self._waiting = self._waiting[:0]
        rest = self._offset.remove(self._resampler.finish())
        return events + list(self._follow([*self._gate.feed(rest), *self._gate.finish()]))

    def _hear(self, piece: NDArray[np.float32]) -> Iterator[Event]:
        if not len(piece):
            return
        self._heard += len(piece)
        piece, wrong = within_bounds(piece)
        if wrong:
            if self.now_s >= self._told_until_s:
                yield self._fault(wrong, f"{WRONG[wrong]}; taken as silence")
            self._told_until_s = self.now_s + _TELL_AGAIN_S
        yield from self._follow(self._gate.feed(self._offset.remove(self._resampler.feed(piece))))
        yield from self._rule.pass_time(self.now_s)
        yield from self._about([], [])

    def _follow(self, steps: Iterator[Step] | list[Step]) -> Iterator[Event]:
        for step in steps:
            hits: list[Hit] = []
            match step:
                case Opened(first_sample):
                    self._spotter.restart(first_sample)
                case Passed(samples):
                    hits = self._spotter.feed(samples)
                case Closed():
                    hits = self._spotter.finish()
                case Failed(reason):
                    yield self._fault("gate", f"the voice gate failed ({reason}); it stays open")
            if hits and self._on_hits:
                self._on_hits(self.now_s, hits)
            alerts = self._rule.hear(hits, self.now_s)
            yield from alerts
            yield from self._about(alerts, hits)

    def _about(self, alerts: list[Event], hits: list[Hit], ended: bool = False) -> list[Event]:
        """What is known by now about the alerts: positions and callers. Whatever fails in there, the alerts go on."""
        try:
            events: list[Event] = []
            for alert in alerts:
                if isinstance(alert, Alert):
                    events += self._around.begin(alert, self.now_s)
            return events + list(self._around.follow(hits, self.now_s, ended))
        except Exception as error:  # noqa: BLE001 - no alert may be lost for it
            self._around.give_up()
            return [self._fault("around", f"positions and callers are not heard ({type(error).__name__}: {error})")]

    def _fault(self, what: str, detail: str) -> Fault:
        return Fault(self._channel, what, detail, self.now_s)

"""Engines that go wrong on purpose, each in its own way."""

import time

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.events import Hit
from listener.settings import Settings
from listener.speech.spotter import NO_TALK, Spotter
from tests.fakes import CALIBRATION, BurstSpotter


class _Slow(BurstSpotter):
    """Takes 1.4 s for each second of sound, as on a computer that is too slow."""

    def feed(self, samples: NDArray[np.float32]) -> list[Hit]:
        time.sleep(1.4 * len(samples) / 16_000)
        return super().feed(samples)


class _Leaking(BurstSpotter):
    """Keeps 8 MB more with every 20 ms."""

    def feed(self, samples: NDArray[np.float32]) -> list[Hit]:
        self.kept = getattr(self, "kept", [])
        self.kept.append(np.ones(1_000_000))
        return super().feed(samples)


class _Deaf(BurstSpotter):
    """Runs well and hears nothing: only a proof test can find out."""

    def feed(self, samples: NDArray[np.float32]) -> list[Hit]:
        return []

    def finish(self) -> list[Hit]:
        return []


class _Breaking(BurstSpotter):
    """Fails with an error that nobody foresaw, after a second of sound."""

    def feed(self, samples: NDArray[np.float32]) -> list[Hit]:
        self.heard = getattr(self, "heard", 0) + len(samples)
        if self.heard > 16_000:
            raise ZeroDivisionError("nobody foresaw this")
        return super().feed(samples)


class _Engine:
    name = model = "bursts"
    folder = None
    calibration = CALIBRATION
    talk = NO_TALK

    def __init__(self, spotter: type[BurstSpotter], phrase: str) -> None:
        self._spotter = spotter
        self._phrase = phrase

    def spotter(self) -> Spotter:
        return self._spotter(self._phrase)


def slow(settings: Settings) -> _Engine:
    return _Engine(_Slow, settings.phrases[0].words)


def leaking(settings: Settings) -> _Engine:
    return _Engine(_Leaking, settings.phrases[0].words)


def deaf(settings: Settings) -> _Engine:
    return _Engine(_Deaf, settings.phrases[0].words)


def breaking(settings: Settings) -> _Engine:
    return _Engine(_Breaking, settings.phrases[0].words)


def missing_model(settings: Settings) -> _Engine:
    raise UserError("models/none: no model there")

"""Recordings through the shipped pipe, at every sensitivity in one hearing.

The sensitivities differ only in the level that the call rule asks for, so the words heard once are
given, at the same stream times, to a call rule of each.
"""

from __future__ import annotations

import time
from dataclasses import dataclass
from typing import get_args

import numpy as np

from listener.call.rule import CallRule
from listener.events import RATE_HZ, Block, Event, Hit
from listener.monitor import Monitor
from listener.settings import Settings
from listener.settings.base import Sensitivity
from listener.speech.spotter import Engine

SENSITIVITIES: tuple[str, ...] = get_args(Sensitivity)


@dataclass(frozen=True)
class AtSensitivities:
    """What came of one recording: the events at each sensitivity, and the processor seconds it took."""

    events: dict[str, list[Event]]
    spent_s: float


def hear(audio: np.ndarray, settings: Settings, engine: Engine) -> AtSensitivities:
    """Audio (samples,) float32 at RATE_HZ, as one channel, from its first sample to its end."""
    hits: list[tuple[float, list[Hit]]] = []
    monitor = Monitor(settings, RATE_HZ, engine=engine, on_hits=lambda now_s, some: hits.append((now_s, some)))
    began, events = time.process_time(), []
    for first in range(0, len(audio), RATE_HZ):
        events += monitor.feed(Block(audio[first : first + RATE_HZ], first, RATE_HZ))
    events += monitor.finish()
    spent_s = time.process_time() - began
    others = [s for s in SENSITIVITIES if s != settings.sensitivity]
    heard = {
        s: _judged(hits, monitor.now_s, settings.model_copy(update={"sensitivity": s}), engine) for s in others
    }
    return AtSensitivities({settings.sensitivity: events, **heard}, spent_s)


def _judged(heard: list[tuple[float, list[Hit]]], end_s: float, settings: Settings, engine: Engine) -> list[Event]:
    rule = CallRule(settings, engine.calibration, 0, engine.name, engine.talk)
    events: list[Event] = []
    for now_s, hits in heard:
        events += rule.pass_time(now_s - 0.02)  # the Monitor's piece before this one
        events += rule.hear(hits, now_s)
    return events + rule.pass_time(end_s, ended=True)

"""The design: which trial is which. Everything about a trial but its samples follows from (plan, index).

Sounds come first: pieces without a call, then calls.
Each sound is heard by every engine: trial index = sound * engines + engine. So engines are compared on
the same samples.
"""

import zlib
from collections.abc import Iterator
from dataclasses import dataclass, fields
from math import ceil
from typing import NamedTuple

import numpy as np

from listener.study.plan import Plan

CALL, NEGATIVE = "call", "negative"
NO_NOISE = "none"


@dataclass(frozen=True, slots=True)
class Condition:
    """What a sound is made under. phrase is "" for negatives; snr_db is None without noise."""

    kind: str
    phrase: str
    noise: str
    snr_db: float | None
    radio: str
    room: str


class Slot(NamedTuple):
    """One sound of the design: its condition, and its number within it."""

    condition: Condition
    number: int


class Design:
    """The plan's sounds in order, computed, not stored."""

    def __init__(self, plan: Plan) -> None:
        self.plan = plan
        self.engines = tuple(plan.engines)
        self._calls = tuple(_conditions(plan, CALL))
        talk = tuple(_conditions(plan, NEGATIVE))
        self._negatives = [[c for c in talk if c.snr_db == ratio] for ratio in dict.fromkeys(plan.negatives.snr_db)]
        self.negative_count = ceil(plan.negatives.hours * 3600 / plan.negatives.piece_s)
        self.sounds = self.negative_count + len(self._calls) * plan.trials

    def __len__(self) -> int:
        """The number of trials."""
        return self.sounds * len(self.engines)

    def slot(self, sound: int) -> Slot:
        """The sound of this number. Raises IndexError outside 0 .. sounds - 1."""
        if not 0 <= sound < self.sounds:
            raise IndexError(f"sound {sound}: there are {self.sounds}")
        if sound < self.negative_count:
            # Ratios take turns, and within each its noises, radios and rooms: equal parts at each ratio.
            turn, which = divmod(sound, len(self._negatives))
            number, one = divmod(turn, len(self._negatives[which]))
            return Slot(self._negatives[which][one], number)
        # Trial by trial, not condition by condition: a study that is cut short is thinner, not lopsided.
        number, which = divmod(sound - self.negative_count, len(self._calls))
        return Slot(self._calls[which], number)

    def negative_seconds(self) -> dict[float | None, float]:
        """Seconds of negatives at each SNR; equal where the pieces divide evenly."""
        ratios = tuple(dict.fromkeys(self.plan.negatives.snr_db))
        pieces = [len(range(i, self.negative_count, len(ratios))) for i in range(len(ratios))]
        return {ratio: count * self.plan.negatives.piece_s for ratio, count in zip(ratios, pieces)}

    def seconds(self, sound: int) -> float:
        """About how long the sound will be."""
        plan = self.plan
        return plan.negatives.piece_s if sound < self.negative_count else plan.lead_s + 3.0 + plan.tail_s

    def turn(self, sounds: range) -> float:
        """When these sounds are worked on, 0..1: calls and negatives side by side, so that half a study has half of both."""
        if sounds.start < self.negative_count:
            return sounds.start / self.negative_count
        return (sounds.start - self.negative_count) / (self.sounds - self.negative_count)

    def chunks(self) -> Iterator[range]:
        """Runs of sounds that are worked on in one go: each at least 10 s of sound, and 501 of them at most."""
        calls = self.sounds - self.negative_count
        whole = self.negative_count * self.seconds(0) + calls * self.seconds(self.sounds - 1)
        least = max(10.0, whole / 500)
        start, filled = 0, 0.0
        for sound in range(self.sounds):
            filled += self.seconds(sound)
            if filled >= least or sound == self.sounds - 1:
                yield range(start, sound + 1)
                start, filled = sound + 1, 0.0


def speaker_of(plan: Plan, slot: Slot, speakers: tuple[str, ...]) -> str:
    """Who makes the call. With fewer trials than speakers each noise, radio and room has others, so that all get a turn;
    the SNRs of a curve always have the same ones.
    """
    c = slot.condition
    noise = plan.noise_names().index(c.noise) if c.noise != NO_NOISE else 0
    shift = noise + list(plan.radios).index(c.radio) + list(plan.rooms).index(c.room)
    return speakers[(shift * plan.trials + slot.number) % len(speakers)]


def rng_for(plan: Plan, slot: Slot, *names: object) -> np.random.Generator:
    """A generator of its own for each sound and purpose: adding a condition changes no other's samples."""
    words = [str(getattr(slot.condition, f.name)) for f in fields(Condition)]
    return np.random.default_rng([plan.seed, slot.number, *(zlib.crc32(str(n).encode()) for n in (*words, *names))])


def _conditions(plan: Plan, kind: str) -> Iterator[Condition]:
    phrases = [p.words for p in plan.phrases] if kind == CALL else [""]
    ratios = plan.snr_db if kind == CALL else plan.negatives.snr_db
    seen = set()
    for phrase in phrases:
        for radio in plan.radios:
            for room in plan.rooms:
                for noise in plan.noise_names():
                    for ratio in ratios:
                        c = Condition(kind, phrase, NO_NOISE if ratio is None else noise, ratio, radio, room)
                        if c not in seen:  # without noise all kinds of noise are one
                            seen.add(c)
                            yield c

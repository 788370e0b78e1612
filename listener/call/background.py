"""How often talk alone makes a call as clear as this one: the background of a phrase.

What talk says that sounds like a phrase (``Talk``) is joined by the rule of calls, however weak it is. That gives the
joint scores that talk reaches in some hours. Their upper end falls about exponentially, so it is told by three numbers:
a score, how often an hour talk exceeds it, and how fast that falls (the mean excess; Hill 1975 in logarithms). A few hours
cannot show what happens once in a hundred: no rate is told below what they support. Where nobody said the phrase in
jest or in passing the rates told are too high rather than too low (see the model's card).
"""

from __future__ import annotations

from dataclasses import dataclass
from math import exp, inf

from listener.call.chain import best_chain
from listener.events import LEAST_CHANCE_PER_H, Hit
from listener.settings import PhraseSettings
from listener.speech.spotter import Calibration, Talk

PEAKS = 20
"""So many of the highest joint scores tell the tail: fewer are a matter of luck, more are no longer the tail."""
BEYOND = 10.0
"""Rates are told down to one in so many times the hours of talk. (Common practice, no source: one power of ten.)"""


@dataclass(frozen=True, slots=True)
class Background:
    """hours: of talk behind it. Talk exceeds the joint score `score` `rate_per_h` times an hour, e times less per `fall`."""

    hours: float
    score: float
    rate_per_h: float
    fall: float

    @property
    def least_per_h(self) -> float:
        """The smallest rate that is told: what the hours support."""
        return max(LEAST_CHANCE_PER_H, 1 / (BEYOND * self.hours))

    def chance_per_h(self, joint: float) -> float:
        """How often an hour talk alone makes a call of this joint score or more; at least ``least_per_h``."""
        excess = max(0.0, joint - self.score)
        return max(self.least_per_h, self.rate_per_h * exp(-excess / self.fall))


def background(talk: Talk, phrase: PhraseSettings, calibration: Calibration) -> Background | None:
    """Of a phrase; None where the engine knows no talk, or talk sounds like the phrase too seldom to tell."""
    weights = (calibration.word_floor, calibration.word_cap, calibration.rhythm_weight)
    key = (phrase, *weights, calibration.clarity_weight, calibration.clarity_range)
    if key not in talk.worked_out:
        talk.worked_out[key] = _tail(talk, phrase, calibration)
    return talk.worked_out[key]


def _tail(talk: Talk, phrase: PhraseSettings, calibration: Calibration) -> Background | None:
    peaks = sorted(joint_peaks(talk.hits.get(phrase.words, ()), phrase, calibration), reverse=True)[: PEAKS + 1]
    if not talk.hours or len(peaks) <= PEAKS:
        return None
    score = peaks[PEAKS]
    fall = sum(peak - score for peak in peaks[:PEAKS]) / PEAKS
    return Background(talk.hours, score, PEAKS / talk.hours, fall) if fall > 0 else None


def joint_peaks(hits: tuple[Hit, ...], phrase: PhraseSettings, calibration: Calibration) -> list[float]:
    """The joint score of the heaviest chain in each stretch that no chain can bridge, in order of time."""
    heard = sorted((hit for hit in hits if hit.score >= calibration.word_floor), key=lambda h: (h.start_s, h.end_s))
    stretches: list[list[Hit]] = []
    until_s = -inf
    for hit in heard:
        if hit.start_s - until_s > phrase.longest_gap_s:
            stretches.append([])
            until_s = -inf
        stretches[-1].append(hit)
        until_s = max(until_s, hit.end_s)
    chains = (best_chain(some, phrase.repeats, phrase, calibration) for some in stretches if len(some) >= phrase.repeats)
    return [chain.joint for chain in chains if chain]

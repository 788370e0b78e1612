"""Simulated listeners: an SRT, a spread and a lapse share decide what is heard."""

from dataclasses import dataclass, field

import numpy as np

from listener.score.psychometric import Curve
from listener.study.people.course import Step
from listener.study.people.sounds import Truth


@dataclass
class Simulated:
    """Hears a call at its SNR with the chance that a psychometric curve gives; a call without noise but for lapses.

    spread_db: of the logistic. false: the chance of a press where there is no call.
    """

    srt_db: float
    spread_db: float = 1.5
    lapse: float = 0.0
    false: float = 0.0
    seed: int = 1
    rng: np.random.Generator = field(init=False)

    def __post_init__(self) -> None:
        self.rng = np.random.default_rng([self.seed, 77])
        share = 0.5 / (1 - self.lapse)
        self.curve = Curve(self.srt_db - self.spread_db * float(np.log(share / (1 - share))), self.spread_db, self.lapse)

    def hears(self, snr_db: float | None) -> bool:
        chance = 1 - self.lapse if snr_db is None else float(self.curve.found(snr_db))
        return bool(self.rng.random() < chance)

    def presses_s(self, truth: Truth) -> list[float]:
        """When it presses in this sound."""
        if truth.call_end_s is None:
            return [truth.seconds / 2] if self.rng.random() < self.false else []
        return [truth.call_end_s + 0.4] if self.hears(truth.snr_db) else []


def truth_without_sound(design):
    """What is in each step's sound, without making it: for runs of hundreds of sessions."""

    def truth(step: Step) -> Truth | None:
        if step.what == "tones":
            return None
        if step.what in ("call", "talk") and not step.practice:
            condition, number = design.slot(step.number)
            c = (condition.kind, condition.phrase, condition.noise, condition.snr_db, condition.radio, condition.room)
        else:
            c = ("negative" if step.what == "blank" else "call", "suspend", "turbine", step.snr_db, "band", "none")
            number = step.number
        call = (1.0, 3.0) if c[0] == "call" else (None, None)
        voice = f"voice {number % 4}" if call[0] else ""
        return Truth(step.number, *c, number, voice, 3, 4.0, -26.0, None, None, None, None, (), *call)

    return truth

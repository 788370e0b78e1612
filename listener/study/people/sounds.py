"""The sound of one step, never louder than the level that the listener set.

Speech keeps its level when noise is added to it, so a call at -15 dB would be fifteen decibels louder than the speech to
which somebody turned the volume up. So every sound is turned down, as a whole, until its loudest eighth of a second
("fast", IEC 61672-1) is at most that of the sound that the level was set by. That changes no SNR. The listener's own
level comes on top, here and not in the browser: what leaves this computer's server is as loud as it gets.
"""

import io
from dataclasses import dataclass
from functools import lru_cache
from threading import Lock
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.radio.shape import db
from listener.study.bank import Bank
from listener.study.design import CALL, NEGATIVE, NO_NOISE, Condition, Design, Slot
from listener.study.people.course import EXTRA, Step
from listener.study.plan import Plan
from listener.study.sound import Sound, make_sound
from listener.study.trials import lines_of

Samples = NDArray[np.float32]
LOUDEST_DBOV = -20.0
"""The loudest eighth of a second of the sound that the level is set by, and of no other sound more."""
FAST_S = 0.125
LEVEL_RANGE_DB = (-50.0, 0.0)
TONE_HZ, TONE_S, TONE_GAP_S, MOST_TONES = 660.0, 0.15, 0.45, 5
_TRACK_LEAD_S, _TRACK_TAIL_S = 1.0, 0.7


@dataclass(frozen=True, slots=True)
class Truth:
    """What is in a sound: the parameters of a trial's row, by the same names (`listener.study.trials.Trial`)."""

    sound: int
    kind: str
    phrase: str
    noise: str
    snr_db: float | None
    radio: str
    room: str
    number: int
    speaker: str
    words: int
    seconds: float
    level_dbov: float | None
    sii: float | None
    sti: float | None
    snr_call_db: float | None
    snr_heard_db: float | None
    lines: tuple[dict[str, Any], ...]
    call_start_s: float | None
    call_end_s: float | None


class Sounds:
    """The sounds of a study's listeners. Thread-safe: nothing is kept but the last few."""

    def __init__(self, design: Design, bank: Bank) -> None:
        self.design, self.bank = design, bank
        self._lock = Lock()  # the bank keeps the talk of one plan at a time
        self.of = lru_cache(maxsize=8)(self._of)
        self.truth = lru_cache(maxsize=4_096)(self._truth)
        self.calibration = lru_cache(maxsize=1)(self._calibration)

    def _truth(self, step: Step) -> Truth | None:
        """What is in the step's sound; None for tones, in which is nothing to judge by a call."""
        return self.of(step)[1]

    def _of(self, step: Step) -> tuple[Samples, Truth | None]:
        """Samples (float32 at RATE_HZ, at most LOUDEST_DBOV) and the truth. Raises UserError where none can be made."""
        if step.what == "tones":
            return tones(tone_count(step.number)), None
        plan, slot = self._slot(step)
        is_study = step.what in ("call", "talk") and not step.practice
        with self._lock:
            sound = make_sound(self.design, self.bank, step.number) if is_study else make_sound(_One(plan, slot), self.bank, 0)
        length = round(plan.negatives.piece_s * RATE_HZ) if slot.condition.kind == NEGATIVE else sound.samples.size
        return not_louder(sound.samples[:length]), _truth_of(plan, step, slot, sound, length)

    def _slot(self, step: Step) -> tuple[Plan, Slot]:
        """The plan and the place in it that give the step's sound."""
        plan = self.design.plan
        if step.what in ("call", "talk") and not step.practice:
            return plan, self.design.slot(step.number)
        rng = np.random.default_rng([plan.seed, step.number])
        phrase = plan.phrases[rng.integers(len(plan.phrases))].words
        noise = plan.noise_names()[rng.integers(len(plan.noises))]
        radio, room = (names[rng.integers(len(names))] for names in (list(plan.radios), list(plan.rooms)))
        noisy = [ratio for ratio in plan.snr_db if ratio is not None]
        if step.what == "clear" or not noisy:
            condition = Condition(CALL, phrase, NO_NOISE, None, radio, room)
        elif step.what == "track":
            assert step.snr_db is not None
            short = {"lead_s": _TRACK_LEAD_S, "tail_s": _TRACK_TAIL_S}
            first = Condition(CALL, phrase, plan.noise_names()[0], step.snr_db, next(iter(plan.radios)), next(iter(plan.rooms)))
            return plan.model_copy(update=short), Slot(first, step.number)
        elif step.what == "call":  # of the practice: the easiest in noise
            condition = Condition(CALL, phrase, noise, max(noisy), radio, room)
        else:
            condition = Condition(CALL, phrase, noise, noisy[rng.integers(len(noisy))], radio, room)
        if step.what == "blank":
            return self._blank(Slot(condition, step.number))
        return plan, Slot(condition, step.number)

    def _blank(self, slot: Slot) -> tuple[Plan, Slot]:
        """As long as a call by one of the voices, but with other talk in it; where the study has no talk, noise alone."""
        plan = self.design.plan
        length_s = plan.lead_s + self._call_s(slot) + plan.tail_s
        longest_s = max(0.2, min(2.0, (length_s - 1) / 2))
        talk = plan.negatives.model_copy(update={"hours": length_s / 3600, "piece_s": length_s, "pause_s": (0.1, longest_s)})
        if not self.bank.lines:
            return plan.model_copy(update={"negatives": talk, "lead_s": length_s}), slot
        c = slot.condition
        return plan.model_copy(update={"negatives": talk, "seed": slot.number}), Slot(  # talk of its own
            Condition(NEGATIVE, "", c.noise, c.snr_db, c.radio, c.room), slot.number
        )

    def _call_s(self, slot: Slot) -> float:
        """About how long a call by the voice whose turn it is lasts."""
        plan, phrase = self.design.plan, slot.condition.phrase
        speakers = self.bank.speakers(phrase)
        takes = self.bank.takes(phrase, speakers[slot.number % len(speakers)])
        mean_s = sum(clip.size for clip in takes) / len(takes) / RATE_HZ
        repeats = next(p.repeats for p in plan.phrases if p.words == phrase)
        return mean_s if takes[0].role == "call" else repeats * mean_s + (repeats - 1) * sum(plan.gap_s) / 2

    def _calibration(self) -> Samples:
        """A call in noise as loud as the call itself, and exactly as loud as anything may get."""
        plan = self.design.plan
        condition = Condition(CALL, plan.phrases[0].words, plan.noise_names()[0], 0.0, next(iter(plan.radios)),
                              next(iter(plan.rooms)))  # fmt: skip
        with self._lock:
            sound = make_sound(_One(plan, Slot(condition, EXTRA - 1)), self.bank, 0).samples
        return np.clip(sound * db(LOUDEST_DBOV - loudest_dbov(sound)), -1.0, 1.0).astype(np.float32)


class _One(Design):
    """A design of one slot, so that a sound beyond the study's own is made as the study's are."""

    def __init__(self, plan: Plan, slot: Slot) -> None:
        super().__init__(plan)
        self._slot = slot

    def slot(self, sound: int) -> Slot:
        return self._slot


def _truth_of(plan: Plan, step: Step, slot: Slot, sound: Sound, length: int) -> Truth:
    c = slot.condition
    is_call = step.what != "blank" and sound.call is not None
    start_s, end_s = sound.call if is_call and sound.call else (None, None)
    known = (sound.speaker, sound.words, length / RATE_HZ, sound.level_dbov, sound.sii, sound.sti) if is_call else (
        "", 0, length / RATE_HZ, sound.level_dbov, None, None)  # fmt: skip
    kind, phrase = (CALL, c.phrase) if is_call else (NEGATIVE, "")
    place = (kind, phrase, c.noise, c.snr_db, c.radio, c.room, slot.number)
    ratios = (sound.snr_call_db, sound.snr_heard_db) if is_call else (None, None)
    return Truth(step.number, *place, *known, *ratios, lines_of(plan, sound), start_s, end_s)


def loudest_dbov(samples: Samples) -> float:
    """The level of the loudest eighth of a second, dBov; -inf for silence."""
    size, hop = round(FAST_S * RATE_HZ), round(FAST_S * RATE_HZ / 4)
    x = np.concatenate([np.zeros(1), np.cumsum(np.asarray(samples, np.float64) ** 2)])
    ends = np.minimum(np.arange(size, max(samples.size, size) + hop, hop), samples.size)
    power = float((x[ends] - x[np.maximum(ends - size, 0)]).max()) / size
    return 10 * float(np.log10(power)) if power > 0 else -np.inf


def not_louder(samples: Samples) -> Samples:
    """The same, turned down as a whole where it is louder than LOUDEST_DBOV."""
    return samples * db(min(0.0, LOUDEST_DBOV - loudest_dbov(samples)))


def tone_count(number: int) -> int:
    """How many tones this check has: 2 to MOST_TONES."""
    return int(np.random.default_rng([number, 2]).integers(2, MOST_TONES + 1))


def tones(count: int) -> Samples:
    """So many short tones, some decibels softer than anything loud, with soft edges."""
    t = np.arange(round(TONE_S * RATE_HZ)) / RATE_HZ
    edge = np.minimum(1.0, np.minimum(t, TONE_S - t) / 0.02)
    tone = 10 ** ((LOUDEST_DBOV - 3) / 20) * np.sin(2 * np.pi * TONE_HZ * t) * edge
    pause = np.zeros(round(TONE_GAP_S * RATE_HZ))
    return np.concatenate([pause, *[part for _ in range(count) for part in (tone, pause)]]).astype(np.float32)


def wav(samples: Samples, gain_db: float) -> bytes:
    """A WAV file, 24 bits, at this gain. Raises UserError for a gain above 0 dB: louder than the level can be set."""
    if not LEVEL_RANGE_DB[0] <= gain_db <= LEVEL_RANGE_DB[1]:
        raise UserError(f"a level of {gain_db:g} dB cannot be: {LEVEL_RANGE_DB[0]:g} to {LEVEL_RANGE_DB[1]:g}")
    file = io.BytesIO()
    soundfile.write(file, samples * db(gain_db), RATE_HZ, "PCM_24", format="WAV")
    return file.getvalue()


"""A phrase measured on the spot: synthetic voices of this computer say it in a simulated jet, and the ear listens.

These voices trained the ear, which finds more of their calls than of strangers'; so the noise is harder than what is told of
otherwise, and what other voices get is predicted from the share found here (``phrase_table.Table.from_spot``). What is told
otherwise was heard once, and so is this: a watch, which hears again, finds more of both.
"""

from __future__ import annotations

import zlib
from collections.abc import Callable, Iterator, Mapping, Sequence
from dataclasses import dataclass

import numpy as np

from listener.errors import UserError
from listener.events import RATE_HZ, Alert, Block, Candidate, Span
from listener.monitor import Monitor
from listener.radio import VOICE_BAND_HZ, band_pass, mix, noise
from listener.score.interval import share_worth
from listener.score.match import TOLERANCE_S, match
from listener.score.metrics import Share
from listener.settings import PhraseSettings, Settings
from listener.speech.engines import load_engine
from listener.speech.spotter import Engine
from listener.study.voices import say

SNRS_DB = (0.0, -5.0)
CALLS: Mapping[str, int] = {  # of each voice, in each noise
    "flite kal16": 3, "flite slt": 3, "espeak en-us+m3": 1, "espeak en-us+f2": 1, "espeak en-gb+m7": 1,
    "espeak en-gb-scotland+f3": 1, "espeak en-us+m5": 1, "espeak en-gb-x-rp+f4": 1,
}  # fmt: skip
SEED = 5
PACES, GAPS_S, LEVELS = (0.85, 1.2), (0.25, 0.7), (0.05, 0.2)
LEAD_S = 1.5


@dataclass(frozen=True, slots=True)
class Trial:
    """One call: who said it, over what noise, whether it was found, and how sure the best candidate was (0: none)."""

    voice: str
    snr_db: float
    found: bool
    confidence: float


@dataclass(frozen=True, slots=True)
class Spot:
    """What was measured here of one phrase. missing: voices that are not on this computer, with the reason."""

    trials: tuple[Trial, ...]
    missing: Mapping[str, str]

    @property
    def is_whole(self) -> bool:
        """No voice is missing, so that something can be predicted from it."""
        return not self.missing

    @property
    def found(self) -> Share:
        """Of all calls, over all noise; its interval counts by voice."""
        found = [one.found for one in self.trials]
        worth = share_worth(found, [one.voice for one in self.trials], [str(one.snr_db) for one in self.trials])
        return Share(sum(found), len(found), worth)

    @property
    def score(self) -> float:
        """What the prediction looks at: how sure the calls were told, in the middle of all voices, 0 to 1."""
        return float(np.mean([one.confidence for one in self.trials]))

    @property
    def voices(self) -> tuple[str, ...]:
        """Who spoke."""
        return tuple(dict.fromkeys(one.voice for one in self.trials))


def measure(phrase: PhraseSettings, settings: Settings, told: Callable[[int, int], None] = lambda done, of: None) -> Spot:
    """Measure one phrase. told: calls done, of how many. Raises UserError where this computer has no voice at all."""
    said, missing = _said(phrase.words)
    if not said:
        raise UserError(f"no voice here to measure with ({next(iter(missing.values()))}); apt-get install flite espeak-ng")
    settings = heard_once(settings.with_phrases((phrase,)))
    engine = load_engine(settings)
    wanted = [(voice, number, snr_db) for voice in said for number in range(CALLS[voice]) for snr_db in SNRS_DB]
    trials = []
    for done, (voice, number, snr_db) in enumerate(wanted):
        told(done, len(wanted))
        rng = np.random.default_rng([SEED, zlib.crc32(f"{phrase.words} {voice}".encode()), number])
        speech, span = _call(said[voice], phrase.repeats, rng)
        found, confidence = _heard(_in_a_jet(speech, snr_db, rng), span, settings, engine)
        trials.append(Trial(voice, snr_db, found, confidence))
    return Spot(tuple(trials), missing)


def heard_once(settings: Settings) -> Settings:
    """The settings without hearing again, which would find nearly all and tell phrases apart no longer."""
    return settings.model_copy(update={"ear": settings.ear.model_copy(update={"hear_again": False})})


def _said(words: str) -> tuple[dict[str, list[np.ndarray]], dict[str, str]]:
    """Three takes by each voice, at different paces; and the voices that are not here."""
    said, missing = {}, {}
    for voice in CALLS:
        paces = np.random.default_rng([SEED, zlib.crc32(f"{words} {voice}".encode())]).uniform(*PACES, 3)
        try:
            said[voice] = [say(voice, words, float(pace)) for pace in paces]
        except UserError as error:
            missing[voice] = str(error)
    return said, missing


def _call(takes: Sequence[np.ndarray], repeats: int, rng: np.random.Generator) -> tuple[np.ndarray, Span]:
    """The takes in another order, with pauses, as loud as each other."""
    level, gap_s = rng.uniform(*LEVELS), rng.uniform(*GAPS_S)
    order = [i for _ in range(repeats) for i in rng.permutation(len(takes))][:repeats]
    parts, at = [np.zeros(round(LEAD_S * RATE_HZ), np.float32)], LEAD_S
    for i in order:
        take = (takes[i] * (level / np.sqrt(np.mean(takes[i] ** 2)))).astype(np.float32)
        parts += [take, np.zeros(round(gap_s * rng.uniform(0.85, 1.15) * RATE_HZ), np.float32)]
        end = at + len(take) / RATE_HZ
        at += (len(take) + len(parts[-1])) / RATE_HZ
    parts.append(np.zeros(round(LEAD_S * RATE_HZ), np.float32))
    return np.concatenate(parts).clip(-1, 1), Span(LEAD_S, end)


def _in_a_jet(speech: np.ndarray, snr_db: float, rng: np.random.Generator) -> np.ndarray:
    jet = noise("turbine", len(speech) / RATE_HZ, RATE_HZ, rng)[: len(speech)]
    through = [band_pass(sound, RATE_HZ, *VOICE_BAND_HZ) for sound in (speech, jet)]
    return mix(through[0], through[1], RATE_HZ, snr_db).samples


def _heard(sound: np.ndarray, said: Span, settings: Settings, engine: Engine) -> tuple[bool, float]:
    """Whether the call was found, and how sure the best alert or candidate in its place was."""
    monitor = Monitor(settings, RATE_HZ, engine=engine)
    events = [*monitor.feed(Block(sound, 0, RATE_HZ)), *monitor.finish()]
    there = list(_in_place(events, said))
    return any(isinstance(one, Alert) for one in there), max((one.confidence for one in there), default=0.0)


def _in_place(events: Sequence[object], said: Span) -> Iterator[Alert | Candidate]:
    for event in events:
        if isinstance(event, Alert | Candidate) and match([said], [event.span], TOLERANCE_S):
            yield event

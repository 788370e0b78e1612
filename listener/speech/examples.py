"""Examples: a phrase known by how this station's people say it, beside or in place of its phones.

What was learnt from takes (``listener.site.examples``) is, for each word of the phrase, a direction in the word view's
space, found from the queries that the network gives for the takes and for other people's talk. A word is where it peaks.
Each word said makes one peak, so a word said twice cannot be taken for three; and no dictionary is needed.
"""

from __future__ import annotations

import io
import json
from collections import deque
from dataclasses import dataclass, fields
from pathlib import Path

import numpy as np

from listener.errors import UserError
from listener.events import Hit
from listener.speech.bank import Bank
from listener.speech.network import Weights
from listener.speech.phrase_ear import FRAME_S, HitTimes, WordFit
from listener.speech.word_view import NOT_HEARD

FORM = 1  # of these files
SUFFIX = ".examples.npz"
HOLD = 8  # frames (160 ms) in which nothing higher may come ...
SURE = -0.5  # ... but from this log probability on a word is told at once,
COMPLETE = -0.2  # if by then its phones fit at least this well: a last consonant is heard after the word view's peak
APART = 14  # frames (280 ms) between two words
FIT_BACK = 16  # frames in which the phones may have ended before the peak
FIT_LOWEST = -3.0  # log-likelihood ratio per phone, not taken lower
LOWEST = -8.0  # log probability of the words, not taken lower


@dataclass(frozen=True, slots=True, eq=False)
class Examples:
    """What was learnt of a phrase.

    vectors (words, query), biases (words,): of each word's direction. duration_s: how long people take to say the phrase;
    lag_s: how long after its end it peaks. phones, words, offset: the score is phones * fit + words * log probability +
    offset; phones is 0 where the dictionary lacks the phrase. model: the ear's name. talk: what talk_h hours of
    talk make of it, each half judged by what was learnt without it. facts: who, how many takes, what they gained, for people.
    """

    phrase: str
    model: str
    vectors: np.ndarray
    biases: np.ndarray
    duration_s: float
    lag_s: float
    phones: float
    words: float
    offset: float
    talk_h: float
    talk: tuple[Hit, ...]
    facts: dict[str, object]

    def view(self, queries: np.ndarray, log_sum: np.ndarray, own: np.ndarray | None = None) -> np.ndarray:
        """Log probability of each word at each frame, (frames, words).

        queries (frames, query + 1), log_sum (frames,) natural log of the sum over all words and the blank; own (frames, words):
        log probabilities of the phrase's own words among these, which are no rivals; None where there are none.
        """
        logits = queries[:, :-1] @ (self.vectors.T / np.float32(16.0)) + self.biases
        rest = log_sum[:, None] + (np.log1p(-np.exp(np.minimum(own, -1e-6))) if own is not None else np.float32(0.0))
        return logits - np.logaddexp(rest, logits)


class ExampleEar:
    """Follows one phrase by its examples, frame by frame."""

    def __init__(self, examples: Examples, weights: Weights) -> None:
        self._examples, self._weights = examples, weights
        self._back = round((examples.duration_s + 0.3) / FRAME_S)
        self._words: deque[np.ndarray] = deque(maxlen=self._back)
        self._joined: deque[float] = deque([NOT_HEARD] * (2 * HOLD + 1), maxlen=2 * HOLD + 1)
        self._fits: deque[float] = deque([FIT_LOWEST] * (FIT_BACK + HOLD + 1), maxlen=FIT_BACK + HOLD + 1)
        self._last = -APART

    def hear(self, frame: int, fit: float, words: np.ndarray) -> WordFit | None:
        """One frame: the phones' fit (any number where they do not count) and the words' log probabilities."""
        now = float(words[-1])
        if len(words) > 1:
            before = np.max(self._words, axis=0) if self._words else np.full(len(words), NOT_HEARD)
            now = (now + float(before[:-1].sum())) / len(words)
            self._words.append(words)
        self._joined.append(now)
        self._fits.append(fit)
        if now >= SURE and frame - self._last >= APART and self._is_complete():
            return self._told(frame, now)
        held = self._joined[HOLD]
        if frame - HOLD - self._last >= APART and held > LOWEST and held >= max(self._joined):
            return self._told(frame - HOLD, held)
        return None

    @property
    def reach(self) -> int:
        """How many frames back count."""
        return max(self._back, FIT_BACK + HOLD + 1)

    def pass_over(self, fit: float, words: np.ndarray) -> None:
        """A frame in which nothing can be told."""
        if len(words) > 1:
            self._words.append(words)
        self._joined.append(NOT_HEARD)
        self._fits.append(fit)

    def _is_complete(self) -> bool:
        return not self._examples.phones or max(self._fits) >= COMPLETE

    def _told(self, peak: int, words: float) -> WordFit | None:
        own, weights = self._examples, self._weights
        fit = max(FIT_LOWEST, *self._fits)
        score = own.phones * fit + own.words * max(words, LOWEST) + own.offset
        self._last = peak
        if score < weights.told_floor:
            return None
        end_s = (peak + 1) * FRAME_S - own.lag_s
        start = max(0, round((end_s - own.duration_s - weights.start_shift_s) / FRAME_S))
        return WordFit(start, round((end_s - weights.end_shift_s) / FRAME_S) - 1, fit, words, score, NOT_HEARD)


def hear_bank(examples: Examples, weights: Weights, bank: Bank, fits: np.ndarray, words: np.ndarray) -> list[Hit]:
    """What the talk of a bank makes of examples. fits (frames,) of the phones; words: the view at the bank's queries."""
    ear, times = ExampleEar(examples, weights), HitTimes(weights)
    views = np.full((len(bank.phones), words.shape[1]), NOT_HEARD, np.float32)
    views[bank.at] = words
    wanted = np.zeros(len(views), bool)
    hopeful = np.flatnonzero(views[:, -1] > LOWEST * len(views[0]))
    for shift in range(-HOLD, HOLD + 1):
        wanted[np.clip(hopeful + shift, 0, len(wanted) - 1)] = True
    hits, before = [], -2
    for frame in map(int, np.flatnonzero(wanted)):
        if frame != before + 1:
            for past in range(max(0, frame - ear.reach), frame):
                ear.pass_over(float(fits[past]), views[past])
        before = frame
        heard = ear.hear(frame, float(fits[frame]), views[frame])
        if heard:
            hits.append(times.hit(examples.phrase, heard))
    return hits


def packed(examples: Examples) -> bytes:
    """What a file of examples holds (npz)."""
    buffer = io.BytesIO()
    facts = {f.name: getattr(examples, f.name) for f in fields(examples) if f.name not in ("vectors", "biases", "talk")}
    talk = np.array([[h.start_s, h.end_s, h.score] for h in examples.talk], np.float64).reshape(-1, 3)
    text = json.dumps({"form": FORM, **facts}, allow_nan=False)
    np.savez_compressed(buffer, vectors=examples.vectors, biases=examples.biases, talk=talk, facts=np.array(text))
    return buffer.getvalue()


def read_examples(folder: Path, phrases: list[str], model: str) -> dict[str, Examples]:
    """The examples in a folder, of these phrases; those without stay as they are.

    Raises UserError for a folder that is not there, a damaged file, and examples learnt with another model.
    """
    if not folder.is_dir():
        raise UserError(f"ear.examples: {folder} is no folder; make it with 'listener voices learn', or leave the key out")
    found = {}
    for phrase in phrases:
        path = folder / f"{phrase.replace(' ', '_')}{SUFFIX}"
        if path.exists():
            found[phrase] = _read(path)
            if found[phrase].model != model:
                learnt = found[phrase].model
                raise UserError(f"{path}: learnt with {learnt}, this is {model}; run 'listener voices learn' again")
    return found


def _read(path: Path) -> Examples:
    try:
        with np.load(path, allow_pickle=False) as file:
            facts = json.loads(str(file["facts"]))
            if facts.pop("form") != FORM:
                raise ValueError("another version's")
            talk = tuple(Hit(facts["phrase"], float(a), float(b), float(score)) for a, b, score in file["talk"])
            vectors, biases = file["vectors"].astype(np.float32), file["biases"].astype(np.float32)
            return Examples(**facts, vectors=vectors, biases=biases, talk=talk)
    except Exception as error:  # noqa: BLE001 - a damaged archive fails in many ways; the remedy is the same
        raise UserError(f"{path}: damaged ({error}); run 'listener voices learn' again") from None

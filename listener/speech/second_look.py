"""A second look at a word that was heard: does a rival of the phrase explain the same seconds better?

The phone search follows a phrase alone, and what lies outside the word goes free there, so "stopped" holds a "stop" without a
flaw. Here the sounds from a little before the word to a little after it are explained anew and whole, once as the phrase
and once as each of its rivals: blanks, the phones with blanks between them, blanks again (connectionist temporal
classification, best alignment). The word view says of the same seconds which of the words it finds likelier. Both together
are a rival's case, as a log-likelihood ratio. Cases of words in a row add up (``listener.call.chain``), so that what noise
does to a single word averages out.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Sequence
from dataclasses import dataclass, replace
from itertools import pairwise

import numpy as np

from listener.events import Hit
from listener.speech.phrase_ear import WordFit
from listener.speech.pronounce import PHONE_INDEX
from listener.speech.rivals import Said
from listener.speech.search import BLANK, NEVER

BEFORE, AFTER = 12, 15  # frames beside the word that are explained with it
REACH = 250  # frames that are remembered: more than the longest word with what lies beside it
LOWEST = -12.0  # the word view's log probability is not taken below this


class Alignment:
    """Explains a stretch of frames whole, as each of several phone sequences."""

    def __init__(self, ways: Sequence[Sequence[str]]) -> None:
        states = 2 * max(map(len, ways)) + 1
        self._labels = np.full((len(ways), states), BLANK)
        self._may_skip = np.zeros((len(ways), states), bool)
        for row, skip, way in zip(self._labels, self._may_skip, ways, strict=True):
            row[1 : 2 * len(way) : 2] = [PHONE_INDEX[phone] for phone in way]
            skip[3 : 2 * len(way) : 2] = [one != two for one, two in pairwise(way)]
        self._ends = 2 * np.array([len(way) for way in ways])

    def fits(self, gains: np.ndarray) -> np.ndarray:
        """Log-likelihood ratios of the frames' phones to the best one, (frames, 40), <= 0 -> their sums, (ways,)."""
        first, rows = gains[0][self._labels], np.arange(len(self._ends))
        score = np.full(self._labels.shape, NEVER)
        score[:, :2] = first[:, :2]
        for gain in gains[1:]:
            best = score.copy()
            best[:, 1:] = np.maximum(best[:, 1:], score[:, :-1])
            best[:, 2:] = np.maximum(best[:, 2:], np.where(self._may_skip[:, 2:], score[:, :-2], NEVER))
            score = best + gain[self._labels]
        return np.maximum(score[rows, self._ends], score[rows, self._ends - 1])


class Lately:
    """What the network gave for the latest frames of a channel, as a second look wants it. frame_cost: see Weights."""

    def __init__(self, frame_cost: float) -> None:
        self._frame_cost = frame_cost
        self.restart()

    def restart(self) -> None:
        """Forget everything; the next frame is frame 0."""
        self.end = 0
        self._gains, self._queries, self._log_sums = np.zeros((0, BLANK + 1)), np.zeros((0, 0)), np.zeros(0)

    def add(self, phones: np.ndarray, queries: np.ndarray, log_sums: np.ndarray) -> None:
        """The next frames: phones' log probabilities (n, 40), queries (n, query + 1), the word view's log sums (n,)."""
        gains = np.maximum(phones - phones.max(axis=1, keepdims=True), -self._frame_cost)
        self._gains = np.concatenate([self._gains, gains])[-REACH:]
        self._queries = np.concatenate([self._queries, queries])[-REACH:] if self.end else queries
        self._log_sums = np.concatenate([self._log_sums, log_sums])[-REACH:]
        self.end += len(phones)

    def between(self, first: int, end: int) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Frames first to end (excluded), as far as they are remembered: gains, queries, log sums."""
        kept = slice(max(0, first - self.end + len(self._gains)), max(0, end - self.end + len(self._gains)))
        return self._gains[kept], self._queries[kept], self._log_sums[kept]


class Case:
    """A phrase and its rivals. words: embeddings of all their words, (query, words); columns: of each way to say phrase
    and rivals its words' columns there, the phrase's ways first. word_weight: see Weights.second_words."""

    def __init__(
        self, ways: Sequence[Said], ours: int, words: np.ndarray, columns: Sequence[Sequence[int]], word_weight: float
    ) -> None:
        self._align = Alignment([sum(said, ()) for said in ways])
        self._ours, self._words, self._columns, self._word_weight = ours, words, np.array(columns), word_weight

    def weigh(self, gains: np.ndarray, queries: np.ndarray, log_sums: np.ndarray) -> tuple[float, ...]:
        """Per rival, by how much it explains these frames better than the phrase does (natural log)."""
        log_probs = (queries[:, :-1] @ self._words - log_sums[:, None]).max(axis=0)
        total = self._align.fits(gains) + self._word_weight * np.maximum(log_probs, LOWEST)[self._columns].sum(axis=1)
        return tuple(round(float(x), 3) for x in total[self._ours :] - total[: self._ours].max())


@dataclass(slots=True)
class _Word:
    """A word that was told; until: frames behind it that were explained with it; all of them were known, if whole."""

    fit: WordFit
    hit: Hit
    until: int
    whole: bool = False


class SecondLook:
    """Weighs the words of one phrase on one channel against its rivals: when they are told, and anew when more is known."""

    def __init__(self, case: Case, frames: Lately) -> None:
        self._case, self._frames = case, frames
        self._told: deque[_Word] = deque(maxlen=4)

    def restart(self) -> None:
        """Forget everything."""
        self._told.clear()

    def told(self, fit: WordFit, hit: Hit) -> list[Hit]:
        """A word became known: itself with its rivals' cases, behind a word that turns out to end where this one begins."""
        hits = [self._weigh(word, fit.start) for word in self._told if word.fit.end < fit.start < word.until]
        word = _Word(fit, hit, fit.end + 1 + AFTER)
        self._told.append(word)
        return [*hits, self._weigh(word, word.until)]

    def whole(self) -> list[Hit]:
        """Words again for which all that is explained with them is known by now."""
        return [self._weigh(word, word.until) for word in self._told if not word.whole and word.until <= self._frames.end]

    def _weigh(self, word: _Word, until: int) -> Hit:
        word.until, word.whole = until, until <= self._frames.end
        ends = [other.fit.end + 1 for other in self._told if other.fit.end < word.fit.start]
        first = max([word.fit.start - BEFORE, *ends])
        return replace(word.hit, rivals=self._case.weigh(*self._frames.between(first, until)))

"""Joins the two views of one phrase, phone search and word view, into words with a score, and says when they lie."""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from typing import Any

import numpy as np

from listener.events import Hit
from listener.speech.network import Weights
from listener.speech.word_view import NOT_HEARD

FRAME_S = 0.02
CLEAR = -0.5  # log-likelihood ratio from which a look-alike is clearly heard


@dataclass(frozen=True, slots=True)
class WordHeard:
    """A word of a phrase, in frames, with what each view says of it."""

    start: int
    end: int
    phones: float
    words: float
    score: float
    rival: float


class PhraseEar:
    """Joins the two views of one phrase and decides what to tell."""

    LATE = 14  # frames that the word view may lag behind the last phone: 280 ms
    SURE = -1.0  # log probability from which the word view needs no more time ...
    COMPLETE = -0.2  # ... if the phones fit at least this well
    BETTER = 0.1  # tell again only if the score rose by this much
    REACH = 160  # frames that the word view is remembered

    def __init__(self, weights: Weights, phones: int, words: int = 1) -> None:
        self._weights = weights
        self._phones = phones
        self._offset = weights.offset + weights.per_phone * (min(phones, 8) - 4)
        self._ends: deque[tuple[int, int, float]] = deque(maxlen=self.LATE)
        # Per frame: the word view of our words; of the likeliest longer word; the best look-alike's fit.
        self._words = np.full((8 * self.REACH, words + 2), NOT_HEARD, np.float32)
        self._at = self.REACH  # where the next frame's word view goes
        self._told: deque[WordHeard] = deque(maxlen=8)

    def hear(
        self, frame: int, phones: float, start: int, words: np.ndarray, rival: float, look_alike: float = NOT_HEARD
    ) -> WordHeard | None:
        """One frame: gives the word that became known at it, or came out better than before.

        Where the word view is sure, a word is told at once; else it is given time to name a longer word.
        """
        self._remember(words, rival, look_alike)
        self._ends.append((start, frame, phones))
        weights = self._weights
        # Were the word view certain; but it alone, lagging, would find words where none have begun.
        needed = max((weights.told_floor - self._offset) / weights.phones, weights.fit_floor)
        if max(fit for _, _, fit in self._ends) < needed:
            return None
        ours, rivals, look_alikes = self._lately()
        best: WordHeard | None = None
        for begin, end, fit in self._ends:
            if fit < weights.fit_floor:
                continue
            back = min(frame - begin, self.REACH - 1)
            word = float(ours[back])
            at_once = word >= self.SURE and fit >= self.COMPLETE
            if not at_once and frame - end < self.LATE - 1:
                continue
            score = self.score(fit, word)
            if fit * self._phones < float(look_alikes[back]) - weights.alike_margin:
                score -= weights.alike
            if word < self.SURE:
                score -= weights.rival * max(0.0, float(rivals[back]) - weights.rival_from)
            if best is None or score > best.score:
                best = WordHeard(begin, end, fit, word, score, float(rivals[back]))
        if best is None or best.score < weights.told_floor or not self._is_news(best):
            return None
        self._told.append(best)
        return best

    def score(self, fit: Any, word: Any) -> Any:
        """What both views add up to, before what rivals cost; numbers or arrays."""
        return self._weights.phones * fit + self._weights.words * word + self._offset

    def prime(self, views: np.ndarray) -> None:
        """Begin anew behind these frames: per row our words, the likeliest longer word, the best look-alike's fit."""
        self._words[: self.REACH] = NOT_HEARD
        self._words[self.REACH - len(views) : self.REACH] = views
        self._at = self.REACH
        self._ends.clear()

    def _remember(self, words: np.ndarray, rival: float, look_alike: float) -> None:
        if self._at == len(self._words):
            self._words[: self.REACH] = self._words[-self.REACH :]
            self._at = self.REACH
        self._words[self._at, :-2] = np.maximum(words, self._weights.word_lowest)
        self._words[self._at, -2:] = rival, look_alike
        self._at += 1

    def _lately(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Entry n: the best in the last n + 1 frames of our words (averaged), the longer words, the look-alikes."""
        recent = self._words[self._at - self.REACH : self._at][::-1]
        best = np.maximum.accumulate(recent, axis=0)
        ours = np.maximum(best[:, :-2], self._weights.word_lowest).mean(axis=1)
        return ours, best[:, -2], best[:, -1]

    def _is_news(self, new: WordHeard) -> bool:
        return not any(
            new.start <= old.end and old.start <= new.end and new.score < old.score + self.BETTER
            for old in self._told
        )


def best_look_alike(ratios: np.ndarray) -> np.ndarray:
    """Log-likelihood ratios of look-alikes, (..., look-alikes) -> the best where it is clearly heard, else NOT_HEARD."""
    best = ratios.max(axis=-1, initial=NOT_HEARD)
    return np.where(best >= CLEAR, best, NOT_HEARD)


class HitTimes:
    """Hits of one phrase, with the times that the phones' frames stand for.

    A word starts no sooner than the one before it ended. first_s: when frame 0 was.
    """

    def __init__(self, weights: Weights, first_s: float = 0.0) -> None:
        self._weights, self._first_s = weights, first_s
        self._ends: deque[float] = deque(maxlen=20)

    def hit(self, name: str, heard: WordHeard) -> Hit:
        """The word as a hit."""
        first_phone_s = heard.start * FRAME_S
        before_s = max((end_s for end_s in self._ends if end_s <= first_phone_s), default=0.0)
        start_s = max(first_phone_s + self._weights.start_shift_s, before_s)
        end_s = (heard.end + 1) * FRAME_S + self._weights.end_shift_s
        self._ends.append(end_s)
        first_s = self._first_s
        return Hit(name, round(first_s + start_s, 4), round(first_s + end_s, 4), round(heard.score, 4))

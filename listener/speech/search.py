"""Finding a phone sequence in a stream of phone probabilities.

Each phrase competes with the freest path there is: at every frame, the phone that the
network likes best. The score of a phrase between two moments is the log-likelihood ratio
of its best alignment (in the sense of connectionist temporal classification: phones with
optional blanks between them) to that free path, divided by its number of phones. It is 0
when nothing fits better and falls for every phone that is missing, wrong or too much.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from listener.speech.pronounce import PHONE_INDEX, PHONES, Pronunciation

BLANK = len(PHONES)
NEVER = -1e9


@dataclass(frozen=True, slots=True)
class Found:
    """Per phrase: the best alignment that ends at this frame; with lanes, (lanes, phrases)."""

    score: np.ndarray  # (phrases,) log-likelihood ratio per phone, <= 0
    start: np.ndarray  # (phrases,) frame index of its first phone


def longest_frames(phones: int, frame_s: float = 0.02) -> int:
    """Longest a sequence of this many phones is taken to last: 0.45 s and 0.1 s a phone.

    Common practice, no source: slow, clear speech, where the sounds of a word are heard within it. More would let
    two words said in a row be taken for one.
    """
    return round((0.45 + 0.1 * phones) / frame_s)


class PhoneSearch:
    """Follows several phrases, each with several pronunciations, frame by frame.

    ``pronunciations[p]`` holds the pronunciations of phrase p. ``frame_cost`` bounds what a single
    frame can cost (natural log), so that one bad frame does not lose a word. ``lanes``: so many streams side by side;
    by default it is one, and what is taken and given has no axis for them.
    """

    def __init__(
        self, pronunciations: Sequence[Sequence[Pronunciation]], frame_cost: float = 6.0, lanes: int | None = None
    ) -> None:
        flat = [(p, way) for p, choices in enumerate(pronunciations) for way in choices]
        labels, is_first, may_skip, ends, limits, owners, lengths = [], [], [], [], [], [], []
        for phrase, way in flat:
            for i, phone in enumerate(way):
                if i:
                    labels.append(BLANK)
                    is_first.append(False)
                    may_skip.append(False)
                labels.append(PHONE_INDEX[phone])
                is_first.append(i == 0)
                may_skip.append(i > 0 and way[i - 1] != phone)
            limits.extend([longest_frames(len(way))] * (2 * len(way) - 1))
            ends.append(len(labels) - 1)
            owners.append(phrase)
            lengths.append(len(way))
        self._labels, self._limits = np.array(labels, np.int64), np.array(limits)
        self._first, self._skip = np.array(is_first, bool), np.array(may_skip, bool)
        self._ends, self._lengths = np.array(ends), np.array(lengths)
        self._of_phrase = [np.flatnonzero(np.array(owners) == p) for p in range(len(pronunciations))]
        self._frame_cost = frame_cost
        self._lanes = () if lanes is None else (lanes,)
        self.restart()

    def restart(self, frame: int = 0) -> None:
        """Forget everything; the next frame has this index."""
        self._score = np.full((*self._lanes, len(self._labels)), NEVER)
        self._start = np.zeros((*self._lanes, len(self._labels)), np.int64)
        self._frame = frame

    def step(self, log_probs: np.ndarray) -> Found:
        """Take one frame of log probabilities (40,), blank last; with lanes, (lanes, 40)."""
        if not len(self._labels):
            return Found(np.zeros((*self._lanes, 0)), np.zeros((*self._lanes, 0), np.int64))
        top = log_probs.max(axis=-1, keepdims=True)
        gain = np.maximum(log_probs - top, -self._frame_cost)[..., self._labels]
        score, start = self._score, self._start
        best, origin = score.copy(), start.copy()
        for shift, allowed in ((1, ~self._first), (2, self._skip)):
            if shift >= len(self._labels):
                continue
            other = np.concatenate([np.full((*self._lanes, shift), NEVER), score[..., :-shift]], axis=-1)
            better = allowed & (other > best)
            best = np.where(better, other, best)
            before = np.concatenate([np.zeros((*self._lanes, shift), np.int64), start[..., :-shift]], axis=-1)
            origin = np.where(better, before, origin)
        fresh = self._first & (best < 0.0)
        best, origin = np.where(fresh, 0.0, best), np.where(fresh, self._frame, origin)
        best = np.where(self._frame - origin < self._limits, best + gain, NEVER)
        self._score, self._start = best, origin
        self._frame += 1
        return self._read()

    def _read(self) -> Found:
        scores, starts = self._score[..., self._ends] / self._lengths, self._start[..., self._ends]
        if not self._lanes:
            pick = [own[np.argmax(scores[own])] for own in self._of_phrase]
            return Found(scores[pick], starts[pick])
        picked = np.stack([own[np.argmax(scores[:, own], axis=1)] for own in self._of_phrase], axis=1)
        return Found(np.take_along_axis(scores, picked, 1), np.take_along_axis(starts, picked, 1))


def look_alikes(pronunciations: Sequence[Pronunciation], words: Sequence[Pronunciation]) -> list[Pronunciation]:
    """Words that differ from a way to say the phrase in one consonant only ("suspense").

    Only for phrases of five phones or more: short ones have too many, and differences of a vowel
    are left out because accents make them.
    """
    return [word for word in words if any(_one_consonant_apart(way, word) for way in pronunciations)]


def longer_words(pronunciations: Sequence[Pronunciation], words: Sequence[Pronunciation]) -> list[Pronunciation]:
    """Words that hold a way to say the phrase whole ("suspended")."""
    return [word for word in words if any(_holds(word, way) for way in pronunciations)]


def neighbours(pronunciations: Sequence[Pronunciation], words: Sequence[Pronunciation]) -> list[Pronunciation]:
    """Words that share more than half of a long phrase's phones ("suspect", "expand"): fewer edits than that.

    Only for phrases of six phones or more: of shorter ones, what voices really say is too often nearer
    to a neighbour.
    """
    long = [way for way in pronunciations if len(way) >= 6]
    return [word for word in words if any(within(way, word, (len(way) - 1) // 2) for way in long)]


def within(one: Pronunciation, two: Pronunciation, most: int) -> bool:
    """Whether two ways differ, by at most so many edits."""
    return one != two and abs(len(one) - len(two)) <= most and edits(one, two, most) <= most


def edits(one: Pronunciation, two: Pronunciation, most: int | None = None) -> int:
    """Phones put in, left out or changed between two ways (Levenshtein distance); beyond `most`, any number above it.

    >>> edits(("S", "T", "AA", "P"), ("T", "AA", "P"))
    1
    """
    row = list(range(len(two) + 1))
    for i, a in enumerate(one, 1):
        left, row[0] = row[0], i
        for j, b in enumerate(two, 1):
            left, row[j] = row[j], min(row[j] + 1, row[j - 1] + 1, left + (a != b))
        if most is not None and min(row) > most:
            return most + 1
    return row[-1]


def _one_consonant_apart(way: Pronunciation, word: Pronunciation) -> bool:
    if len(word) != len(way) or len(way) < 5:
        return False
    differing = [(a, b) for a, b in zip(way, word, strict=True) if a != b]
    return len(differing) == 1 and not any(phone[0] in "AEIOU" for phone in differing[0])


def _holds(word: Pronunciation, way: Pronunciation) -> bool:
    n = len(way)
    return len(word) > n and any(word[i : i + n] == way for i in range(len(word) - n + 1))

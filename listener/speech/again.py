"""Hearing again: where two words of a phrase were heard in a row, the seconds around them are heard once more, whole.

The streaming network tells each word within 240 ms and has heard nothing of what follows. A second network of the same size
hears the last six seconds at once, every frame with all the others beside it: it finds the third word that was clipped
or said softly. Six seconds cost it as much as three of the stream cost the first, so it runs only behind a pair of words, at
most once a chunk. What it hears are further hits of the same phrase, with scores of the same kind; the rule of calls takes
the better of two reports of a word. It takes nothing away: a call can only be lost to it where it makes an alert too early.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise, product
from math import inf

import numpy as np
import onnxruntime

from listener.events import Hit
from listener.speech.judge import Judge, PhraseSet
from listener.speech.phrase_ear import FRAME_S

FOLDER = "again"  # of the second network, in a model's folder
FRAMES = 300  # heard again at once: 6 s, as long as the lines on which it was fitted
CHUNK = 12  # frames after which its judge tells words, as that of the stream does

PAIR_FLOOR, PAIR_CAP = -2.0, 0.5  # two words, each counted up to the cap, must reach the floor ...
PAIR_GAP_S = (-0.05, 2.2)  # ... with so much time between them ...
PAIR_AGE_S = 2.4  # ... and the second ended no longer ago
LONGEST_WORD_S = 2.0
SAME = 0.65  # hits that share more of their time are the same word, as for the rule of calls
EVEN = 2.0  # beats, onset to onset, of which the longest is shorter than so many of the shortest are even enough for a call
NEWS = 0.1  # a word that was told is told again only if its score rose by this much


@dataclass(frozen=True, slots=True)
class SecondEar:
    """A second network with the phrases as it knows them. It changes nothing of itself, so all channels share it."""

    session: onnxruntime.InferenceSession
    phrases: PhraseSet

    def outputs(self, rows: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """Feature rows (2 n + 3, 160) -> phones (n, 40) and queries (n, query + 1)."""
        phones, queries = self.session.run(["phones", "words"], {"features": rows[None]})
        return phones, queries

    def hear(self, rows: np.ndarray, first_s: float) -> list[Hit]:
        """Every word of the phrases in some seconds, each as it was told last; first_s: stream time of the first frame."""
        phones, queries = self.outputs(rows)
        views, judge = self.phrases.words.judge(queries), Judge(self.phrases, {}, first_s)
        told: list[Hit] = []
        for at in range(0, len(phones), CHUNK):
            part = slice(at, at + CHUNK)
            for hit in judge.hits(phones[part], queries[part], (views[0][part], views[1][part], views[2][part])):
                told = [*(old for old in told if not _same(old, hit)), hit]
        return told


class Again:
    """Hears again on one channel. phrases: those that are, and how many words of each make a call; others are left alone."""

    def __init__(self, ear: SecondEar, phrases: Mapping[str, int]) -> None:
        self._ear, self._names = ear, dict(phrases)
        self.restart(0.0)

    def restart(self, first_s: float) -> None:
        """Forget everything; frame 0 is at this stream time."""
        self._first_s = first_s
        self._words: dict[str, deque[Hit]] = {name: deque(maxlen=16) for name in self._names}
        self._told: dict[str, deque[Hit]] = {name: deque(maxlen=32) for name in self._names}
        self._waited = dict.fromkeys(self._names, 0)

    def due(self, fresh: Sequence[Hit], frames: int) -> list[str]:
        """The phrases to be heard again now, one chunk further: fresh are the hits of the first hearing in it, frames how many
        have been heard. A phrase is due with every word, and every second chunk until the pair is too old; but not where its
        last words are a call already, which nothing could make clearer.
        """
        now_s, due = self._first_s + frames * FRAME_S, []
        for name in self._names:
            new = [hit for hit in fresh if hit.phrase == name]
            self._words[name].extend(new)
            self._told[name].extend(new)
            self._waited[name] += 1
            in_a_row = (two.end_s for one, two in product(self._words[name], repeat=2) if is_pair(one, two))
            is_open = max(in_a_row, default=-inf) + PAIR_AGE_S >= now_s
            if is_open and (new or self._waited[name] >= 2) and not is_call(self._words[name], self._names[name]):
                self._waited[name] = 0
                due.append(name)
        return due

    def hear(self, due: Sequence[str], rows: np.ndarray, frames: int) -> list[Hit]:
        """Words of these phrases that the first hearing did not tell as well, frames having been heard; rows: the features of
        the last of them, (2 n + 3, 160).
        """
        first_s = self._first_s + (frames - (len(rows) - 3) // 2) * FRAME_S
        news = []
        for hit in self._ear.hear(rows, round(first_s, 4)):
            told = self._told.get(hit.phrase)
            if hit.phrase not in due or told is None:
                continue
            if not any(_same(old, hit) and old.score >= hit.score - NEWS for old in told):
                told.append(hit)
                news.append(hit)
        return news


def is_pair(one: Hit, two: Hit) -> bool:
    """Whether these are two words in a row, clear enough to be two of a call."""
    in_a_row = PAIR_GAP_S[0] <= two.start_s - one.end_s <= PAIR_GAP_S[1]
    return in_a_row and min(one.score, PAIR_CAP) + min(two.score, PAIR_CAP) >= PAIR_FLOOR


def is_call(words: Sequence[Hit], count: int) -> bool:
    """Whether the last words heard are so many in a row and in an even beat, each as clear as counts."""
    clear: list[Hit] = []
    for hit in words:
        if hit.score >= PAIR_CAP:
            clear = [*(old for old in clear if not _same(old, hit)), hit]
    last = sorted(clear, key=lambda hit: hit.start_s)[-count:]
    beats_s = [two.start_s - one.start_s for one, two in pairwise(last)]
    return (
        len(last) == count > 1
        and all(is_pair(one, two) for one, two in pairwise(last))
        and max(beats_s) < EVEN * min(beats_s)
        and all(hit.end_s <= last[-1].end_s for hit in words)
    )


def heard_again(first: Sequence[Hit], second: Sequence[Hit]) -> list[Hit]:
    """Of the second network's hits in hours of sound, those that it would have been asked for, by the first one's hits.

    Both in order of time, of one phrase.
    """
    ends_s, at = [], 0
    for n, two in enumerate(first):
        while two.start_s - first[at].start_s > PAIR_GAP_S[1] + LONGEST_WORD_S:
            at += 1
        if any(is_pair(one, two) for one in first[at:n]):
            ends_s.append(two.end_s)
    pairs_s = np.sort(ends_s)
    asked = []
    for hit in second:
        at = int(np.searchsorted(pairs_s, hit.end_s - PAIR_AGE_S))
        if at < len(pairs_s) and pairs_s[at] - FRAMES * FRAME_S <= hit.start_s:
            asked.append(hit)
    return asked


def _same(one: Hit, two: Hit) -> bool:
    return one.phrase == two.phrase and one.span.likeness(two.span) > SAME

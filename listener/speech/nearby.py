"""What is said around a call: positions and callers, looked for in what the network gave anyway.

Such words are short ("one", "two"), and short words are heard everywhere in noise. So they are looked for only near a
found call, by the same two views as the phrases (phone search and word view), and told with a score that weighs how well
both fit. Which of them is meant, if any, is for ``listener.call.around`` to judge.
"""

from __future__ import annotations

from collections import deque
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import product

import numpy as np

from listener.settings import Settings
from listener.speech.network import Weights
from listener.speech.phrase_ear import FRAME_S
from listener.speech.pronounce import Pronunciation, pronunciations, without_r
from listener.speech.search import PhoneSearch
from listener.speech.spotter import DENIAL, NearWord

KEPT_S = 25.0  # the longest call that there can be, and 4 s before it
LATE = 14  # frames that the word view may lag behind the last phone, as for phrases

# The score: PHONES * log-likelihood ratio + WORDS * log probability of the weakest word + OFFSET + PER_PHONE * (phones - 3).
# Fitted by logistic regression to positions said by other voices than those of the measurements (docs/measurements.md).
PHONES, WORDS, OFFSET, PER_PHONE = 0.47, 0.347, 4.5, 0.8
MOST_PHONES = 8  # more add nothing
WORD_LOWEST = -16.0  # the word view's log probability is not taken below this
SCORE_FLOOR = -4.0  # what fits worse was not said


@dataclass(frozen=True, slots=True, eq=False)
class Frames:
    """Some consecutive outputs of the network. first_s: stream time of the first frame.

    phones (n, 40): log probabilities. queries (n, query + 1), blank last. log_sum (n,): natural log of the sum over all
    words of the word view and the blank.
    """

    first_s: float
    phones: np.ndarray
    queries: np.ndarray
    log_sum: np.ndarray

    @property
    def end_s(self) -> float:
        """Stream time behind the last frame."""
        return self.first_s + len(self.phones) * FRAME_S


@dataclass(frozen=True, slots=True)
class Sought:
    """One way to say something that is looked for. what, name: as in NearWord."""

    what: str
    name: str
    words: tuple[str, ...]


class NearbyWords:
    """What is looked for around calls, ready for the search; all channels share it.

    spelled: pronunciations of words that the dictionary lacks. embed: gives a pronunciation as the word view sees it,
    (query,). Raises UserError for a word that is neither in the dictionary nor spelled.
    """

    def __init__(
        self,
        sought: Sequence[Sought],
        spelled: Mapping[str, Sequence[str]],
        embed: Callable[[Pronunciation], np.ndarray],
    ) -> None:
        self.sought = sought
        known = {word: said_ways(word, spelled) for word in sorted({word for one in sought for word in one.words})}
        self.ways = [[sum(some, ()) for some in product(*(known[word] for word in one.words))] for one in sought]
        vocabulary = list(known)
        self.columns = [[vocabulary.index(word) for word in one.words] for one in sought]
        each = list(known.values())
        self._first = np.cumsum([0, *map(len, each)])[:-1]
        self._matrix = np.stack([embed(way) for some in each for way in some]).T / np.float32(16.0)
        self.phones = np.array([min(map(len, ways)) for ways in self.ways])
        self.offsets = OFFSET + PER_PHONE * (np.minimum(self.phones, MOST_PHONES) - 3)

    def views(self, frames: Frames) -> np.ndarray:
        """(n, words): log probability of each word, in any of its pronunciations."""
        logits = frames.queries[:, :-1] @ self._matrix
        return np.maximum.reduceat(logits, self._first, axis=1) - frames.log_sum[:, None]


def sought(settings: Settings) -> list[Sought]:
    """What is looked for around a call; nothing where the settings name neither positions nor callers."""
    said = [("position", p.name, words) for p in settings.positions for words in p.spoken]
    said += [("caller", name, words) for c in settings.callers for name, ways in c.each() for words in ways]
    said += [(DENIAL, DENIAL, DENIAL)] if settings.positions else []
    return [Sought(what, name, tuple(words.split())) for what, name, words in said]


def said_ways(word: str, spelled: Mapping[str, Sequence[str]]) -> list[Pronunciation]:
    """Ways to say a word: the dictionary's, which is American, and how those sound where no r is said before a consonant."""
    ways = pronunciations(word, spelled)
    return list(dict.fromkeys([*ways, *map(without_r, ways)]))


class NearbySearch:
    """Follows the frames from some time on; see ``listener.speech.spotter.Nearby``."""

    def __init__(self, words: NearbyWords, weights: Weights) -> None:
        self._words, self._weights = words, weights
        self._search = PhoneSearch(words.ways, weights.frame_cost)
        self._found: list[NearWord] = []
        self.heard_until_s = -1.0
        self._views = np.zeros((0, 0), np.float32)
        self._begin(0.0)

    def hear(self, frames: Frames) -> None:
        """The next outputs of the network; where they do not join the last ones, the search begins anew."""
        if abs(frames.first_s - self.heard_until_s) > FRAME_S / 2:
            self._begin(frames.first_s)
        self.heard_until_s = frames.end_s
        self._views = np.concatenate([self._views, self._words.views(frames)])
        for row in frames.phones:
            found = self._search.step(row)
            self._most.append(PHONES * self._words.phones * found.score + self._words.offsets)
            self._starts.append(found.start)
        for end in range(max(0, len(self._most) - len(frames.phones) - LATE), len(self._most)):
            self._judge(end)

    def words(self) -> list[NearWord]:
        """What may have been said so far; of each name the best fits, none overlapping another of the same."""
        return sorted(self._found, key=lambda word: (word.start_s, word.end_s, word.name))

    def _begin(self, first_s: float) -> None:
        self._first_s = first_s
        self._search.restart()
        self._most: list[np.ndarray] = []  # per frame, the score that each way to say it would have, were the word view sure
        self._starts: list[np.ndarray] = []
        self._views = np.zeros((0, 1 + max(max(some) for some in self._words.columns)), np.float32)

    def _judge(self, end: int) -> None:
        """The words that may end at this frame."""
        most, starts = self._most[end], self._starts[end]
        for i in map(int, np.flatnonzero(most >= SCORE_FLOOR)):
            view = float(self._views[starts[i] : end + LATE, self._words.columns[i]].max(axis=0).min())
            score = float(most[i]) + WORDS * max(view, WORD_LOWEST)
            if score < SCORE_FLOOR:
                continue
            start_s = self._first_s + int(starts[i]) * FRAME_S + self._weights.start_shift_s
            end_s = self._first_s + (end + 1) * FRAME_S + self._weights.end_shift_s
            one = self._words.sought[i]
            self._keep(NearWord(one.what, one.name, round(start_s, 4), round(end_s, 4), round(score, 4)))

    def _keep(self, word: NearWord) -> None:
        same = [old for old in self._found if old.name == word.name and old.what == word.what and old.span.overlaps(word.span)]
        if all(old.score < word.score for old in same):
            self._found = [old for old in self._found if old not in same] + [word]


class Memory:
    """The network's last outputs on one channel, and who is still listening. It outlives the gate's closing."""

    def __init__(self) -> None:
        self._kept: deque[Frames] = deque()
        self._open: list[NearbySearch] = []

    def hear(self, frames: Frames) -> None:
        """Remember these, and let every open search hear them; what is too old goes."""
        self._kept.append(frames)
        while self._kept[0].end_s < frames.end_s - KEPT_S:
            self._kept.popleft()
        for search in self._open:
            search.hear(frames)

    def open(self, words: NearbyWords, weights: Weights, from_s: float) -> NearbySearch:
        """A search of what is remembered from this time on, and of what follows."""
        search = NearbySearch(words, weights)
        for frames in self._kept:
            if frames.end_s > from_s:
                search.hear(frames)
        self._open.append(search)
        return search

    def close(self, search: object) -> None:
        """This search hears no further."""
        self._open = [one for one in self._open if one is not search]

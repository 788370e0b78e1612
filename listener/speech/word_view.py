"""The word view: of thousands of words, how likely is it one of ours?"""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

import numpy as np
import onnxruntime

from listener.speech.network import open_session
from listener.speech.pronounce import PHONE_INDEX, Pronunciation
from listener.speech.rivals import Said
from listener.speech.search import longer_words, neighbours

NOT_HEARD = -99.0  # log probability of a word that is not there


def embed(text: onnxruntime.InferenceSession, way: Pronunciation) -> np.ndarray:
    """A word as the word view's text encoder sees it, (query,)."""
    return text.run(["word"], {"phones": np.array([[PHONE_INDEX[p] for p in way]], np.int64)})[0][0]


def read_common(folder: Path) -> tuple[dict[Pronunciation, int], np.ndarray]:
    """The commonest words of a model folder: their rows by way of saying them, and the rows, (words, query)."""
    with np.load(folder / "rivals.npz") as file:
        return {tuple(way.split()): i for i, way in enumerate(file["phones"])}, file["embedded"].astype(np.float32)


def common_words(folder: Path) -> list[Pronunciation]:
    """The common words that a model brings."""
    return list(read_common(folder)[0])


class WordView:
    """How likely each phrase's words are at a frame, among thousands of rivals.

    ``phrases`` holds per phrase its words, each with its pronunciations; ``own_rivals`` the look-alikes
    and longer words of the phrases, which are rivals even where they are not common.
    """

    def __init__(
        self, folder: Path, phrases: list[list[list[Pronunciation]]], own_rivals: list[Pronunciation]
    ) -> None:
        self._folder = folder
        ours = [way for words in phrases for said in words for way in said]
        numbers = iter(range(1, 1 + len(ours)))
        self._slots = [[[next(numbers) for _ in said] for said in words] for words in phrases]
        common, embedded = read_common(folder)
        rare = [way for way in dict.fromkeys(own_rivals) if way not in common and way not in ours]
        kept = [way for way in common if way not in ours]
        text = open_session(folder / "text.onnx")
        rows = [embed(text, way) for way in [*ours, *rare]]
        self._matrix = np.concatenate([*(row[None] for row in rows), embedded[[common[w] for w in kept]]]).T / np.float32(16.0)
        # Places of those that are not among the common words.
        self._added = np.array([n for n, w in enumerate([*ours, *rare], 1) if w not in common], np.int64)
        self._column = {way: i for i, way in enumerate([*ours, *rare, *kept])}
        place = {way: 1 + len(ours) + i for i, way in enumerate([*rare, *kept])}
        self._instead = [
            np.zeros(0, np.int64) if len(words) > 1 else _instead(words[0], place, kept) for words in phrases
        ]

    def judge(self, queries: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """(frames, query+1) -> log probabilities per frame: of the words of each phrase, (frames, words),
        and of the likeliest word that may have been said instead, longer or a neighbour, (frames, phrases);
        and the natural log of the sum over all words and the blank, (frames,).

        Words are numbered through the phrases in order; see ``columns``.
        """
        logits = np.concatenate([queries[:, -1:], queries[:, :-1] @ self._matrix], axis=1)
        top = logits.max(axis=1, keepdims=True)
        rest = np.log(np.exp(logits - top).sum(axis=1, keepdims=True))
        return *self._read(logits - top - rest), (top + rest)[:, 0]

    def embedded(self, ways: Sequence[Said]) -> tuple[np.ndarray, list[list[int]]]:
        """The words of some ways to say something, each once, (query, words), and per way its words' columns there."""
        words = list(dict.fromkeys(word for said in ways for word in said))
        rare = [word for word in words if word not in self._column]
        text = open_session(self._folder / "text.onnx") if rare else None
        known = {word: self._matrix[:, self._column[word]] for word in words if word in self._column}
        known |= {word: embed(text, word) / np.float32(16.0) for word in rare if text}
        at = {word: i for i, word in enumerate(words)}
        return np.stack([known[word] for word in words], axis=1), [[at[word] for word in said] for said in ways]

    def judge_sparse(self, queries: np.ndarray, log_sum: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """The same without going through the common words again: log_sum is theirs, with the blank (natural log)."""
        asked = np.unique(np.concatenate([self._added, *self._instead, *(s for slots in self._slots for s in slots)]))
        asked = asked.astype(np.int64)
        logits = queries[:, :-1] @ self._matrix[:, asked - 1]
        everything = np.logaddexp.reduce(logits[:, np.searchsorted(asked, self._added)], axis=1, initial=-np.inf)
        whole = np.logaddexp(log_sum, everything)
        return *self._read(logits - whole[:, None], asked), whole

    def _read(self, log_probs: np.ndarray, asked: np.ndarray | None = None) -> tuple[np.ndarray, np.ndarray]:
        """log_probs: of all words, the blank first, or of those asked for."""

        def highest(words: np.ndarray | list[int]) -> np.ndarray:
            columns = words if asked is None else np.searchsorted(asked, words)
            return log_probs[:, columns].max(axis=1, initial=NOT_HEARD)

        ours = [highest(slot) for slots in self._slots for slot in slots]
        instead = [highest(words) for words in self._instead]
        return _columns(ours, len(log_probs)), _columns(instead, len(log_probs))

    @property
    def columns(self) -> list[slice]:
        """Per phrase, its words' columns in what ``judge`` returns."""
        ends = np.cumsum([len(slots) for slots in self._slots])
        return [slice(int(e) - len(s), int(e)) for e, s in zip(ends, self._slots, strict=True)]


def _columns(some: list[np.ndarray], rows: int) -> np.ndarray:
    return np.stack(some, axis=1) if some else np.zeros((rows, 0), np.float32)


def _instead(pronunciations: list[Pronunciation], place: dict[Pronunciation, int], common: list[Pronunciation]) -> np.ndarray:
    """Places of the words that may be said instead of a word: longer ones that hold it, and common neighbours."""
    words = dict.fromkeys([*longer_words(pronunciations, list(place)), *neighbours(pronunciations, common)])
    return np.array([place[word] for word in words], np.int64)

"""What else may have been said: the rivals of a phrase, out of the dictionary.

A rival is a common word at most two phones away from a word of the phrase ("stock" for "stop", "told" for "hold"), or a word
that holds it ("stopped"). In a phrase of several words one of them is changed at a time. A single phone is no rival: a "go"
whose edges are lost is an "oh" to any recogniser.
"""

from __future__ import annotations

from collections.abc import Collection, Sequence

import numpy as np

from listener.speech.pronounce import PHONE_INDEX, Pronunciation
from listener.speech.search import longer_words

LEAST_PHONES = 5  # of a word that is weighed against its rivals
EDITS = 2  # phones put in, left out or changed, from a word to its rivals
INFLECTED = 3  # phones that a word which holds it may have more ("holding")
SHORTEST, LONGEST = 2, 14  # phones of a rival

Said = tuple[Pronunciation, ...]  # a phrase, word by word


def distances(way: Pronunciation, words: Sequence[Pronunciation]) -> np.ndarray:
    """Levenshtein distance in phones from one word to each of the words (of at most LONGEST phones), (words,)."""
    sounds = np.full((len(words), LONGEST), -1, np.int16)
    for row, word in zip(sounds, words, strict=True):
        row[: len(word)] = [PHONE_INDEX[phone] for phone in word]
    before = np.tile(np.arange(LONGEST + 1, dtype=np.int16), (len(words), 1))
    for i, phone in enumerate(way, 1):
        row = np.empty_like(before)
        row[:, 0] = i
        changed = np.minimum(before[:, :-1] + (sounds != PHONE_INDEX[phone]), before[:, 1:] + 1)
        for j in range(1, LONGEST + 1):
            row[:, j] = np.minimum(changed[:, j - 1], row[:, j - 1] + 1)
        before = row
    return before[np.arange(len(words)), [len(word) for word in words]]


def rivals(
    phrase: Sequence[Sequence[Pronunciation]], common: Collection[Pronunciation], dictionary: Collection[Pronunciation]
) -> list[Said]:
    """The rivals of a phrase (per word, its pronunciations): common words near it, and what holds it in the dictionary."""
    near = [word for word in common if len(word) <= LONGEST]
    ours = {sum(said, ()) for said in ways_to_say(phrase)}
    found: dict[Said, None] = {}
    for place, ways in enumerate(phrase):
        edits = np.min([distances(way, near) for way in ways], axis=0)
        longer = [word for word in longer_words(list(ways), list(dictionary)) if len(word) <= min(map(len, ways)) + INFLECTED]
        for word in (*(near[i] for i in np.flatnonzero(edits <= EDITS)), *longer):
            said = (*(ways[0] for ways in phrase[:place]), word, *(ways[0] for ways in phrase[place + 1 :]))
            if SHORTEST <= len(sum(said, ())) and sum(said, ()) not in ours:
                found[said] = None
    return list(found)


def has_rivals(phrase: Sequence[Sequence[Pronunciation]]) -> bool:
    """Whether a phrase is weighed against rivals at all: one word of five phones or more.

    Of shorter words and of several, too many calls are nearer to a rival (docs/measurements.md).
    """
    return len(phrase) == 1 and min(map(len, phrase[0])) >= LEAST_PHONES


def ways_to_say(phrase: Sequence[Sequence[Pronunciation]]) -> list[Said]:
    """Every way to say a phrase, word by word."""
    ways: list[Said] = [()]
    for some in phrase:
        ways = [(*way, word) for way in ways for word in some]
    return ways

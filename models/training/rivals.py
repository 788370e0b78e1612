"""Words that are easily taken for each other: one phone apart.

The word view learns to tell a word from its rivals. Rivals drawn at random are nearly always
easy, so look-alikes are drawn as well; and the dictionary's look-alikes of the commands are rivals
even where nobody says them in the corpus, for the text encoder needs only their phones.
"""

from __future__ import annotations

from collections import defaultdict
from collections.abc import Sequence

from listener.speech.pronounce import Pronunciation

HOLE = "*"


def _patterns(word: Pronunciation) -> set[Pronunciation]:
    """The word with one phone taken for any other, and with any one phone added."""
    swapped = {(*word[:i], HOLE, *word[i + 1 :]) for i in range(len(word))}
    return swapped | {(*word[:i], HOLE, *word[i:]) for i in range(len(word) + 1)}


class Neighbours:
    """Finds the words one phone apart from any word."""

    def __init__(self, words: Sequence[Pronunciation]) -> None:
        self._by_pattern: dict[Pronunciation, list[int]] = defaultdict(list)
        for number, word in enumerate(words):
            for i in range(len(word)):
                self._by_pattern[*word[:i], HOLE, *word[i + 1 :]].append(number)
        self._index = {word: number for number, word in enumerate(words)}

    def of(self, word: Pronunciation) -> set[int]:
        """Numbers of the words one phone apart from a word, which need not be one of them."""
        found = {other for pattern in _patterns(word) for other in self._by_pattern.get(pattern, ())}
        shorter = ((*word[:i], *word[i + 1 :]) for i in range(len(word)))
        found |= {self._index[less] for less in shorter if less in self._index}
        return found - {self._index.get(word)}


def one_apart(words: Sequence[Pronunciation]) -> list[list[int]]:
    """For each word the numbers of those that differ by one phone: another, one more or one less."""
    neighbours = Neighbours(words)
    return [sorted(neighbours.of(word)) for word in words]


def look_alikes_of(words: Sequence[Pronunciation], dictionary: Sequence[Pronunciation]) -> list[Pronunciation]:
    """Every pronunciation of the dictionary that is one phone apart from one of the words."""
    neighbours = Neighbours(dictionary)
    return [dictionary[number] for number in sorted(set().union(*map(neighbours.of, words)))]

"""What a network gave, judged: phones and queries of some frames in, the words of the phrases out.

Two views judge each phrase: the phone search (does the sequence of sounds fit?) and the word view (of nine thousand words, is
it this one?). ``PhraseSet`` is what a model makes of some phrases and does not change; a ``Judge`` follows one stream.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from pathlib import Path

import numpy as np

from listener.events import Hit
from listener.speech.examples import ExampleEar, Examples
from listener.speech.known import Sounds
from listener.speech.network import Weights
from listener.speech.phrase_ear import HitTimes, PhraseEar, WordFit, best_look_alike
from listener.speech.pronounce import Pronunciation
from listener.speech.rivals import Said, ways_to_say
from listener.speech.search import PhoneSearch
from listener.speech.second_look import Case, Lately, SecondLook
from listener.speech.word_view import WordView


@dataclass(frozen=True, slots=True)
class PhraseSet:
    """Some phrases as a model knows them. places: of each phrase by its words; cases: of those that are looked at twice.

    look_alikes: of all phrases in a row, each as a way to say something; look_alike_phones: how many phones each has;
    look_alikes_of: per phrase, which are its own.
    """

    weights: Weights
    places: dict[str, int]
    pronunciations: list[list[Pronunciation]]
    look_alikes: list[list[Pronunciation]]
    look_alike_phones: np.ndarray
    look_alikes_of: list[slice]
    words: WordView
    cases: dict[str, Case]

    @classmethod
    def of(cls, folder: Path, weights: Weights, phrases: list[str], sounds: Sounds, one_look: set[str]) -> PhraseSet:
        """Made from a model's folder and what the dictionary says of the phrases; one_look: phrases that get no second look."""
        words = WordView(folder, sounds.words, [way for some in (*sounds.look_alikes, *sounds.longer) for way in some])
        flat = [way for some in sounds.look_alikes for way in some]
        ends = np.cumsum([len(some) for some in sounds.look_alikes])
        return cls(
            weights, {name: place for place, name in enumerate(phrases)}, sounds.pronunciations,
            [[way] for way in flat], np.array([len(way) for way in flat]),
            [slice(int(e) - len(some), int(e)) for some, e in zip(sounds.look_alikes, ends, strict=True)], words,
            {
                name: _case(said, rivals, words, weights.second_words)
                for name, said, rivals in zip(phrases, sounds.words, sounds.rivals, strict=True)
                if rivals and name not in one_look
            },
        )  # fmt: skip


def _case(words: list[list[Pronunciation]], rivals: list[Said], view: WordView, word_weight: float) -> Case:
    ours = ways_to_say(words)
    ways = [*ours, *rivals]
    return Case(ways, len(ours), *view.embedded(ways), word_weight)


def example_views(
    examples: Mapping[str, Examples], phrases: PhraseSet, queries: np.ndarray, words: np.ndarray, log_sum: np.ndarray
) -> dict[str, np.ndarray]:
    """Of each phrase with examples, what they say of some frames; the arguments as WordView.judge takes and gives them."""
    own = {name: words[:, phrases.words.columns[place]] for name, place in phrases.places.items()}
    return {name: one.view(queries, log_sum, own.get(name)) for name, one in examples.items()}


class Judge:
    """Follows what a network gives on one channel. A phrase with examples is judged by them.

    first_s: stream time of the first frame.
    """

    def __init__(self, phrases: PhraseSet, examples: Mapping[str, Examples], first_s: float = 0.0) -> None:
        weights, columns = phrases.weights, phrases.words.columns
        self._set, self._by_example = phrases, examples
        self._frame = 0
        self._search = PhoneSearch([*phrases.pronunciations, *phrases.look_alikes], weights.frame_cost)
        self._lately = Lately(weights.frame_cost)
        self._second = {name: SecondLook(case, self._lately) for name, case in phrases.cases.items()}
        self._times = {name: HitTimes(weights, first_s) for name in {**phrases.places, **examples}}
        self._phrases = [
            PhraseEar(weights, min(map(len, ways)), column.stop - column.start)
            for ways, column in zip(phrases.pronunciations, columns, strict=True)
        ]
        self._examples = {name: ExampleEar(one, weights) for name, one in examples.items()}

    def hits(self, phones: np.ndarray, queries: np.ndarray, views: tuple[np.ndarray, np.ndarray, np.ndarray]) -> list[Hit]:
        """The next frames -> the words that are now sure enough to tell; arguments as ``fits``."""
        if self._second:
            self._lately.add(phones, queries, views[2])
        hits: list[Hit] = []
        for name, heard in self.fits(phones, queries, views):
            hit = self._times[name].hit(name, heard)
            hits += self._second[name].told(heard, hit) if name in self._second else [hit]
        return hits + [hit for second in self._second.values() for hit in second.whole()]

    def fits(
        self, phones: np.ndarray, queries: np.ndarray, views: tuple[np.ndarray, np.ndarray, np.ndarray]
    ) -> list[tuple[str, WordFit]]:
        """The next frames -> the words heard in them, by phrase: phones (n, 40) and queries (n, query + 1) as the network
        gives them, views what the phrase set's WordView.judge says of the queries."""
        (words, instead, log_sum), columns = views, self._set.words.columns
        by_example = example_views(self._by_example, self._set, queries, words, log_sum)
        heard = []
        for n, (row, word_row, rival) in enumerate(zip(phones, words, instead, strict=True)):
            found = self._search.step(row)
            look_alike_fits = found.score[len(self._phrases) :] * self._set.look_alike_phones
            for name, one in self._examples.items():
                place = self._set.places.get(name)
                news = one.hear(self._frame, 0.0 if place is None else float(found.score[place]), by_example[name][n])
                if news:
                    heard.append((name, news))
            for i, (name, phrase) in enumerate(zip(self._set.places, self._phrases, strict=True)):
                if name in self._examples:
                    continue
                fit, start = float(found.score[i]), int(found.start[i])
                look_alike = float(best_look_alike(look_alike_fits[self._set.look_alikes_of[i]]))
                news = phrase.hear(self._frame, fit, start, word_row[columns[i]], float(rival[i]), look_alike)
                if news:
                    heard.append((name, news))
            self._frame += 1
        return heard



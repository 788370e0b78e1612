"""The ear: our own recogniser, trained for launch noise.

Sound becomes features, features become phone probabilities and word queries 240 ms at a
time (``network``), and two views judge each phrase: the phone search (does the sequence of sounds
fit?) and the word view (of nine thousand words, is it this one?). Their weighted sum is the hit's
score. Words of a phrase are told early and told again when they come out better. A phrase of which this station has
examples is judged by them instead (``examples``), with the phones beside where the dictionary knows it.
"""

from __future__ import annotations

from pathlib import Path

import numpy as np

from listener.events import RATE_HZ, Hit
from listener.settings import Settings
from listener.speech.bank import read_bank
from listener.speech.examples import ExampleEar, Examples, read_examples
from listener.speech.known import Known, fingerprint, keep, look_up, recall
from listener.speech.nearby import Frames, Memory, NearbyWords, Sought, sought
from listener.speech.network import Network, open_session, read_info, shipped_model
from listener.speech.phrase_ear import FRAME_S, HitTimes, PhraseEar, WordFit, best_look_alike
from listener.speech.pronounce import Pronunciation
from listener.speech.rivals import Said, ways_to_say
from listener.speech.search import PhoneSearch
from listener.speech.second_look import Case, Lately, SecondLook
from listener.speech.spotter import Calibration, Nearby, Talk
from listener.speech.talk import Listening, hear_talk
from listener.speech.word_view import WordView, common_words, embed


class EarSpotter:
    """Listens to one channel; see the module's text."""

    name = "ear"

    def __init__(self, engine: EarEngine) -> None:
        self._engine = engine
        self._network = Network(engine.session, engine.info)
        self._search = PhoneSearch([*engine.pronunciations, *engine.look_alikes], engine.info.weights.frame_cost)
        self._memory = Memory()
        self._lately = Lately(engine.info.weights.frame_cost)
        self._second = {name: SecondLook(case, self._lately) for name, case in engine.cases.items()}
        self.restart(0)

    def restart(self, first_sample: int) -> None:
        """Forget everything heard; the next sample fed is number first_sample of the 16 kHz stream."""
        self._frame = 0
        self._first_s = first_sample / RATE_HZ
        self._network.restart()
        self._search.restart()
        self._lately.restart()
        for second in self._second.values():
            second.restart()
        weights, columns = self._engine.info.weights, self._engine.words.columns
        self._times = {name: HitTimes(weights, self._first_s) for name in self._engine.names}
        self._phrases = [
            PhraseEar(weights, min(map(len, pronunciations)), column.stop - column.start)
            for pronunciations, column in zip(self._engine.pronunciations, columns, strict=True)
        ]
        self._examples = {name: ExampleEar(examples, weights) for name, examples in self._engine.examples.items()}

    def feed(self, samples: np.ndarray) -> list[Hit]:
        """The next samples, float32 at 16 kHz, shape (n,) -> the words that are now sure enough to tell."""
        return self._hits(self._network.feed(samples))

    def finish(self) -> list[Hit]:
        """The words still held back at the end of the stream."""
        return self._hits(self._network.flush())

    def listen_around(self, from_s: float) -> Nearby:
        """Search what is remembered from this stream time on for positions and callers, and what follows."""
        assert self._engine.nearby, "the settings name some"
        return self._memory.open(self._engine.nearby, self._engine.info.weights, from_s)

    def leave(self, nearby: Nearby) -> None:
        """Search no further for this one."""
        self._memory.close(nearby)

    def judge(self, phones: np.ndarray, queries: np.ndarray) -> list[tuple[str, WordFit]]:
        """What the network gave for the next frames -> the words heard in them, by phrase."""
        (words, instead, log_sum), columns = self._engine.words.judge(queries), self._engine.words.columns
        if self._second:
            self._lately.add(phones, queries, log_sum)
        if self._engine.nearby:
            self._memory.hear(Frames(self._first_s + self._frame * FRAME_S, phones, queries, log_sum))
        views = self._engine.example_views(queries, words, log_sum)
        heard = []
        for n, (row, word_row, rival) in enumerate(zip(phones, words, instead, strict=True)):
            found = self._search.step(row)
            look_alike_fits = found.score[len(self._phrases) :] * self._engine.look_alike_phones
            for name, one in self._examples.items():
                place = self._engine.places.get(name)
                news = one.hear(self._frame, 0.0 if place is None else float(found.score[place]), views[name][n])
                if news:
                    heard.append((name, news))
            for i, (name, phrase) in enumerate(zip(self._engine.places, self._phrases, strict=True)):
                if name in self._examples:
                    continue
                fit, start = float(found.score[i]), int(found.start[i])
                look_alike = float(best_look_alike(look_alike_fits[self._engine.look_alikes_of[i]]))
                news = phrase.hear(self._frame, fit, start, word_row[columns[i]], float(rival[i]), look_alike)
                if news:
                    heard.append((name, news))
            self._frame += 1
        return heard

    def _hits(self, chunks: list[tuple[np.ndarray, np.ndarray]]) -> list[Hit]:
        hits: list[Hit] = []
        for chunk in chunks:
            for name, heard in self.judge(*chunk):
                hit = self._times[name].hit(name, heard)
                hits += self._second[name].told(heard, hit) if name in self._second else [hit]
            hits += [hit for second in self._second.values() for hit in second.whole()]
        return hits


class EarEngine:
    """The loaded model with the phrases of some settings; makes a spotter per channel."""

    name = "ear"

    def __init__(
        self, folder: Path, phrases: list[str], spelled: dict[str, tuple[str, ...]], nearby: list[Sought] | None = None,
        examples: Path | None = None,
    ) -> None:  # fmt: skip
        self.folder = folder
        self.info = read_info(folder)
        self.model = self.info.name
        self.names = phrases
        self.examples: dict[str, Examples] = read_examples(examples, phrases, self.model) if examples else {}
        # Those that are heard by phones too, and their places there.
        phrases = [name for name in phrases if name not in self.examples or self.examples[name].phones]
        self.places = {name: place for place, name in enumerate(phrases)}
        self.session = open_session(folder / "ear.onnx")
        self.kept_as = fingerprint(folder, phrases, spelled)
        known = recall(self.kept_as, folder)
        sounds = known.sounds if known else look_up(phrases, spelled, common_words(folder))
        self.pronunciations = sounds.pronunciations
        own_rivals = [way for some in (*sounds.look_alikes, *sounds.longer) for way in some]
        self.words = WordView(folder, sounds.words, own_rivals)
        self.cases = {
            name: _case(words, rivals, self.words, self.info.weights.second_words)
            for name, words, rivals in zip(phrases, sounds.words, sounds.rivals, strict=True)
            if rivals and name not in self.examples  # a second look at what examples heard has not been measured
        }
        flat = [way for some in sounds.look_alikes for way in some]
        self.look_alikes = [[way] for way in flat]
        self.look_alike_phones = np.array([len(way) for way in flat])
        ends = np.cumsum([len(some) for some in sounds.look_alikes])
        self.look_alikes_of = [slice(int(e) - len(some), int(e)) for some, e in zip(sounds.look_alikes, ends, strict=True)]
        if known is None and not phrases:
            known = Known(sounds, 0.0, {})
        if known is None:
            bank = read_bank(folder)
            ear = Listening(self.info.weights, phrases, self.pronunciations, sounds.look_alikes, self.words)
            known = Known(sounds, bank.hours, hear_talk(bank, ear)) if bank else Known(sounds, 0.0, {})
            keep(self.kept_as, known)
        text = open_session(folder / "text.onnx") if nearby else None
        self.nearby = NearbyWords(nearby, spelled, lambda way: embed(text, way)) if nearby else None
        self.known = known
        talk_h = max([known.talk_h, *(one.talk_h for one in self.examples.values())])  # of the same bank
        self.talk = Talk(talk_h, {**known.talk, **{name: one.talk for name, one in self.examples.items()}})

    def example_views(self, queries: np.ndarray, words: np.ndarray, log_sum: np.ndarray) -> dict[str, np.ndarray]:
        """Of each phrase with examples, what they say of some frames; the arguments as WordView.judge takes and gives them."""
        columns = self.words.columns
        own = {name: words[:, columns[place]] for name, place in self.places.items()}
        return {name: one.view(queries, log_sum, own.get(name)) for name, one in self.examples.items()}

    @property
    def calibration(self) -> Calibration:
        """The levels fitted to this model, from its ear.json."""
        return self.info.calibration

    def spotter(self) -> EarSpotter:
        """A spotter for one channel; all share the network and the words, which do not change."""
        return EarSpotter(self)


def _case(words: list[list[Pronunciation]], rivals: list[Said], view: WordView, word_weight: float) -> Case:
    ours = ways_to_say(words)
    ways = [*ours, *rivals]
    return Case(ways, len(ours), *view.embedded(ways), word_weight)


def model_folder(settings: Settings) -> Path:
    """The folder of the model that these settings mean."""
    return settings.ear.model_path or shipped_model()


def load(settings: Settings) -> EarEngine:
    """The engine of the settings. Raises UserError for unknown words and damaged models."""
    phrases = [phrase.words for phrase in settings.phrases]
    return EarEngine(model_folder(settings), phrases, dict(settings.pronounce), sought(settings), settings.ear.examples)

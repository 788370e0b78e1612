"""The ear: our own recogniser, trained for launch noise.

Sound becomes features, features become phone probabilities and word queries 240 ms at a
time (``network``), and two views judge each phrase (``judge``): the phone search (does the sequence of sounds
fit?) and the word view (of nine thousand words, is it this one?). Their weighted sum is the hit's
score. Words of a phrase are told early and told again when they come out better. Where two were heard in a row, a second
network hears the last seconds once more (``again``). A phrase of which this station has
examples is judged by them instead (``examples``), with the phones beside where the dictionary knows it.
"""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path

import numpy as np

from listener.events import RATE_HZ, Hit
from listener.settings import Settings
from listener.speech.again import FOLDER, FRAMES, Again, SecondEar
from listener.speech.bank import read_bank
from listener.speech.examples import Examples, read_examples
from listener.speech.judge import Judge, PhraseSet
from listener.speech.known import Known, Sounds, fingerprint, keep, look_up, recall
from listener.speech.nearby import Frames, Memory, NearbyWords, Sought, sought
from listener.speech.network import Network, open_session, read_info, shipped_model
from listener.speech.phrase_ear import FRAME_S
from listener.speech.spotter import Calibration, Nearby, Talk
from listener.speech.talk import heard_in_talk
from listener.speech.word_view import common_words, embed


class EarSpotter:
    """Listens to one channel; see the module's text."""

    name = "ear"

    def __init__(self, engine: EarEngine) -> None:
        self._engine = engine
        self._network = Network(engine.session, engine.info, FRAMES if engine.second else 0)
        self._memory = Memory()
        self._again = Again(engine.second, engine.heard_again) if engine.second else None
        self.restart(0)

    def restart(self, first_sample: int) -> None:
        """Forget everything heard; the next sample fed is number first_sample of the 16 kHz stream."""
        self._frames = 0
        self._first_s = first_sample / RATE_HZ
        self._network.restart()
        self._judge = Judge(self._engine.phrases, self._engine.examples, self._first_s)
        if self._again:
            self._again.restart(self._first_s)

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

    def _hits(self, chunks: list[tuple[np.ndarray, np.ndarray]]) -> list[Hit]:
        hits: list[Hit] = []
        for phones, queries in chunks:
            views = self._engine.phrases.words.judge(queries)
            if self._engine.nearby:
                self._memory.hear(Frames(self._first_s + self._frames * FRAME_S, phones, queries, views[2]))
            fresh = self._judge.hits(phones, queries, views)
            self._frames += len(phones)
            hits += fresh
            due = self._again.due(fresh, self._frames) if self._again else []
            if self._again and due:
                hits += self._again.hear(due, self._network.rows(self._frames), self._frames)
        return hits


class EarEngine:
    """The loaded model with the phrases of some settings; makes a spotter per channel."""

    name = "ear"

    def __init__(
        self, folder: Path, phrases: list[str], spelled: dict[str, tuple[str, ...]], nearby: list[Sought] | None = None,
        examples: Path | None = None, *, hear_again: bool = True, repeats: Mapping[str, int] | None = None,
    ) -> None:  # fmt: skip
        """repeats: how many words of a phrase make a call; three where it is not told."""
        self.folder = folder
        self.info = read_info(folder)
        self.model = self.info.name
        self.examples: dict[str, Examples] = read_examples(examples, phrases, self.model) if examples else {}
        # Those that are heard by phones too, and their places there.
        phrases = [name for name in phrases if name not in self.examples or self.examples[name].phones]
        # Of what examples heard neither a second look nor hearing again has been measured.
        self.heard_again = {name: (repeats or {}).get(name, 3) for name in phrases if name not in self.examples}
        self.session = open_session(folder / "ear.onnx")
        again = folder / FOLDER if hear_again and (folder / FOLDER).exists() and self.heard_again else None
        self.kept_as = fingerprint(folder, phrases, spelled, twice=again is not None)
        known = recall(self.kept_as, folder)
        sounds = known.sounds if known else look_up(phrases, spelled, common_words(folder))
        self.phrases = PhraseSet.of(folder, self.info.weights, phrases, sounds, set(self.examples))
        self.second = self._load_second(again, phrases, sounds) if again else None
        if known is None:
            known = self._hear_talk(sounds)
            keep(self.kept_as, known)
        text = open_session(folder / "text.onnx") if nearby else None
        self.nearby = NearbyWords(nearby, spelled, lambda way: embed(text, way)) if nearby else None
        self.known = known
        talk_h = max([known.talk_h, *(one.talk_h for one in self.examples.values())])  # of the same bank
        self.talk = Talk(talk_h, {**known.talk, **{name: one.talk for name, one in self.examples.items()}})

    def _load_second(self, folder: Path, phrases: list[str], sounds: Sounds) -> SecondEar:
        weights = read_info(folder).weights
        return SecondEar(open_session(folder / "ear.onnx"), PhraseSet.of(folder, weights, phrases, sounds, set(self.examples)))

    def _hear_talk(self, sounds: Sounds) -> Known:
        """What the bank's talk says that sounds like the phrases, as both networks hear it."""
        bank = read_bank(self.folder) if self.phrases.places else None
        if not bank:
            return Known(sounds, 0.0, {})
        second = (read_bank(self.folder / FOLDER), self.second.phrases) if self.second else None
        return Known(sounds, bank.hours, heard_in_talk((bank, self.phrases), second, sounds.look_alikes))

    @property
    def calibration(self) -> Calibration:
        """The levels fitted to this model, from its ear.json."""
        return self.info.calibration

    def spotter(self) -> EarSpotter:
        """A spotter for one channel; all share the network and the words, which do not change."""
        return EarSpotter(self)


def model_folder(settings: Settings) -> Path:
    """The folder of the model that these settings mean."""
    return settings.ear.model_path or shipped_model()


def load(settings: Settings) -> EarEngine:
    """The engine of the settings. Raises UserError for unknown words and damaged models."""
    phrases = [phrase.words for phrase in settings.phrases]
    ear, repeats = settings.ear, {phrase.words: phrase.repeats for phrase in settings.phrases}
    return EarEngine(
        model_folder(settings), phrases, dict(settings.pronounce), sought(settings), ear.examples,
        hear_again=ear.hear_again, repeats=repeats,
    )  # fmt: skip

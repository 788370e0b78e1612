"""The ear: our own recogniser, trained for launch noise.

Sound becomes features, features become phone probabilities and word queries 240 ms at a
time (``network``), and two views judge each phrase: the phone search (does the sequence of sounds
fit?) and the word view (of nine thousand words, is it this one?). Their weighted sum is the hit's
score. Words of a phrase are told early and told again when they come out better.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import onnxruntime

from listener.events import RATE_HZ, Hit
from listener.settings import Settings
from listener.speech.network import Network, Weights, open_session, read_info, shipped_model
from listener.speech.pronounce import (
    PHONE_INDEX,
    Pronunciation,
    every_pronunciation,
    phrase_pronunciations,
    pronunciations,
)
from listener.speech.search import Found, PhoneSearch, longer_words, look_alikes, near_words
from listener.speech.spotter import Calibration

FRAME_S = 0.02
CLEAR = -0.5  # log-likelihood ratio from which a look-alike is clearly heard
NOT_HEARD = -99.0  # log probability of a word that is not there


def embed(text: onnxruntime.InferenceSession, way: Pronunciation) -> np.ndarray:
    """A word as the word view's text encoder sees it, (query,)."""
    return text.run(["word"], {"phones": np.array([[PHONE_INDEX[p] for p in way]], np.int64)})[0][0]


class WordView:
    """How likely each phrase's words are at a frame, among thousands of rivals.

    ``phrases`` holds per phrase its words, each with its pronunciations; ``near`` the look-alikes
    and longer words of the phrases, which are rivals even where they are not common.
    """

    def __init__(
        self, folder: Path, phrases: list[list[list[Pronunciation]]], near: list[Pronunciation]
    ) -> None:
        ours = [way for words in phrases for ways in words for way in ways]
        numbers = iter(range(1, 1 + len(ours)))
        self._slots = [[[next(numbers) for _ in ways] for ways in words] for words in phrases]
        with np.load(folder / "rivals.npz") as file:
            common = {tuple(way.split()): i for i, way in enumerate(file["phones"])}
            embedded = file["embedded"].astype(np.float32)
        rare = [way for way in dict.fromkeys(near) if way not in common and way not in ours]
        kept = [way for way in common if way not in ours]
        text = open_session(folder / "text.onnx")
        rows = [embed(text, way) for way in [*ours, *rare]]
        self._matrix = np.concatenate([np.stack(rows), embedded[[common[w] for w in kept]]]).T / np.float32(16.0)
        place = {way: 1 + len(ours) + i for i, way in enumerate([*rare, *kept])}
        self._instead = [
            np.zeros(0, np.int64) if len(words) > 1 else _instead(words[0], place, kept) for words in phrases
        ]

    def judge(self, queries: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        """(frames, query+1) -> log probabilities per frame: of the words of each phrase, (frames, words),
        and of the likeliest word that may have been said instead, longer or near, (frames, phrases).

        Words are numbered through the phrases in order; see ``columns``.
        """
        logits = np.concatenate([queries[:, -1:], queries[:, :-1] @ self._matrix], axis=1)
        top = logits.max(axis=1, keepdims=True)
        log_probs = logits - top - np.log(np.exp(logits - top).sum(axis=1, keepdims=True))
        ours = [log_probs[:, slot].max(axis=1) for slots in self._slots for slot in slots]
        instead = [log_probs[:, c].max(axis=1, initial=NOT_HEARD) for c in self._instead]
        return np.stack(ours, axis=1), np.stack(instead, axis=1)

    @property
    def columns(self) -> list[slice]:
        """Per phrase, its words' columns in what ``judge`` returns."""
        ends = np.cumsum([len(slots) for slots in self._slots])
        return [slice(int(e) - len(s), int(e)) for e, s in zip(ends, self._slots, strict=True)]


def _instead(ways: list[Pronunciation], place: dict[Pronunciation, int], common: list[Pronunciation]) -> np.ndarray:
    """Places of the words that may be said instead of a word: longer ones that hold it, and common near ones."""
    words = dict.fromkeys([*longer_words(ways, list(place)), *near_words(ways, common)])
    return np.array([place[word] for word in words], np.int64)


@dataclass(frozen=True, slots=True)
class Heard:
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
        self._told: deque[Heard] = deque(maxlen=8)

    def hear(
        self, frame: int, phones: float, start: int, words: np.ndarray, rival: float, alike: float = NOT_HEARD
    ) -> Heard | None:
        """One frame: gives the word that became known at it, or came out better than before.

        Where the word view is sure, a word is told at once; else it is given time to name a longer word.
        """
        self._remember(words, rival, alike)
        self._ends.append((start, frame, phones))
        weights = self._weights
        # Were the word view certain; but it alone, lagging, would find words where none have begun.
        needed = max((weights.told_floor - self._offset) / weights.phones, weights.fit_floor)
        if max(fit for _, _, fit in self._ends) < needed:
            return None
        ours, rivals, alikes = self._lately()
        best: Heard | None = None
        for begin, end, fit in self._ends:
            if fit < weights.fit_floor:
                continue
            back = min(frame - begin, self.REACH - 1)
            word = float(ours[back])
            at_once = word >= self.SURE and fit >= self.COMPLETE
            if not at_once and frame - end < self.LATE - 1:
                continue
            score = weights.phones * fit + weights.words * word + self._offset
            if fit * self._phones < float(alikes[back]) - weights.alike_margin:
                score -= weights.alike
            if word < self.SURE:
                score -= weights.rival * max(0.0, float(rivals[back]) - weights.rival_from)
            if best is None or score > best.score:
                best = Heard(begin, end, fit, word, score, float(rivals[back]))
        if best is None or best.score < weights.told_floor or not self._is_news(best):
            return None
        self._told.append(best)
        return best

    def _remember(self, words: np.ndarray, rival: float, alike: float) -> None:
        if self._at == len(self._words):
            self._words[: self.REACH] = self._words[-self.REACH :]
            self._at = self.REACH
        self._words[self._at, :-2] = np.maximum(words, self._weights.word_lowest)
        self._words[self._at, -2:] = rival, alike
        self._at += 1

    def _lately(self) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        """Entry n: the best in the last n + 1 frames of our words (averaged), the longer words, the look-alikes."""
        recent = self._words[self._at - self.REACH : self._at][::-1]
        best = np.maximum.accumulate(recent, axis=0)
        ours = np.maximum(best[:, :-2], self._weights.word_lowest).mean(axis=1)
        return ours, best[:, -2], best[:, -1]

    def _is_news(self, new: Heard) -> bool:
        return not any(
            new.start <= old.end and old.start <= new.end and new.score < old.score + self.BETTER
            for old in self._told
        )


class EarSpotter:
    """Listens to one channel; see the module's text."""

    name = "ear"

    def __init__(self, engine: EarEngine) -> None:
        self._engine = engine
        self._network = Network(engine.session, engine.info)
        self._search = PhoneSearch([*engine.ways, *engine.alikes], engine.info.weights.frame_cost)
        self.restart(0)

    def restart(self, first_sample: int) -> None:
        """Forget everything heard; the next sample fed is number first_sample of the 16 kHz stream."""
        self._first_s = first_sample / RATE_HZ
        self._frame = 0
        self._network.restart()
        self._search.restart()
        weights, columns = self._engine.info.weights, self._engine.words.columns
        self._ends = {name: deque[float](maxlen=20) for name in self._engine.names}
        self._phrases = [
            PhraseEar(weights, min(map(len, ways)), column.stop - column.start)
            for ways, column in zip(self._engine.ways, columns, strict=True)
        ]

    def feed(self, samples: np.ndarray) -> list[Hit]:
        """The next samples, float32 at 16 kHz, shape (n,) -> the words that are now sure enough to tell."""
        return self._hits(self._network.feed(samples))

    def finish(self) -> list[Hit]:
        """The words still held back at the end of the stream."""
        return self._hits(self._network.flush())

    def judge(self, phones: np.ndarray, queries: np.ndarray) -> list[tuple[str, Heard]]:
        """What the network gave for the next frames -> the words heard in them, by phrase."""
        (words, instead), columns = self._engine.words.judge(queries), self._engine.words.columns
        heard = []
        for row, word_row, rival in zip(phones, words, instead, strict=True):
            found = self._search.step(row)
            for i, (name, phrase) in enumerate(zip(self._engine.names, self._phrases, strict=True)):
                fit, start = float(found.score[i]), int(found.start[i])
                alike = self._alike(i, found)
                news = phrase.hear(self._frame, fit, start, word_row[columns[i]], float(rival[i]), alike)
                if news:
                    heard.append((name, news))
            self._frame += 1
        return heard

    def _alike(self, phrase: int, found: Found) -> float:
        """The best look-alike's log-likelihood ratio at this frame, if it is clearly heard."""
        fits = [
            found.score[len(self._phrases) + k] * self._engine.alike_phones[k] for k in self._engine.alikes_of[phrase]
        ]
        best = max(fits, default=NOT_HEARD)
        return float(best) if best >= CLEAR else NOT_HEARD

    def _hits(self, chunks: list[tuple[np.ndarray, np.ndarray]]) -> list[Hit]:
        return [self._hit(name, heard) for chunk in chunks for name, heard in self.judge(*chunk)]

    def _hit(self, name: str, heard: Heard) -> Hit:
        """With the times that the phones' frames stand for. A word starts no sooner than the one before it ended."""
        weights, ends = self._engine.info.weights, self._ends[name]
        first_phone_s = heard.start * FRAME_S
        before_s = max((end_s for end_s in ends if end_s <= first_phone_s), default=0.0)
        start_s = max(first_phone_s + weights.start_shift_s, before_s)
        end_s = (heard.end + 1) * FRAME_S + weights.end_shift_s
        ends.append(end_s)
        return Hit(
            name, round(self._first_s + start_s, 4), round(self._first_s + end_s, 4), round(heard.score, 4)
        )


class EarEngine:
    """The loaded model with the phrases of some settings; makes a spotter per channel."""

    name = "ear"

    def __init__(self, folder: Path, phrases: list[str], spelled: dict[str, tuple[str, ...]]) -> None:
        self.folder = folder
        self.info = read_info(folder)
        self.model = self.info.name
        self.names = phrases
        self.ways = [phrase_pronunciations(words.split(), spelled) for words in phrases]
        self.session = open_session(folder / "ear.onnx")
        dictionary = every_pronunciation()
        alikes = [look_alikes(ways, dictionary) for ways in self.ways]
        near = [way for some in alikes for way in some]
        near += [way for ways in self.ways for way in longer_words(ways, dictionary)]
        self.words = WordView(folder, [[pronunciations(w, spelled) for w in words.split()] for words in phrases], near)
        self.alikes = [[way] for some in alikes for way in some]
        self.alike_phones = [len(way) for some in alikes for way in some]
        numbers = iter(range(len(self.alikes)))
        self.alikes_of = [[next(numbers) for _ in some] for some in alikes]

    @property
    def calibration(self) -> Calibration:
        """The levels fitted to this model, from its ear.json."""
        return self.info.calibration

    def spotter(self) -> EarSpotter:
        """A spotter for one channel; all share the network and the words, which do not change."""
        return EarSpotter(self)


def load(settings: Settings) -> EarEngine:
    """The engine of the settings. Raises UserError for unknown words and damaged models."""
    folder = settings.ear.model_path or shipped_model()
    return EarEngine(folder, [p.words for p in settings.phrases], dict(settings.pronounce))

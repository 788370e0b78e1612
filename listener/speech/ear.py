"""The ear: our own recogniser, trained for launch noise.

Sound becomes features, features become phone probabilities and word queries 240 ms at a
time, and two views judge each phrase: the phone search (does the sequence of sounds fit?)
and the word view (of nine thousand words, is it this one?). Their weighted sum is the hit's
score. Words of a phrase are told early and told again when they come out better.
"""

from __future__ import annotations

import hashlib
import json
from collections import deque
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import onnxruntime

from listener.errors import UserError
from listener.events import Hit
from listener.settings import Settings
from listener.speech import features
from listener.speech.pronounce import PHONE_INDEX, Pronunciation, phrase_pronunciations, pronunciations
from listener.speech.search import PhoneSearch
from listener.speech.spotter import Calibration

HOP = features.HOP
FRAME_S = 0.02


@dataclass(frozen=True, slots=True)
class Weights:
    """How the two views become one score: phones * phone_score + words * word_score + offset."""

    phones: float
    words: float
    offset: float
    word_lowest: float  # the word view's log probability is not taken below this
    told_floor: float  # hits below this score are not told
    end_shift_s: float  # from the last phone's frame to the end of the word


@dataclass(frozen=True, slots=True)
class ModelInfo:
    """What ear.json says of a model folder."""

    name: str
    chunk: int
    left: int
    layers: int
    heads: int
    head_width: int
    positions: int
    weights: Weights
    calibration: Calibration


def read_info(folder: Path) -> ModelInfo:
    """Read and check a model folder. Raises UserError naming the file that is missing or damaged."""
    try:
        data = json.loads((folder / "ear.json").read_text())
    except OSError:
        raise UserError(f"{folder}: not an ear model (no ear.json); give a folder such as models/ear-1") from None
    except ValueError:
        raise UserError(f"{folder / 'ear.json'}: damaged; get the model folder again") from None
    for name, expected in data["sha256"].items():
        _check(folder / name, expected)
    shape = data["shape"]
    return ModelInfo(
        name=data["name"], chunk=shape["chunk"], left=shape["left"], layers=shape["layers"],
        heads=shape["heads"], head_width=shape["width"] // shape["heads"], positions=shape["positions"],
        weights=Weights(**data["weights"]), calibration=Calibration(**data["calibration"]),
    )  # fmt: skip


def _check(path: Path, expected: str) -> None:
    try:
        found = hashlib.sha256(path.read_bytes()).hexdigest()
    except OSError:
        raise UserError(f"{path}: missing from the model folder; get the folder again") from None
    if found != expected:
        raise UserError(f"{path}: damaged (its checksum differs); get the model folder again")


def open_session(path: Path) -> onnxruntime.InferenceSession:
    """A single-threaded session: channels scale by processes, not threads."""
    options = onnxruntime.SessionOptions()
    options.intra_op_num_threads = options.inter_op_num_threads = 1
    options.log_severity_level = 3
    return onnxruntime.InferenceSession(path, options, providers=["CPUExecutionProvider"])


class Network:
    """The streaming network of one channel: chunks of features in, phones and queries out."""

    def __init__(self, session: onnxruntime.InferenceSession, info: ModelInfo) -> None:
        self._session, self._info = session, info
        self._cache_shape = (info.layers, 1, info.heads, info.left, info.head_width)
        self.restart()

    def restart(self) -> None:
        self._features = features.FeatureStream()
        self._waiting = np.zeros((2, 2 * features.BANDS), np.float32)
        self._keys = np.zeros(self._cache_shape, np.float32)
        self._values = np.zeros(self._cache_shape, np.float32)
        self._position, self._known = 0, 0

    def feed(self, samples: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        """Per chunk that became whole: phone log-probabilities (chunk, 40), queries (chunk, query+1)."""
        self._waiting = np.concatenate([self._waiting, self._features.feed(samples)])
        step, out = 2 * self._info.chunk, []
        while len(self._waiting) >= step + 3:
            out.append(self._run(self._waiting[: step + 3]))
            self._waiting = self._waiting[step:]
        return out

    def flush(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """The chunk that silence would complete: what was said last is still judged."""
        return self.feed(np.zeros(2 * self._info.chunk * HOP + features.WINDOW, np.float32))

    def _run(self, frames: np.ndarray) -> tuple[np.ndarray, np.ndarray]:
        phones, words, self._keys, self._values = self._session.run(
            ["phones", "words", "keys_out", "values_out"],
            {
                "features": frames[None],
                "position": np.array([self._position], np.int64),
                "known": np.array([self._known], np.int64),
                "keys": self._keys,
                "values": self._values,
            },
        )
        self._position = (self._position + self._info.chunk) % self._info.positions
        self._known = min(self._info.left, self._known + self._info.chunk)
        return phones, words


class WordView:
    """How likely each phrase's words are at a frame, among thousands of rivals.

    ``phrases`` holds per phrase its words, each with its pronunciations.
    """

    def __init__(self, folder: Path, phrases: list[list[list[Pronunciation]]]) -> None:
        text = open_session(folder / "text.onnx")
        self._slots: list[list[list[int]]] = []
        ours: list[Pronunciation] = []
        for words in phrases:
            slots = []
            for ways in words:
                slots.append(list(range(1 + len(ours), 1 + len(ours) + len(ways))))
                ours.extend(ways)
            self._slots.append(slots)
        embedded = [
            text.run(["word"], {"phones": np.array([[PHONE_INDEX[p] for p in way]], np.int64)})[0][0]
            for way in ours
        ]
        with np.load(folder / "rivals.npz") as file:
            same = {" ".join(way) for way in ours}
            keep = [i for i, said in enumerate(file["phones"]) if said not in same]
            rivals = file["embedded"][keep].astype(np.float32)
        self._matrix = np.concatenate([np.stack(embedded), rivals]).T / np.float32(16.0)

    def judge(self, queries: np.ndarray) -> np.ndarray:
        """(frames, query+1) -> log probability per frame and word of each phrase, (frames, words).

        Words are numbered through the phrases in order; see ``columns``.
        """
        logits = np.concatenate([queries[:, -1:], queries[:, :-1] @ self._matrix], axis=1)
        top = logits.max(axis=1, keepdims=True)
        log_probs = logits - top - np.log(np.exp(logits - top).sum(axis=1, keepdims=True))
        return np.stack(
            [log_probs[:, slot].max(axis=1) for slots in self._slots for slot in slots], axis=1
        )

    @property
    def columns(self) -> list[slice]:
        """Per phrase, its words' columns in what ``judge`` returns."""
        ends = np.cumsum([len(slots) for slots in self._slots])
        return [slice(int(e) - len(s), int(e)) for e, s in zip(ends, self._slots, strict=True)]


@dataclass(frozen=True, slots=True)
class Heard:
    """A word of a phrase, in frames, with what each view says of it."""

    start: int
    end: int
    phones: float
    words: float
    score: float


class PhraseEar:
    """Joins the two views of one phrase and decides what to tell."""

    LATE = 14  # frames a word may still be confirmed after its last phone: 280 ms
    BETTER = 0.1  # tell again only if the score rose by this much

    def __init__(self, weights: Weights) -> None:
        self._weights = weights
        self._ends: deque[tuple[int, int, float]] = deque(maxlen=self.LATE)
        self._words: deque[np.ndarray] = deque(maxlen=160)
        self._told: deque[Heard] = deque(maxlen=8)

    def hear(self, frame: int, phones: float, start: int, words: np.ndarray) -> Heard | None:
        """One frame: gives the word that became known at it, or came out better than before."""
        self._words.append(words)
        self._ends.append((start, frame, phones))
        weights, best = self._weights, None
        hopeless = weights.told_floor - weights.offset  # even a certain word view could not lift it
        for begin, end, fit in self._ends:
            if weights.phones * fit < hopeless:
                continue
            word = self._word_score(frame - begin + 1)
            score = weights.phones * fit + weights.words * word + weights.offset
            if best is None or score > best.score:
                best = Heard(begin, end, fit, word, score)
        if best is None or best.score < weights.told_floor or not self._is_news(best):
            return None
        self._told.append(best)
        return best

    def _word_score(self, frames: int) -> float:
        recent = np.array(self._words)[-frames:]
        return float(np.maximum(recent.max(axis=0), self._weights.word_lowest).mean())

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
        self._search = PhoneSearch(engine.ways)
        self.restart(0)

    def restart(self, first_sample: int) -> None:
        self._first_s = first_sample / features.RATE_HZ
        self._frame = 0
        self._network.restart()
        self._search.restart()
        self._phrases = [PhraseEar(self._engine.info.weights) for _ in self._engine.names]

    def feed(self, samples: np.ndarray) -> list[Hit]:
        return self._hits(self._network.feed(samples))

    def finish(self) -> list[Hit]:
        return self._hits(self._network.flush())

    def judge(self, phones: np.ndarray, queries: np.ndarray) -> list[tuple[str, Heard]]:
        """What the network gave for the next frames -> the words heard in them, by phrase."""
        words, columns = self._engine.words.judge(queries), self._engine.words.columns
        heard = []
        for row, word_row in zip(phones, words, strict=True):
            found = self._search.step(row)
            for i, (name, phrase) in enumerate(zip(self._engine.names, self._phrases, strict=True)):
                news = phrase.hear(self._frame, float(found.score[i]), int(found.start[i]), word_row[columns[i]])
                if news:
                    heard.append((name, news))
            self._frame += 1
        return heard

    def _hits(self, chunks: list[tuple[np.ndarray, np.ndarray]]) -> list[Hit]:
        return [self._hit(name, heard) for chunk in chunks for name, heard in self.judge(*chunk)]

    def _hit(self, name: str, heard: Heard) -> Hit:
        shift_s = self._engine.info.weights.end_shift_s
        return Hit(
            name,
            round(self._first_s + heard.start * FRAME_S, 4),
            round(self._first_s + (heard.end + 1) * FRAME_S + shift_s, 4),
            round(heard.score, 4),
        )


class EarEngine:
    """The loaded model with the phrases of some settings; makes a spotter per channel."""

    name = "ear"

    def __init__(self, folder: Path, phrases: list[str], spelled: dict[str, tuple[str, ...]]) -> None:
        self.info = read_info(folder)
        self.names = phrases
        self.ways = [phrase_pronunciations(words.split(), spelled) for words in phrases]
        self.words = WordView(folder, [[pronunciations(w, spelled) for w in words.split()] for words in phrases])
        self.session = open_session(folder / "ear.onnx")

    @property
    def calibration(self) -> Calibration:
        return self.info.calibration

    def spotter(self) -> EarSpotter:
        return EarSpotter(self)


def load(settings: Settings) -> EarEngine:
    """The engine of the settings. Raises UserError for unknown words and damaged models."""
    return EarEngine(settings.ear.model_folder(), [p.words for p in settings.phrases], dict(settings.pronounce))

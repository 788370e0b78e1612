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


class _Phrase:
    """Joins the two views of one phrase and decides what to tell."""

    LATE = 14  # frames a word may still be confirmed after its last phone: 280 ms
    BETTER = 0.1  # tell again only if the score rose by this much

    def __init__(self, name: str, weights: Weights) -> None:
        self.name, self.weights = name, weights
        self.ends: deque[tuple[int, int, float]] = deque(maxlen=self.LATE)
        self.words: deque[np.ndarray] = deque(maxlen=160)
        self.told: deque[tuple[int, int, float]] = deque(maxlen=8)

    def hear(self, frame: int, phone_score: float, start: int, words: np.ndarray) -> tuple[int, int, float] | None:
        """One frame: gives (start, end, score) when a word became known or came out better."""
        self.words.append(words)
        self.ends.append((start, frame, phone_score))
        w = self.weights
        best: tuple[int, int, float] | None = None
        hopeless = w.told_floor - w.offset  # even a certain word view could not lift it
        for begin, end, phones in self.ends:
            if w.phones * phones < hopeless or begin >= end:
                continue
            score = w.phones * phones + w.words * self._word_score(frame - begin + 1) + w.offset
            if best is None or score > best[2]:
                best = (begin, end, score)
        if best is None or best[2] < w.told_floor or not self._is_news(best):
            return None
        self.told.append(best)
        return best

    def _word_score(self, frames: int) -> float:
        recent = np.array(self.words)[-frames:]
        return float(np.maximum(recent.max(axis=0), self.weights.word_lowest).mean())

    def _is_news(self, new: tuple[int, int, float]) -> bool:
        return not any(
            new[0] <= end and begin <= new[1] and new[2] < score + self.BETTER for begin, end, score in self.told
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
        self._phrases = [_Phrase(name, self._engine.info.weights) for name in self._engine.names]

    def feed(self, samples: np.ndarray) -> list[Hit]:
        return [hit for chunk in self._network.feed(samples) for hit in self._judge(*chunk)]

    def finish(self) -> list[Hit]:
        return [hit for chunk in self._network.flush() for hit in self._judge(*chunk)]

    def _judge(self, phones: np.ndarray, queries: np.ndarray) -> list[Hit]:
        words, columns = self._engine.words.judge(queries), self._engine.words.columns
        hits = []
        for row, word_row in zip(phones, words, strict=True):
            found = self._search.step(row)
            for i, phrase in enumerate(self._phrases):
                told = phrase.hear(self._frame, float(found.score[i]), int(found.start[i]), word_row[columns[i]])
                if told:
                    hits.append(self._hit(phrase.name, *told))
            self._frame += 1
        return hits

    def _hit(self, name: str, start: int, end: int, score: float) -> Hit:
        shift_s = self._engine.info.weights.end_shift_s
        return Hit(
            name,
            round(self._first_s + start * FRAME_S, 4),
            round(self._first_s + (end + 1) * FRAME_S + shift_s, 4),
            round(score, 4),
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

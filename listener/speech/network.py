"""An ear model on disk and its streaming network: samples in, phone probabilities and word queries out."""

from __future__ import annotations

import hashlib
import json
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import onnxruntime

from listener.errors import UserError
from listener.speech import features
from listener.speech.spotter import Calibration

HOP = features.HOP
UNIT = 4 * HOP  # samples made into features at a time: the same arithmetic however the sound comes
MODEL = "ear-4"


def shipped_model() -> Path:
    """The model that comes with the listener: inside the installed package, or in the project's models/."""
    installed = Path(__file__).parent / MODEL
    return installed if installed.exists() else Path(__file__).parents[2] / "models" / MODEL


@dataclass(frozen=True, slots=True)
class Weights:
    """How the two views become one score: phones * phone_score + words * word_score + offset.

    Long phrases are rarely met by chance, so each phone beyond four, up to eight, adds ``per_phone``;
    each one short of four takes as much away.
    """

    phones: float
    words: float
    offset: float
    per_phone: float
    frame_cost: float  # the most that a frame can cost a phrase in the phone search
    fit_floor: float  # a word whose phones fit worse than this (per phone) is not there, whatever the word view says
    rival: float  # what it costs, per unit above rival_from, that a longer word or a neighbour is likely instead
    rival_from: float
    alike: float  # what it costs that a look-alike of the phrase is clearly heard
    alike_margin: float  # by how much (log-likelihood) it must fit better than the phrase
    word_lowest: float  # the word view's log probability is not taken below this
    second_words: float  # what the word view weighs beside the phones when a word is weighed against its rivals
    told_floor: float  # hits below this score are not told
    start_shift_s: float  # from the first phone's frame to the start of the word: phones show late in their time
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
        raise UserError(f"{folder}: not an ear model (no ear.json); give a folder such as models/ear-4") from None
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
    """The streaming network of one channel: chunks of features in, phones and queries out.

    remembered: so many of the latest frames' features are kept for ``rows``.
    """

    def __init__(self, session: onnxruntime.InferenceSession, info: ModelInfo, remembered: int = 0) -> None:
        self._session, self._info, self._remembered = session, info, remembered
        self._cache_shape = (info.layers, 1, info.heads, info.left, info.head_width)
        self.restart()

    def restart(self) -> None:
        """Forget what was heard: features, caches and positions begin anew, as at the start of a stream."""
        self._features = features.FeatureStream()
        self._samples = np.zeros(0, np.float32)
        self._waiting = np.zeros((2, 2 * features.BANDS), np.float32)
        self._past, self._heard = self._waiting[:0], 0
        self._keys = np.zeros(self._cache_shape, np.float32)
        self._values = np.zeros(self._cache_shape, np.float32)
        self._position, self._known = 0, 0

    def feed(self, samples: np.ndarray) -> list[tuple[np.ndarray, np.ndarray]]:
        """Per chunk that became whole: phone log-probabilities (chunk, 40), queries (chunk, query+1)."""
        self._samples = np.concatenate([self._samples, samples])
        step, out = 2 * self._info.chunk, []
        self._past = self._past[max(0, len(self._past) - 2 * self._remembered) :]
        for unit in range(0, len(self._samples) - UNIT + 1, UNIT):
            frames = self._features.feed(self._samples[unit : unit + UNIT])
            self._waiting = np.concatenate([self._waiting, frames])
            if len(self._waiting) >= step + 3:
                out.append(self._run(self._waiting[: step + 3]))
                if self._remembered:
                    self._past = np.concatenate([self._past, self._waiting[:step]])
                self._waiting = self._waiting[step:]
                self._heard += self._info.chunk
        self._samples = self._samples[len(self._samples) // UNIT * UNIT :]
        return out

    def rows(self, end: int) -> np.ndarray:
        """The features of the remembered frames up to this one (excluded; one that ended a chunk of the last feed), less where
        fewer were heard: (2 n + 3, 160), frame j of them from rows 2j .. 2j+4.
        """
        known = np.concatenate([self._past, self._waiting[:3]])
        last = len(self._past) - 2 * (self._heard - end)
        return known[max(0, last - 2 * self._remembered) : last + 3]

    def flush(self) -> list[tuple[np.ndarray, np.ndarray]]:
        """The chunk that silence would complete: what was said last is still judged."""
        return self.feed(np.zeros(2 * self._info.chunk * HOP + features.WINDOW + UNIT, np.float32))

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

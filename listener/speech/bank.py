"""A bank of talk: what a model's network gave for hours of other people's speech, without any sound.

It travels with the model (``bank.npz``, made by ``models/training/bank.py``) and is one stretch of frames of 20 ms:
phone scores near each frame's best in steps of a quarter, and the word view's query wherever it believes at all that a
word was said. That is enough to hear how well talk does on any phrase, with the same search and word view as on watch.
"""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

import numpy as np

from listener.errors import UserError

NAME = "bank.npz"
STEP = 0.25  # natural log
LOWEST = 3.0  # phones further below the frame's best than this are all alike
FRAME_S = 0.02


@dataclass(frozen=True, slots=True)
class Bank:
    """phones: (frames, 40) log probabilities less the frame's best, >= -LOWEST, blank last, in steps of -STEP (uint8).

    at: (n,) frames that have a query, rising. queries: (n, query + 1) as the network gives them, the blank's logit last.
    log_sum: (n,) natural log of the sum over the common words and the blank.
    """

    phones: np.ndarray
    at: np.ndarray
    queries: np.ndarray
    log_sum: np.ndarray

    @property
    def hours(self) -> float:
        """How much talk it holds."""
        return len(self.phones) * FRAME_S / 3600

    def log_probs(self, lanes: int) -> np.ndarray:
        """The phones as rows of equal length, (lanes, frames, 40) of natural log; the last row is filled with blanks."""
        length = -(-len(self.phones) // lanes)
        rows = np.full((lanes * length, self.phones.shape[1]), round(LOWEST / STEP), np.uint8)
        rows[:, -1] = 0
        rows[: len(self.phones)] = self.phones
        return rows.reshape(lanes, length, -1).astype(np.float32) * np.float32(-STEP)


def pack(phones: np.ndarray) -> np.ndarray:
    """Log probabilities (frames, 40) -> steps below the frame's best, uint8."""
    below = phones.max(axis=1, keepdims=True) - phones
    return np.minimum(np.round(below / STEP), round(LOWEST / STEP)).astype(np.uint8)


def read_bank(folder: Path) -> Bank | None:
    """The bank of a model folder; None if the model has none. Raises UserError if it is damaged."""
    path = folder / NAME
    if not path.exists():
        return None
    try:
        with np.load(path) as file:
            queries = file["coefficients"].T.astype(np.float32) * file["steps"].astype(np.float32)
            queries = queries @ file["basis"].astype(np.float32)
            blank = file["blank"].astype(np.float32)
            return Bank(
                file["phones"], np.cumsum(file["gaps"].astype(np.int64)),
                np.concatenate([queries, blank[:, None]], axis=1), file["log_sum"].astype(np.float32),
            )  # fmt: skip
    except (OSError, ValueError, KeyError) as error:
        raise UserError(f"{path}: damaged ({error}); get the model folder again") from None

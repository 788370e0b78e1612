"""Which words sound like a word, and how near: in phones, and in the ear's own space of words.

Two measures, because they see different things. *Edits* counts phones put in, left out or changed. *Distance* is how much
less likely the word view finds the other word when it hears exactly ours, in nats (natural log; 0 would be no difference):
the ear has learnt that "suspend" and "spend" are further apart than their letters say, and "hold" and "old" nearer.
"""

from __future__ import annotations

from dataclasses import dataclass
from functools import cache
from pathlib import Path

import numpy as np
import onnxruntime

from listener.speech.network import open_session
from listener.speech.pronounce import Pronunciation, every_pronunciation, spellings
from listener.speech.search import edits, within
from listener.speech.word_view import embed, read_common

NEAR_EDITS = 2  # words of the dictionary that are this near in phones are looked at, however rare
NEAR_NATS = 4.0  # common words that are this near in the ear's space are looked at, however different their phones


@dataclass(frozen=True, slots=True)
class Alike:
    """A word that sounds like one of ours.

    edits: phones that differ, 0 for a word that sounds the same. distance: nats, see the module's text. common: among the
    nine thousand commonest words.
    """

    word: str
    said: Pronunciation
    edits: int
    distance: float
    common: bool


@dataclass(frozen=True, slots=True)
class Likeness:
    """What sounds like one word. ambiguity: natural log of how likely all common words together are beside ours, when ours
    is heard exactly (0: as likely as ours; below: the ear can be sure)."""

    alike: tuple[Alike, ...]
    ambiguity: float


def likeness(folder: Path, word: str, ways: list[Pronunciation], common_words: tuple[str, ...] = ()) -> Likeness:
    """What sounds like a word that is said in these ways, nearest first.

    folder: the ear model's. common_words: the commonest as they are written, most common first; what is written in several
    ways is shown as the commonest of them.
    """
    rank = {other: n for n, other in enumerate(common_words)}
    common, embedded, text = _space(folder)
    rare = [way for way in every_pronunciation() if any(within(mine, way, _reach(mine)) for mine in ways)]
    rare = [way for way in rare if way not in common and way not in ways]
    others = [way for way in common if way not in ways]
    rows = np.concatenate([embedded[[common[way] for way in others]], *(embed(text, way)[None] for way in rare)])
    best, ambiguity = np.full(len(rows), np.inf), np.inf
    for way in ways:
        mine = embed(text, way)
        gaps = (mine @ mine - rows @ mine) / 16.0
        best = np.minimum(best, gaps)
        ambiguity = min(ambiguity, float(np.logaddexp.reduce(-gaps[: len(others)])))
    near = []
    for way, distance in zip([*others, *rare], best, strict=True):
        apart = min(edits(mine, way) for mine in ways) if distance < NEAR_NATS or way in rare else NEAR_EDITS + 1
        if apart <= NEAR_EDITS or distance < NEAR_NATS:
            near.append((way, apart, float(distance)))
    near.sort(key=lambda one: one[2])
    written = spellings([*ways, *(way for way, _, _ in near)])
    same = [Alike(other, way, 0, 0.0, True) for way in ways for other in written[way] if other != word and other in rank]
    alike = [
        Alike(min(written[way], key=lambda w: rank.get(w, len(rank))), way, apart, round(distance, 2), way in common)
        for way, apart, distance in near
        if written[way]
    ]
    return Likeness((*same, *alike), round(ambiguity, 3))


@cache
def _space(folder: Path) -> tuple[dict[Pronunciation, int], np.ndarray, onnxruntime.InferenceSession]:
    """The common words, their rows, and what makes a row of any way: read once for all words that are asked about."""
    return *read_common(folder), open_session(folder / "text.onnx")


def _reach(way: Pronunciation) -> int:
    """One phone; two from six phones on: of short words nearly everything is two away."""
    return 1 if len(way) < 6 else NEAR_EDITS

"""How well talk does on a phrase: the words that the ear takes for it in the bank, with their scores.

Nobody makes a call in the bank, so whatever is heard there is talk being taken for the phrase: its background. The bank
goes through the same search, word view and joining as on watch, only in many rows side by side, and with a lower floor.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np

from listener.events import Hit
from listener.speech.again import heard_again
from listener.speech.bank import Bank
from listener.speech.judge import PhraseSet
from listener.speech.network import Weights
from listener.speech.phrase_ear import HitTimes, PhraseEar, best_look_alike
from listener.speech.pronounce import Pronunciation
from listener.speech.search import PhoneSearch, longest_frames
from listener.speech.word_view import NOT_HEARD, WordView

LANE = 2_500  # frames of the rows in which the bank is searched side by side; a word that lies across an end is lost
TOLD_FLOOR = -7.0  # words that fit this badly are still told: what is rare is judged from what is less so


@dataclass(frozen=True, slots=True)
class Listening:
    """What a phrase is listened for with: the parts of a loaded ear."""

    weights: Weights
    names: list[str]
    pronunciations: list[list[Pronunciation]]
    look_alikes: list[list[Pronunciation]]  # per phrase
    words: WordView

    @classmethod
    def of(cls, phrases: PhraseSet, look_alikes: list[list[Pronunciation]]) -> Listening:
        """With these phrases, as a network knows them; look_alikes: per phrase."""
        return cls(phrases.weights, list(phrases.places), phrases.pronunciations, look_alikes, phrases.words)


def heard_in_talk(
    first: tuple[Bank, PhraseSet], second: tuple[Bank | None, PhraseSet] | None, look_alikes: list[list[Pronunciation]]
) -> dict[str, tuple[Hit, ...]]:
    """By phrase what talk said that sounded like it: to the first network, and to the second where it would have heard again.

    The banks hold the same talk, frame by frame.
    """
    hits = hear_talk(first[0], Listening.of(first[1], look_alikes))
    if second is None or second[0] is None:
        return hits
    more = hear_talk(second[0], Listening.of(second[1], look_alikes))
    return {name: _in_order([*own, *heard_again(own, more[name])]) for name, own in hits.items()}


def _in_order(hits: list[Hit]) -> tuple[Hit, ...]:
    return tuple(sorted(hits, key=lambda hit: (hit.start_s, hit.end_s)))


def hear_talk(bank: Bank, ear: Listening) -> dict[str, tuple[Hit, ...]]:
    """By phrase: what the talk in the bank said that sounded like it, in order of time."""
    weights = replace(ear.weights, told_floor=min(TOLD_FLOOR, ear.weights.told_floor))
    fits, starts, look_alikes = search_bank(bank, ear)
    words, instead, _ = ear.words.judge_sparse(bank.queries, bank.log_sum)
    hits = {}
    for i, (name, pronunciations) in enumerate(zip(ear.names, ear.pronunciations, strict=True)):
        column = ear.words.columns[i]
        views = np.full((len(fits[i]), column.stop - column.start + 2), NOT_HEARD, np.float32)
        views[bank.at, :-2] = words[:, column]
        views[bank.at, -2] = instead[:, i]
        views[:, -1] = look_alikes[i]
        hits[name] = tuple(_hits(name, weights, pronunciations, fits[i], starts[i], views))
    return hits


def search_bank(bank: Bank, ear: Listening) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
    """Per phrase and frame of the bank: the fit (per phone), its first frame, the best look-alike (see best_look_alike)."""
    rows = bank.log_probs(max(1, len(bank.phones) // LANE))
    lanes, length = rows.shape[:2]
    flat = [way for some in ear.look_alikes for way in some]
    search = PhoneSearch([*ear.pronunciations, *([way] for way in flat)], ear.weights.frame_cost, lanes)
    phones = np.array([len(way) for way in flat], np.float32)
    owners = np.concatenate([np.full(len(some), i) for i, some in enumerate(ear.look_alikes)])
    count = len(ear.names)
    fits, look_alikes = np.empty((2, count, lanes, length), np.float32)
    starts = np.empty((count, lanes, length), np.int32)
    for frame in range(length):
        found = search.step(rows[:, frame])
        fits[:, :, frame], starts[:, :, frame] = found.score[:, :count].T, found.start[:, :count].T
        for i in range(count):
            look_alikes[i, :, frame] = best_look_alike(found.score[:, count:][:, owners == i] * phones[owners == i])
    starts += (np.arange(lanes) * length)[:, None]
    whole = len(bank.phones)
    return fits.reshape(count, -1)[:, :whole], starts.reshape(count, -1)[:, :whole], look_alikes.reshape(count, -1)[:, :whole]


def _hits(
    name: str, weights: Weights, pronunciations: list[Pronunciation], fits: np.ndarray, starts: np.ndarray, views: np.ndarray
) -> list[Hit]:
    """Only stretches where a word can reach the floor are heard frame by frame, as on watch."""
    phrase, times = PhraseEar(weights, min(map(len, pronunciations)), views.shape[1] - 2), HitTimes(weights)
    reach = longest_frames(max(map(len, pronunciations)))
    word = np.maximum(_highest(views[:, :-2], reach, phrase.LATE), weights.word_lowest).mean(axis=1)
    hopeful = (fits >= weights.fit_floor) & (phrase.score(fits, word) >= weights.told_floor)
    frames = np.unique((np.flatnonzero(hopeful)[:, None] + np.arange(phrase.LATE)).ravel())
    hits = []
    before = -2
    for frame in frames[frames < len(fits)]:
        if frame != before + 1:
            phrase.prime(views[max(0, frame - phrase.REACH) : frame])
        before = frame
        view = views[frame]
        heard = phrase.hear(int(frame), float(fits[frame]), int(starts[frame]), view[:-2], float(view[-2]), float(view[-1]))
        if heard:
            hits.append(times.hit(name, heard))
    return hits


def _highest(rows: np.ndarray, back: int, ahead: int) -> np.ndarray:
    """Per frame the highest of the frames from `back` before it to `ahead` after it."""
    padded = np.pad(rows, ((back, ahead), (0, 0)), constant_values=NOT_HEARD)
    width, span = back + ahead + 1, 1
    while 2 * span <= width:
        padded = np.maximum(padded[: len(padded) - span], padded[span:])
        span *= 2
    rest = width - span
    return np.maximum(padded[: len(rows)], padded[rest : rest + len(rows)])

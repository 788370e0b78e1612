"""What words in a row weigh together, and the heaviest of all rows that some hits allow.

Words are judged jointly: their scores are added, each capped, less a penalty for an uneven rhythm and one for a word
far fainter than the others. So three fair words in rhythm outweigh two loud ones and a miss, and no single word
carries a call. `weigh` is the definition; `best_chain` finds the chain that it puts first, of all there are.
"""

from collections.abc import Sequence
from dataclasses import dataclass
from functools import cache
from math import inf, log

from listener.events import Hit
from listener.settings import PhraseSettings
from listener.speech.spotter import Calibration

_ROUNDING = 1e-9
"""Sums of the same numbers in another order differ by less."""


@dataclass(frozen=True, slots=True)
class Chain:
    """Some words in a row and what they weigh together, stated for three words."""

    hits: tuple[Hit, ...]
    joint: float

    @property
    def start_s(self) -> float:
        """Seconds of the stream at which the first word begins."""
        return self.hits[0].start_s

    @property
    def end_s(self) -> float:
        """Seconds of the stream at which the last word ends, as told by the hits (see rule.said_until_s)."""
        return max(hit.end_s for hit in self.hits)


def weigh(words: Sequence[Hit], phrase: PhraseSettings, calibration: Calibration) -> float:
    """The joint score of some words in a row, in order of their starts, stated for three words."""
    weight = 0.0
    beat = beat_weight(phrase, calibration)
    for n, word in enumerate(words):
        weight += min(word.score, calibration.word_cap)
        if n >= 2:
            weight -= rhythm_penalty(words[n - 2], words[n - 1], word, beat)
    if len(words) > 2:
        weight -= clarity_penalty([word.score for word in words], calibration)
    return weight * 3 / len(words) - rival_penalty(words, calibration)


def beat_weight(phrase: PhraseSettings, calibration: Calibration) -> float:
    """How much an even beat counts for this phrase: not at all where other words may stand between."""
    return 0.0 if phrase.between_s else calibration.rhythm_weight


def rhythm_penalty(first: Hit, second: Hit, third: Hit, weight: float) -> float:
    """What three words cost for coming unevenly: weight * (ln(interval ratio))^2, at most 2 * weight.

    The intervals are taken from onset to onset. People who call an abort keep an even beat; words of
    talk do not. (Common practice, no source; the form is ours.)
    """
    one, two = second.start_s - first.start_s, third.start_s - second.start_s
    if one <= 0 or two <= 0:
        return 2 * weight
    return weight * min(log(two / one) ** 2, 2.0)


def clarity_penalty(scores: list[float], calibration: Calibration) -> float:
    """What it costs three words or more that one is far less clear than all the others.

    The words of a call come from one mouth through the same noise. Two clear mentions in talk and something
    faint beside them do not. (Common practice, no source; the form is ours.)
    """
    lowest, next_lowest = sorted(scores)[:2]
    return calibration.clarity_weight * max(0.0, next_lowest - lowest - calibration.clarity_range)


def rival_penalty(words: Sequence[Hit], calibration: Calibration) -> float:
    """What it costs that one and the same rival explains all the words better than the phrase does.

    Its case is summed over the words, since noise that speaks for it in one does not in the next, and stated for three.
    """
    cases = [word.rivals for word in words]
    if not all(cases):
        return 0.0
    strongest = max(map(sum, zip(*cases, strict=True))) * 3 / len(words)
    return calibration.rival_weight * min(max(0.0, strongest - calibration.rival_from), calibration.rival_range)


def may_follow(one: Hit, two: Hit, phrase: PhraseSettings) -> bool:
    """Whether the second word comes after the first within the gap limits."""
    return phrase.min_gap_s <= two.start_s - one.end_s <= phrase.longest_gap_s


def best_chain(
    hits: Sequence[Hit], length: int, phrase: PhraseSettings, calibration: Calibration, at_least: float = -inf
) -> Chain | None:
    """The chain of exactly `length` words within the gap limits that weighs most; None if none weighs `at_least`.

    hits: in order of their starts. Of chains that weigh the same the one with the better words is taken (a word may
    have been told early, and again when it was heard whole), then the earlier one.

    Branch and bound: a chain is built word by word, the most promising next word first, and left as soon as the best
    that can still follow does not reach what is asked for or was found. What can follow is bounded by its scores and
    rhythm; the clarity penalty only lowers it.
    """
    beat = beat_weight(phrase, calibration)
    gains = [min(hit.score, calibration.word_cap) for hit in hits]
    follows = [[j for j in range(i + 1, len(hits)) if may_follow(hits[i], hits[j], phrase)] for i in range(len(hits))]

    nexts: dict[int | None, list[int]] = {None: list(range(len(hits))), **dict(enumerate(follows))}

    @cache
    def gain(i: int | None, j: int | None, k: int) -> float:
        """What word k adds behind i and j."""
        if i is None or j is None:
            return gains[k]
        return gains[k] - rhythm_penalty(hits[i], hits[j], hits[k], beat)

    @cache
    def score_bound(j: int | None, more: int) -> float:
        """The most that so many more words can add behind j, were they in perfect rhythm."""
        return max((gains[k] + score_bound(k, more - 1) for k in nexts[j]), default=-inf) if more else 0.0

    @cache
    def rhythm_bound(i: int | None, j: int | None, more: int) -> float:
        """The most that so many more words can add behind i and j."""
        return max((gain(i, j, k) + rhythm_bound(j, k, more - 1) for k in nexts[j]), default=-inf) if more else 0.0

    best: tuple[float, float, tuple[int, ...]] | None = None  # joint, sum of scores, places of the words, negative
    path: list[int] = []

    def needed() -> float:
        return (at_least if best is None else best[0]) * length / 3 - _ROUNDING

    def extend(i: int | None, j: int | None, weight: float) -> None:
        nonlocal best
        more = length - len(path) - 1
        if more < 0:
            words = [hits[n] for n in path]
            found = weigh(words, phrase, calibration), sum(word.score for word in words), tuple(-n for n in path)
            if found[0] >= at_least and (best is None or found > best):
                best = found
            return
        here = [(weight + gain(i, j, k), k) for k in nexts[j]]
        hopeful = [(w, k) for w, k in here if w + score_bound(k, more) >= needed()]
        for most, w, k in sorted(((w + rhythm_bound(j, k, more), w, k) for w, k in hopeful), reverse=True):
            if most == -inf or most < needed():
                break
            path.append(k)
            extend(j, k, w)
            path.pop()

    extend(None, None, 0.0)
    return best and Chain(tuple(hits[-n] for n in best[2]), best[0])

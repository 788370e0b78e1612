"""The talk of the negatives: which line is said in which piece, and when. A pure function of (plan, bank).

Lines are drawn like cards: each is said once before any is said again, over all pieces together, so that as
much different talk is heard as there is. A line is never cut; one that is longer than a piece can hold is
dealt out in stretches.
"""

import itertools
from collections.abc import Iterator
from dataclasses import dataclass
from functools import lru_cache

import numpy as np

from listener.errors import UserError
from listener.events import RATE_HZ
from listener.score.said import plain
from listener.settings import PhraseSettings
from listener.speech.pronounce import pronunciations
from listener.study.bank import Bank
from listener.study.design import Design
from listener.study.plan import Plan

LINE_LEVEL_DB = 3.0  # no two people are equally loud
STRETCH_S = 20.0
_DECK = 0x7A1C


@dataclass(frozen=True, slots=True)
class Card:
    """A line, or a stretch of one. line: its place among the bank's lines; start, size: in samples, within the line."""

    line: int
    start: int
    size: int


@dataclass(frozen=True, slots=True)
class Said:
    """A card as said in a piece: at which sample it begins, and how much louder than the talk's level it is."""

    card: Card
    at: int
    gain_db: float


def talk_of(design: Design, bank: Bank) -> tuple[tuple[Said, ...], ...]:
    """What is said in each negative piece, in order of the pieces. Made once for a bank and a plan."""
    if bank.talk is None or bank.talk[0] is not design.plan:
        bank.talk = design.plan, tuple(_deal(design, bank))
    return bank.talk[1]


def cards_of(plan: Plan, bank: Bank) -> list[Card]:
    """All there is to say, in the bank's order: long lines in equal stretches."""
    longest = round(min(STRETCH_S, plan.negatives.piece_s / 2) * RATE_HZ)
    cards = []
    for i, line in enumerate(bank.lines):
        edges = np.linspace(0, line.size, -(-line.size // longest) + 1).astype(int)
        cards += [Card(i, int(a), int(b - a)) for a, b in itertools.pairwise(edges)]
    return cards


def _deal(design: Design, bank: Bank) -> Iterator[tuple[Said, ...]]:
    plan = design.plan
    rng = np.random.default_rng([plan.seed, _DECK])
    cards = cards_of(plan, bank)
    deck: list[Card] = []
    size = round(plan.negatives.piece_s * RATE_HZ)
    apart = round(max(p.longest_gap_s for p in plan.phrases) * RATE_HZ)
    says = [any(phrase.words in plain(line.text) for phrase in plan.phrases) for line in bank.lines]
    for _ in range(design.negative_count):
        said: list[Said] = []
        at, near = _pause(plan, rng), False
        while cards:
            if not deck:
                deck = [cards[i] for i in rng.permutation(len(cards))]
            card = deck[-1]
            if says[card.line] and near:  # or two lines would make a call together
                at += apart
            if at + card.size > size:
                if said:
                    break
                at = max(0, size - card.size)
            deck.pop()
            said.append(Said(card, at, float(rng.uniform(-LINE_LEVEL_DB, LINE_LEVEL_DB))))
            at, near = at + card.size + _pause(plan, rng), says[card.line]
        yield tuple(said)


def _pause(plan: Plan, rng: np.random.Generator) -> int:
    return round(rng.uniform(*plan.negatives.pause_s) * RATE_HZ)


@lru_cache(maxsize=4096)
def is_hard(text: str, phrases: tuple[PhraseSettings, ...]) -> bool:
    """Whether a line holds a phrase's word or something like it: more than half of the word's sounds in a row.

    ("suspend": suspended, suspense, spend, depend.) The rule is ours; words that the dictionary lacks are like none.
    """
    said = plain(text).split()
    for phrase in phrases:
        for wanted in phrase.words.split():
            sounds = _sounds(wanted)
            for word in said:
                if word == wanted or any(2 * _run(a, b) > len(b) for a in _sounds(word) for b in sounds):
                    return True
    return False


@lru_cache(maxsize=8192)
def _sounds(word: str) -> list[tuple[str, ...]]:
    try:
        return [tuple(sound.rstrip("012") for sound in way) for way in pronunciations(word)]
    except UserError:
        return []


def _run(a: tuple[str, ...], b: tuple[str, ...]) -> int:
    """The most sounds in a row that both have."""
    best, before = 0, [0] * (len(b) + 1)
    for x in a:
        here = [0] * (len(b) + 1)
        for j, y in enumerate(b):
            if x == y:
                here[j + 1] = before[j] + 1
                best = max(best, here[j + 1])
        before = here
    return best

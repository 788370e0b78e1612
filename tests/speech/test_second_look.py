"""The second look: rivals out of the dictionary, a stretch explained whole, and what the ear says of words like its phrase."""

from __future__ import annotations

from pathlib import Path

import numpy as np
import pytest
import soundfile
from hypothesis import given
from hypothesis import strategies as st

from listener.events import Hit
from listener.speech.ear import EarEngine
from listener.speech.network import shipped_model
from listener.speech.phrase_ear import WordFit
from listener.speech.pronounce import PHONE_INDEX, PHONES, every_pronunciation, pronunciations
from listener.speech.rivals import distances, has_rivals, rivals, ways_to_say
from listener.speech.search import BLANK
from listener.speech.second_look import AFTER, Alignment, Case, Lately, SecondLook
from listener.speech.word_view import common_words

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"
COMMON = common_words(shipped_model())
phone_rows = st.lists(st.sampled_from(PHONES), min_size=1, max_size=6).map(tuple)


def gains_of(*labels: str | int) -> np.ndarray:
    """Frames in each of which one phone (or blank) is the best and any other costs 3."""
    rows = np.full((len(labels), BLANK + 1), -3.0)
    for row, label in zip(rows, labels, strict=True):
        row[label if isinstance(label, int) else PHONE_INDEX[label]] = 0.0
    return rows


class TestRivals:
    @given(phone_rows, st.lists(phone_rows, min_size=1, max_size=5))
    def test_distance_is_levenshteins(self, way, words):
        """Against the recursive definition (Wagner and Fischer 1974, from memory)."""

        def distance(a, b):
            if not a or not b:
                return len(a) + len(b)
            return min(distance(a[1:], b) + 1, distance(a, b[1:]) + 1, distance(a[1:], b[1:]) + (a[0] != b[0]))

        assert list(distances(way, words)) == [distance(way, word) for word in words]

    def test_of_stop_they_are_what_people_take_for_it_and_not_stop_itself(self):
        found = rivals([pronunciations("stop")], COMMON, every_pronunciation())
        for word in ("stock", "stopped", "step", "top", "shop"):
            assert set(ways_to_say([pronunciations(word)])) & set(found), word
        assert not set(ways_to_say([pronunciations("stop")])) & set(found)
        assert not set(ways_to_say([pronunciations("suspend")])) & set(found)

    def test_of_several_words_one_at_a_time_is_another(self):
        cease, fire = pronunciations("cease"), pronunciations("fire")
        found = rivals([cease, fire], COMMON, every_pronunciation())
        assert all((said[0] in cease) != (said[1] in fire) for said in found)
        assert (("S", "IY", "S", "T"), fire[0]) in found  # "ceased", which is not among the common words

    def test_short_words_and_phrases_of_several_are_not_weighed_against_any(self):
        assert has_rivals([pronunciations("suspend")]) and has_rivals([pronunciations("abort")])
        assert not has_rivals([pronunciations("stop")])
        assert not has_rivals([pronunciations("cease"), pronunciations("fire")])

    def test_a_single_phone_is_none(self):
        assert min(len(said[0]) for said in rivals([pronunciations("go")], COMMON, every_pronunciation())) == 2


class TestAlignment:
    def test_a_stretch_is_explained_whole(self):
        """By hand: "stopped" holds "stop" and one T more, which the search of the phrase lets go free, and here costs 3."""
        stop, stopped = ("S", "T", "AA", "P"), ("S", "T", "AA", "P", "T")
        said = gains_of(BLANK, "S", "T", BLANK, "AA", "P", "T", BLANK)
        assert list(Alignment([stop, stopped]).fits(said)) == [-3.0, 0.0]
        assert list(Alignment([stop, stopped]).fits(gains_of("S", "T", "AA", "AA", "P", BLANK))) == [0.0, -3.0]

    def test_a_phone_said_twice_needs_a_blank_between(self):
        assert list(Alignment([("T", "T"), ("T",)]).fits(gains_of("T", "T", "T"))) == [-3.0, 0.0]
        assert list(Alignment([("T", "T"), ("T",)]).fits(gains_of("T", BLANK, "T"))) == [0.0, -3.0]

    @given(st.lists(phone_rows, min_size=1, max_size=4), st.integers(6, 12), st.integers(0, 99))
    def test_side_by_side_is_as_one_by_one(self, ways, frames, seed):
        gains = -np.random.default_rng(seed).exponential(1.0, (frames, BLANK + 1))
        together = Alignment(ways).fits(gains)
        assert list(together) == [float(Alignment([way]).fits(gains)[0]) for way in ways]


class TestWhen:
    def test_a_word_is_told_again_when_what_follows_it_is_known_and_ends_where_the_next_begins(self):
        frames = Lately(3.0)
        none = np.zeros((1, 2)), np.zeros(1)
        case = Case([(("T",),), (("T", "T"),)], 1, np.zeros((1, 1)), [[0], [0]], 0.0)
        look = SecondLook(case, frames)

        def add(*labels):
            for row in gains_of(*labels):
                frames.add(row[None], *none)

        def word(start, end):
            return WordFit(start, end, 0.0, 0.0, 1.0, 0.0), Hit("tee", start * 0.02, end * 0.02, 1.0)

        add(BLANK, "T", BLANK)
        (early,) = look.told(*word(1, 1))
        assert early.rivals == (-9.0,)  # nowhere is a second one: all three frames would be others
        add("T")
        assert look.whole() == []
        add(*[BLANK] * (AFTER - 1))
        (whole,) = look.whole()
        assert (whole, whole.rivals) == (early, (3.0,))
        assert look.whole() == []
        first, second = look.told(*word(3, 3))
        assert (first, first.rivals) == (early, (-9.0,))
        assert second.start_s == 0.06


@pytest.fixture(scope="module")
def engine() -> EarEngine:
    return EarEngine(shipped_model(), ["suspend"], {})


def strongest_case(engine: EarEngine, file: str) -> float:
    """Of the clearest words of a recording three that follow each other: the one rival's case summed over them."""
    sound, _ = soundfile.read(RECORDINGS / file, dtype="float32")
    spotter = engine.spotter()
    told = {(hit.start_s, hit.end_s): hit for hit in [*spotter.feed(sound), *spotter.finish()]}
    words = sorted(told.values(), key=lambda hit: hit.score)[-3:]
    assert len(words) == 3
    return max(map(sum, zip(*(word.rivals for word in words), strict=True)))


def test_the_phrase_has_no_rival_that_explains_it_better_and_a_look_alike_has(engine):
    assert strongest_case(engine, "suspend_clean_1.flac") < 0
    assert strongest_case(engine, "not_suspense_clean.flac") > 0

"""What words weigh together, by hand; and the search for the heaviest chain, against trying them all.

The search is checked with the calibrations that come with the listener: what it prunes depends on their numbers.
"""

import random
from collections.abc import Iterator
from dataclasses import replace
from math import inf, log

import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from listener.call import chain
from listener.call.chain import best_chain, clarity_penalty, may_follow, rhythm_penalty, rival_penalty, weigh
from listener.call.rule import CallRule
from listener.events import Alert, Hit
from listener.settings import PhraseSettings, Settings
from listener.speech import sphinx_spotter, vosk_spotter
from listener.speech.network import read_info, shipped_model
from tests.fakes import CALIBRATION

EAR = read_info(shipped_model()).calibration
SHIPPED = {"ear": EAR, "sphinx": sphinx_spotter.CALIBRATION, "vosk": vosk_spotter.CALIBRATION}
PHRASE = PhraseSettings(words="suspend")


def words(*said: tuple[float, float], length_s: float = 0.5) -> list[Hit]:
    """Words of half a second: (start, score)."""
    return [Hit("suspend", start_s, start_s + length_s, score) for start_s, score in said]


def any_hits(most: int) -> st.SearchStrategy[list[Hit]]:
    """Hits in the order of their starts, close enough for many chains, of the scores that engines give."""
    hit = st.builds(
        lambda start, length, score: Hit("suspend", start * 0.1, (start + length) * 0.1, score),
        st.integers(0, 60), st.integers(2, 8), st.floats(-5.0, 8.0),
    )  # fmt: skip
    return st.lists(hit, max_size=most).map(lambda hits: sorted(hits, key=lambda h: (h.start_s, h.end_s)))


def all_chains(hits: list[Hit], length: int, so_far: tuple[Hit, ...] = ()) -> Iterator[tuple[Hit, ...]]:
    """Every chain of so many words, by trying all."""
    if len(so_far) == length:
        yield so_far
        return
    for i, hit in enumerate(hits):
        if not so_far or may_follow(so_far[-1], hit, PHRASE):
            yield from all_chains(hits[i + 1 :], length, (*so_far, hit))


FAINT_OR_UNEVEN = words((0.0, 6.0), (1.0, -2.9), (1.2, 6.0), (2.9, 6.0))
"""The second word may be a faint one in rhythm, which clarity makes dear, or a clear one out of it."""

LOST = [Hit("suspend", 0.4, 0.7, 0.6), Hit("suspend", 0.4, 0.9, 5.7), Hit("suspend", 1.5, 2.1, 5.4), Hit("suspend", 2.8, 3.2, -1.7)]
"""The first word is told early and again, far clearer; with the early one the faint last word is not far fainter."""
MOST_WEIGHED = 1000  # seen: 172 at twice as many hits a second


class TestSearch:
    @pytest.mark.parametrize("engine", SHIPPED)
    @given(hits=any_hits(12), length=st.integers(1, 5))
    @example(hits=FAINT_OR_UNEVEN, length=3)
    def test_no_chain_weighs_more_than_the_one_found(self, engine, hits, length):
        found = best_chain(hits, length, PHRASE, SHIPPED[engine])
        every = [weigh(words, PHRASE, SHIPPED[engine]) for words in all_chains(hits, length)]
        assert (found and found.joint) == max(every, default=None)

    @given(hits=any_hits(12), length=st.integers(1, 5))
    def test_the_chain_found_is_a_chain_and_weighs_what_it_says(self, hits, length):
        found = best_chain(hits, length, PHRASE, EAR)
        if found:
            assert found.hits in set(all_chains(hits, length))
            assert found.joint == weigh(found.hits, PHRASE, EAR)

    @given(hits=any_hits(10), length=st.integers(2, 4))
    def test_with_words_between_every_gap_may_be_longer_and_none_must_match_another(self, hits, length):
        wide = PhraseSettings(words="suspend", between_s=2.0)
        found = best_chain(hits, length, wide, EAR)
        without_beat = replace(EAR, rhythm_weight=0.0)
        far = PhraseSettings(words="suspend", max_gap_s=3.5)
        assert found == best_chain(hits, length, far, without_beat)

    @given(hits=any_hits(12), length=st.integers(1, 5), level=st.floats(-8.0, 2.0))
    def test_a_level_hides_what_is_below_it_and_changes_nothing_else(self, hits, length, level):
        free = best_chain(hits, length, PHRASE, EAR)
        assert best_chain(hits, length, PHRASE, EAR, level) == (free if free and free.joint >= level else None)

    def test_of_equal_chains_the_one_with_the_better_words_then_the_earlier(self):
        clear, clearer = words((0.0, 2.0), (0.0, 3.0))
        rest = words((1.0, 2.0), (2.0, 2.0))
        assert best_chain([clear, clearer, *rest], 3, PHRASE, EAR).hits[0] == clearer
        assert best_chain(words((0.0, 2.0), (1.0, 2.0), (2.0, 2.0), (3.0, 2.0)), 3, PHRASE, EAR).start_s == 0.0

    @pytest.mark.parametrize("repeats", [3, 5])
    @pytest.mark.parametrize("scores", [(-3.0, -1.2), (-3.0, 0.5), (-3.0, 10.0)], ids=["weak", "fair", "faint to loud"])
    def test_a_babble_of_hits_is_searched_in_bounded_work(self, repeats, scores, monkeypatch):
        """Ten hits a second for ten seconds, none of them an alert: of up to a million chains, few are weighed."""
        weighed = 0

        def counted(*args):
            nonlocal weighed
            weighed += 1
            return weigh(*args)

        monkeypatch.setattr(chain, "weigh", counted)
        rng, most, now_s = random.Random(repeats), 0, 0.0
        settings = Settings(phrases=(PhraseSettings(words="suspend", repeats=repeats),)).model_copy(update={"alert_level": inf})
        rule = CallRule(settings, replace(EAR, candidate_level=-inf), 0, "test")
        while now_s < 10.0:
            now_s += rng.expovariate(10.0)
            weighed = 0
            rule.hear([Hit("suspend", now_s - rng.uniform(0.25, 0.8), now_s, rng.uniform(*scores))], now_s)
            most = max(most, weighed)
        assert 0 < most <= MOST_WEIGHED


class TestWeigh:
    def test_by_hand(self):
        """Two capped words and one of -3.5 at twice the interval: 0.5 + 0.5 - 3.5 - 1.5 * ln(2)^2 - 0.5 * (1 + 3.5 - 4)."""
        said = words((0.0, 1.0), (1.0, 2.0), (3.0, -3.5))
        assert weigh(said, PHRASE, EAR) == pytest.approx(-2.5 - 1.5 * log(2) ** 2 - 0.25)

    def test_is_stated_for_three_words(self):
        assert weigh(words((0.0, 0.2)), PHRASE, EAR) == pytest.approx(0.6)
        assert weigh(words((0.0, 0.2), (1.0, 0.2)), PHRASE, EAR) == pytest.approx(0.6)
        assert weigh(words(*((float(n), 0.2) for n in range(5))), PHRASE, EAR) == pytest.approx(0.6)

    def test_a_call_that_pruning_before_the_clarity_penalty_lost_is_an_alert(self):
        """Of the two first words, the one that leads before that penalty falls behind with it."""
        rule = CallRule(Settings(), EAR, 0, "test")
        alerts = [event for hit in sorted(LOST, key=lambda h: h.end_s) for event in rule.hear([hit], hit.end_s)]
        assert [type(event) for event in alerts] == [Alert]

    def test_an_even_beat_costs_nothing_and_an_uneven_one_at_most_twice_the_weight(self):
        a, b, c, d = words((0.0, 2.0), (1.0, 2.0), (2.0, 2.0), (9.0, 2.0))
        assert rhythm_penalty(a, b, c, 0.5) == 0.0
        assert rhythm_penalty(a, b, d, 0.5) == 1.0


class TestClarity:
    CLEAR = replace(CALIBRATION, clarity_weight=0.5, clarity_range=4.0)

    @given(st.lists(st.floats(-3, 5), min_size=3, max_size=5), st.floats(-3, 3))
    def test_words_alike_cost_nothing_and_louder_ones_together_neither(self, scores, more):
        within = [min(s, min(scores) + 4.0) for s in scores]
        assert clarity_penalty(within, self.CLEAR) == pytest.approx(0.0, abs=1e-9)
        assert clarity_penalty([s + more for s in scores], self.CLEAR) == pytest.approx(clarity_penalty(scores, self.CLEAR))

    def test_one_faint_word_beside_two_very_clear_ones_weighs_less(self):
        """By hand: 0.5 * ((5 - (-1)) - 4) = 1."""
        said = words((0.0, 5.0), (1.0, 6.0), (2.0, -1.0))
        assert weigh(said, PHRASE, CALIBRATION) - weigh(said, PHRASE, self.CLEAR) == pytest.approx(1.0)


class TestRivals:
    STRICT = replace(CALIBRATION, rival_weight=0.5, rival_from=1.0, rival_range=8.0)

    @staticmethod
    def against(*cases: tuple[float, ...]) -> list[Hit]:
        return [replace(word, rivals=case) for word, case in zip(words((0.0, 5.0), (1.0, 5.0), (2.0, 5.0)), cases, strict=False)]

    def test_one_rival_must_explain_all_the_words(self):
        """By hand: the first rival's case is 3 + 1 + 2 = 6, the second's 9 - 9 + 2 = 2; 0.5 * (6 - 1) = 2.5."""
        said = self.against((3.0, 9.0), (1.0, -9.0), (2.0, 2.0))
        assert rival_penalty(said, self.STRICT) == pytest.approx(2.5)
        assert weigh(words((0.0, 5.0), (1.0, 5.0), (2.0, 5.0)), PHRASE, self.STRICT) - weigh(said, PHRASE, self.STRICT) == pytest.approx(2.5)

    def test_is_stated_for_three_words_and_has_an_end(self):
        assert rival_penalty(self.against((3.0,), (1.0,)), self.STRICT) == pytest.approx(0.5 * (6.0 - 1.0))
        assert rival_penalty(self.against((30.0,), (30.0,), (30.0,)), self.STRICT) == pytest.approx(0.5 * 8.0)

    def test_costs_nothing_where_no_rival_is_stronger_or_none_is_known(self):
        assert rival_penalty(self.against((0.3, -4.0), (0.3, 2.0), (0.3, 1.0)), self.STRICT) == 0.0
        assert rival_penalty(words((0.0, 5.0), (1.0, 5.0), (2.0, 5.0)), self.STRICT) == 0.0

"""Planning a study: the numbers it names reach what they promise."""

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from scipy.stats import t

from listener.score.interval import share_interval
from listener.study.size import for_difference, for_interval, hours_for, worth_of


def test_calls_that_are_not_alike_are_counted_as_the_textbooks_do():
    """n = t^2 p (1 - p) / reach^2 (Cochran, with t for the doubt about the spread of 12 speakers); Wilson reaches farther."""
    by_hand = t.ppf(0.975, 11) ** 2 * 0.1 * 0.9 / 0.05**2
    assert for_interval(0.1, 0.05, 1000, 0.0).calls == pytest.approx(1000, rel=0.01)  # one call of each is more than enough
    assert by_hand <= for_interval(0.1, 0.05, 12, 0.0).calls <= 1.5 * by_hand


@settings(max_examples=40)
@given(st.floats(0.02, 0.5), st.floats(0.02, 0.2), st.integers(4, 60), st.floats(0.0, 0.3))
def test_the_interval_is_as_narrow_as_promised_and_one_call_less_is_not(miss, reach, speakers, alike):
    def wide(each):
        low, high = share_interval(miss * speakers * each, speakers * each, worth_of(speakers, each, alike))
        return max(miss - low, high - miss)

    need = for_interval(miss, reach, speakers, alike)
    if need.each is None:
        assert wide(1000) > reach
    else:
        assert wide(need.each) <= reach and (need.each == 1 or wide(need.each - 1) > reach)


def test_few_speakers_never_do_whatever_they_say_and_more_of_them_do():
    assert for_interval(0.1, 0.05, 4, 0.2).each is None and for_interval(0.1, 0.05, 80, 0.2).each is not None
    assert for_difference(0.2, 0.1, 4, 0.3).each is None
    assert for_difference(0.2, 0.1, 40, 0.02).calls < for_difference(0.2, 0.15, 40, 0.02).calls


def test_hours_by_the_rule_of_three():
    assert hours_for(0.5) == pytest.approx(5.991, abs=1e-3) and hours_for(0.1) == pytest.approx(29.96, abs=0.01)

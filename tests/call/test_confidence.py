"""Confidence is the logistic function of the joint score."""

from math import isclose

from hypothesis import given
from hypothesis import strategies as st

from listener.call.confidence import confidence
from tests.fakes import CALIBRATION


def test_at_the_even_level_it_is_one_half():
    assert confidence(CALIBRATION.even_level, CALIBRATION) == 0.5


def test_one_above_the_even_level_with_slope_one():
    # 1 / (1 + e^-1), by hand
    assert isclose(confidence(CALIBRATION.even_level + 1, CALIBRATION), 0.7310585786300049)


@given(st.floats(-1e6, 1e6), st.floats(-1e6, 1e6))
def test_it_never_falls_as_the_score_rises_and_stays_within_0_and_1(one, two):
    low, high = sorted([one, two])
    assert 0 <= confidence(low, CALIBRATION) <= confidence(high, CALIBRATION) <= 1

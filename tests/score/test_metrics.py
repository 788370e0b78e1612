"""Detection measures: defined at their edges, and what must hold for any numbers."""

from math import inf

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.score.metrics import (
    Rate,
    Share,
    brier,
    det,
    difference_interval,
    equal_error,
    expected_calibration_error,
    max_twv,
    mcnemar,
    miss_at,
    reliability,
    twv,
)  # fmt: skip

scores = st.lists(st.one_of(st.just(-inf), st.floats(-30, 30)), min_size=1, max_size=40)


@given(scores, st.lists(st.floats(-30, 30), max_size=40))
def test_a_trade_off_falls_from_all_missed_and_ends_at_what_was_never_heard(targets, others):
    curve = det(targets, others, 1000)
    assert curve.levels[0] == inf and curve.p_miss[0] == 1.0 and curve.false_alarms[0] == 0
    assert (np.diff(curve.p_miss) <= 0).all() and (np.diff(curve.false_alarms) >= 0).all()
    assert curve.p_miss[-1] == np.mean(np.isneginf(targets)) and curve.false_alarms[-1] == len(others)


@given(scores, st.lists(st.floats(-30, 30), max_size=40), st.floats(-30, 30))
def test_every_level_on_the_curve_is_what_counting_gives(targets, others, level):
    curve = det(targets, others, 1000)
    at = np.searchsorted(-curve.levels, -level, side="right") - 1
    assert curve.p_miss[at] == np.mean(np.asarray(targets) < level)
    assert curve.false_alarms[at] == np.sum(np.asarray(others) >= level)


def test_a_perfect_engine_has_no_equal_error_and_full_value():
    curve = det([3.0, 4.0], [1.0], 1000)
    assert equal_error(curve) == 0.0 and max_twv(curve) == (1.0, 3.0) and miss_at(curve, 1.0, 0.0) == 0.0


def test_saying_nothing_is_worth_nothing():
    assert max_twv(det([-inf], [], 1000)) == (0.0, inf)


def test_no_trade_off_without_calls_or_without_sound():
    for targets, room in (([], 10), ([1.0], 0)):
        with pytest.raises(ValueError, match="needs calls"):
            det(targets, [], room)


def test_confidence_of_one_lies_in_the_last_bin_and_counts_add_up():
    bins = reliability([0.0, 0.05, 0.95, 1.0], [False, False, True, True])
    assert [(b.low, b.right.k, b.right.n) for b in bins] == [(0.0, 0, 2), (0.9, 2, 2)]
    assert expected_calibration_error(bins) == pytest.approx(0.025) and brier([0.0, 1.0], [0, 1]) == 0.0


@given(st.lists(st.tuples(st.floats(0, 1), st.booleans()), min_size=1, max_size=60))
def test_calibration_error_is_a_share_and_never_above_the_worst_bin(told):
    p, y = zip(*told)
    bins = reliability(p, y)
    assert sum(b.right.n for b in bins) == len(told)
    assert 0 <= expected_calibration_error(bins) <= max(abs(b.right.value - b.mean) for b in bins) + 1e-12


@given(st.lists(st.tuples(st.booleans(), st.booleans()), min_size=1, max_size=60))
def test_a_paired_difference_lies_in_its_interval_and_turns_with_the_order(found):
    a, b = map(list, zip(*found))
    one, other = mcnemar(a, b), mcnemar(b, a)
    low, high = one.interval
    assert low - 1e-9 <= one.difference <= high + 1e-9
    assert other.difference == -one.difference and other.p == one.p
    assert other.interval == pytest.approx((-high, -low))


def test_twv_costs_a_thousand_misses_for_each_chance_of_a_false_alarm():
    assert twv(0.0, 1.0) == pytest.approx(-998.9)


@given(st.integers(0, 50), st.integers(1, 50), st.integers(0, 50), st.integers(1, 50))
def test_differences_of_shares_and_rates_lie_in_their_intervals(k, n, j, m):
    for one, other in ((Share(min(k, n), n), Share(min(j, m), m)), (Rate(k, float(n)), Rate(j, float(m)))):
        low, high = difference_interval(one, other)
        assert low <= one.value - other.value <= high

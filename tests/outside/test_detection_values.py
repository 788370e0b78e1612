"""TWV, DET, intervals, matching and comparison against published values and other programs."""

from itertools import combinations, permutations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from listener.score.interval import per_hour_interval, share_interval
from listener.score.match import distances_s, match
from listener.score.metrics import (
    Share,
    det,
    difference_interval,
    equal_error,
    mcnemar,
    normal_deviate,
    paired_interval,
    twv,
)
from tests.parts import need_python

sklearn_metrics = need_python("sklearn.metrics", "'launch-listener[test]'")
proportion = need_python("statsmodels.stats.proportion", "'launch-listener[test]'")
contingency = need_python("statsmodels.stats.contingency_tables", "'launch-listener[test]'")
rates = need_python("statsmodels.stats.rates", "'launch-listener[test]'")


@pytest.mark.parametrize(
    "p_miss, p_fa, value", [(0.328, 0.000312, 0.3600312), (0.202, 0.0002, 0.59802), (0, 1, -998.9), (1, 0, 0.0)]
)
def test_term_weighted_value_as_in_nist_f4de_own_tests(p_miss, p_fa, value):
    assert twv(p_miss, p_fa) == pytest.approx(value, abs=1e-9)


def test_a_whole_example_of_the_term_weighted_value():
    # Ten hours, 100 calls, one missed, one false alarm: computed by hand from NIST's formula.
    assert twv(1 / 100, 1 / (10 * 3600 - 100)) == pytest.approx(0.962148, abs=1e-6)


def test_normal_deviate_axis():
    # Martin et al., Eurospeech 1997: the DET axes
    assert normal_deviate([0.01, 0.05, 0.5]) == pytest.approx([-2.3263, -1.6449, 0.0], abs=5e-5)


@given(
    st.lists(st.integers(-20, 20), min_size=1, max_size=40),
    st.lists(st.integers(-20, 20), min_size=1, max_size=40),
)
def test_the_trade_off_is_that_of_scikit_learn(targets, others):
    """Where each non-target is one score, sklearn's det_curve counts the same thing."""
    ours = det(targets, others, len(others))
    truth = np.r_[np.ones(len(targets)), np.zeros(len(others))]
    p_fa, p_miss, levels = sklearn_metrics.det_curve(truth, np.r_[targets, others].astype(float))
    mine = dict(zip(ours.levels.tolist(), zip(ours.p_fa.tolist(), ours.p_miss.tolist())))
    for level, a, b in zip(levels.tolist(), p_fa, p_miss):
        assert mine[level] == pytest.approx((a, b), abs=1e-12)


def test_equal_error_of_two_normal_laws():
    # d' apart, the rates are equal at Phi(-d'/2): 15.87 % for d' = 2
    rng = np.random.default_rng(5)
    curve = det(rng.normal(2, 1, 200_000), rng.normal(0, 1, 200_000), 200_000)
    assert equal_error(curve) == pytest.approx(0.158655, abs=0.002)


@pytest.mark.parametrize(
    "k, n, low, high", [(0, 100, 0, 0.03699), (1, 100, 0.00177, 0.05449), (5, 100, 0.02154, 0.11175)]
)
def test_wilson_values(k, n, low, high):
    assert share_interval(k, n) == pytest.approx((low, high), abs=6e-6)


@pytest.mark.parametrize("count, low, high", [(0, 0, 3.6889), (1, 0.0253, 5.5716), (5, 1.6235, 11.6683)])
def test_exact_poisson_values(count, low, high):
    assert per_hour_interval(count, 1.0) == pytest.approx((low, high), abs=6e-5)


@given(st.integers(0, 60), st.integers(1, 60))
def test_intervals_are_those_of_statsmodels(k, n):
    k = min(k, n)
    assert share_interval(k, n) == pytest.approx(proportion.proportion_confint(k, n, method="wilson"), abs=1e-9)
    theirs = rates.confint_poisson(k, 2.5, method="exact-c")
    assert per_hour_interval(k, 2.5) == pytest.approx([0.0 if np.isnan(theirs[0]) else theirs[0], theirs[1]], abs=1e-9)


def test_how_many_trials_a_claim_needs():
    # none missed in 299 bounds the miss share by 1 % one-sided (0.99^299 = 0.0495); 2.9957 is -ln 0.05
    assert 0.99**299 < 0.05 < 0.99**298
    assert -np.log(0.05) / 30 < 0.1


@given(st.integers(0, 30), st.integers(0, 30), st.integers(0, 30), st.integers(0, 30))
def test_mcnemar_is_that_of_statsmodels(both, only_a, only_b, neither):
    found_a = [True] * both + [True] * only_a + [False] * only_b + [False] * neither
    found_b = [True] * both + [False] * only_a + [True] * only_b + [False] * neither
    if only_a + only_b:
        theirs = contingency.mcnemar([[both, only_a], [only_b, neither]], exact=True).pvalue
        assert mcnemar(found_a, found_b).p == pytest.approx(min(1.0, theirs), abs=1e-12)
    else:
        assert mcnemar(found_a, found_b).p == 1.0


def test_newcombes_paired_interval_on_his_own_example():
    # Newcombe, Statistics in Medicine 17 (1998) 2635-2650, table II (a): 36, 12, 2, 0 of 50; method 10: 0.0569, 0.3404
    assert paired_interval(36, 12, 2, 0) == pytest.approx((0.0569, 0.3404), abs=5e-5)


NEWCOMBE = [
    ((56, 70), (48, 80), 0.0524, 0.3339), ((9, 10), (3, 10), 0.1705, 0.8090), ((6, 7), (2, 7), 0.0582, 0.8062),
    ((5, 56), (0, 29), -0.0381, 0.1926), ((0, 10), (0, 20), -0.1611, 0.2775), ((0, 10), (0, 10), -0.2775, 0.2775),
    ((10, 10), (0, 20), 0.6791, 1.0), ((10, 10), (0, 10), 0.6075, 1.0),
]  # fmt: skip


@pytest.mark.parametrize("first, second, low, high", NEWCOMBE)
def test_newcombes_table_of_independent_shares(first, second, low, high):
    """Newcombe, Statistics in Medicine 17 (1998) 873-890, table II, (a) to (h), method 10 (from memory)."""
    assert difference_interval(Share(*first), Share(*second)) == pytest.approx((low, high), abs=6e-5)


def test_the_correction_of_pairs_that_go_together_is_half_of_n():
    """Newcombe's method 10 takes n/2 off (both * neither - only * only) and nothing below zero, computed by hand: with
    20, 6, 4, 20 of 50 the correlation is (400 - 24 - 25) / sqrt(26 * 24 * 24 * 26) = 0.5625.
    """
    (low_1, high_1), (low_2, high_2) = share_interval(26, 50), share_interval(24, 50)
    phi = 351 / 624
    below = np.sqrt((0.52 - low_1) ** 2 - 2 * phi * (0.52 - low_1) * (high_2 - 0.48) + (high_2 - 0.48) ** 2)
    over = np.sqrt((high_1 - 0.52) ** 2 - 2 * phi * (high_1 - 0.52) * (0.48 - low_2) + (0.48 - low_2) ** 2)
    assert paired_interval(20, 6, 4, 20) == pytest.approx((0.04 - below, 0.04 + over), abs=1e-9)


spans = st.lists(
    st.tuples(st.integers(0, 40), st.integers(1, 6)).map(lambda s: (s[0] / 4, (s[0] + s[1]) / 4)), max_size=5
)


@settings(max_examples=150)
@given(spans, spans)
def test_matching_finds_as_many_pairs_as_trying_every_pairing(calls, alerts):
    pairs = match(calls, alerts, 0.5)
    assert len({i for i, _ in pairs}) == len({j for _, j in pairs}) == len(pairs)
    if not calls or not alerts:
        assert pairs == []
        return
    far = distances_s(calls, alerts)
    assert all(far[i, j] <= 0.5 for i, j in pairs)
    most, least = _brute_force(far, 0.5)
    assert len(pairs) == most
    assert sum(far[i, j] for i, j in pairs) == pytest.approx(least)


def _brute_force(far, tolerance_s):
    """Most pairs, and of those pairings the least total distance, over all one-to-one pairings."""
    best = (0, 0.0)
    for size in range(1, min(far.shape) + 1):
        for rows in combinations(range(far.shape[0]), size):
            for columns in permutations(range(far.shape[1]), size):
                d = far[list(rows), list(columns)]
                if (d <= tolerance_s).all() and (-size, d.sum()) < (-best[0], best[1]):
                    best = (size, float(d.sum()))
    return best

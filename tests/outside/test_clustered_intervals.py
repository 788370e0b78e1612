"""Intervals of calls that come from few people, by simulation: 95 of 100 hold the truth, from 4 speakers to 40.

The truth is known because the listener is simulated: each speaker's logistic curve is moved by a normal amount
(common practice for repeated measures, no source). The plain interval is tried beside ours: if it held the truth
too, these simulations could not tell a good interval from a bad one.
"""

import numpy as np
import pytest

from listener.score.interval import holm, rate_worth, share_interval, share_worth
from listener.score.metrics import mcnemar
from listener.study.second import mixed_srt
from tests.parts import need_python

LEVELS = np.array([0.0, -3.0, -6.0, -9.0, -12.0, -15.0])
STUDIES = 150


def chance(moved_db: np.ndarray, easier_db: float = 0.0) -> np.ndarray:
    """Share found, shape (..., levels), of speakers whose curves are moved."""
    return 1 / (1 + np.exp(-(LEVELS + easier_db - moved_db[..., None] + 8.0) / 1.7))


def truth(spread_db: float, easier_db: float = 0.0) -> np.ndarray:
    moved = np.random.default_rng(9).normal(0.0, spread_db, 200_000)
    return chance(moved, easier_db).mean(0)


@pytest.mark.parametrize("speakers, calls, spread_db", [(4, 16, 2), (4, 32, 2), (8, 16, 2), (8, 16, 4), (16, 8, 2), (40, 4, 2)])
def test_shares_at_each_snr(speakers, calls, spread_db):
    rng, true = np.random.default_rng(speakers), truth(spread_db)
    who = np.repeat(np.arange(speakers), calls * LEVELS.size)
    at = np.tile(np.repeat(np.arange(LEVELS.size), calls), speakers)
    ours = plain = 0
    for _ in range(STUDIES):
        p = chance(rng.normal(0.0, spread_db, speakers))
        found = rng.random(who.size) < p[who, at]
        worth = share_worth(found, who, at)
        for level, share in enumerate(true):
            k, n = int(found[at == level].sum()), speakers * calls
            assert worth.effective(n) <= n
            low, high = share_interval(k, n, worth)
            ours += low <= share <= high
            low, high = share_interval(k, n)
            plain += low <= share <= high
    print(f"{speakers} speakers x {calls}, {spread_db} dB: {ours / STUDIES / 6:.3f} (plain {plain / STUDIES / 6:.3f})")
    assert 0.93 <= ours / (STUDIES * LEVELS.size) <= 0.975
    assert speakers > 16 or plain / (STUDIES * LEVELS.size) < 0.92


@pytest.mark.parametrize("speakers, calls", [(4, 16), (8, 16), (16, 8), (40, 4)])
def test_differences_of_two_engines_on_the_same_calls(speakers, calls):
    """B needs 1.5 dB less; a speaker's own offsets for A and B are alike but not the same."""
    rng = np.random.default_rng(100 + speakers)
    true = truth(5**0.5, 1.5) - truth(5**0.5)
    who = np.repeat(np.arange(speakers), calls * LEVELS.size)
    at = np.tile(np.repeat(np.arange(LEVELS.size), calls), speakers)
    ours = 0
    for _ in range(STUDIES):
        moved = rng.normal(0.0, 2.0, speakers)
        a = rng.random(who.size) < chance(moved + rng.normal(0, 1.0, speakers))[who, at]
        b = rng.random(who.size) < chance(moved + rng.normal(0, 1.0, speakers), 1.5)[who, at]
        worth = mcnemar(a, b, who, at).worth
        for level, difference in enumerate(true):
            here = at == level
            low, high = mcnemar(a[here], b[here], who[here], worth=worth).interval
            ours += low <= difference <= high
    print(f"{speakers} speakers x {calls}, differences: {ours / STUDIES / 6:.3f}")
    assert 0.93 <= ours / (STUDIES * LEVELS.size) <= 0.985


def test_bursts_of_false_alerts_on_single_lines_are_no_independent_events():
    """40 lines, each with its own rate (gamma, shape 0.3): 95 of 100 intervals hold the mean rate, the plain do not."""
    from listener.score.interval import per_hour_interval

    rng = np.random.default_rng(3)
    ours = plain = 0
    for _ in range(1000):
        counts = rng.poisson(rng.gamma(0.3, 1 / 0.3, 120))
        low, high = per_hour_interval(counts.sum(), 120.0, rate_worth(counts, np.ones(120)))
        ours += low <= 1.0 <= high
        low, high = per_hour_interval(counts.sum(), 120.0)
        plain += low <= 1.0 <= high
    assert 930 <= ours <= 975 and plain < 800


def test_the_mixed_model_finds_a_known_listener():
    """Middle speaker at -8 dB, speakers 2 dB apart (standard deviation); the interval may miss once in twenty."""
    need_python("statsmodels", "'launch-listener[study]'")
    rng = np.random.default_rng(5)
    within, apart = 0, []
    for _ in range(20):
        moved = rng.normal(0.0, 2.0, 16)
        who, at = (v.ravel() for v in np.meshgrid(np.arange(16), np.repeat(np.arange(6), 8), indexing="ij"))
        found = rng.random(who.size) < chance(moved)[who, at]
        srt_db, reach_db, speakers_db = mixed_srt(LEVELS[at], found.astype(float), who)
        within += abs(srt_db + 8.0) <= reach_db
        apart.append(speakers_db)
    assert within >= 17 and np.median(apart) == pytest.approx(2.0, abs=0.5)


def test_a_design_effect_by_hand():
    """Two speakers, one finds both calls and one neither: totals +-1 about the mean, 2/1 * (1 + 1) over 4 * 1/4 is 4.

    Four speakers of two calls, 2 1 1 0 found: 4/3 * (1 + 0 + 0 + 1) over 8 * 1/4 is 4/3; degrees of freedom by
    Satterthwaite (16/9) / ((1/9 + 1) / 3) = 4.8.
    """
    assert share_worth([1, 1, 0, 0], list("aabb")).design_effect == pytest.approx(4.0)
    worth = share_worth([1, 1, 1, 0, 0, 1, 0, 0], list("aabbccdd"))
    assert (worth.design_effect, worth.freedom) == (pytest.approx(4 / 3), pytest.approx(4.8))


def test_holm_is_that_of_statsmodels():
    multitest = need_python("statsmodels.stats.multitest", "'launch-listener[test]'")
    p = np.random.default_rng(1).random(12) ** 4
    assert holm(list(p)) == pytest.approx(multitest.multipletests(p, method="holm")[1])

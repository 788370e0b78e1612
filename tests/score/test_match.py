"""One to one, as many pairs as can be, and of those the nearest."""

from itertools import permutations

import numpy as np
from hypothesis import given
from hypothesis import strategies as st

from listener.score.match import match

spans = st.tuples(st.integers(0, 60), st.integers(0, 8)).map(lambda x: (x[0] / 4, x[0] / 4 + x[1] / 4))


def far(call, alert) -> float:
    middle = (alert[0] + alert[1]) / 2
    return max(call[0] - middle, middle - call[1], 0.0)


def best_by_trying_all(calls, alerts, tolerance_s: float) -> tuple[int, float]:
    """(pairs, total distance) of the best pairing: more pairs first, then less distance."""
    short, long, swapped = (calls, alerts, False) if len(calls) <= len(alerts) else (alerts, calls, True)
    best = (0, 0.0)
    for chosen in permutations(range(len(long)), len(short)):
        couples = [(long[j], s) if swapped else (s, long[j]) for s, j in zip(short, chosen)]
        gaps = [far(c, a) for c, a in couples]
        kept = [g for g in gaps if g <= tolerance_s]
        best = max(best, (len(kept), -sum(kept)))
    return best[0], -best[1]


@given(
    calls=st.lists(spans, max_size=5), alerts=st.lists(spans, max_size=5), tolerance=st.sampled_from([0.0, 0.5, 2.0])
)
def test_no_pairing_is_better(calls, alerts, tolerance: float) -> None:
    pairs = match(calls, alerts, tolerance)
    assert len({i for i, _ in pairs}) == len({j for _, j in pairs}) == len(pairs)
    gaps = [far(calls[i], alerts[j]) for i, j in pairs]
    assert all(gap <= tolerance for gap in gaps)
    count, total = best_by_trying_all(calls, alerts, tolerance)
    assert len(pairs) == count
    assert abs(sum(gaps) - total) < 1e-9


def test_two_alerts_for_one_call_make_one_pair() -> None:
    assert match([(10.0, 12.0)], [(10.0, 12.0), (10.2, 12.2)], 0.5) == [(0, 0)]


def test_a_forbidden_pair_is_not_made() -> None:
    assert match([(1.0, 2.0)], [(1.0, 2.0)], 0.5, np.array([[False]])) == []


def test_the_tolerance_counts_from_the_calls_edges() -> None:
    assert match([(10.0, 12.0)], [(12.4, 12.6)], 0.5) == [(0, 0)]
    assert match([(10.0, 12.0)], [(12.4, 12.62)], 0.5) == []

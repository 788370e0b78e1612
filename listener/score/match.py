"""Calls and alerts, one to one.

An alert may answer a call when its middle lies within the call or no farther from it than the
tolerance (as in NIST's spoken term detection, 2006). Of all one-to-one pairings, the one with most
pairs is taken, and of those the one with the least total distance.
"""

from collections.abc import Sequence

import numpy as np
from numpy.typing import NDArray
from scipy.optimize import linear_sum_assignment

Times = tuple[float, float]
TOLERANCE_S = 0.5
"""An alert's middle may lie this far outside the call (NIST spoken term detection evaluation, 2006)."""


def distances_s(calls: Sequence[Times], alerts: Sequence[Times]) -> NDArray[np.float64]:
    """How far each alert's middle lies outside each call (0 inside), in seconds: shape (calls, alerts)."""
    starts, ends = np.array(calls, float).reshape(-1, 2).T
    middles = np.array(alerts, float).reshape(-1, 2).mean(axis=1)
    before = starts[:, None] - middles
    after = middles - ends[:, None]
    return np.maximum(np.maximum(before, after), 0.0)


def match(
    calls: Sequence[Times],
    alerts: Sequence[Times],
    tolerance_s: float,
    may: NDArray[np.bool_] | None = None,
) -> list[tuple[int, int]]:
    """Pairs (index of call, index of alert), in order of the calls.

    may: bool, shape (calls, alerts): pairs that are possible at all, for example of the same phrase.

    >>> match([(1.0, 3.0), (10.0, 12.0)], [(10.2, 12.4), (30.0, 32.0)], tolerance_s=0.5)
    [(1, 0)]
    """
    if not len(calls) or not len(alerts):
        return []
    far = distances_s(calls, alerts)
    allowed = far <= tolerance_s
    if may is not None:
        allowed &= may
    # One pair more always outweighs any distance: each pair costs less than -1 by far.
    worth = np.where(allowed, far / (tolerance_s + 1.0) - (min(far.shape) + 1.0), 0.0)
    pairs = zip(*linear_sum_assignment(worth))
    return sorted((int(i), int(j)) for i, j in pairs if allowed[i, j])

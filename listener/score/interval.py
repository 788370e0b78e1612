"""95 % intervals: no rate is told without one."""

from collections.abc import Sequence
from math import inf

import numpy as np
from scipy.stats import binom, binomtest, chi2

LEVEL = 0.95


def share_interval(k: int, n: int) -> tuple[float, float]:
    """Wilson score interval of k out of n (Wilson 1927). (0, 1) when nothing was tried.

    >>> "{:.5f} {:.5f}".format(*share_interval(0, 100))
    '0.00000 0.03699'
    """
    if n == 0:
        return 0.0, 1.0
    found = binomtest(k, n).proportion_ci(LEVEL, method="wilson")
    return float(found.low), float(found.high)


def per_hour_interval(count: int, hours: float) -> tuple[float, float]:
    """Exact Poisson interval of a rate per hour (Garwood 1936). (0, inf) when nothing was heard.

    >>> "{:.4f} {:.4f}".format(*per_hour_interval(0, hours=1.0))
    '0.0000 3.6889'
    """
    if hours <= 0:
        return 0.0, inf
    tail = (1 - LEVEL) / 2
    low = float(chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    return low / hours, float(chi2.ppf(1 - tail, 2 * (count + 1))) / 2 / hours


def median_interval(values: Sequence[float]) -> tuple[float, float] | None:
    """Interval of the median between two of the values in order (binomial, no assumption on their spread).

    None for fewer than six values: no two of them reach 95 %.
    """
    n = len(values)
    # The largest r with P(Binomial(n, 1/2) < r) <= tail: then [r-th smallest, r-th largest] holds it.
    r = int(np.searchsorted(binom.cdf(np.arange(n + 1), n, 0.5), (1 - LEVEL) / 2, side="right"))
    if n == 0 or r == 0:
        return None
    ordered = sorted(values)
    return float(ordered[r - 1]), float(ordered[n - r])

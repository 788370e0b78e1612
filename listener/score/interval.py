"""95 % intervals: no rate is told without one, and calls by few people count for what they are worth.

Calls by one speaker are alike, as are false alerts on one line of talk: n of them say less than n independent
ones. A `Worth` holds by how much (the design effect) and how well that is known (degrees of freedom).
"""

from collections.abc import Callable, Sequence
from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binom, chi2, norm
from scipy.stats import t as student

LEVEL = 0.95
Floats = NDArray[np.float64]
Variance = Callable[[Floats, float], float]  # of one observation, from all of a stratum and their mean
_Z = float(norm.ppf(0.5 + LEVEL / 2))


@dataclass(frozen=True, slots=True)
class Worth:
    """What clustered observations are worth. design_effect: n of them tell as much as n / design_effect
    independent ones, 1 or more; freedom: degrees of freedom of that estimate; clusters: how many there were.
    """

    design_effect: float = 1.0
    freedom: float = inf
    clusters: int = 0

    def effective(self, n: float) -> float:
        """How many independent observations n are worth; never above n."""
        return min(n / self.design_effect, n)

    @property
    def quantile(self) -> float:
        """Student's t at 97.5 % with these degrees of freedom."""
        return float(student.ppf(0.5 + LEVEL / 2, self.freedom)) if self.freedom < inf else _Z

    @property
    def shrink(self) -> float:
        """Design effect with the doubt about itself in it (Korn and Graubard 1998): divide n by this."""
        return self.design_effect * (self.quantile / _Z) ** 2


INDEPENDENT = Worth()


def share_worth(found: ArrayLike, cluster: ArrayLike, stratum: ArrayLike | None = None) -> Worth:
    """What calls (found: 0/1, one a call) of some speakers (cluster) are worth.

    stratum: conditions (SNRs) whose shares differ by themselves; one design effect is estimated over all of
    them, which is far steadier than one each. Variance between speakers by Korn and Graubard (Survey
    Methodology 24, 1998); see `_worth` for the degrees of freedom.
    """
    return _worth(np.asarray(found, float), cluster, stratum, lambda y, p: p * (1 - p))


def paired_worth(difference: ArrayLike, cluster: ArrayLike, stratum: ArrayLike | None = None) -> Worth:
    """The same for differences of two engines on the same calls (-1, 0, 1): by speaker, as Obuchowski (1998)."""
    y = np.asarray(difference, float)
    return _worth(y, cluster, stratum, lambda y, mean: float(np.mean(y**2)) - mean**2)


def rate_worth(counts: ArrayLike, exposure: ArrayLike) -> Worth:
    """What events are worth that come in bursts from single lines of talk: events and exposure of each line.

    Variance between lines of the ratio estimate, over the Poisson variance.
    """
    k, e = np.asarray(counts, float), np.asarray(exposure, float)
    m = k.size
    if m < 2 or not k.sum() or not e.sum():
        return Worth(clusters=m)
    between = m / (m - 1) * float(np.sum((k - k.sum() / e.sum() * e) ** 2))
    return Worth(max(1.0, between / float(k.sum())), m - 1, m)


def _worth(y: Floats, cluster: ArrayLike, stratum: ArrayLike | None, variance: Variance) -> Worth:
    """Design effect: variance between the clusters' totals over what independent observations would vary, both
    summed over the strata, at least 1.

    Degrees of freedom by Satterthwaite: of the variance, what is above 1 rests on the clusters alone (m - 1), the
    rest on clusters x strata. With m - 1 for all of it intervals of 4 and 8 speakers hold the truth 98 and 99 %.
    """
    names, who = np.unique(np.asarray(cluster), return_inverse=True)
    m = names.size
    if m < 2:  # nobody to compare: each call for itself, and the reader is told that it is one speaker
        return Worth(clusters=m)
    kinds = np.zeros(y.size, int) if stratum is None else np.unique(np.asarray(stratum), return_inverse=True)[1]
    between = alone = 0.0
    strata = int(kinds.max()) + 1
    for kind in range(strata):
        here = kinds == kind
        mean = float(y[here].mean())
        alone += here.sum() * max(variance(y[here], mean), 0.0)
        totals = np.bincount(who[here], y[here] - mean, minlength=m)
        present = np.unique(who[here]).size
        between += present / max(present - 1, 1) * float(np.sum(totals**2))
    effect = max(1.0, between / alone) if alone > 1e-12 else 1.0
    freedom = effect**2 / ((effect - 1) ** 2 / (m - 1) + 1 / (strata * (m - 1)))
    return Worth(effect, freedom, m)


def share_interval(k: float, n: float, worth: Worth = INDEPENDENT) -> tuple[float, float]:
    """Wilson score interval of k out of n (Wilson 1927), n for what it is worth. (0, 1) when nothing was tried.

    >>> "{:.5f} {:.5f}".format(*share_interval(0, 100))
    '0.00000 0.03699'
    """
    if n == 0:
        return 0.0, 1.0
    p, q = k / n, _Z**2 * worth.shrink / n
    middle, reach = (p + q / 2) / (1 + q), sqrt(p * (1 - p) * q + q * q / 4) / (1 + q)
    return (0.0 if k == 0 else max(0.0, middle - reach)), (1.0 if k == n else min(1.0, middle + reach))


def per_hour_interval(count: float, hours: float, worth: Worth = INDEPENDENT) -> tuple[float, float]:
    """Exact Poisson interval of a rate per hour (Garwood 1936), counts and hours for what they are worth.

    (0, inf) when nothing was heard.

    >>> "{:.4f} {:.4f}".format(*per_hour_interval(0, hours=1.0))
    '0.0000 3.6889'
    """
    if hours <= 0:
        return 0.0, inf
    tail = (1 - LEVEL) / 2
    count, hours = count / worth.shrink, hours / worth.shrink
    low = float(chi2.ppf(tail, 2 * count)) / 2 if count else 0.0
    return low / hours, float(chi2.ppf(1 - tail, 2 * (count + 1))) / 2 / hours


def difference_interval(one: Sequence[float], other: Sequence[float]) -> tuple[float, float] | None:
    """Interval of mean(one) - mean(other) for values that spread differently (Welch 1947, Student's t).

    None with fewer than two values of a kind, or where they do not spread at all.
    """
    a, b = np.asarray(one, float), np.asarray(other, float)
    if min(a.size, b.size) < 2:
        return None
    va, vb = float(a.var(ddof=1)) / a.size, float(b.var(ddof=1)) / b.size
    if va + vb == 0:
        return None
    freedom = (va + vb) ** 2 / (va**2 / (a.size - 1) + vb**2 / (b.size - 1))
    reach = float(student.ppf(0.5 + LEVEL / 2, freedom)) * sqrt(va + vb)
    middle = float(a.mean() - b.mean())
    return middle - reach, middle + reach


def holm(p: Sequence[float]) -> list[float]:
    """p-values of several questions asked at once, adjusted (Holm 1979), in the order given.

    >>> holm([0.01, 0.04, 0.03])
    [0.03, 0.06, 0.06]
    """
    order = np.argsort(p, kind="stable")
    adjusted = np.minimum(1.0, np.maximum.accumulate(np.asarray(p, float)[order] * (len(p) - np.arange(len(p)))))
    out = np.empty(len(p))
    out[order] = adjusted
    return [float(v) for v in out]


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

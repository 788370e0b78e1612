"""What the trials say: detection measures, each a short function of plain arrays.

In the order conventions, curves, values, calibration, comparison. Intervals are 95 % and come from
listener.score.interval (Wilson for shares, exact Poisson for rates, each with what its observations are worth).
"""

from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binomtest, norm
from scipy.stats import t as student

from listener.score.interval import INDEPENDENT, Worth, paired_worth, per_hour_interval, share_interval, share_worth

Floats = NDArray[np.float64]
BETA = 999.9  # NIST STD 2006: (C/V) * (1/Ptarg - 1), C/V = 0.1, Ptarg = 1e-4


@dataclass(frozen=True, slots=True)
class Share:
    """k of n, with its Wilson interval; worth: what the n are worth where they come from few speakers."""

    k: int
    n: int
    worth: Worth = INDEPENDENT

    @property
    def value(self) -> float:
        """k / n; not a number without trials."""
        return self.k / self.n if self.n else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        """95 % Wilson interval, (low, high) in 0..1."""
        return share_interval(self.k, self.n, self.worth)


@dataclass(frozen=True, slots=True)
class Rate:
    """count in hours, with its exact Poisson interval; worth: what the count is worth where lines repeat it."""

    count: int
    hours: float
    worth: Worth = INDEPENDENT

    @property
    def value(self) -> float:
        """Events an hour; not a number without hours."""
        return self.count / self.hours if self.hours else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % Poisson interval, (low, high) an hour."""
        return per_hour_interval(self.count, self.hours, self.worth)


# --- detection error trade-off ---------------------------------------------------------------------


@dataclass(frozen=True, slots=True, eq=False)
class Det:
    """Miss probability and false alarms at every level that makes a difference, from strict to lax.

    levels: descending, the first inf; p_miss, false_alarms (counts), p_fa: same shape.
    """

    levels: Floats
    p_miss: Floats
    false_alarms: Floats
    p_fa: Floats


def det(target_scores: ArrayLike, false_scores: ArrayLike, non_targets: float) -> Det:
    """The trade-off when a score at or above the level counts as heard.

    target_scores: one a call, -inf where nothing was heard; false_scores: one a false candidate;
    non_targets: how many false alarms there could be (NIST: one a second of sound, less the calls).
    Raises ValueError without calls or without non-targets.
    """
    targets, others = np.sort(np.asarray(target_scores, float)), np.sort(np.asarray(false_scores, float))
    if not targets.size or non_targets <= 0:
        raise ValueError("a trade-off needs calls and sound without calls")
    seen = np.concatenate([targets, others])
    levels = np.concatenate([[inf], np.unique(seen[np.isfinite(seen)])[::-1]])
    misses = np.searchsorted(targets, levels, side="left")
    alarms = others.size - np.searchsorted(others, levels, side="left")
    return Det(levels, misses / targets.size, alarms.astype(float), alarms / non_targets)


def equal_error(curve: Det) -> float:
    """Where miss and false-alarm probability are equal, interpolated; nan when the curve ends before."""
    gap = curve.p_fa - curve.p_miss
    after = int(np.argmax(gap >= 0))
    if gap[after] < 0:
        return float("nan")
    if after == 0 or gap[after] == 0:
        return float(curve.p_miss[after])
    share = -gap[after - 1] / (gap[after] - gap[after - 1])
    return float(curve.p_miss[after - 1] + share * (curve.p_miss[after] - curve.p_miss[after - 1]))


def normal_deviate(p: ArrayLike) -> Floats:
    """The axis of a DET plot (Martin et al., Eurospeech 1997): 1 % is -2.326, 50 % is 0."""
    return norm.ppf(np.asarray(p, float))


def twv(p_miss: ArrayLike, p_fa: ArrayLike, beta: float = BETA) -> Floats:
    """NIST term-weighted value: 1 - Pmiss - beta * Pfa. 1 is perfect, 0 is a system that says nothing."""
    return 1.0 - np.asarray(p_miss, float) - beta * np.asarray(p_fa, float)


def max_twv(curve: Det) -> tuple[float, float]:
    """The best term-weighted value on the curve, and its level."""
    values = twv(curve.p_miss, curve.p_fa)
    best = int(np.argmax(values))
    return float(values[best]), float(curve.levels[best])


def miss_at(curve: Det, hours: float, per_hour: float) -> float:
    """The least miss probability with at most so many false alarms an hour."""
    allowed = curve.false_alarms <= per_hour * hours
    return float(curve.p_miss[allowed].min())


# --- calibration -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Bin:
    """Alerts and candidates of about one confidence: how many, the mean confidence, how many were right."""

    low: float
    high: float
    mean: float
    right: Share


def reliability(confidence: ArrayLike, right: ArrayLike, cluster: ArrayLike | None = None, bins: int = 10) -> list[Bin]:
    """Equal bins of confidence, 0..1, empty ones left out. The last one holds 1. cluster: whose call or which line."""
    p, y = np.asarray(confidence, float), np.asarray(right, bool)
    which = np.minimum((p * bins).astype(int), bins - 1)
    worth = INDEPENDENT if cluster is None or not p.size else share_worth(y, cluster, which)
    return [
        Bin(
            b / bins,
            (b + 1) / bins,
            float(p[which == b].mean()),
            Share(int(y[which == b].sum()), int((which == b).sum()), worth),
        )
        for b in np.unique(which)
    ]


def expected_calibration_error(bins: list[Bin]) -> float:
    """Mean distance of confidence from the share that was right, weighted by the bins' sizes."""
    total = sum(b.right.n for b in bins)
    return sum(b.right.n * abs(b.right.value - b.mean) for b in bins) / total if total else float("nan")


def brier(confidence: ArrayLike, right: ArrayLike) -> float:
    """Mean squared distance of confidence from the outcome (Brier 1950)."""
    p, y = np.asarray(confidence, float), np.asarray(right, float)
    return float(np.mean((p - y) ** 2)) if p.size else float("nan")


# --- two results -----------------------------------------------------------------------------------


@dataclass(frozen=True, slots=True)
class Paired:
    """The same calls heard twice. only_a, only_b: found by one alone; p: exact McNemar, two-sided, or its like by
    speaker if that is more; worth: what the calls are worth to their difference.
    """

    both: int
    only_a: int
    only_b: int
    neither: int
    p: float
    worth: Worth = INDEPENDENT

    @property
    def n(self) -> int:
        """Calls that both have heard, found or not."""
        return self.both + self.only_a + self.only_b + self.neither

    @property
    def difference(self) -> float:
        """Share found by B less share found by A."""
        return (self.only_b - self.only_a) / self.n if self.n else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        """Of the difference: Newcombe's score interval for paired shares (1998, method 10)."""
        return paired_interval(self.both, self.only_b, self.only_a, self.neither, self.worth)


def mcnemar(
    found_a: ArrayLike, found_b: ArrayLike, speaker: ArrayLike | None = None, stratum: ArrayLike | None = None,
    worth: Worth | None = None,
) -> Paired:  # fmt: skip
    """Compare two engines on the same calls (McNemar 1947, exact binomial), by speaker where speakers are given.

    worth: what the calls are worth, where that is known from more calls than these. By speaker the test is
    (only_b - only_a) over its spread between speakers, against Student's t (Obuchowski 1998; Durkalski 2003).
    """
    a, b = np.asarray(found_a, bool), np.asarray(found_b, bool)
    only_a, only_b = int((a & ~b).sum()), int((~a & b).sum())
    p = float(binomtest(only_a, only_a + only_b).pvalue) if only_a + only_b else 1.0
    if worth is None:
        worth = INDEPENDENT if speaker is None else paired_worth(b.astype(float) - a, speaker, stratum)
    if worth.clusters > 1 and only_a + only_b:
        t = abs(only_b - only_a) / sqrt(worth.design_effect * (only_a + only_b))
        p = max(p, 2 * float(student.sf(t, worth.freedom)))
    return Paired(int((a & b).sum()), only_a, only_b, int((~a & ~b).sum()), p, worth)


def paired_interval(
    both: float, only_first: float, only_second: float, neither: float, worth: Worth = INDEPENDENT
) -> tuple[float, float]:
    """95 % interval of share(first) - share(second) on the same trials (Newcombe 1998, method 10)."""
    both, only_first, only_second, neither = (v / worth.shrink for v in (both, only_first, only_second, neither))
    n = both + only_first + only_second + neither
    if not n:
        return -1.0, 1.0
    k_1, k_2 = both + only_first, both + only_second
    product = k_1 * (n - k_1) * k_2 * (n - k_2)
    phi = 0.0
    if product > 0:
        above = both * neither - only_first * only_second
        above = max(above - n / 2, 0.0) if above > 0 else above
        phi = above / sqrt(product)
    (low_1, high_1), (low_2, high_2) = share_interval(k_1, n), share_interval(k_2, n)
    share_1, share_2 = k_1 / n, k_2 / n
    down_1, up_1, down_2, up_2 = share_1 - low_1, high_1 - share_1, share_2 - low_2, high_2 - share_2
    d = share_1 - share_2
    below = sqrt(max(0.0, down_1**2 - 2 * phi * down_1 * up_2 + up_2**2))
    over = sqrt(max(0.0, up_1**2 - 2 * phi * up_1 * down_2 + down_2**2))
    return max(-1.0, d - below), min(1.0, d + over)


def difference_interval(first: Share | Rate, second: Share | Rate) -> tuple[float, float]:
    """95 % interval of first - second, two samples, from both's own intervals (Newcombe 1998 method 10; MOVER for rates)."""
    (low_1, high_1), (low_2, high_2) = first.interval, second.interval
    d = first.value - second.value
    return d - sqrt((first.value - low_1) ** 2 + (high_2 - second.value) ** 2), d + sqrt(
        (high_1 - first.value) ** 2 + (second.value - low_2) ** 2
    )

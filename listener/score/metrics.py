"""What the trials say: detection measures, each a short function of plain arrays.

In the order conventions, curves, values, calibration, comparison. Intervals are 95 % and come from
listener.score.interval (Wilson for shares, exact Poisson for rates).
"""

from dataclasses import dataclass
from math import inf, sqrt

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import binomtest, norm

from listener.score.interval import per_hour_interval, share_interval

Floats = NDArray[np.float64]
BETA = 999.9  # NIST STD 2006: (C/V) * (1/Ptarg - 1), C/V = 0.1, Ptarg = 1e-4


@dataclass(frozen=True, slots=True)
class Share:
    """k of n, with its Wilson interval."""

    k: int
    n: int

    @property
    def value(self) -> float:
        """k / n; not a number without trials."""
        return self.k / self.n if self.n else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        """95 % Wilson interval, (low, high) in 0..1."""
        return share_interval(self.k, self.n)


@dataclass(frozen=True, slots=True)
class Rate:
    """count in hours, with its exact Poisson interval."""

    count: int
    hours: float

    @property
    def value(self) -> float:
        """Events an hour; not a number without hours."""
        return self.count / self.hours if self.hours else float("nan")

    @property
    def interval(self) -> tuple[float, float]:
        """Exact 95 % Poisson interval, (low, high) an hour."""
        return per_hour_interval(self.count, self.hours)


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


def reliability(confidence: ArrayLike, right: ArrayLike, bins: int = 10) -> list[Bin]:
    """Equal bins of confidence, 0..1, empty ones left out. The last one holds 1."""
    p, y = np.asarray(confidence, float), np.asarray(right, bool)
    which = np.minimum((p * bins).astype(int), bins - 1)
    return [
        Bin(
            b / bins,
            (b + 1) / bins,
            float(p[which == b].mean()),
            Share(int(y[which == b].sum()), int((which == b).sum())),
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
    """The same calls heard twice. only_a, only_b: found by one alone; p: exact McNemar, two-sided."""

    both: int
    only_a: int
    only_b: int
    neither: int
    p: float

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
        return paired_interval(self.both, self.only_b, self.only_a, self.neither)


def mcnemar(found_a: ArrayLike, found_b: ArrayLike) -> Paired:
    """Compare two engines on the same calls (McNemar 1947, exact binomial)."""
    a, b = np.asarray(found_a, bool), np.asarray(found_b, bool)
    only_a, only_b = int((a & ~b).sum()), int((~a & b).sum())
    p = binomtest(only_a, only_a + only_b).pvalue if only_a + only_b else 1.0
    return Paired(int((a & b).sum()), only_a, only_b, int((~a & ~b).sum()), float(p))


def paired_interval(both: int, only_first: int, only_second: int, neither: int) -> tuple[float, float]:
    """95 % interval of share(first) - share(second) on the same trials (Newcombe 1998, method 10)."""
    n = both + only_first + only_second + neither
    if not n:
        return -1.0, 1.0
    first, second = Share(both + only_first, n), Share(both + only_second, n)
    product = first.k * (n - first.k) * second.k * (n - second.k)
    phi = 0.0
    if product:
        above: float = both * neither - only_first * only_second
        above = max(above - n / 2, 0.0) if above > 0 else above
        phi = above / sqrt(product)
    (low_1, high_1), (low_2, high_2) = first.interval, second.interval
    down_1, up_1, down_2, up_2 = first.value - low_1, high_1 - first.value, second.value - low_2, high_2 - second.value
    d = first.value - second.value
    below = sqrt(max(0.0, down_1**2 - 2 * phi * down_1 * up_2 + up_2**2))
    over = sqrt(max(0.0, up_1**2 - 2 * phi * up_1 * down_2 + down_2**2))
    return max(-1.0, d - below), min(1.0, d + over)


def difference_interval(first: Share | Rate, second: Share | Rate) -> tuple[float, float]:
    """95 % interval of first - second from both's own intervals (Newcombe 1998 method 10; MOVER for rates)."""
    (low_1, high_1), (low_2, high_2) = first.interval, second.interval
    d = first.value - second.value
    return d - sqrt((first.value - low_1) ** 2 + (high_2 - second.value) ** 2), d + sqrt(
        (high_1 - first.value) ** 2 + (second.value - low_2) ** 2
    )

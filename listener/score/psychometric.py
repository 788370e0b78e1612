"""The psychometric curve: share of calls found against SNR, and what it says in two numbers.

SRT: the SNR at which half of the calls are found. Slope: how fast the share rises there, per dB.
found(x) = (1 - lapse) / (1 + exp(-(x - middle) / spread)); lapse is the share missed however clear.
"""

from dataclasses import dataclass

import numpy as np
from numpy.typing import ArrayLike, NDArray
from scipy.stats import chi2
from scipy.stats import t as student

Floats = NDArray[np.float64]
LAPSES = np.concatenate([np.arange(0.0, 0.05, 0.005), np.arange(0.05, 0.46, 0.025)])
STEPS = 40
SPREADS_DB = (0.05, 50.0)


@dataclass(frozen=True, slots=True)
class Curve:
    """A fitted curve."""

    middle_db: float
    spread_db: float
    lapse: float

    def found(self, snr_db: ArrayLike) -> Floats:
        """Share found at these SNRs."""
        return (1 - self.lapse) * _logistic((np.asarray(snr_db, float) - self.middle_db) / self.spread_db)

    @property
    def srt_db(self) -> float:
        """SNR at which half are found; inf when that is never."""
        share = 0.5 / (1 - self.lapse)
        return self.middle_db + self.spread_db * float(np.log(share / (1 - share))) if share < 1 else float("inf")

    @property
    def slope_per_db(self) -> float:
        """Rise of the share found at the SRT, per dB."""
        share = 0.5 / (1 - self.lapse)
        return (1 - self.lapse) * share * (1 - share) / self.spread_db


@dataclass(frozen=True, slots=True)
class Fit:
    """A curve with 95 % intervals from resampled speakers. None where the calls do not settle it.

    speakers: how many were resampled (1: single trials were resampled instead).
    """

    curve: Curve
    srt_db: tuple[float, float] | None
    slope_per_db: tuple[float, float] | None
    speakers: int


def fit(
    snr_db: ArrayLike, found: ArrayLike, speaker: ArrayLike, resamples: int, rng: np.random.Generator
) -> Fit | None:
    """Maximum-likelihood curve and its intervals; one value a trial in each array.

    The interval is estimate +- Student's t times the bootstrap's spread, resampling whole speakers
    (their calls are alike) with n/(n-1) for their number: with few speakers percentiles are too narrow.
    None when the share found never crosses one half or is the same at all SNRs.
    """
    levels, at = np.unique(np.asarray(snr_db, float), return_inverse=True)
    hits = np.asarray(found, float)
    names, who = np.unique(np.asarray(speaker), return_inverse=True)
    if names.size < 2:  # nobody to resample: the trials themselves
        names, who = np.arange(hits.size), np.arange(hits.size)
    k, n = (np.zeros((names.size, levels.size)) for _ in range(2))
    np.add.at(k, (who, at), hits)
    np.add.at(n, (who, at), 1.0)
    share = k.sum(0) / n.sum(0)
    if levels.size < 2 or not share.min() < 0.5 < share.max():
        return None
    one = _curves(levels, k.sum(0)[None], n.sum(0)[None])
    best = Curve(*(float(v[0]) for v in one))
    weights = rng.multinomial(names.size, np.full(names.size, 1 / names.size), resamples).astype(float)
    curves = [Curve(*map(float, c)) for c in zip(*_curves(levels, weights @ k, weights @ n))]
    widen = np.sqrt(names.size / (names.size - 1)) * student.ppf(0.975, names.size - 1)
    speakers = names.size if np.unique(np.asarray(speaker)).size > 1 else 1
    srt = _interval(best.srt_db, np.array([c.srt_db for c in curves]), widen, levels)
    # A slope cannot be negative and its spread is in proportion: so on a log scale.
    slope = _interval(np.log(best.slope_per_db), np.log([c.slope_per_db for c in curves]), widen)
    return Fit(best, srt, (float(np.exp(slope[0])), float(np.exp(slope[1]))) if slope else None, speakers)


def misfit(curve: Curve, snr_db: ArrayLike, found: ArrayLike, design_effect: float = 1.0) -> tuple[float, int, float] | None:
    """Pearson's chi-square of the shares against the curve, its degrees of freedom (SNRs less 3) and p.

    design_effect: of calls by few speakers; chi-square is divided by it (Rao and Scott 1981). A small p: the curve
    has another shape than the shares. None with three SNRs or fewer.
    """
    levels, at = np.unique(np.asarray(snr_db, float), return_inverse=True)
    if levels.size < 4:
        return None
    n = np.bincount(at).astype(float)
    k = np.bincount(at, np.asarray(found, float))
    expected = np.clip(curve.found(levels), 1e-3, 1 - 1e-3)  # beyond that one call decides all
    value = float(np.sum((k - n * expected) ** 2 / (n * expected * (1 - expected)))) / design_effect
    freedom = int(levels.size) - 3
    return value, freedom, float(chi2.sf(value, freedom))


def _interval(
    best: float, resampled: Floats, widen: float, levels: Floats | None = None
) -> tuple[float, float] | None:
    """best +- widen * spread; None when one resample in twenty does not settle the value."""
    good = np.isfinite(resampled)
    if levels is not None:
        reach = levels[-1] - levels[0]
        good &= (resampled > levels[0] - reach) & (resampled < levels[-1] + reach)
    if good.mean() < 0.95 or not np.isfinite(best):
        return None
    reach = widen * float(np.std(resampled[good], ddof=1))
    return best - reach, best + reach


def _curves(levels: Floats, k: Floats, n: Floats) -> tuple[Floats, Floats, Floats]:
    """Most likely (middle, spread, lapse) for each row of counts, shape (rows, levels), all rows at once."""
    best = np.full(k.shape[0], -np.inf)
    out = np.zeros((3, k.shape[0]))
    # A weak prior (a quarter of a call found, one missed or found in all) keeps separable rows finite.
    k, n = k + 0.25 / levels.size, n + 0.5 / levels.size
    centre, scale = float(levels.mean()), max(float(levels.std()), 1e-9)
    line = np.zeros(k.shape[0]), np.ones(k.shape[0])
    for lapse in LAPSES:
        a, b = line = _line(line, (levels - centre) / scale, k, n, 1 - lapse, scale)
        middle, spread = centre - scale * a / b, scale / b
        q = _share((levels - centre) / scale, a, b, 1 - lapse)
        likelihood = (k * np.log(q) + (n - k) * np.log(1 - q)).sum(1)
        better = likelihood > best + 1e-9
        best[better] = likelihood[better]
        out[:, better] = np.stack([middle, spread, np.full_like(middle, lapse)])[:, better]
    return out[0], out[1], out[2]


def _line(
    start: tuple[Floats, Floats], x: Floats, k: Floats, n: Floats, top: float, scale: float
) -> tuple[Floats, Floats]:
    """Fisher scoring of (a, b) in found = top * logistic(a + b x), all rows at once, from `start`."""
    a, b = start
    low, high = scale / SPREADS_DB[1], scale / SPREADS_DB[0]
    for _ in range(STEPS):
        q = _share(x, a, b, top)
        rise = q * (1 - q / top)
        pull = (k - n * q) / (q * (1 - q)) * rise
        weight = n * rise**2 / (q * (1 - q)) + 1e-9
        g0, g1 = pull.sum(1), pull @ x
        h00, h01, h11 = weight.sum(1), weight @ x, weight @ (x * x)
        det = np.maximum(h00 * h11 - h01**2, 1e-9)
        step_a = np.clip((h11 * g0 - h01 * g1) / det, -2, 2)
        step_b = np.clip((h00 * g1 - h01 * g0) / det, -2, 2)
        a, b = np.clip(a + step_a, -200, 200), np.clip(b + step_b, low, high)
        if max(np.abs(step_a).max(), np.abs(step_b).max()) < 1e-4:
            break
    return a, b


def _share(x: Floats, a: Floats, b: Floats, top: float) -> Floats:
    return np.clip(top * _logistic(a[:, None] + b[:, None] * x), 1e-9, top * (1 - 1e-9))


def _logistic(x: Floats) -> Floats:
    return 0.5 * (1 + np.tanh(0.5 * x))

"""The psychometric fit recovers simulated listeners whose curves are known: 95 % of its intervals hold them.

Their numbers are those of people in matrix-sentence tests: -9.5 dB, 13.8 %/dB (Wagener et al.), digits in
noise up to 20 %/dB.
"""

import numpy as np
import pytest
from scipy.stats import binom

from listener.score.psychometric import Curve, fit

LEVELS = np.arange(-18.0, 1.0, 3.0)
STUDIES = 80


def study(curve: Curve, speakers: int, calls: int, spread_db: float, rng: np.random.Generator):
    """Each speaker's curve is moved by a normal amount; `calls` at each level."""
    moved = rng.normal(0.0, spread_db, speakers)
    speaker, snr = (a.ravel() for a in np.meshgrid(np.arange(speakers), np.repeat(LEVELS, calls), indexing="ij"))
    return snr, rng.random(snr.size) < curve.found(snr - moved[speaker]), speaker


@pytest.mark.parametrize("slope, speakers, calls, spread_db, lapse", [(0.138, 8, 4, 0.0, 0.0), (0.2, 24, 2, 1.0, 0.03)])
def test_srt_lies_in_its_interval_95_times_in_100(slope, speakers, calls, spread_db, lapse):
    true = Curve(middle_db=-9.5, spread_db=(1 - lapse) / 4 / slope, lapse=lapse)
    within = 0
    for seed in range(STUDIES):
        rng = np.random.default_rng(seed)
        found = fit(*study(true, speakers, calls, spread_db, rng), resamples=100, rng=rng)
        assert found is not None and found.srt_db is not None
        within += found.srt_db[0] <= true.srt_db <= found.srt_db[1]
    # 95 of 100, give or take what chance does to a hundred studies (once in a thousand outside)
    assert binom.ppf(0.0005, STUDIES, 0.95) <= within <= STUDIES


def test_slope_lies_in_its_interval_when_speakers_are_alike():
    true = Curve(middle_db=-9.5, spread_db=0.25 / 0.138, lapse=0.0)
    within = 0
    for seed in range(STUDIES):
        rng = np.random.default_rng(1000 + seed)
        found = fit(*study(true, 12, 4, 0.0, rng), resamples=100, rng=rng)
        assert found is not None and found.slope_per_db is not None
        within += found.slope_per_db[0] <= true.slope_per_db <= found.slope_per_db[1]
    assert binom.ppf(0.0005, STUDIES, 0.95) <= within


def test_much_data_leaves_little_doubt():
    true = Curve(middle_db=-9.5, spread_db=0.25 / 0.138, lapse=0.02)
    rng = np.random.default_rng(7)
    found = fit(*study(true, 40, 40, 0.0, rng), resamples=100, rng=rng)
    assert found is not None
    assert found.curve.srt_db == pytest.approx(true.srt_db, abs=0.15)
    assert found.curve.slope_per_db == pytest.approx(true.slope_per_db, rel=0.06)


@pytest.mark.parametrize("lapse", [0.0, 0.1, 0.4])
def test_the_slope_is_the_curve_s_own_rise_at_the_srt(lapse):
    """By differences, and without lapse a quarter over the spread (the logistic's derivative)."""
    curve = Curve(middle_db=-9.0, spread_db=1.8, lapse=lapse)
    rise = (curve.found(curve.srt_db + 1e-4) - curve.found(curve.srt_db - 1e-4)) / 2e-4
    assert curve.slope_per_db == pytest.approx(float(rise), rel=1e-6)
    assert lapse or curve.slope_per_db == pytest.approx(0.25 / 1.8)

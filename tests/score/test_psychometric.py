"""The psychometric curve at its edges (that it recovers known listeners: tests/outside)."""

import numpy as np
import pytest

from listener.score.psychometric import Curve, fit

LEVELS = np.array([-12.0, -9, -6, -3, 0, 3])


def test_srt_is_where_half_are_found_and_slope_the_rise_there():
    curve = Curve(middle_db=-5.0, spread_db=2.0, lapse=0.1)
    assert curve.found(curve.srt_db) == pytest.approx(0.5)
    rise = (curve.found(curve.srt_db + 1e-4) - curve.found(curve.srt_db - 1e-4)) / 2e-4
    assert curve.slope_per_db == pytest.approx(float(rise), rel=1e-6)


def test_who_misses_half_however_clear_has_no_srt():
    assert Curve(-5.0, 2.0, 0.5).srt_db == np.inf


@pytest.mark.parametrize("found", [np.zeros(60), np.ones(60)])
def test_no_curve_where_all_or_none_are_found(found):
    snr = np.repeat(LEVELS, 10)
    assert fit(snr, found, np.zeros(60), 100, np.random.default_rng(0)) is None


def test_a_clean_step_stays_finite():
    snr = np.repeat(LEVELS, 10)
    fitted = fit(snr, snr > -5, np.arange(60) % 6, 200, np.random.default_rng(0))
    assert fitted is not None and -6 < fitted.curve.srt_db < -3 and np.isfinite(fitted.curve.slope_per_db)


def test_one_speaker_is_said_to_be_one():
    rng = np.random.default_rng(1)
    snr = np.repeat(LEVELS, 30)
    fitted = fit(snr, rng.random(snr.size) < Curve(-5, 2, 0).found(snr), np.full(snr.size, "ann"), 200, rng)
    assert fitted is not None and fitted.speakers == 1 and fitted.srt_db is not None

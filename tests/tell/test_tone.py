"""The tone: two parts, between 500 and 2500 Hz, at the level that was set, without clicks."""

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st
from pydantic import ValidationError

from listener.settings.watch import ToneSettings
from listener.tell.tone import PART_S, alert_tone

RATE_HZ = 48_000


def parts(tone: np.ndarray) -> list[np.ndarray]:
    n = round(PART_S * RATE_HZ)
    return [tone[:n], tone[n : 2 * n]]


def strongest_hz(sound: np.ndarray) -> float:
    spectrum = np.abs(np.fft.rfft(sound * np.hanning(len(sound)), 8 * len(sound)))
    return float(np.argmax(spectrum) * RATE_HZ / (8 * len(sound)))


@given(
    high=st.floats(500, 2500), low=st.floats(500, 2500), level_db=st.floats(-40, 0),
)  # fmt: skip
def test_each_part_has_its_pitch_and_the_level_that_was_set(high, low, level_db):
    tone = alert_tone(ToneSettings(high_hz=high, low_hz=low, level_db=level_db), RATE_HZ)
    assert len(tone) == RATE_HZ and tone.dtype == np.float32
    for part, hz in zip(parts(tone), (high, low), strict=True):
        assert strongest_hz(part) == pytest.approx(hz, abs=2.0)
        assert 20 * np.log10(np.abs(part).max()) == pytest.approx(level_db, abs=0.2)


def test_the_two_parts_differ_and_a_pause_follows():
    settings = ToneSettings()
    assert settings.high_hz - settings.low_hz > 300
    tone = alert_tone(settings, RATE_HZ)
    assert not tone[RATE_HZ // 2 :].any()


def test_it_begins_and_ends_without_a_click():
    tone = np.tile(alert_tone(ToneSettings(level_db=0), RATE_HZ), 2)
    assert np.abs(np.diff(tone)).max() < 2 * np.pi * 1_760 / RATE_HZ * 1.05, "no step is steeper than the sine itself"
    assert abs(tone[0]) < 1e-6


@pytest.mark.parametrize("wrong", [{"high_hz": 3000}, {"low_hz": 400}, {"level_db": 3}, {"for_s": 0}])
def test_a_tone_that_ears_or_loudspeakers_would_not_bear_is_refused(wrong):
    with pytest.raises(ValidationError):
        ToneSettings.model_validate(wrong)

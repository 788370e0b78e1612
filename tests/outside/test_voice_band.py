"""The radio voice band: 300-3400 Hz (aeronautical and telephone practice; clause not verified)."""

import numpy as np
import pytest
from scipy.signal import butter, sosfreqz

from listener.radio.band import VOICE_BAND_HZ, band_pass

RATE = 16000


def gain_db(freq_hz: float) -> float:
    x = np.sin(2 * np.pi * freq_hz * np.arange(2 * RATE) / RATE)
    y = band_pass(x, RATE, *VOICE_BAND_HZ)
    return float(20 * np.log10(np.std(y[RATE:]) / np.std(x[RATE:])))


def test_edges_are_three_db_down():
    assert VOICE_BAND_HZ == (300.0, 3400.0)
    assert gain_db(300.0) == pytest.approx(-3.01, abs=0.05)
    assert gain_db(3400.0) == pytest.approx(-3.01, abs=0.05)


def test_the_middle_passes_and_an_octave_out_falls_24_db():
    """Butterworth of order 4: 10 log10(1 + 2**8) = 24.1 dB an octave beyond the edge (more above: bilinear)."""
    assert gain_db(1000.0) == pytest.approx(0.0, abs=0.05)
    assert gain_db(150.0) == pytest.approx(-24.1, abs=0.2)
    assert gain_db(6800.0) < -24.1


@pytest.mark.parametrize("freq_hz", [200.0, 500.0, 2500.0, 5000.0])
def test_gain_equals_scipys_transfer_function(freq_hz):
    total = 0.0
    for kind, edge in (("highpass", 300.0), ("lowpass", 3400.0)):
        _, h = sosfreqz(butter(4, edge, kind, fs=RATE, output="sos"), [freq_hz], fs=RATE)
        total += 20 * np.log10(abs(h[0]))
    assert gain_db(freq_hz) == pytest.approx(total, abs=0.05)

"""SII and STI of real stems: what must rise, fall and stay within 0 to 1."""

import itertools

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.radio import band_pass, mix
from listener.study.intelligibility import modulation_transfer, sii_of, sti, sti_of

RATE_HZ = 16_000
RNG = np.random.default_rng(3)
SPEECH = band_pass(RNG.standard_normal(3 * RATE_HZ).astype(np.float32) * 0.05, RATE_HZ, 200, 5000, 1)
NOISE = RNG.standard_normal(3 * RATE_HZ).astype(np.float32)


@pytest.mark.parametrize("measure", [sii_of, sti_of])
def test_more_noise_is_never_understood_better(measure):
    values = [measure(m.speech, m.noise, RATE_HZ) for m in (mix(SPEECH, NOISE, RATE_HZ, s) for s in range(-20, 31, 5))]
    assert all(0 <= v <= 1 for v in values) and all(a < b for a, b in itertools.pairwise(values) if b > 0.01)


@pytest.mark.parametrize("measure", [sii_of, sti_of])
def test_the_radio_band_costs_something_even_without_noise(measure):
    narrow = band_pass(SPEECH, RATE_HZ, 300, 3400)
    assert 0.5 < measure(narrow, 0 * NOISE, RATE_HZ) < measure(SPEECH, 0 * NOISE, RATE_HZ)


@given(st.floats(0.05, 5.0), st.floats(-10, 20))
def test_a_livelier_room_never_helps(rt60_s, direct_db):
    dry = sti(modulation_transfer(10.0))
    assert sti(modulation_transfer(10.0, rt60_s, direct_db)) <= dry + 1e-9
    assert (
        sti(modulation_transfer(10.0, 2 * rt60_s, direct_db))
        <= sti(modulation_transfer(10.0, rt60_s, direct_db)) + 1e-9
    )

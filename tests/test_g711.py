"""G.711 round trips: nearest step, monotone, symmetric."""

import numpy as np
import pytest

from listener.g711 import decode, encode, through

EVERY_SAMPLE = np.arange(-32768, 32768).astype(np.int16)
both_laws = pytest.mark.parametrize("law", ["mu", "a"])


@both_laws
def test_decoded_values_code_to_themselves(law):
    values = decode(np.arange(256), law)
    np.testing.assert_array_equal(decode(encode(values, law), law), values)


@both_laws
def test_louder_in_is_never_softer_out(law):
    assert (np.diff(decode(encode(EVERY_SAMPLE, law), law).astype(int)) >= 0).all()


@both_laws
def test_error_stays_within_half_a_step_of_the_segment(law):
    """Steps are 1/16 to 1/32 of the (mu-law: biased by 132) magnitude, 16 at the least."""
    x = EVERY_SAMPLE.astype(int)
    error = np.abs(decode(encode(EVERY_SAMPLE, law), law).astype(int) - x)
    inside = np.abs(x) <= 32000
    assert (error[inside] <= np.maximum((np.abs(x[inside]) + 132) / 32 + 1, 8)).all()


@both_laws
def test_float_in_float_out_and_clipped_at_full_scale(law):
    y = through(np.array([0.0, 0.5, -0.5, 3.0, -3.0]), law)
    assert y.dtype == np.float32
    np.testing.assert_allclose(y, [0.0, 0.5, -0.5, 0.98, -0.98], atol=0.02)

"""G.711 against published values and against an independent implementation (libsndfile)."""

import io

import numpy as np
import pytest
import soundfile

from listener.g711 import decode, encode

CODES = np.arange(256, dtype=np.uint8)


def test_extreme_codes():
    """ITU-T G.711 tables 1a-2b, on the 16-bit scale."""
    assert decode(np.array([0x00, 0x80, 0x7F, 0xFF]), "mu").tolist() == [-32124, 32124, 0, 0]
    assert decode(np.array([0x2A, 0xAA, 0x55, 0xD5]), "a").tolist() == [-32256, 32256, -8, 8]


@pytest.mark.parametrize(("law", "total", "distinct"), [("mu", 1_532_928, 255), ("a", 1_564_672, 256)])
def test_sum_and_count_of_all_codes(law, total, distinct):
    """Computed from the ITU-T G.711 tables: sum of magnitudes over all 256 codes, number of different values."""
    values = decode(CODES, law).astype(int)
    assert np.abs(values).sum() == total
    assert np.unique(values).size == distinct


@pytest.mark.parametrize(("law", "subtype"), [("mu", "ULAW"), ("a", "ALAW")])
def test_decoding_equals_libsndfile(law, subtype):
    linear, _ = soundfile.read(
        io.BytesIO(CODES.tobytes()), channels=1, samplerate=8000, format="RAW", subtype=subtype, dtype="int16"
    )
    np.testing.assert_array_equal(decode(CODES, law), linear)


@pytest.mark.parametrize(("law", "subtype"), [("mu", "ULAW"), ("a", "ALAW")])
def test_encoding_equals_libsndfile(law, subtype):
    linear = np.arange(-32768, 32768).astype(np.int16)
    raw = io.BytesIO()
    soundfile.write(raw, linear, 8000, format="RAW", subtype=subtype)
    np.testing.assert_array_equal(encode(linear, law), np.frombuffer(raw.getvalue(), dtype=np.uint8))

"""The radio's header extension, against values worked out by hand from the fields that Wireshark documents.

Source: Wireshark's display filter reference, rtp.ext.ed137 and rtp.ext.ed137a (bit masks), read in its dissector.
"""

import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.network.ed137 import FIRST, LATER, RadioSays, quality_text, read, write


@pytest.mark.parametrize(
    "extension, says",
    [
        # 0x0067: ptt 0xE0000000, squelch 0x10000000, id 0x0F000000, more 0x00400000, kind 0x003C0000, index 0x3FC0, method 0x38
        ((FIRST, bytes.fromhex("10000000")), RadioSays(0, 0, True)),
        ((FIRST, bytes.fromhex("25000000")), RadioSays(1, 5, False)),
        ((FIRST, bytes.fromhex("104401c0")), RadioSays(0, 0, True, (7, "RSSI"))),
        # 0x0167: ptt 0xE000, squelch 0x1000, id 0x0FC0, more 0x0001; then kind and length of four bits each, index 0xF8, method 7
        ((LATER, bytes.fromhex("10000000")), RadioSays(0, 0, True)),
        ((LATER, bytes.fromhex("80c00000")), RadioSays(4, 3, False)),
        ((LATER, bytes.fromhex("10011178")), RadioSays(0, 0, True, (15, "RSSI"))),
        # a delay (kind 2), a vendor's own of three bytes (kind 11), then the quality
        ((LATER, bytes.fromhex("1001217fb3010203111a0000")), RadioSays(0, 0, True, (3, "C/N"))),
        ((0xBEDE, bytes.fromhex("10000000")), None),
        ((LATER, b"\x10"), None),
        (None, None),
    ],
)
def test_what_the_radio_says(extension, says):
    assert read(extension) == says


@given(st.integers(0, 7), st.integers(0, 63), st.booleans(), st.none() | st.tuples(st.integers(0, 31), st.just("AGC")))
def test_what_is_written_reads_the_same(ptt, number, is_open, quality):
    says = RadioSays(ptt, number, is_open, quality)
    assert read(write(says)) == says


@pytest.mark.parametrize("index, text", [(0, "below -100"), (1, "-98"), (7, "-85"), (14, "-70"), (15, "above -70")])
def test_rssi_in_steps_of_fifteen_sevenths_of_a_decibel(index, text):
    """The dissector's table: 1 is -97.86 dBm, 7 is -85.00, 14 is -70.00."""
    assert quality_text((index, "RSSI")) == f"signal {text} dBm"

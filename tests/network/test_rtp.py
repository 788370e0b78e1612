"""Packets, the jitter buffer, the drift and session descriptions, by themselves."""

import random

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.errors import SettingsError
from listener.network import rtp, sdp
from listener.network.codec import payload_named
from listener.network.drift import Drift
from listener.network.jitter import JitterBuffer, Missing


def packet(number: int) -> rtp.Packet:
    return rtp.Packet(0, False, number % 65_536, number * 160 % 2**32, 1, bytes(160))


@pytest.mark.parametrize(
    "data, why",
    [
        (b"", "0 bytes"), (bytes(12), "not version 2"), (b"\x80" + bytes(1_600), "1601 bytes"),
        (b"\x80\xc8" + bytes(26), "RTCP"), (b"\x8f\x00" + bytes(10), "cut off"), (b"\x90\x00" + bytes(10), "cut off"),
        (b"\x90\x00" + bytes(10) + b"\x00\x67\xff\xff", "cut off"), (b"\xa0\x00" + bytes(9) + b"\x01\x09", "padding"),
        (b"\xa0\x00" + bytes(11), "padding"),
    ],
)  # fmt: skip
def test_what_is_no_packet_is_refused(data, why):
    with pytest.raises(rtp.BadPacket, match=why):
        rtp.parse(data)


def test_padding_is_taken_off():
    assert rtp.parse(b"\xa0\x00" + bytes(10) + b"sound\x00\x00\x03").payload == b"sound"


@given(st.integers(0, 2**16 - 1), st.lists(st.integers(-90, 400), max_size=60))
def test_unwrapped_numbers_move_as_the_true_ones_did(start, steps):
    unwrapped, number = rtp.Unwrapped(16), start
    unwrapped.tell(start % 65_536)
    highest = start
    for step in steps:
        number = highest + step
        highest = max(highest, number)
        assert unwrapped.tell(number % 65_536) == number


def test_what_is_in_order_goes_on_at_once():
    buffer = JitterBuffer(0.06)
    for number in range(5):
        buffer.put(number, packet(number), number * 0.02)
        assert buffer.ready(number * 0.02) == [packet(number)]
    assert buffer.due_s is None


def test_a_missing_packet_is_waited_for_sixty_milliseconds_and_no_longer():
    buffer = JitterBuffer(0.06)
    buffer.put(0, packet(0), 0.0)
    buffer.ready(0.0)
    buffer.put(2, packet(2), 0.04)
    buffer.put(3, packet(3), 0.06)
    assert buffer.ready(0.0999) == [] and buffer.due_s == pytest.approx(0.1)
    assert buffer.ready(0.1001) == [Missing(1, 2), packet(2), packet(3)]
    assert not buffer.put(1, packet(1), 0.11) and (buffer.late, buffer.duplicates) == (1, 0)


def test_a_packet_that_comes_twice_counts_once():
    buffer = JitterBuffer()
    assert [buffer.put(0, packet(0), 0.0), buffer.put(0, packet(0), 0.0)] == [True, False]
    buffer.ready(0.0)
    assert not buffer.put(0, packet(0), 0.01) and (buffer.duplicates, buffer.late) == (2, 0)


@given(st.integers(0, 2**32), st.floats(0, 0.3))
def test_whatever_the_network_does_each_packet_comes_out_once_in_order_or_is_told_missing(seed, loss):
    rng = random.Random(seed)
    sent = [(n, n * 0.02 + rng.random() * 0.1) for n in range(100) if n == 0 or rng.random() >= loss]
    sent += [(n, at_s + 0.01) for n, at_s in sent if rng.random() < 0.1]
    buffer, out = JitterBuffer(0.06), []
    for number, at_s in sorted(sent, key=lambda one: one[1] if one[0] else -1):
        buffer.put(number, packet(number), at_s)
        out += buffer.ready(at_s)
    out += buffer.ready(1e9)
    numbers = [n for item in out for n in (range(item.first, item.after) if isinstance(item, Missing) else [item.sequence])]
    assert numbers == list(range(len(numbers)))
    assert len(numbers) == max(n for n, _ in sent) + 1


@pytest.mark.parametrize("ppm", [-120.0, 0.0, 35.0])
def test_the_drift_of_a_sender_s_clock_is_measured_through_jitter(ppm):
    """Two minutes with up to 40 ms of jitter."""
    drift, rng = Drift(), np.random.default_rng(3)
    for n in range(6_000):
        stamp_s = n * 0.02
        drift.arrived(stamp_s / (1 + ppm * 1e-6) + 0.04 * rng.random() ** 2, stamp_s)
        if n * 0.02 < 39:
            assert drift.ppm is None
    assert drift.ppm == pytest.approx(ppm, abs=5.0)


TWO = """v=0
o=- 1 1 IN IP4 192.0.2.7
s=Heron tower
c=IN IP4 239.7.7.7/15
t=0 0
m=video 5000 RTP/AVP 31
m=audio 5004 RTP/AVP 96 0 13
a=rtpmap:96 L16/16000
m=audio 5006 RTP/AVP 9
c=IN IP4 192.0.2.9
"""


def test_a_description_names_address_port_and_payloads_the_preferred_first():
    first, second = sdp.parse(TWO)
    assert (first.address, first.port, first.title) == ("239.7.7.7", 5004, "Heron tower")
    assert list(first.payloads.items()) == [(96, payload_named("L16/16000")), (0, payload_named("PCMU"))]
    assert (second.address, second.port, second.payloads) == ("192.0.2.9", 5006, {9: payload_named("G722")})


@given(st.text(max_size=400))
def test_any_text_may_stand_where_a_description_should(text):
    sdp.parse(text)
    sdp.parse("m=audio 5004 RTP/AVP 0\n" + text)


def test_a_description_without_sound_that_is_read_says_which_would_be(tmp_path):
    file = tmp_path / "gsm.sdp"
    file.write_text("v=0\nc=IN IP4 239.1.1.1\nm=audio 5004 RTP/AVP 3\n")
    with pytest.raises(SettingsError, match=r"gsm.sdp: describes no audio in a form that is read \(PCMU, PCMA"):
        sdp.read(file)


@pytest.mark.parametrize("name", ["GSM", "L16/7999", "L16", "PCMU/16000", "opus/16000", "", "L16/16000/9", "G722/16000"])
def test_a_payload_that_is_not_read_is_refused_with_those_that_are(name):
    with pytest.raises(ValueError, match="is no payload that is read: PCMU, PCMA, G722"):
        payload_named(name)

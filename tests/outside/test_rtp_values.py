"""RTP against RFC 3550 and 3551, and against two other people's parsers."""

import struct

import dpkt
import pytest
from hypothesis import given
from hypothesis import strategies as st
from scapy.layers.rtp import RTP

from listener.network import codec, rtp

WORD = st.integers(0, 2**32 - 1)
PACKETS = st.builds(
    rtp.Packet,
    payload_type=st.integers(0, 127).filter(lambda n: not 64 <= n <= 95),  # with the marker these read as RTCP, RFC 5761
    marker=st.booleans(), sequence=st.integers(0, 65_535), timestamp=WORD, ssrc=WORD, payload=st.binary(max_size=400),
    extension=st.none() | st.tuples(st.integers(0, 65_535), st.binary(max_size=40).map(lambda b: b + bytes(-len(b) % 4))),
)  # fmt: skip


@given(PACKETS)
def test_a_packet_reads_as_it_was_written_and_as_dpkt_and_scapy_read_it(packet):
    data = rtp.build(packet)
    assert rtp.parse(data) == packet
    for theirs in (dpkt.rtp.RTP(data), RTP(data)):
        numbers = (
            (theirs.pt, theirs.m, theirs.seq, theirs.ts, theirs.ssrc)
            if isinstance(theirs, dpkt.rtp.RTP)
            else (theirs.payload_type, theirs.marker, theirs.sequence, theirs.timestamp, theirs.sourcesync)
        )
        assert numbers == (packet.payload_type, packet.marker, packet.sequence, packet.timestamp, packet.ssrc)
    if packet.extension is None:
        assert bytes(dpkt.rtp.RTP(data).data) == bytes(RTP(data).payload) == packet.payload


@pytest.mark.parametrize(
    "number, name, clock_hz, channels",
    [(0, "PCMU", 8_000, 1), (8, "PCMA", 8_000, 1), (9, "G722", 8_000, 1), (10, "L16", 44_100, 2), (11, "L16", 44_100, 1)],
)
def test_the_static_payload_types_of_rfc_3551_table_4(number, name, clock_hz, channels):
    payload = codec.STATIC[number]
    assert (payload.name, payload.clock_hz, payload.channels) == (name, clock_hz, channels)


def test_g722_samples_sixteen_thousand_and_counts_eight_rfc_3551_4_5_2():
    assert (codec.STATIC[9].clock_hz, codec.STATIC[9].rate_hz, codec.STATIC[9].frames_of(160)) == (8_000, 16_000, 320)


def take(sequence: rtp.Sequence, *numbers: int) -> list[str]:
    return [sequence.take(n) for n in numbers]


def test_rfc_3550_a_1_a_source_is_valid_after_two_packets_in_order():
    assert rtp.Sequence.PROBATION == 2  # MIN_SEQUENTIAL
    first = rtp.Sequence(7)
    assert take(first, 7, 9, 10) == ["probation", "probation", "new"] and first.is_valid


def test_rfc_3550_a_1_numbers_wrap_around_and_the_cycle_is_counted():
    source = rtp.Sequence(65_533)
    assert take(source, 65_533, 65_534, 65_535, 0, 1) == ["probation", "new", "new", "new", "new"]
    assert (source.expected, source.received, source.lost) == (4, 4, 0)


def test_rfc_3550_a_1_a_large_jump_is_believed_when_two_packets_in_order_tell_it():
    source = rtp.Sequence(10)
    take(source, 10, 11, 12)
    assert take(source, 12 + 3_000, 12, 40_000, 40_001) == ["odd", "old", "odd", "restart"]  # MAX_DROPOUT is 3000
    assert (source.expected, source.lost) == (1, 0)


def test_rfc_3550_a_1_a_packet_is_old_up_to_a_hundred_back():
    source = rtp.Sequence(1_000)
    take(source, 1_000, 1_001, 1_002)
    assert take(source, 1_002 - 99, 1_002 - 100) == ["old", "odd"]  # MAX_MISORDER is 100


def test_rfc_3550_a_3_lost_is_expected_less_received_and_duplicates_lessen_it():
    source = rtp.Sequence(0)
    take(source, 0, 1, 2, 5, 6)
    assert (source.expected, source.received, source.lost) == (6, 4, 2)
    take(source, 6, 6, 6)
    assert source.lost == -1


def test_rfc_3550_a_8_jitter_is_a_sixteenth_of_each_new_difference():
    """The formula by hand: D = 10, 10, 4 ms with packets 20 ms apart."""
    jitter = rtp.Jitter()
    for arrival_s, stamp_s in [(0.000, 0.00), (0.030, 0.02), (0.040, 0.04), (0.064, 0.06)]:
        jitter.arrived(arrival_s, stamp_s)
    expected = 0.0
    for difference in (0.010, 0.010, 0.004):
        expected += (difference - expected) / 16
    assert jitter.seconds == pytest.approx(expected, abs=1e-12)
    assert expected == pytest.approx(0.00138525390625, abs=1e-12)


def test_rfc_3550_6_4_1_a_sender_report_ties_the_timestamp_to_the_wall_clock():
    """NTP time counts from 1900; 2,208,988,800 s later is 1970 (RFC 868)."""
    data = struct.pack("!BBHIIIIII", 0x80, 200, 6, 77, 2_208_988_800 + 1_000, 2**31, 160_000, 5, 800)
    assert rtp.sender_report(data) == rtp.SenderReport(77, 1_000.5, 160_000)
    assert rtp.is_rtcp(data) and rtp.sender_report(data[:27]) is None

"""Whatever comes to the port: no crash, no growth, and never more than a bounded share of the time."""

import random
import time
from pathlib import Path

from hypothesis import given, settings
from hypothesis import strategies as st

from listener.network import ed137, rtp, sdp
from listener.network.codec import payload_named
from listener.network.session import Session, Wanted
from tests.network.parts import Memory, packets, session, voice

SOUND = voice(2.0)
TRUE = list(packets(SOUND, extension=ed137.write(ed137.RadioSays(1, 3, True, (9, "RSSI")))))


class Nothing(Memory):
    """Counts frames and keeps none."""

    def write(self, sound):
        self.written += len(sound)


def spoilt(rng: random.Random) -> bytes:
    """A packet of the true stream with bits turned, bytes taken or put in, numbers set anew; or mere noise."""
    kind = rng.random()
    if kind < 0.1:
        return rng.randbytes(rng.randrange(0, 1_700))
    data = bytearray(TRUE[rng.randrange(len(TRUE))])
    if kind < 0.5:
        for _ in range(rng.randrange(1, 6)):
            data[rng.randrange(min(len(data), 40))] = rng.randrange(256)
    elif kind < 0.7:
        data[2:4] = rng.randbytes(2)
    elif kind < 0.8:
        data[8:12] = rng.randbytes(4)
    elif kind < 0.9:
        del data[rng.randrange(len(data)) :]
    else:
        data[4:8] = rng.randbytes(4)
    return bytes(data)


def test_a_hundred_thousand_spoilt_packets_neither_crash_it_nor_make_it_grow():
    rng, sink = random.Random(1), Nothing()
    receiver, _ = session(sink)
    now_s, sizes = 0.0, []
    for n in range(100_000):
        now_s += 0.002
        receiver.arrived(spoilt(rng), f"192.0.2.{rng.randrange(250)}", rng.randrange(65_536), now_s)
        if n % 10 == 0:
            receiver.tick(now_s)
        if n % 100 == 0:
            receiver.state(now_s)
        if n in (30_000, 99_999):
            sizes.append(int(Path("/proc/self/statm").read_text().split()[1]) * 4_096)
    assert sizes[1] - sizes[0] < 2_000_000
    assert sink.written <= (now_s + 2) * 8_000 * 1.2  # sound is not made out of nothing


def test_after_them_the_true_radio_is_heard_as_ever():
    rng = random.Random(2)
    receiver, memory = session()
    for n in range(2_000):
        receiver.arrived(spoilt(rng), "192.0.2.66", 9, n * 0.001)
    before = memory.written
    for n, data in enumerate(TRUE):
        receiver.arrived(data, "192.0.2.7", 5004, 4.0 + n * 0.02)
    assert memory.written - before >= len(SOUND) and (memory.sound[-len(SOUND) + 320 :] == SOUND[320:]).all()


@settings(max_examples=200)
@given(st.binary(max_size=300), st.sampled_from(["G722", "L16/16000", "opus", "PCMA"]))
def test_any_payload_may_stand_where_sound_should(data, name):
    sink = Nothing()
    receiver = Session(Wanted(payload_named(name), 96), sink, 0.0, "here")
    for n in range(4):
        receiver.arrived(rtp.build(rtp.Packet(96, False, n, n * 160, 1, data)), "192.0.2.7", 1, n * 0.02)
    assert sink.written <= 4 * 5_760


@given(st.integers(0, 65_535), st.binary(max_size=60))
def test_any_extension_is_read_or_passed_over(profile, data):
    ed137.read((profile, data))
    ed137.read((ed137.FIRST, data))
    ed137.read((ed137.LATER, data))


def test_a_description_of_two_thousand_lines_is_read_in_no_time():
    began_s = time.process_time()
    sdp.parse("m=audio 5004 RTP/AVP" + " 0" * 20_000 + "\n" + "a=rtpmap:96 L16/16000\n" * 50_000)
    assert time.process_time() - began_s < 1.0

"""One channel's packets: what becomes of them, and what is told, in time that is not the clock's."""

import random

import numpy as np
import pytest

from listener.network import ed137, rtp
from listener.sound.source import Transmission, Unheard
from tests.network.parts import FRAMES, codes, packets, play, session, voice

SOUND = voice(6.0)


def timed(data: list[bytes], from_s: float = 0.0) -> list[tuple[float, bytes]]:
    return [(from_s + n * 0.02, one) for n, one in enumerate(data)]


def test_what_was_sent_is_in_the_ring_to_the_last_sample_though_all_numbers_wrap_around():
    receiver, memory = session()
    states = play(receiver, timed(list(packets(SOUND))), 6.0)
    assert np.array_equal(memory.sound, SOUND)
    assert codes(states, 0.1, 6.0) == set() and not receiver.news
    assert "PCMU/8000 from 192.0.2.7, loss 0.0 %" in states[-1][1].line


def test_nothing_is_held_back_when_nothing_is_missing():
    receiver, memory = session()
    for n, data in enumerate(packets(SOUND)):
        receiver.arrived(data, "192.0.2.7", 5004, n * 0.02)
        if n >= rtp.Sequence.PROBATION:
            assert memory.written == (n + 1) * FRAMES


@pytest.mark.parametrize("jitter_s", [0.02, 0.2])
def test_jitter_without_reordering_leaves_no_trace(jitter_s):
    rng, at_s, sent = random.Random(1), 0.0, []
    for n, data in enumerate(packets(SOUND)):
        at_s = max(at_s, n * 0.02 + rng.random() * jitter_s)
        sent.append((at_s, data))
    receiver, memory = session()
    play(receiver, sent, 6.5)
    assert np.array_equal(memory.sound[: len(SOUND)], SOUND) and not receiver.news


def test_packets_that_come_in_another_order_or_twice_are_put_right():
    rng, sent = random.Random(2), []
    for n, data in enumerate(packets(SOUND)):
        at_s = n * 0.02 + (0.05 if n and rng.random() < 0.2 else 0.0)
        sent += [(at_s, data)] * (2 if n and rng.random() < 0.1 else 1)
    receiver, memory = session()
    play(receiver, sent, 6.0)
    assert np.array_equal(memory.sound[: 290 * FRAMES], SOUND[: 290 * FRAMES])


def test_a_loss_keeps_its_place_is_concealed_and_told_in_per_cent():
    rng = random.Random(3)
    lost = {n for n in range(5, 300) if rng.random() < 0.05}
    sent = [one for n, one in enumerate(timed(list(packets(SOUND)))) if n not in lost]
    receiver, memory = session()
    states = play(receiver, sent, 6.0)
    kept = np.array([s for n in range(295) for s in [n not in lost] * FRAMES])
    heard, said = memory.sound[: len(kept)], SOUND[: len(kept)]
    assert np.array_equal(heard[kept], said[kept])
    hole = heard[~kept]
    assert 0.25 < np.sqrt(np.mean(hole**2)) / np.sqrt(np.mean(said[~kept] ** 2)) < 1.5  # no silence in a word
    percent = float(states[-1][1].line.split("loss ")[1].split(" %")[0])
    assert percent == pytest.approx(100 * len(lost) / 300, abs=0.5)
    play(receiver, [], 11.0)
    told = [n for n in receiver.news if isinstance(n, Unheard) and "lost in the network; concealed" in n.why]
    assert len(told) == 1 and told[0].seconds == pytest.approx(len(lost) * 0.02)


@pytest.mark.parametrize("depth_s", [0.0, 0.06, 0.3, 0.5])
def test_however_long_a_packet_is_waited_for_what_follows_is_in_its_place(depth_s):
    receiver, memory = session(depth_s=depth_s)
    play(receiver, [one for n, one in enumerate(timed(list(packets(SOUND)))) if n != 100], 6.5)
    kept = np.arange(len(SOUND)) // FRAMES != 100
    assert np.array_equal(memory.sound[: len(SOUND)][kept], SOUND[kept])


def test_heavy_loss_is_blind_within_a_second_and_goes_away():
    rng = random.Random(4)
    sent = [one for n, one in enumerate(timed(list(packets(SOUND)))) if not 100 <= n < 200 or rng.random() >= 0.4]
    states = play(session()[0], sent, 6.0)
    assert codes(states, 0.1, 2.0) == set() and codes(states, 3.0, 4.0) == {"loss"} and codes(states, 5.2, 6.0) == set()


def test_nobody_sending_is_blind_within_two_seconds_and_silence_runs_on():
    receiver, memory = session()
    states = play(receiver, timed(list(packets(SOUND[:16_000]))) + timed(list(packets(SOUND, sequence=64, timestamp=31_000)), 4.0), 6.0)
    first = min(at_s for at_s, state in states if state.reasons)
    assert 2.0 < first <= 3.1 and codes(states, 2.0, 4.0) == {"nobody_sending"} and codes(states, 4.1, 6.0) == set()
    assert memory.written == pytest.approx(6.0 * 8_000, abs=400)  # the ring's clock is the wall's
    (gap,) = [n for n in receiver.news if isinstance(n, Unheard)]
    assert gap.seconds == pytest.approx(2.0, abs=0.06) and not memory.sound[gap.first : gap.after].any()


def test_before_anybody_has_sent_it_says_so_and_what_came_instead():
    receiver, _ = session(sources=("192.0.2.1",))
    states = play(receiver, timed(list(packets(SOUND))), 3.0)
    assert states[-1][1].reasons[0][1] == (
        "nobody sends to 239.1.1.1 port 5004 from the allowed sources; packets come from 192.0.2.7"
    )
    receiver, _ = session(ssrc=9)
    assert play(receiver, timed(list(packets(SOUND))), 3.0)[-1][1].reasons[0][1].endswith("as 0x00000009; 0x00000001 does")
    receiver, _ = session()
    assert play(receiver, timed([b"hello"] * 100), 3.0)[-1][1].reasons[0][1].endswith("; what comes is no RTP")


def test_two_senders_on_one_port_are_blind_and_the_first_is_heard_on():
    receiver, memory = session()
    other = [(at_s + 0.01, data, "192.0.2.66", 4000) for at_s, data in timed(list(packets(voice(2.0, seed=2), ssrc=2)), 2.0)]
    states = play(receiver, timed(list(packets(SOUND))) + other, 6.0)
    assert codes(states, 0.1, 2.0) == set() and codes(states, 2.2, 4.0) == {"two_senders"} and codes(states, 5.1, 6.0) == set()
    assert "192.0.2.66 port 4000 and 192.0.2.7 port 5004" in next(s for t, s in states if t > 3).reasons[0][1]
    assert np.array_equal(memory.sound, SOUND)


def test_a_radio_that_starts_anew_with_another_ssrc_is_followed():
    receiver, memory = session()
    sent = timed(list(packets(SOUND[:16_000]))) + timed(list(packets(SOUND[:16_000], ssrc=5, sequence=9, timestamp=7)), 2.3)
    states = play(receiver, sent, 4.3)
    assert codes(states, 0.1, 4.3) == set() and "1 changes of sender" in states[-1][1].line
    assert np.array_equal(memory.sound[-16_000 + 320 :], SOUND[320:16_000])


def test_another_payload_is_blind_and_says_which_comes():
    receiver, _ = session()
    wrong = [bytes([data[0], 8]) + data[2:] for data in packets(SOUND[:16_000], sequence=200, timestamp=0)]
    states = play(receiver, timed(list(packets(SOUND[:16_000], sequence=100))) + timed(wrong, 2.0), 4.0)
    assert codes(states, 3.1, 4.0) == {"payload"}
    assert states[-1][1].reasons[0][1] == "payload type 8 comes, 0 (PCMU/8000) is set"


OPEN = ed137.write(ed137.RadioSays(0, 0, True, (7, "RSSI")))
CLOSED = ed137.write(ed137.RadioSays(0, 0, False))


def test_a_closed_squelch_is_no_blindness_and_transmissions_begin_and_end_where_the_radio_says():
    def alive(n: int) -> bytes:
        return rtp.build(rtp.Packet(123, False, n % 65_536, 0, 1, b"", CLOSED))

    receiver, memory = session()
    sent = [(n * 0.2, alive(n)) for n in range(20)]
    sent += timed(list(packets(SOUND[:8_000], sequence=20, extension=OPEN)), 4.0)
    sent += [(5.0 + n * 0.2, alive(70 + n)) for n in range(10)]
    states = play(receiver, sent, 7.0)
    assert codes(states, 0.3, 7.0) == set()
    assert [s.squelch_open for t, s in states if t in (3.0, 4.5, 6.0)] == [False, True, False]
    begins, ends = [n for n in receiver.news if isinstance(n, Transmission)]
    assert (begins.begins, ends.begins) == (True, False)
    assert np.array_equal(memory.sound[begins.frame : begins.frame + 8_000], SOUND[:8_000])
    assert 8_000 <= ends.frame - begins.frame <= 8_000 + 160
    assert "signal -85 dBm" in next(s.line for t, s in states if t == 4.5)
    states = play(receiver, [], 9.0)
    assert codes(states, 8.2, 9.0) == {"nobody_sending"}


def test_an_open_squelch_without_sound_is_blind():
    sent = [(n * 0.2, rtp.build(rtp.Packet(123, False, n, 0, 1, b"", OPEN))) for n in range(20)]
    states = play(session()[0], sent, 3.0)
    assert codes(states, 1.1, 3.0) == {"nobody_sending"} and "squelch is open, but sends no sound" in states[-1][1].reasons[0][1]


def test_a_jump_of_the_timestamp_that_no_clock_could_make_moves_nothing():
    receiver, memory = session()
    sent = list(packets(SOUND[:16_000], sequence=0, timestamp=0)) + list(packets(SOUND[16_000:32_000], sequence=100, timestamp=2**31 - 9))
    play(receiver, timed(sent), 4.0)
    assert np.array_equal(memory.sound, SOUND[:32_000])



"""What the network does to packets, over real sockets: groups, a bad line, a flood."""

import heapq
import os
import random
import select
import socket
import sys
import threading
import time

import numpy as np
import pytest

from listener.network.codec import payload_named
from listener.network.receiver import RtpSource
from listener.network.session import Wanted
from listener.sound.ring import Ring
from listener.sound.source import LineState, Opened
from listener.watch.parts.capture import run_source
from listener.watch.parts.process import Child
from tests.network.parts import FRAMES, packets, voice
from tests.network.test_senders import Heard, free_port

HERE = "127.0.0.1"


def source(port: int, address: str = HERE, interface: str = "", **wanted: object) -> RtpSource:
    return RtpSource(address, port, Wanted(payload_named("PCMU"), 0, **wanted), interface)


def outlet() -> socket.socket:
    return socket.socket(socket.AF_INET, socket.SOCK_DGRAM)


def opened(heard: Heard) -> None:
    """Wait until it listens."""
    message = heard.link.recv()
    assert isinstance(message, Opened)
    heard.messages.append(message)


def test_a_multicast_group_is_joined_on_the_card_that_was_named_and_another_group_is_not_heard(need):
    port, sound = free_port(), voice(0.6)
    with outlet() as sender:
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_IF, socket.inet_aton(HERE))
        sender.setsockopt(socket.IPPROTO_IP, socket.IP_MULTICAST_LOOP, 1)
        try:
            sender.sendto(b"?", ("239.255.7.1", port))
        except OSError as error:
            need(False, f"multicast on the loopback interface ({error.strerror})")
        heard, other = (Heard(source(port, group, HERE)) for group in ("239.255.7.1", "239.255.7.2"))
        opened(heard), opened(other)
        for data in packets(sound):
            sender.sendto(data, ("239.255.7.1", port))
            time.sleep(0.005)
        time.sleep(0.1)
        assert np.array_equal(heard.stop()[: len(sound), 0], sound)
        assert not other.stop().any()


def relay(inlet: socket.socket, to: tuple[str, int], seed: int, loss: float, jitter_s: float, twice: float, tally: dict) -> None:
    """A bad line: passes on what comes until nothing has come for a second. The first packets always arrive, at once."""
    rng, waiting, count, last_s = random.Random(seed), [], 0, time.monotonic()
    tally.update(lost=[], overtaken=0, twice=0)
    highest = -1
    with outlet() as onward:
        while waiting or time.monotonic() - last_s < 1.0:
            wait_s = min(0.1, max(0.0, waiting[0][0] - time.monotonic())) if waiting else 0.1
            if select.select([inlet], [], [], wait_s)[0]:
                data, last_s, number, count = inlet.recv(2_000), time.monotonic(), count, count + 1
                if number >= 3 and rng.random() < loss:
                    tally["lost"].append(number)
                    continue
                late_s = 0.0 if number < 3 else rng.random() * jitter_s
                heapq.heappush(waiting, (last_s + late_s, number, data))
                if rng.random() < twice:
                    tally["twice"] += 1
                    heapq.heappush(waiting, (last_s + rng.random() * jitter_s, number, data))
            while waiting and waiting[0][0] <= time.monotonic():
                _, number, data = heapq.heappop(waiting)
                tally["overtaken"] += number < highest
                highest = max(highest, number)
                onward.sendto(data, to)


def test_over_a_bad_line_what_was_lost_and_nothing_else_is_told_and_all_that_came_is_in_its_place():
    """A twentieth lost, jitter to 200 ms with overtaking, a tenth twice; a jitter buffer of 300 ms has room for it."""
    port, sound, tally = free_port(), voice(3.0), {}
    heard = Heard(source(port, depth_s=0.3))
    opened(heard)
    with outlet() as inlet, outlet() as sender:
        inlet.bind((HERE, 0))
        line = threading.Thread(target=relay, args=(inlet, (HERE, port), 7, 0.05, 0.2, 0.1, tally))
        line.start()
        began_s = time.monotonic()
        for n, data in enumerate(packets(sound)):
            time.sleep(max(0.0, began_s + n * 0.02 - time.monotonic()))
            sender.sendto(data, inlet.getsockname())
        line.join()
    ring = heard.stop()[: len(sound), 0]
    lost = [n for n in tally["lost"] if n < 145]
    assert len(lost) >= 3 and tally["overtaken"] > 20 and tally["twice"] > 5
    kept = np.repeat([n not in tally["lost"] for n in range(145)], FRAMES)
    assert np.array_equal(ring[: len(kept)][kept], sound[: len(kept)][kept])
    told = float(heard.states[-1].line.split("loss ")[1].split(" %")[0])
    assert told == pytest.approx(100 * len(tally["lost"]) / 150, abs=0.4)  # one packet more or less would be 0.67


def listen(port: int) -> Child:
    return Child("radio", run_source, source(port), None)


def ring_of(child: Child, told: list) -> Ring:
    ends_s = time.monotonic() + 20.0
    while time.monotonic() < ends_s:
        told += child.messages()
        for message in told:
            if isinstance(message, Opened):
                return Ring.attach(message.ring_name)
        time.sleep(0.02)
    raise AssertionError("it does not listen")


@pytest.mark.skipif(sys.platform != "linux", reason="processor time is read from /proc")
def test_a_flood_costs_its_receiver_a_bounded_share_of_a_core_and_the_next_channel_no_sample(capsys):
    flooded, well = free_port(), free_port()
    children, told = [listen(flooded), listen(well)], ([], [])
    rings = [ring_of(*both) for both in zip(children, told, strict=True)]
    sound, junk = voice(2.0), os.urandom(172)
    flood = b"\x80\x00" + junk[2:]  # what might be a radio's: it is parsed
    sent = 0
    try:
        with outlet() as sender:
            cpu_s, began_s = children[0].cpu_s(), time.monotonic()
            for n, data in enumerate(packets(sound)):
                sender.sendto(data, (HERE, well))
                while time.monotonic() < began_s + (n + 1) * 0.02:
                    for _ in range(50):
                        sender.sendto(flood, (HERE, flooded))
                    sent += 50
                    time.sleep(0.001)
            lasted_s, cpu_s = time.monotonic() - began_s, children[0].cpu_s() - cpu_s
        time.sleep(0.2)
        for child, messages in zip(children, told, strict=True):
            messages += child.messages()
        heard = rings[1].read(0, 0, rings[1].written)
        first = np.flatnonzero(heard)[0] - np.flatnonzero(sound)[0]  # before it is the silence while the other began
        assert np.array_equal(heard[first : first + len(sound)], sound)
        assert not [m for m in told[1] if isinstance(m, LineState) and "flood" in dict(m.reasons)]
        assert [m for m in told[0] if isinstance(m, LineState) and "flood" in dict(m.reasons)]
    finally:
        for child, ring in zip(children, rings, strict=True):
            child.stop(1.0)
            ring.free()
    with capsys.disabled():
        print(f"\na flood of {sent / lasted_s:.0f} packets a second: {cpu_s / lasted_s:.1%} of a core", end="")
    assert sent / lasted_s > 4_000
    assert cpu_s / lasted_s < 0.1

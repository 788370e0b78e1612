"""The station with radios on the network: heard, blind for the right reason, well again."""

import socket
import time
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path

import numpy as np
import pytest

from listener.settings import Settings
from listener.watch.station import Station
from tests.network.parts import packets
from tests.network.test_senders import free_port
from tests.watch import parts
from tests.watch.parts import channel, follow, is_blind, is_state, running

CALL = parts.traffic(6.0, [0.5], 8_000)


class Radio:
    """Sends PCMU in real time from a socket of its own, a tick at a time."""

    def __init__(self, port: int, ssrc: int = 1) -> None:
        self.socket = socket.socket(socket.AF_INET, socket.SOCK_DGRAM)
        self.to, self.ssrc, self.sent = ("127.0.0.1", port), ssrc, 0
        self.silent = False
        self._data: Iterator[bytes] = iter(())
        self._next_s = time.monotonic()
        self.say(parts.noise(60.0, 8_000))

    def say(self, sound: np.ndarray) -> None:
        self._data = packets(sound, self.ssrc, self.sent % 65_536, self.sent * 160 % 2**32)

    def tick(self) -> None:
        while not self.silent and time.monotonic() >= self._next_s:
            data = next(self._data)
            self.sent += 1
            self._next_s += 0.02
            self.socket.sendto(data, self.to)
        if self.silent:
            self._next_s = time.monotonic()


@contextmanager
def listening(tmp_path: Path, *radios: Radio, **rtp: object) -> Iterator[Station]:
    """A station that listens to the first radio's port, with the radios sending meanwhile."""
    own = [{"name": "Launch", "rtp": {"address": "127.0.0.1", "port": radios[0].to[1], **rtp}}]
    settings: Settings = parts.settings(tmp_path, own)
    with running(Station(settings, tmp_path / "state", load=parts.load_bursts)) as station:
        tick = station.tick

        def with_radios() -> None:
            for radio in radios:
                radio.tick()
            tick()

        station.tick = with_radios  # type: ignore[method-assign]
        station._wait = lambda: time.sleep(0.005)  # type: ignore[method-assign]
        follow(station, is_state("LISTENING"), 30.0)
        yield station


def for_(station: Station, seconds: float) -> None:
    ends_s = time.monotonic() + seconds
    while time.monotonic() < ends_s:
        station.tick()


def test_a_call_by_rtp_is_told_and_each_fault_is_blind_within_two_seconds(tmp_path):
    radio = Radio(free_port())
    second = Radio(radio.to[1], ssrc=2)
    second.silent = True
    with listening(tmp_path, radio, second) as station:
        assert "PCMU/8000 from 127.0.0.1, loss 0.0 %" in channel(station).device
        radio.say(np.concatenate([CALL, parts.noise(60.0, 8_000)]))
        follow(station, lambda s: len(channel(s).unacknowledged) == 1, 8.0)
        station.acknowledge_all("ann") if hasattr(station, "acknowledge_all") else station.desk.acknowledge_all("ann")
        follow(station, is_state("LISTENING"), 3.0)

        radio.silent = True
        follow(station, is_blind("nobody_sending"), 2.0)
        radio.silent = False
        follow(station, is_state("LISTENING"), 3.0)

        second.silent = False
        assert follow(station, is_blind("two_senders"), 2.0) < 2.0
        second.silent = True
        follow(station, is_state("LISTENING"), 3.0)

        ends_s = time.monotonic() + 2.5  # a flood of what is no RTP, a hundred a tick
        flooded = False
        while time.monotonic() < ends_s:
            for _ in range(100):
                second.socket.sendto(b"x" * 200, radio.to)
            station.tick()
            flooded = flooded or is_blind("flood")(station)
        assert flooded
        follow(station, is_state("LISTENING"), 4.0)
        assert channel(station).restarts == 0


@pytest.mark.parametrize(
    "rtp, says",
    [
        ({"address": "127.0.0.1", "payload": "GSM"}, "rtp.payload"),
        ({"port": 5004}, "needs either address .* or sdp"),
        ({"address": "tower.example"}, "'tower.example' is no IP address such as 192.0.2.7"),
    ],
)
def test_settings_that_cannot_be_are_one_line(rtp, says):
    from listener.errors import SettingsError
    from listener.settings import settings_from

    with pytest.raises(SettingsError, match=says):
        settings_from({"watch": {"channels": [{"name": "Launch", "rtp": rtp}]}}, "tower.yaml")

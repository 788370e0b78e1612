"""Packet captures (pcap, pcapng): which RTP streams are in them, and the sound of each with its wall-clock times.

dpkt reads the files; what it cannot read in a damaged one ends the reading there, and that is told.
"""

import struct
from collections import Counter
from collections.abc import Iterator
from dataclasses import dataclass, field
from pathlib import Path
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.network import rtp, sdp
from listener.network.codec import Payload
from listener.network.session import Session, Wanted
from listener.sound.source import Unheard

_LEAST_PACKETS = 5
_MOST_STREAMS = 64
_MAGICS = {
    bytes.fromhex(m)
    for m in ("a1b2c3d4", "d4c3b2a1", "a1b23c4d", "4d3cb2a1", "0a0d0d0a")
}  # pcap of both byte orders and both clocks, and pcapng


@dataclass
class CapturedStream:
    """One RTP stream. to, source: (address, port); began_unix_s: when its first packet was captured."""

    to: tuple[str, int]
    source: tuple[str, int]
    ssrc: int
    number: int
    payload: Payload | None
    packets: list[tuple[float, bytes]] = field(default_factory=list)
    reports: list[rtp.SenderReport] = field(default_factory=list)

    @property
    def began_unix_s(self) -> float:
        """By the capture's clock."""
        return self.packets[0][0]

    @property
    def seconds(self) -> float:
        """From the first packet to the last."""
        return self.packets[-1][0] - self.packets[0][0]

    @property
    def title(self) -> str:
        """In a line, for people."""
        coded = self.payload.title if self.payload else f"payload type {self.number}, which is not read"
        return f"{self.source[0]}:{self.source[1]} -> {self.to[0]}:{self.to[1]} ssrc {self.ssrc:#010x} {coded}"

    @property
    def sender_unix_s(self) -> float | None:
        """When the first packet was made by the sender's own wall clock, if an RTCP sender report says so."""
        if not self.reports or not self.payload:
            return None
        first = rtp.parse(self.packets[0][1]).timestamp
        report = self.reports[0]
        return report.unix_s - rtp.ahead(report.timestamp, first, 32) / self.payload.clock_hz


def is_capture(path: Path) -> bool:
    """Whether the file begins as a capture does. A pipe is none: opening one would wait for who writes to it."""
    try:
        if not path.is_file():
            return False
        with path.open("rb") as file:
            return file.read(4) in _MAGICS
    except OSError:
        return False


def streams(path: Path) -> tuple[list[CapturedStream], str]:
    """The RTP streams in a capture, in the order in which they begin, and a line about what could not be read ("" if not)."""
    found: dict[tuple[object, ...], CapturedStream] = {}
    named: dict[tuple[str, int], dict[int, str]] = {}
    reports: list[rtp.SenderReport] = []
    broken, partly = "", 0
    try:
        for unix_s, source, to, data in _datagrams(path):
            if data is None:
                partly += 1
            elif b"m=audio" in data[:4_000]:
                _note_description(data, named)
            elif report := rtp.sender_report(data):
                reports.append(report)
            else:
                _note_packet(found, unix_s, source, to, data)
    except (ValueError, struct.error, EOFError) as error:
        broken = f"{path}: broke off: {error or type(error).__name__}; up to there it was read"
    if partly and not broken:
        broken = f"{path}: {partly} packets are there only in part, and were left out; capture whole ones (tcpdump -s 0)"
    kept = [s for s in found.values() if len(s.packets) >= _LEAST_PACKETS]
    for stream in kept:
        stream.number = Counter(data[1] & 0x7F for _, data in stream.packets).most_common(1)[0][0]
        # What a description says of the receiver's port; RFC 3551 says the rest.
        stream.payload = sdp.payload_of(stream.number, named.get(stream.to, named.get(("", stream.to[1]), {})))
        stream.reports = [report for report in reports if report.ssrc == stream.ssrc]
    return kept, broken


def sound_of(stream: CapturedStream) -> tuple[NDArray[np.float32], list[Unheard]]:
    """The stream's sound, shape (frames, channels), as the watch would have heard it, and what of it is missing.

    Frame 0 is at began_unix_s. Raises UserError for a payload that is not read.
    """
    if stream.payload is None:
        raise UserError(f"{stream.title}: nothing in the capture says what that is")
    memory = _Memory(stream.payload.channels)
    inputs = tuple(range(1, stream.payload.channels + 1))
    began_s = stream.began_unix_s
    session = Session(Wanted(stream.payload, stream.number, inputs, ssrc=stream.ssrc), memory, 0.0, "capture")
    missing: list[Unheard] = []
    for unix_s, data in stream.packets:
        now_s = unix_s - began_s
        session.tick(now_s)
        session.arrived(data, *stream.source, now_s)
        session.state(now_s)
        missing += [news for news in session.news if isinstance(news, Unheard)]
        session.news.clear()
    session.tick(stream.seconds + 0.25)  # a little, so that the last packets are not waited for
    return memory.sound, missing


class _Memory:
    def __init__(self, channels: int) -> None:
        self.written = 0
        self._parts = [np.zeros((0, channels), np.float32)]

    def write(self, sound: NDArray[np.float32]) -> None:
        self._parts.append(sound)
        self.written += len(sound)

    @property
    def sound(self) -> NDArray[np.float32]:
        return np.concatenate(self._parts)


def _note_packet(
    found: dict[tuple[object, ...], CapturedStream], unix_s: float, source: tuple[str, int], to: tuple[str, int], data: bytes
) -> None:
    try:
        packet = rtp.parse(data)
    except rtp.BadPacket:
        return
    key = (source, to, packet.ssrc)
    if key not in found:
        if len(found) >= 100 * _MOST_STREAMS:
            return
        found[key] = CapturedStream(to, source, packet.ssrc, packet.payload_type, None)
    found[key].packets.append((unix_s, data))


def _note_description(data: bytes, named: dict[tuple[str, int], dict[int, str]]) -> None:
    """A session description, by SIP or by itself: it tells what will come to its address and port."""
    for media in sdp.parse(data[:8_000].decode("utf-8", "replace")):
        said = {number: payload.title for number, payload in media.payloads.items()}
        named.setdefault((media.address, media.port), {}).update(said)
        named.setdefault(("", media.port), {}).update(said)


def _datagrams(path: Path) -> Iterator[tuple[float, tuple[str, int], tuple[str, int], bytes | None]]:
    """(time, from, to, data) of each UDP datagram; data is None where it was not captured whole."""
    try:
        import dpkt
    except ImportError:
        raise UserError(f"{path}: captures need the extra captures: pip install 'launch-listener[captures]'") from None
    with path.open("rb") as file:
        reader: Any = dpkt.pcap.UniversalReader(file)
        link = reader.datalink()
        for unix_s, frame in reader:
            try:
                packet = _network_layer(dpkt, link, frame)
                udp = packet.data
                if not isinstance(udp, dpkt.udp.UDP):
                    continue
                addresses = [dpkt.utils.inet_to_str(one) for one in (packet.src, packet.dst)]
                payload = bytes(udp.data) if len(udp.data) >= udp.ulen - 8 else None
            except (dpkt.UnpackError, AttributeError, ValueError, IndexError, struct.error):
                continue
            yield float(unix_s), (addresses[0], udp.sport), (addresses[1], udp.dport), payload


def _network_layer(dpkt: Any, link: int, frame: bytes) -> Any:
    """The IP packet in a captured frame, by the capture's link type (www.tcpdump.org/linktypes)."""
    if link == dpkt.pcap.DLT_EN10MB:
        return dpkt.ethernet.Ethernet(frame).data
    if link == dpkt.pcap.DLT_LINUX_SLL:
        return dpkt.sll.SLL(frame).data
    if link == 276:  # Linux "any", second form
        return dpkt.sll2.SLL2(frame).data
    if link in (dpkt.pcap.DLT_NULL, dpkt.pcap.DLT_LOOP):
        return dpkt.loopback.Loopback(frame).data
    return dpkt.ip.IP(frame) if frame[0] >> 4 == 4 else dpkt.ip6.IP6(frame)

"""RTP and RTCP as they stand on the wire, and the arithmetic of their numbers.

Source: RFC 3550. Packets come from anybody who reaches the port, so every length is checked before it is used.
"""

import struct
from dataclasses import dataclass

LARGEST_BYTES = 1_600
"""A larger packet is not looked at: 20 ms of L16 at 48 kHz stereo need 3,840 bytes and no network carries that in one."""

_FIXED = struct.Struct("!BBHII")
_NTP_TO_UNIX_S = 2_208_988_800  # 1900 to 1970, RFC 868
MOST_DROPOUT, MOST_MISORDER = 3_000, 100
"""How far a sequence number may jump forward or back and still belong to the same stream (RFC 3550 A.1)."""


class BadPacket(ValueError):
    """It is no RTP (or RTCP) packet."""


@dataclass(frozen=True, slots=True)
class Packet:
    """One RTP packet. timestamp counts the payload's clock; extension: (profile, data) of its header extension."""

    payload_type: int
    marker: bool
    sequence: int
    timestamp: int
    ssrc: int
    payload: bytes
    extension: tuple[int, bytes] | None = None


@dataclass(frozen=True, slots=True)
class SenderReport:
    """An RTCP sender report: at the time unix_s the sender's clock stood at this timestamp."""

    ssrc: int
    unix_s: float
    timestamp: int


def parse(data: bytes) -> Packet:
    """Read one packet. Raises BadPacket for what fails the validity checks of RFC 3550 A.1."""
    if not 12 <= len(data) <= LARGEST_BYTES:
        raise BadPacket(f"{len(data)} bytes")
    first, second, sequence, timestamp, ssrc = _FIXED.unpack_from(data)
    if first >> 6 != 2:
        raise BadPacket("not version 2")
    if is_rtcp(data):
        raise BadPacket("an RTCP packet")
    at, end = 12 + 4 * (first & 0x0F), len(data)
    extension = None
    if first & 0x10:
        if at + 4 > end:
            raise BadPacket("its header is cut off")
        profile, words = struct.unpack_from("!HH", data, at)
        extension = (profile, data[at + 4 : at + 4 + 4 * words])
        at += 4 + 4 * words
    if at > end:
        raise BadPacket("its header is cut off")
    if first & 0x20:
        padding = data[-1]
        if not 1 <= padding <= end - at:
            raise BadPacket("its padding is longer than it is")
        end -= padding
    return Packet(second & 0x7F, bool(second & 0x80), sequence, timestamp, ssrc, data[at:end], extension)


def build(packet: Packet) -> bytes:
    """The packet as bytes. An extension's data is padded to whole 32-bit words."""
    first = 0x80 | (0x10 if packet.extension else 0)
    head = _FIXED.pack(
        first, packet.payload_type | (0x80 if packet.marker else 0), packet.sequence, packet.timestamp, packet.ssrc
    )
    if packet.extension:
        profile, data = packet.extension
        data += bytes(-len(data) % 4)
        head += struct.pack("!HH", profile, len(data) // 4) + data
    return head + packet.payload


def is_rtcp(data: bytes) -> bool:
    """Whether a packet on a port shared by both is RTCP (RFC 5761 section 4)."""
    return len(data) >= 2 and data[0] >> 6 == 2 and 192 <= data[1] <= 223


def sender_report(data: bytes) -> SenderReport | None:
    """The sender report with which an RTCP packet begins, if it does (RFC 3550 6.4.1)."""
    if not 28 <= len(data) <= LARGEST_BYTES or data[0] >> 6 != 2 or data[1] != 200:
        return None
    ssrc, seconds, fraction, timestamp = struct.unpack_from("!IIII", data, 4)
    return SenderReport(ssrc, seconds - _NTP_TO_UNIX_S + fraction / 2**32, timestamp) if seconds else None


def ahead(one: int, other: int, bits: int) -> int:
    """How far the number `one` is ahead of `other` where numbers wrap around: -2**(bits-1) to 2**(bits-1) - 1.

    >>> ahead(2, 65_534, 16), ahead(65_534, 2, 16)
    (4, -4)
    """
    half = 1 << (bits - 1)
    return (one - other + half) % (1 << bits) - half


class Unwrapped:
    """A number of so many bits that wraps around, told as one that never does. Starts at its first value."""

    def __init__(self, bits: int) -> None:
        self._bits = bits
        self._highest: int | None = None

    def tell(self, number: int) -> int:
        """The number as it would be had it more bits; one a little back stays back."""
        if self._highest is None:
            self._highest = number
        whole = self._highest + ahead(number, self._highest % (1 << self._bits), self._bits)
        self._highest = max(self._highest, whole)
        return whole


class Jitter:
    """Interarrival jitter, RFC 3550 6.4.1 and A.8, here in seconds: a sixteenth of each new difference."""

    def __init__(self) -> None:
        self.seconds = 0.0
        self._transit_s: float | None = None

    def arrived(self, arrival_s: float, stamp_s: float) -> None:
        """A packet that bears the time stamp_s (by the sender's clock) came in at arrival_s."""
        transit_s = arrival_s - stamp_s
        if self._transit_s is not None:
            self.seconds += (abs(transit_s - self._transit_s) - self.seconds) / 16
        self._transit_s = transit_s


class Sequence:
    """Is it one stream? The source validation of RFC 3550 A.1, and what was lost, A.3.

    take() says of each sequence number what it means.
    """

    PROBATION = 2
    """A source counts after this many packets in order."""

    def __init__(self, first: int) -> None:
        self._probation = self.PROBATION
        self._begin(first)
        self._highest = (first - 1) % 65_536

    def _begin(self, first: int) -> None:
        self._base = self._highest = first
        self._cycles = self.received = 0
        self._bad: int | None = None

    @property
    def is_valid(self) -> bool:
        """It has had enough packets in order."""
        return self._probation == 0

    @property
    def expected(self) -> int:
        """How many packets the sender has sent, as its numbers say."""
        return self._cycles + self._highest - self._base + 1

    @property
    def lost(self) -> int:
        """How many of them have not come; duplicates make it fewer, below zero even (RFC 3550 A.3)."""
        return self.expected - self.received

    def take(self, number: int) -> str:
        """The next packet's number: "new", "old" (late or twice), "probation", "restart" or "odd"."""
        step = (number - self._highest) % 65_536
        if self._probation:
            if step != 1:
                self._probation = self.PROBATION - 1
                self._highest = number
                return "probation"
            self._probation -= 1
            self._highest = number
            if self._probation:
                return "probation"
            self._begin(number)
            self.received = 1
            return "new"
        if step == 0 or step > 65_536 - MOST_MISORDER:
            self.received += 1
            return "old"
        if step < MOST_DROPOUT:
            if number < self._highest:
                self._cycles += 65_536
            self._highest = number
            self._bad = None
            self.received += 1
            return "new"
        if number == self._bad:
            self._begin(number)
            self.received = 1
            return "restart"
        self._bad = (number + 1) % 65_536
        return "odd"

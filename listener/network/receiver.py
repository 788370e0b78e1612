"""The process of a channel whose radio comes by RTP: one socket that is read and never written to.

It is bound to the address that was given and to no other. Reading is bounded: a flood on the port costs a bounded share of
one core, since above MOST_PACKETS_S the process sleeps and leaves what comes to the kernel, which drops it.
"""

import socket
import time
from dataclasses import dataclass
from ipaddress import ip_address
from multiprocessing.connection import Connection

from listener.errors import UserError
from listener.network import rtp
from listener.network.session import Session, Wanted
from listener.sound.source import Lost, Opened, Unending, next_ring, send, told_to_stop

MOST_PACKETS_S = 1_000
"""Twenty times what a radio sends."""
_WINDOW_S = 0.1
_TICK_S = 0.02
_STATE_S = 0.25
_BUFFER_BYTES = 1 << 18


@dataclass(frozen=True, slots=True)
class RtpSource(Unending):
    """A radio that sends RTP to this computer or to a multicast group.

    interface: for a group, the address of the network card to join it on; empty for the system's choice.
    """

    address: str
    port: int
    wanted: Wanted
    interface: str = ""

    @property
    def title(self) -> str:
        """Address and port."""
        return f"{self.address} port {self.port}"

    @property
    def inputs(self) -> tuple[int, ...]:
        """Channels of the payload."""
        return self.wanted.inputs

    def run(self, link: Connection, ring_name: str | None) -> None:
        """Receive until told to stop."""
        try:
            with bound(self) as opened:
                _receive(link, self, opened, ring_name)
        except UserError as error:
            send(link, Lost(str(error), "network"))


def bound(source: RtpSource) -> socket.socket:
    """A socket that hears this source. Raises UserError with the remedy where the address cannot be had."""
    address = ip_address(source.address)
    family = socket.AF_INET if address.version == 4 else socket.AF_INET6
    opened = socket.socket(family, socket.SOCK_DGRAM)
    try:
        opened.setsockopt(socket.SOL_SOCKET, socket.SO_RCVBUF, _BUFFER_BYTES)
        if address.is_multicast:
            # Several programs may listen to a group; a port of this computer's own belongs to one.
            opened.setsockopt(socket.SOL_SOCKET, socket.SO_REUSEADDR, 1)
        opened.bind((source.address, source.port))
        if address.is_multicast:
            _join(opened, source)
    except OSError as error:
        opened.close()
        raise UserError(
            f"cannot listen on {source.title}: {error.strerror}; "
            "it must be an address of this computer (or a multicast group), and no other program may have the port"
        ) from None
    return opened


def _join(opened: socket.socket, source: RtpSource) -> None:
    if ip_address(source.address).version == 4:
        # Only what is sent to groups joined by this socket, not by others on this computer (Linux: IP_MULTICAST_ALL).
        opened.setsockopt(socket.IPPROTO_IP, 49, 0)
        card = socket.inet_aton(source.interface or "0.0.0.0")
        opened.setsockopt(socket.IPPROTO_IP, socket.IP_ADD_MEMBERSHIP, socket.inet_aton(source.address) + card)
        return
    group = socket.inet_pton(socket.AF_INET6, source.address)
    opened.setsockopt(socket.IPPROTO_IPV6, socket.IPV6_JOIN_GROUP, group + bytes(4))


def _receive(link: Connection, source: RtpSource, opened: socket.socket, ring_name: str | None) -> None:
    ring = next_ring(ring_name, source.wanted.payload.rate_hz, len(source.inputs))
    session = Session(source.wanted, ring, time.monotonic(), source.title)
    send(link, Opened(ring.name, ring.rate_hz, source.title))
    opened.settimeout(_TICK_S)
    limit = _Limit()
    tick_s = state_s = 0.0
    last_reasons: tuple[tuple[str, str], ...] | None = None
    while not told_to_stop(link):
        while True:  # at least once: what waited while this process did not run is no silence
            try:
                data, place = opened.recvfrom(rtp.LARGEST_BYTES + 1)
            except TimeoutError:
                break
            except OSError as error:
                raise UserError(f"{source.title}: {error.strerror}; is the network up?") from None
            now_s = time.monotonic()
            session.arrived(data, place[0], place[1], now_s)
            if limit.reached(now_s) or now_s - tick_s >= _TICK_S:
                break
        tick_s = time.monotonic()
        session.tick(tick_s)
        state = session.state(tick_s)
        reasons = (*state.reasons, *limit.reasons(tick_s, source.title))
        if tick_s - state_s >= _STATE_S or reasons != last_reasons or session.news:
            while session.news:
                send(link, session.news.popleft())
            send(link, type(state)(reasons, state.line, state.squelch_open))
            state_s, last_reasons = tick_s, reasons


class _Limit:
    """Sleeps when too much comes, and remembers that it did."""

    def __init__(self) -> None:
        self._window_s, self._count = 0.0, 0
        self._flooded_s: float | None = None

    def reached(self, now_s: float) -> bool:
        """Another datagram was read. True when there were too many, after a pause."""
        if now_s - self._window_s >= _WINDOW_S:
            self._window_s, self._count = now_s, 0
        self._count += 1
        if self._count < MOST_PACKETS_S * _WINDOW_S:
            return False
        self._flooded_s = now_s
        time.sleep(max(0.0, self._window_s + _WINDOW_S - now_s))
        return True

    def reasons(self, now_s: float, title: str) -> list[tuple[str, str]]:
        """The flood, for a second after it."""
        if self._flooded_s is None or now_s - self._flooded_s >= 1.0:
            return []
        return [("flood", f"more than {MOST_PACKETS_S} packets a second come to {title}: find out who sends them")]

"""A rehearsal's radio: plays a sound file as RTP, as a ground radio would, to test the way to the listener.

It sends sound to one address, by default to this computer only. It is no part of the watch, keys no transmitter and
registers nowhere. The package's only sender.
"""

import random
import socket
import time
from collections.abc import Callable, Iterator
from ipaddress import ip_address
from pathlib import Path

import numpy as np
import soxr
from numpy.typing import NDArray

from listener import g711
from listener.errors import UsageError, UserError
from listener.network import ed137, rtp
from listener.network.codec import RADIO_KEEP_ALIVE, Payload, payload_named
from listener.sound.files import open_recording

PACKET_S = 0.02
_KEEP_ALIVE_S = 0.2
_DYNAMIC = 96


def where(text: str, yes: bool) -> tuple[str, int]:
    """HOST:PORT of the command line. Raises UsageError for what is none, and beyond this computer without `yes`."""
    host, _, port = text.rpartition(":")
    host = host.strip("[]")
    try:
        address = ip_address("127.0.0.1" if host == "localhost" else host)
        number = int(port)
    except ValueError:
        number = 0
    if not 1 <= number <= 65_535:
        raise UsageError(f"--rtp {text}: must be ADDRESS:PORT, for example 127.0.0.1:5004")
    if not (address.is_loopback or yes):
        raise UsageError(f"--rtp {text}: would send beyond this computer; if that is meant, say --yes too")
    return str(address), number


def encoder(payload: Payload) -> Callable[[NDArray[np.float32]], bytes]:
    """Makes payloads of float32 samples. Raises UsageError for what is not sent."""
    if payload.name in ("PCMU", "PCMA"):
        law = "mu" if payload.name == "PCMU" else "a"
        return lambda sound: g711.encode(_linear(sound), law).tobytes()
    if payload.name == "L16" and payload.channels == 1 and payload.rate_hz <= 32_000:
        return lambda sound: _linear(sound).astype(">i2").tobytes()
    raise UsageError(f"--codec {payload.title}: PCMU, PCMA and L16/8000 to L16/32000 can be sent")


def packets(file: Path, payload: Payload, with_ptt: bool, seed: int, channel: int = 0) -> Iterator[tuple[float, bytes]]:
    """A channel of the file, from 0, as packets with their times from the start.

    with_ptt: as a radio that tells its squelch: half a second of keep-alives with it closed, the sound with it open, and
    half a second closed again.
    """
    encode = encoder(payload)
    draw = random.Random(seed)
    ssrc, sequence, stamp = draw.getrandbits(32), draw.getrandbits(16), draw.getrandbits(32)
    number = payload.number if payload.number is not None else _DYNAMIC
    at_s = 0.0

    def packet(kind: int, data: bytes, extension: tuple[int, bytes] | None, marker: bool = False) -> bytes:
        nonlocal sequence
        sequence = (sequence + 1) % 65_536
        return rtp.build(rtp.Packet(kind, marker, sequence, stamp % 2**32, ssrc, data, extension))

    closed = ed137.write(ed137.RadioSays(0, 0, False))
    is_open = ed137.write(ed137.RadioSays(1, 1, True, (10, "RSSI"))) if with_ptt else None
    for _ in range(3 if with_ptt else 0):
        yield at_s, packet(RADIO_KEEP_ALIVE, b"", closed)
        at_s += _KEEP_ALIVE_S
    begins = True
    for piece in _pieces(file, channel, payload.rate_hz):
        yield at_s, packet(number, encode(piece), is_open, begins)
        begins = False
        at_s += PACKET_S
        stamp += round(PACKET_S * payload.clock_hz)
    for _ in range(3 if with_ptt else 0):
        yield at_s, packet(RADIO_KEEP_ALIVE, b"", closed)
        at_s += _KEEP_ALIVE_S


def send(file: Path, to: tuple[str, int], codec: str, with_ptt: bool, channel: int = 0) -> float:
    """Play a channel of it in real time; gives how many seconds were sent. Raises UserError for file, codec and network."""
    try:
        payload = payload_named(codec)
    except ValueError as error:
        raise UsageError(f"--codec: {error}") from None
    family = socket.AF_INET6 if ":" in to[0] else socket.AF_INET
    began_s, at_s = time.monotonic(), 0.0
    with socket.socket(family, socket.SOCK_DGRAM) as outlet:
        for at_s, data in packets(file, payload, with_ptt, seed=time.time_ns(), channel=channel):
            time.sleep(max(0.0, began_s + at_s - time.monotonic()))
            try:
                outlet.sendto(data, to)
            except ConnectionRefusedError:
                pass  # nobody listens yet
            except OSError as error:
                raise UserError(f"{to[0]} port {to[1]}: {error.strerror}") from None
    return at_s


def _pieces(file: Path, channel: int, rate_hz: int) -> Iterator[NDArray[np.float32]]:
    """20 ms each at this rate, the last one filled up with silence."""
    frames = round(PACKET_S * rate_hz)
    with open_recording(file) as recording:
        stream = soxr.ResampleStream(recording.rate_hz, rate_hz, 1, dtype="float32")
        rest = np.zeros(0, np.float32)
        for block in recording.blocks(1.0):
            rest = np.concatenate([rest, stream.resample_chunk(np.ascontiguousarray(block[:, channel]))])
            while len(rest) >= frames:
                yield rest[:frames]
                rest = rest[frames:]
        rest = np.concatenate([rest, stream.resample_chunk(np.zeros(0, np.float32), last=True)])
        while len(rest):
            yield np.pad(rest[:frames], (0, max(0, frames - len(rest))))
            rest = rest[frames:]


def _linear(sound: NDArray[np.float32]) -> NDArray[np.int16]:
    return np.clip(np.round(sound * 32_768), -32_768, 32_767).astype(np.int16)

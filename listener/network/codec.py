"""What the bytes of an RTP payload mean: payload types, and a decoder for each kind that is read.

The static types and their clocks are RFC 3551, table 4; Opus is RFC 7587. G.722's clock counts 8,000 a second
though it samples 16,000: a slip of the first standard that was kept (RFC 3551 4.5.2).
"""

import re
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
from numpy.typing import NDArray

from listener import g711
from listener.errors import UserError

COMFORT_NOISE, TELEPHONE_EVENT = 13, 101
"""Types that may come between the sound and hold none (RFC 3389; 101 by common use)."""
RADIO_KEEP_ALIVE = 123
"""The type of a radio's keep-alive without sound (R2S of EUROCAE ED-137; from memory and public use)."""


@dataclass(frozen=True, slots=True)
class Payload:
    """How sound is coded. clock_hz: of the timestamps; rate_hz: of the samples; number: its usual payload type."""

    name: str
    clock_hz: int
    rate_hz: int
    channels: int
    number: int | None

    @property
    def title(self) -> str:
        """As an SDP rtpmap has it.

        >>> payload_named("L16/44100/2").title
        'L16/44100/2'
        """
        return f"{self.name}/{self.clock_hz}" + (f"/{self.channels}" if self.channels > 1 else "")

    def frames_of(self, ticks: int) -> int:
        """Samples in so many ticks of its clock."""
        return ticks * self.rate_hz // self.clock_hz


STATIC = {
    0: Payload("PCMU", 8_000, 8_000, 1, 0),
    8: Payload("PCMA", 8_000, 8_000, 1, 8),
    9: Payload("G722", 8_000, 16_000, 1, 9),
    10: Payload("L16", 44_100, 44_100, 2, 10),
    11: Payload("L16", 44_100, 44_100, 1, 11),
}
"""The static payload types that are read (RFC 3551, table 4)."""

L16_RATES_HZ = (8_000, 11_025, 16_000, 22_050, 24_000, 32_000, 44_100, 48_000)
_NAME = re.compile(r"([A-Za-z0-9.-]+)(?:/(\d{1,6}))?(?:/(\d))?")
_KNOWN = "PCMU, PCMA, G722, L16/8000 to L16/48000 (L16/44100/2 for two channels), opus"


def payload_named(text: str) -> Payload:
    """The payload of a name such as "PCMU", "L16/16000" or "opus/48000/2". Raises ValueError for others.

    >>> payload_named("g722").clock_hz, payload_named("g722").rate_hz
    (8000, 16000)
    """
    found = _NAME.fullmatch(text.strip())
    if not found:
        raise ValueError(f"{text!r} is no payload that is read: {_KNOWN}")
    name, rate, channels = found[1].upper(), int(found[2] or 0), int(found[3] or 1)
    if name in ("PCMU", "PCMA", "G722") and rate in (0, 8_000) and channels == 1:
        return next(p for p in STATIC.values() if p.name == name)
    if name == "OPUS" and rate in (0, 48_000) and channels in (1, 2):
        return Payload("opus", 48_000, 48_000, 2 if found[3] == "2" else 1, None)
    if name == "L16" and rate in L16_RATES_HZ and channels in (1, 2):
        usual = next((p.number for p in STATIC.values() if (p.name, p.clock_hz, p.channels) == ("L16", rate, channels)), None)
        return Payload("L16", rate, rate, channels, usual)
    raise ValueError(f"{text!r} is no payload that is read: {_KNOWN}")


class Decoder(Protocol):
    """Turns payloads into samples, one after another."""

    def decode(self, data: bytes) -> NDArray[np.float32]:
        """One packet's sound, float32, shape (frames, channels). Raises ValueError for what is no such sound."""


def decoder(payload: Payload) -> Decoder:
    """A new decoder. Raises UserError where PyAV is needed and missing."""
    if payload.name in ("PCMU", "PCMA"):
        return _G711("mu" if payload.name == "PCMU" else "a")
    if payload.name == "L16":
        return _L16(payload.channels)
    return _Av("g722" if payload.name == "G722" else "opus", payload)


class _G711:
    def __init__(self, law: str) -> None:
        self._law = law

    def decode(self, data: bytes) -> NDArray[np.float32]:
        linear = g711.decode(np.frombuffer(data, np.uint8), self._law)
        return (linear.astype(np.float32) / np.float32(32_768))[:, None]


class _L16:
    """Signed 16-bit samples, most significant byte first, channels interleaved (RFC 3551 4.5.11)."""

    def __init__(self, channels: int) -> None:
        self._channels = channels

    def decode(self, data: bytes) -> NDArray[np.float32]:
        if len(data) % (2 * self._channels):
            raise ValueError(f"{len(data)} bytes are no whole samples")
        return (np.frombuffer(data, ">i2").astype(np.float32) / np.float32(32_768)).reshape(-1, self._channels)


class _Av:
    def __init__(self, name: str, payload: Payload) -> None:
        try:
            import av
        except ImportError:
            raise UserError(
                f"{payload.name} needs the extra media: pip install 'launch-listener[media]'; "
                "or have the sender use PCMU, PCMA or L16"
            ) from None
        self._packet = av.Packet
        self._errors: tuple[type[Exception], ...] = (av.FFmpegError, ValueError)
        context: Any = av.CodecContext.create(name, "r")
        context.sample_rate = payload.rate_hz
        context.layout = "stereo" if payload.channels == 2 else "mono"
        self._context = context
        self._channels = payload.channels

    def decode(self, data: bytes) -> NDArray[np.float32]:
        if not data:
            return np.zeros((0, self._channels), np.float32)
        try:
            frames = self._context.decode(self._packet(data))
        except self._errors as error:
            raise ValueError(f"not decoded: {error}") from None
        parts = [np.zeros((0, self._channels), np.float32), *(_samples(frame, self._channels) for frame in frames)]
        return np.concatenate(parts)


def _samples(frame: Any, channels: int) -> NDArray[np.float32]:
    """float32, shape (n, channels), of a decoded frame, planar or packed, 16-bit or float."""
    sound = frame.to_ndarray()
    if not frame.format.is_planar:
        sound = sound.reshape(-1, len(frame.layout.channels)).T
    if sound.dtype == np.int16:
        sound = sound.astype(np.float32) / np.float32(32_768)
    sound = sound.astype(np.float32, copy=False).T
    if sound.shape[1] >= channels:
        return sound[:, :channels]
    return np.repeat(sound[:, :1], channels, axis=1)

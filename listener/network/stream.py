"""A stream from an HTTP or Icecast server, through PyAV, in a process of its own that connects anew when it breaks off."""

import queue
import threading
import time
from dataclasses import dataclass
from multiprocessing.connection import Connection
from typing import Any

import numpy as np
from numpy.typing import NDArray

from listener.errors import UserError
from listener.sound.ring import Ring
from listener.sound.source import LineState, Lost, Opened, Unending, next_ring, send, told_to_stop

_CONNECT_S, _READ_S = 5.0, 3.0
_AHEAD_S = 10.0  # servers begin with some seconds at once; a file would all come at once
_STATE_S = 0.25

Decoded = queue.Queue[NDArray[np.float32] | str]
"""Sound, shape (n, channels); at the end a line that says why."""


@dataclass(frozen=True, slots=True)
class StreamSource(Unending):
    """What a server sends at this address. It is only read: nothing but the request goes out."""

    url: str
    inputs: tuple[int, ...]
    silent_s: float = 1.0

    @property
    def title(self) -> str:
        """The address."""
        return self.url

    def run(self, link: Connection, ring_name: str | None) -> None:
        """Listen until told to stop or the stream breaks off; then the supervisor connects anew."""
        try:
            _listen(link, self, ring_name)
        except UserError as error:
            send(link, Lost(str(error), "network"))


def _listen(link: Connection, source: StreamSource, ring_name: str | None) -> None:
    try:
        import av
    except ImportError:
        raise UserError(f"{source.url}: streams need the extra media: pip install 'launch-listener[media]'") from None
    # A playlist among what the server sends must not have other things opened than the web.
    allowed = {"protocol_whitelist": "http,https,tcp,tls,crypto"}
    try:
        container: Any = av.open(source.url, timeout=(_CONNECT_S, _READ_S), options=allowed)
    except (av.FFmpegError, OSError, ValueError) as error:
        raise UserError(f"{source.url}: {_said(error)}; is the server there, and the address right?") from None
    sound = next(iter(container.streams.audio), None)
    if sound is None:
        raise UserError(f"{source.url}: there is no sound in it")
    context = sound.codec_context
    channels = int(context.channels)
    if max(source.inputs) > channels:
        raise UserError(f"{source.url}: has no input {max(source.inputs)}, it has {channels}")
    ring = next_ring(ring_name, int(context.sample_rate), len(source.inputs))
    send(link, Opened(ring.name, ring.rate_hz, source.url))
    decoded: Decoded = queue.Queue(maxsize=50)
    same = av.AudioResampler(format="fltp", layout=context.layout.name, rate=ring.rate_hz)

    def decode() -> None:
        said = "the stream has ended"
        try:
            for frame in container.decode(sound):
                for piece in same.resample(frame):
                    decoded.put(np.asarray(piece.to_ndarray().T, np.float32))
        except (av.FFmpegError, OSError, ValueError) as error:
            said = _said(error)
        decoded.put(said)

    threading.Thread(target=decode, daemon=True).start()
    _write(link, source, ring, decoded, f"{context.name} {ring.rate_hz} Hz")


def _write(link: Connection, source: StreamSource, ring: Ring, decoded: Decoded, line: str) -> None:
    began_s = came_s = time.monotonic()
    columns, state_s, frames = np.array(source.inputs) - 1, 0.0, 0
    last: tuple[tuple[str, str], ...] | None = None
    while not told_to_stop(link):
        now_s = time.monotonic()
        if frames / ring.rate_hz - (now_s - began_s) > _AHEAD_S:
            time.sleep(0.02)
        else:
            try:
                piece = decoded.get(timeout=0.05)
            except queue.Empty:
                pass
            else:
                if isinstance(piece, str):
                    raise UserError(f"{source.url}: broke off: {piece}; connecting anew")
                ring.write(piece[:, columns])
                frames, came_s = frames + len(piece), now_s
        silent_s = now_s - came_s
        reasons = (("nobody_sending", f"{source.url}: nothing comes"),) if silent_s >= source.silent_s else ()
        if now_s - state_s >= _STATE_S or reasons != last:
            send(link, LineState(reasons, line))
            state_s, last = now_s, reasons


def _said(error: Exception) -> str:
    return str(getattr(error, "strerror", None) or error)

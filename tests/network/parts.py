"""Parts for tests of radio over the network: packets, and a list in place of a ring."""

from collections.abc import Iterator

import numpy as np

from listener import g711
from listener.network import rtp
from listener.network.codec import payload_named
from listener.network.session import Session, Wanted

RATE_HZ = 8_000
FRAMES = 160
HERE = ("192.0.2.7", 5004)


class Memory:
    """A Sink that keeps everything."""

    def __init__(self) -> None:
        self._parts: list[np.ndarray] = []
        self.written = 0

    def write(self, sound: np.ndarray) -> None:
        self._parts.append(sound)
        self.written += len(sound)

    @property
    def sound(self) -> np.ndarray:
        return np.concatenate([np.zeros((0, 1), np.float32), *self._parts])[:, 0]


def voice(length_s: float, rate_hz: int = RATE_HZ, seed: int = 1) -> np.ndarray:
    """Something like a voice: a pitch of 120 Hz with harmonics, in syllables, as G.711 leaves it."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    wave = sum(np.sin(2 * np.pi * 120 * k * t) / k for k in range(1, 12))
    noise = np.random.default_rng(seed).standard_normal(len(t))
    return g711.through(0.1 * wave * (0.6 + 0.4 * np.sin(2 * np.pi * 3 * t)) + 0.003 * noise, "mu")


def pcmu(sound: np.ndarray) -> bytes:
    return g711.encode(np.round(sound * 32_768).astype(np.int16), "mu").tobytes()


def packets(
    sound: np.ndarray, ssrc: int = 1, sequence: int = 65_500, timestamp: int = 2**32 - 1_000,
    extension: tuple[int, bytes] | None = None,
) -> Iterator[bytes]:  # fmt: skip
    """PCMU of 20 ms each; numbers and timestamps wrap around soon."""
    for n in range(len(sound) // FRAMES):
        yield rtp.build(
            rtp.Packet(
                0, n == 0, (sequence + n) % 65_536, (timestamp + n * FRAMES) % 2**32, ssrc,
                pcmu(sound[n * FRAMES : (n + 1) * FRAMES]), extension,
            )
        )  # fmt: skip


def session(sink: Memory | None = None, **wanted: object) -> tuple[Session, Memory]:
    sink = sink or Memory()
    return Session(Wanted(payload_named("PCMU"), 0, **wanted), sink, 0.0, "239.1.1.1 port 5004"), sink


def play(to: Session, sent: list[tuple[float, bytes]], until_s: float, host: str = "192.0.2.7", port: int = 5004) -> list:
    """Packets at their times, a tick every 20 ms; gives the state at every tick as (time, LineState)."""
    states, now_s, waiting = [], 0.0, sorted(sent, key=lambda one: one[0])
    while now_s < until_s:
        while waiting and waiting[0][0] <= now_s:
            at_s, data, *place = waiting.pop(0)
            to.arrived(data, *(place or (host, port)), at_s)
        to.tick(now_s)
        states.append((now_s, to.state(now_s)))
        now_s = round(now_s + 0.02, 6)
    return states


def codes(states: list, from_s: float, to_s: float) -> set[str]:
    return {code for at_s, state in states if from_s <= at_s < to_s for code, _ in state.reasons}

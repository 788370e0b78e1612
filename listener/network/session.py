"""One channel's RTP, from datagrams to sound in a ring. It knows no socket and no clock: both are its caller's.

Datagrams may come from anybody. Whatever they hold, a Session keeps a bounded amount of them, raises nothing, and says
in state() what is wrong with what it hears.
"""

from collections import deque
from dataclasses import dataclass, field
from typing import Protocol

import numpy as np
from numpy.typing import NDArray

from listener.network import ed137, rtp
from listener.network.codec import COMFORT_NOISE, RADIO_KEEP_ALIVE, TELEPHONE_EVENT, Payload, decoder
from listener.network.conceal import CONTEXT_S, conceal
from listener.network.drift import Drift
from listener.network.ed137 import RadioSays
from listener.network.jitter import DEPTH_S, JitterBuffer, Missing
from listener.network.tally import Tally
from listener.sound.source import LineState, Transmission, Unheard

CONCEAL_S = 0.06
"""A longer loss is silence for the ear too."""
STALL_S = 0.3
"""When packets stop, silence is written after this time: the ear needs some behind a last word to tell it."""
HANDOVER_S = 0.2
"""Another sender takes over when the one before it has been silent for this long; until then there are two."""
_RIVAL_TOLD_S = 1.0
_SOUND_TOLD_S = 1.0
_MOST_SENDERS = 8
_LOSS_TOLD_S = 10.0
_LONGEST_FILL_S = 1.0


class Sink(Protocol):
    """Where the sound goes: a Ring, or a list in memory."""

    @property
    def written(self) -> int:
        """How many frames there are."""

    def write(self, sound: NDArray[np.float32]) -> None:
        """The next frames, shape (n, columns)."""


@dataclass(frozen=True, slots=True)
class Wanted:
    """What a channel listens for.

    payload, number: the coding and its payload type. inputs: channels of it, counted from 1. ssrc: only this source.
    sources: only packets from these addresses; empty for all. silent_s: nobody sending for this long is blind.
    loss_percent: so much loss within a second is blind.
    """

    payload: Payload
    number: int
    inputs: tuple[int, ...] = (1,)
    ssrc: int | None = None
    sources: tuple[str, ...] = ()
    depth_s: float = DEPTH_S
    silent_s: float = 1.0
    loss_percent: float = 20.0


@dataclass
class _Sender:
    """One source of packets: an address with its SSRC."""

    sequence: rtp.Sequence
    last_s: float
    waiting: list[tuple[rtp.Packet, float]] = field(default_factory=list)


class Session:
    """Feed arrived() with each datagram and tick() often, both with a monotonic time; read state() and news."""

    def __init__(self, wanted: Wanted, sink: Sink, now_s: float, where: str) -> None:
        self.wanted, self.where = wanted, where
        self.news: deque[Unheard | Transmission] = deque(maxlen=200)
        self.tally = Tally(now_s)
        self._sink = sink
        self._columns = np.array(wanted.inputs) - 1
        self._rate_hz = wanted.payload.rate_hz
        self._senders: dict[tuple[str, int, int], _Sender] = {}
        self._current: tuple[str, int, int] | None = None
        self._packet_s = now_s
        self._sound_s, self._had_sound = now_s, False  # when the last sound came in
        self._rival_s: float | None = None
        self._wrong: tuple[int, float] | None = None
        self._says: RadioSays | None = None
        self._spoke: dict[str, bool] = {}
        self._context = np.zeros((0, len(wanted.inputs)), np.float32)
        self._filled = 0  # frames of silence since
        self._restart(now_s)

    # -- what comes in ------------------------------------------------------------------------------------

    def arrived(self, data: bytes, host: str, port: int, now_s: float) -> None:
        """A datagram has come from there."""
        if self.wanted.sources and host not in self.wanted.sources:
            self.tally.refuse(host, now_s)
            return
        if rtp.is_rtcp(data):
            return
        try:
            packet = rtp.parse(data)
        except rtp.BadPacket:
            self.tally.bad += 1
            return
        if self.wanted.ssrc not in (None, packet.ssrc):
            self.tally.other_ssrc = packet.ssrc
            return
        self._from_sender((host, port, packet.ssrc), packet, now_s)

    def _from_sender(self, key: tuple[str, int, int], packet: rtp.Packet, now_s: float) -> None:
        sender = self._senders.get(key)
        if sender is None:
            if len(self._senders) >= _MOST_SENDERS:
                others = [k for k in self._senders if k != self._current]
                del self._senders[min(others, key=lambda k: self._senders[k].last_s)]
            sender = self._senders[key] = _Sender(rtp.Sequence(packet.sequence), now_s)
        sender.last_s = now_s
        meaning = sender.sequence.take(packet.sequence)
        if meaning == "probation":
            sender.waiting = [(packet, now_s)]
        elif meaning in ("new", "old", "restart") and self._may_speak(key, now_s):
            if meaning == "restart":
                self._restart(now_s)
            for held, came_s in [*sender.waiting, (packet, now_s)]:
                self._take(held, came_s)
            sender.waiting = []

    def _may_speak(self, key: tuple[str, int, int], now_s: float) -> bool:
        """Whether this is the sender that is listened to; another one takes its place when it has gone."""
        if key == self._current:
            return True
        if self._current is not None:
            before = self._senders[self._current]
            if now_s - before.last_s < HANDOVER_S:
                self._rival_s = now_s
                return False
            self.tally.changes += 1
        self._current = key
        self._restart(now_s)
        return True

    def _restart(self, now_s: float) -> None:
        """A stream begins: its numbers have nothing to do with those before."""
        self._decoder = decoder(self.wanted.payload)
        self._buffer = JitterBuffer(self.wanted.depth_s)
        self._sequence, self._stamp = rtp.Unwrapped(16), rtp.Unwrapped(32)
        self._arrival_stamp = rtp.Unwrapped(32)
        self.jitter, self.drift = rtp.Jitter(), Drift()
        self._origin: int | None = None  # the frame at which timestamp 0 would lie
        self._lost_packets = False

    def _take(self, packet: rtp.Packet, now_s: float) -> None:
        kind = packet.payload_type
        self._packet_s = now_s
        if kind == self.wanted.number and packet.payload:
            stamp_s = self._arrival_stamp.tell(packet.timestamp) / self.wanted.payload.clock_hz
            self.jitter.arrived(now_s, stamp_s)
            self.drift.arrived(now_s, stamp_s)
        elif kind not in (self.wanted.number, COMFORT_NOISE, TELEPHONE_EVENT, RADIO_KEEP_ALIVE):
            self._wrong = (kind, now_s)
        if self._buffer.put(self._sequence.tell(packet.sequence), packet, now_s):
            self._go_on(now_s)

    # -- what goes on ----------------------------------------------------------------------------------------

    def tick(self, now_s: float) -> None:
        """Time has passed: give up what is overdue; where nothing comes, let silence run."""
        self._go_on(now_s)
        silent_s = now_s - self._sound_s
        if silent_s < STALL_S or self._buffer.due_s is not None:  # what is held back goes on before long, in its place
            return
        behind = round(silent_s * self._rate_hz) - self._filled
        if behind > 0:
            frames = min(behind, round(_LONGEST_FILL_S * self._rate_hz))
            self._write(np.zeros((frames, len(self._columns)), np.float32))
            self._filled += frames
            self._origin = None

    def _go_on(self, now_s: float) -> None:
        for item in self._buffer.ready(now_s):
            if isinstance(item, Missing):
                self._lost_packets = True
            else:
                self._hear(item, now_s)

    def _hear(self, packet: rtp.Packet, now_s: float) -> None:
        is_sound = packet.payload_type == self.wanted.number and bool(packet.payload)
        if not is_sound:
            self._listen_to_radio(packet)
            self._lost_packets = False
            return
        try:
            sound = self._decoder.decode(packet.payload)[:, self._columns]
        except (ValueError, IndexError):
            self.tally.bad += 1
            return
        if not len(sound):
            return
        self._close_gap(packet, sound, now_s)
        self._listen_to_radio(packet)
        self._write(sound)
        self.tally.heard(len(sound), now_s)
        self._lost_packets = False
        self._sound_s, self._filled, self._had_sound = now_s, 0, True

    def _close_gap(self, packet: rtp.Packet, sound: NDArray[np.float32], now_s: float) -> None:
        """Bring the ring to where this packet's sound belongs."""
        place = self._stamp.tell(packet.timestamp) * self._rate_hz // self.wanted.payload.clock_hz
        written = self._sink.written
        if self._origin is None:
            self._after_pause(len(sound), now_s)
            self._origin = self._sink.written - place
            return
        gap = self._origin + place - written
        longest = round((now_s - self._sound_s + self.wanted.depth_s + 0.5) * self._rate_hz)
        if abs(gap) < self._rate_hz // 1_000 or not 0 <= gap <= longest:
            # Rounding, or a clock that jumped: the sound follows on what is there.
            self._origin = written - place
            return
        if not self._lost_packets:
            self._write(np.zeros((gap, len(self._columns)), np.float32))  # the sender paused
        elif gap <= round(CONCEAL_S * self._rate_hz):
            sides = [conceal(self._context[:, c], sound[:, c], gap, self._rate_hz) for c in range(len(self._columns))]
            self._write(np.stack(sides, axis=1))
            self.tally.lost(written, gap, now_s)
        else:
            self._write(np.zeros((gap, len(self._columns)), np.float32))
            self.tally.lost(written, gap, now_s)
            self.news.append(Unheard(written, written + gap, gap / self._rate_hz, "lost in the network"))

    def _after_pause(self, frames: int, now_s: float) -> None:
        """So many frames come after a silence, or from a new sender: what of the silence was not the radio's is told."""
        if not self._had_sound:
            return
        silent = round((now_s - self._sound_s) * self._rate_hz) - frames
        if silent > self._filled:
            rest = min(silent - self._filled, round(_LONGEST_FILL_S * self._rate_hz))
            self._write(np.zeros((rest, len(self._columns)), np.float32))
            self._filled += rest
        after, seconds = self._sink.written, self._filled / self._rate_hz
        squelched = self._says is not None and not self._says.squelch_open
        if squelched or not self._filled:
            return
        if self._lost_packets:
            self.tally.lost(after - self._filled, self._filled, now_s)
        if self._lost_packets or seconds >= self.wanted.silent_s:
            why = "lost in the network" if self._lost_packets else "nobody was sending"
            self.news.append(Unheard(after - self._filled, after, seconds, why))

    def _write(self, sound: NDArray[np.float32]) -> None:
        self._sink.write(sound)
        self._context = np.concatenate([self._context, sound])[-round(CONTEXT_S * self._rate_hz) :]

    def _listen_to_radio(self, packet: rtp.Packet) -> None:
        says = ed137.read(packet.extension)
        if says is None:
            return
        self._says = says
        ptt = f"{says.ptt_name}, id {says.ptt_id}" if says.ptt else ""
        for what, now_open, detail in (("squelch", says.squelch_open, ""), ("ptt", says.ptt != 0, ptt)):
            if now_open != self._spoke.get(what, False):
                self.news.append(Transmission(what, now_open, self._sink.written, detail))
            self._spoke[what] = now_open

    # -- what people are told -------------------------------------------------------------------------------------

    def state(self, now_s: float) -> LineState:
        """How the line is now."""
        told = self.tally.loss_told(now_s, _LOSS_TOLD_S)
        if told:
            frames, percent, first, after = told
            why = f"{percent:.1f} % of {_LOSS_TOLD_S:.0f} s lost in the network; concealed for the recogniser"
            self.news.append(Unheard(first, after, frames / self._rate_hz, why))
        squelch = self._says.squelch_open if self._says else None
        return LineState(tuple(self._reasons(now_s)), self._line(now_s), squelch)

    def _reasons(self, now_s: float) -> list[tuple[str, str]]:
        found = []
        if self._rival_s is not None and now_s - self._rival_s < _RIVAL_TOLD_S:
            hosts = " and ".join(sorted({f"{h} port {p}" for h, p, _ in self._senders}))
            found.append(("two_senders", f"two senders on {self.where}: {hosts}; name the right one by ssrc or sources"))
        if now_s - self._packet_s >= self.wanted.silent_s:
            return [*found, ("nobody_sending", f"nobody sends to {self.where}{self.tally.hint(now_s, self.wanted.ssrc)}")]
        if now_s - self._sound_s >= _SOUND_TOLD_S:
            if self._wrong and now_s - self._wrong[1] < _SOUND_TOLD_S:
                kind, wanted = self._wrong[0], self.wanted
                found.append(("payload", f"payload type {kind} comes, {wanted.number} ({wanted.payload.title}) is set"))
            elif self._says is None:
                found.append(("nobody_sending", f"packets come to {self.where}, but none with sound"))
            elif self._says.squelch_open:
                found.append(("nobody_sending", "the radio says that its squelch is open, but sends no sound"))
        percent = self.tally.loss_percent(now_s, 1.0)
        if percent >= self.wanted.loss_percent:
            found.append(("loss", f"{percent:.0f} % of the last second was lost in the network"))
        return found

    def _line(self, now_s: float) -> str:
        parts = [self.wanted.payload.title]
        if self._current:
            parts[0] += f" from {self._current[0]}"
        parts += [f"loss {self.tally.loss_percent(now_s, 10.0):.1f} %", f"jitter {1_000 * self.jitter.seconds:.0f} ms"]
        if (ppm := self.drift.ppm) is not None:
            parts.append(f"clock {round(ppm):+d} ppm")
        if self.tally.changes:
            parts.append(f"{self.tally.changes} changes of sender")
        if self._says:
            parts.append("squelch open" if self._says.squelch_open else "squelch closed")
            if self._says.quality:
                parts.append(ed137.quality_text(self._says.quality))
        return ", ".join(parts)

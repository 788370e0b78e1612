"""A packet capture through Monitors: each RTP stream in it is a channel, with the capture's wall-clock times."""

from collections.abc import Callable, Iterator
from datetime import UTC, datetime
from pathlib import Path

from listener.errors import UsageError, UserError
from listener.events import Block
from listener.monitor import Monitor, engine_failures_told
from listener.network.captures import CapturedStream, sound_of, streams
from listener.replay.run import Progress
from listener.settings import Settings
from listener.speech.spotter import Engine

_BLOCK_S = 1.0


def replay_capture(
    path: Path, settings: Settings, engine: Engine, only: int | None, tell: Callable[[str], None]
) -> Iterator[Progress]:
    """Hear the streams of a capture, one after another; `only` is the number of one. tell: a line for people.

    Times are seconds from the capture's first RTP packet. Raises UserError for a capture without a stream that is read,
    and, after what could be heard, for one that broke off; UsageError for a number that no stream has.
    """
    found, broken = streams(path)
    if not found:
        raise UserError(broken or f"{path}: no RTP stream of five packets or more is in it")
    if only is not None and only >= len(found):
        raise UsageError(f"--stream {only}: {path} has streams 0 to {len(found) - 1}")
    zero_s = min(stream.began_unix_s for stream in found)
    channels = _channels(found)
    for number, stream in enumerate(found):
        tell(
            f"{path}: stream {number}: {utc(stream.began_unix_s)} {stream.seconds:.1f} s  {stream.title}"
            f"{_by_sender(stream)}{_numbers(number, channels[number])}"
        )
    heard = 0
    for number, stream in enumerate(found):
        if stream.payload is None or only not in (None, number):
            continue
        heard += 1
        yield from _hear(path, stream, number, channels[number], zero_s, settings, engine, tell)
    if not heard:
        raise UserError(f"{path}: nothing in it says how its sound is coded, or it is coded in a way that is not read")
    if broken:
        raise UserError(broken)


def _channels(found: list[CapturedStream]) -> list[range]:
    """The numbers of each stream's channels, counted on from stream to stream: with one channel each, the stream's own."""
    numbers, first = [], 0
    for stream in found:
        count = stream.payload.channels if stream.payload else 1
        numbers.append(range(first, first + count))
        first += count
    return numbers


def _hear(
    path: Path, stream: CapturedStream, number: int, channels: range, zero_s: float, settings: Settings, engine: Engine,
    tell: Callable[[str], None],
) -> Iterator[Progress]:  # fmt: skip
    sound, missing = sound_of(stream)
    assert stream.payload
    for gap in missing:
        when = utc(stream.began_unix_s + gap.first / stream.payload.rate_hz)
        tell(f"{path}: stream {number}: {gap.seconds:.2f} s missing at {when}: {gap.why}")
    rate_hz, offset = stream.payload.rate_hz, round((stream.began_unix_s - zero_s) * stream.payload.rate_hz)
    monitors = [Monitor(settings, rate_hz, channel, engine) for channel in channels]
    step, length_s = round(_BLOCK_S * rate_hz), len(sound) / rate_hz
    for at in range(0, len(sound), step):
        piece = sound[at : at + step]
        with engine_failures_told(path, monitors):
            events = [e for m, one in zip(monitors, piece.T) for e in m.feed(Block(one, offset + at, rate_hz))]
        # The stretch before a later stream's first packet is none of its gaps.
        events = [e for e in events if at or e.kind != "fault"]
        yield Progress(events, (at + len(piece)) / rate_hz, length_s, 1, zero_s)
    with engine_failures_told(path, monitors):
        yield Progress([e for m in monitors for e in m.finish()], length_s, length_s, 1, zero_s)


def utc(unix_s: float) -> str:
    """ISO 8601 with milliseconds, as the journal has it."""
    return f"{datetime.fromtimestamp(unix_s, UTC):%Y-%m-%dT%H:%M:%S.%f}"[:-3] + "Z"


def _numbers(number: int, channels: range) -> str:
    """Which channels those are, unless it is one with the stream's number."""
    if list(channels) == [number]:
        return ""
    return f", channel{'s' if len(channels) > 1 else ''} {' and '.join(map(str, channels))}"


def _by_sender(stream: CapturedStream) -> str:
    own = stream.sender_unix_s
    return "" if own is None else f", {utc(own)} by the sender's clock (RTCP)"

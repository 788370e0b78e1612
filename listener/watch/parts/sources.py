"""From the settings' channels to sources: what is to be opened, and which channel hears which input of it."""

from collections.abc import Sequence
from pathlib import Path

from listener.errors import SettingsError
from listener.network import sdp
from listener.network.codec import payload_named
from listener.network.pipe import PipeSource, StandardInput
from listener.network.receiver import RtpSource
from listener.network.session import Wanted
from listener.network.stream import StreamSource
from listener.settings.watch import ChannelSettings, RtpSettings, WatchSettings
from listener.sound import capture
from listener.sound.source import Source

_DYNAMIC = 96
"""The first payload type that has no fixed meaning (RFC 3551), and the usual one."""


def sources_of(watch: WatchSettings, speed: float, rounds: int) -> list[tuple[Source, Sequence[str]]]:
    """Each source once, with the names of the channels that hear its inputs, in the order of its inputs.

    speed, rounds: of files. Raises SettingsError for a description that cannot be used.
    """
    groups: dict[object, list[ChannelSettings]] = {}
    for one in watch.channels:
        key = (one.device, one.rate_hz, one.file, one.rtp, one.pipe, one.format, one.channels, one.url)
        groups.setdefault(key, []).append(one)
    found: list[tuple[Source, Sequence[str]]] = []
    for members in groups.values():
        first, inputs = members[0], tuple(member.input for member in members)
        source: Source
        if first.rtp:
            source = rtp_source(first.rtp, inputs, watch)
        elif first.pipe:
            assert first.rate_hz
            path = StandardInput() if first.pipe == "-" else Path(first.pipe)
            source = PipeSource(
                path, first.rate_hz, first.format, first.channels, inputs, watch.supervision.no_frames_s
            )
        elif first.url:
            source = StreamSource(first.url, inputs, watch.supervision.no_frames_s)
        else:
            source = capture.Source(first.device, inputs, first.rate_hz, first.file, speed, rounds)
        found.append((source, [member.name for member in members]))
    return found


def rtp_source(own: RtpSettings, inputs: tuple[int, ...], watch: WatchSettings) -> RtpSource:
    """The radio that these settings mean."""
    if own.sdp:
        media = sdp.read(own.sdp)
        address, port = media.address, media.port
        number, payload = next(iter(media.payloads.items()))
    else:
        assert own.address
        address, port, payload = own.address, own.port, payload_named(own.payload)
        number = payload.number if payload.number is not None else _DYNAMIC
        if own.payload_type is not None:
            number = own.payload_type
    if max(inputs) > payload.channels:
        raise SettingsError(f"{address} port {port}: {payload.title} has no input {max(inputs)}")
    wanted = Wanted(
        payload, number, inputs, own.ssrc, own.sources, own.jitter_buffer_s, watch.supervision.no_frames_s,
        watch.health.loss_percent or 101.0,
    )  # fmt: skip
    return RtpSource(address, port, wanted, own.interface)

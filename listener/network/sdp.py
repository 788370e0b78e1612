"""A session description (SDP, RFC 8866): where a stream is sent, and what its payload types mean."""

import re
from dataclasses import dataclass, field
from ipaddress import ip_address
from pathlib import Path

from listener.errors import SettingsError
from listener.network.codec import STATIC, Payload, payload_named

_LARGEST_BYTES = 64_000
_LONGEST_LINES = 2_000


@dataclass(frozen=True, slots=True)
class Media:
    """One audio stream of a description. payloads: by payload type, those that are read, the preferred one first."""

    address: str
    port: int
    payloads: dict[int, Payload]
    title: str = ""


@dataclass(slots=True)
class _Draft:
    port: int
    numbers: list[int]
    address: str = ""
    named: dict[int, str] = field(default_factory=dict)


def parse(text: str) -> list[Media]:
    """The audio streams in a description, in order; what is not understood is passed over.

    >>> parse("v=0\\nc=IN IP4 239.1.2.3/16\\nm=audio 5004 RTP/AVP 0\\n")[0].address
    '239.1.2.3'
    """
    title, session_address = "", ""
    drafts: list[_Draft] = []
    for line in text.splitlines()[:_LONGEST_LINES]:
        kind, _, value = line.strip().partition("=")
        if kind == "s":
            title = value.strip()[:60]
        elif kind == "c" and (address := _address(value)):
            if drafts:
                drafts[-1].address = address
            else:
                session_address = address
        elif kind == "m":
            found = re.match(r"audio (\d{1,5})(?:/\d+)? RTP/S?AVPF?((?: \d{1,3})+)\s*$", value)
            # A stream that is no sound stands here too, for the lines that belong to it.
            drafts.append(_Draft(int(found[1]), [int(n) for n in found[2].split()]) if found else _Draft(0, []))
        elif kind == "a" and drafts and (mapped := re.match(r"rtpmap:(\d{1,3}) (\S+)", value)):
            drafts[-1].named[int(mapped[1])] = mapped[2]
    streams = []
    for draft in drafts:
        payloads = {n: p for n in draft.numbers if (p := payload_of(n, draft.named))}
        if 0 < draft.port <= 65_535 and payloads:
            streams.append(Media(draft.address or session_address, draft.port, payloads, title))
    return streams


def payload_of(number: int, named: dict[int, str]) -> Payload | None:
    """What a payload type means: by its rtpmap if it has one, else by RFC 3551; None for what is not read here."""
    if number in named:
        try:
            return payload_named(named[number])
        except ValueError:
            return None
    return STATIC.get(number)


def read(path: Path) -> Media:
    """The first audio stream of a description file. Raises SettingsError for what cannot be used."""
    try:
        with path.open("rb") as file:
            text = file.read(_LARGEST_BYTES).decode("utf-8", "replace")
    except OSError as error:
        raise SettingsError(f"{path}: cannot be read: {error.strerror}") from None
    streams = parse(text)
    if not streams:
        raise SettingsError(f"{path}: describes no audio in a form that is read (PCMU, PCMA, G722, L16, opus)")
    if not streams[0].address:
        raise SettingsError(f"{path}: says no address (a line such as c=IN IP4 239.1.2.3)")
    return streams[0]


def _address(value: str) -> str:
    found = re.match(r"IN IP[46] ([0-9A-Fa-f.:]+)", value)
    try:
        return str(ip_address(found[1])) if found else ""
    except ValueError:
        return ""

"""The settings of the live station: the `watch:` part of the settings file."""

import os
from collections.abc import Sequence
from ipaddress import ip_address
from pathlib import Path
from typing import Annotated, Any, Literal

from pydantic import BeforeValidator, Field, SecretStr, field_validator, model_validator

from listener.yaml_file import READS_AS_TRUTH, Checked, FilePath, Line


def _off(value: Any) -> Any:
    # YAML 1.1 reads a bare off as false.
    return None if value in (False, "off") else value


_PAYLOAD = (
    r"^(?i:PCMU|PCMA|G722|L16/(8000|11025|16000|22050|24000|32000|44100|48000)(/2)?|opus(/48000(/[12])?)?)$"
)


class RtpSettings(Checked):
    """A radio that comes over the network by RTP: this computer only listens, and answers nothing."""

    address: str | None = None
    """Where it is sent to: an address of this computer, or a multicast group. Nothing else is listened to."""
    port: int = Field(5004, ge=1, le=65_535)
    """The UDP port."""
    payload: str = Field("PCMU", pattern=_PAYLOAD)
    """How the sound is coded: PCMU, PCMA, G722, L16/16000 (8000 to 48000; L16/44100/2 has two channels) or opus."""
    payload_type: int | None = Field(None, ge=0, le=127)
    """The payload type's number; without it, the usual one: 0, 8 or 9, and 96 for those that have none."""
    sdp: FilePath | None = None
    """A session description (SDP) that says address, port and payload, in their place."""
    ssrc: int | None = Field(None, ge=0, lt=1 << 32)
    """Only this source, where several send to one port."""
    sources: tuple[str, ...] = ()
    """Only packets from these addresses; empty for all."""
    interface: str = ""
    """For a multicast group: the address of the network card to hear it on."""
    jitter_buffer_s: float = Field(0.06, ge=0.0, le=0.5)
    """How long a packet that is missing is waited for."""

    @property
    def place(self) -> tuple[object, ...]:
        """What no two radios may share."""
        return (self.sdp,) if self.sdp else (self.address, self.port, self.ssrc)

    @field_validator("address", "interface")
    @classmethod
    def _is_address(cls, text: str | None) -> str | None:
        return _address(text) if text else text

    @field_validator("sources")
    @classmethod
    def _are_addresses(cls, texts: tuple[str, ...]) -> tuple[str, ...]:
        return tuple(_address(text) for text in texts)

    @model_validator(mode="after")
    def _one_description(self) -> "RtpSettings":
        if (self.address is None) == (self.sdp is None):
            raise ValueError("needs either address (an IP address, with port and payload) or sdp (a file)")
        return self


def _address(text: str) -> str:
    try:
        return str(ip_address(text))
    except ValueError:
        raise ValueError(f"{text!r} is no IP address such as 192.0.2.7 or 239.1.2.3") from None


class ChannelSettings(Checked):
    """One frequency: its name, and where its sound comes from: a sound card, or one of file, rtp, pipe, url."""

    name: str = Field("Launch", min_length=1, max_length=24)
    """What people call this frequency."""
    device: str | int | None = None
    """The sound device: its name or part of it, or its number ("listener devices"). Without it: the default."""
    input: int = Field(1, ge=1, le=32)
    """Which input of the device, counted from 1 (a stereo jack has 1, left, and 2, right)."""
    rate_hz: int | None = Field(None, ge=4_000, le=192_000)
    """Sample rate for the device; without it, its own."""
    file: FilePath | None = None
    """For exercises: a sound file that is played, over and over, in place of a device."""
    rtp: RtpSettings | None = None
    """A radio on the network, in place of a device."""

    pipe: Annotated[str | None, Field(min_length=1)] = None
    """Raw PCM out of a named pipe, or of the standard input ("-"), in place of a device; rate_hz says its rate."""
    format: Literal["s16le", "s16be", "s32le", "f32le", "u8", "s8"] = "s16le"
    """The samples of a pipe: s16le is signed, 16 bits, little end first."""
    channels: int = Field(1, ge=1, le=32)
    """How many channels a pipe has, interleaved; `input` says which one this is."""
    url: str | None = Field(None, pattern=r"^https?://[^\s]+$")
    """A stream of an HTTP or Icecast server, in place of a device."""

    @property
    def is_card(self) -> bool:
        """It listens to a sound card."""
        return not (self.file or self.rtp or self.pipe or self.url)

    @model_validator(mode="after")
    def _one_source(self) -> "ChannelSettings":
        given = [key for key in ("device", "file", "rtp", "pipe", "url") if getattr(self, key) is not None]
        if len(given) > 1:
            raise ValueError(f"channel {self.name!r} has {' and '.join(given)}: only one of them can be its source")
        if (self.rtp or self.url) and self.rate_hz is not None:
            raise ValueError(f"channel {self.name!r}: what comes says its rate; leave rate_hz out")
        if self.pipe and self.rate_hz is None:
            raise ValueError(f"channel {self.name!r}: a pipe does not say its rate: give rate_hz")
        if self.pipe and self.input > self.channels:
            raise ValueError(f"channel {self.name!r}: input {self.input} of a pipe with channels: {self.channels}")
        return self


def _device(device: str | int | None) -> str:
    return "the default device (no device is named)" if device is None else f"device {device!r}"


class HealthSettings(Checked):
    """When a channel is called blind. Every test can be turned off where the line cannot pass it."""

    digital_silence_s: Annotated[float | None, BeforeValidator(_off)] = Field(1.0, gt=0)
    """Exact zeros (or one fixed value) for this long. Turn off for gateways that send zeros between calls."""
    loop_s: Annotated[float | None, BeforeValidator(_off)] = Field(1.0, gt=0, le=5.0)
    """The same sound to the last bit, again and again, for this long: a stuck or looping buffer."""
    clipping_s: Annotated[float | None, BeforeValidator(_off)] = Field(5.0, gt=0)
    """Overload for this long."""
    lowest_level_dbov: Annotated[float | None, BeforeValidator(_off)] = Field(-75.0, le=0)
    """Nothing above this level for low_level_s: too low to hear speech, or nothing plugged in."""
    low_level_s: float = Field(1.5, gt=0)
    """How long the level may stay below lowest_level_dbov."""
    steady_carrier_s: Annotated[float | None, BeforeValidator(_off)] = Field(60.0, gt=0)
    """An open carrier or tone of one steady level for this long. Turn off where the squelch is always open."""
    carrier_level_dbov: float = Field(-50.0, le=0)
    """A steady sound counts as a carrier above this level."""
    loss_percent: Annotated[float | None, BeforeValidator(_off)] = Field(20.0, gt=0, le=100)
    """So much of a second's sound lost in the network."""
    behind_s: float = Field(1.0, gt=0)
    """The recogniser is this far behind the sound."""


class SupervisionSettings(Checked):
    """When a part is started again."""

    no_frames_s: float = Field(1.0, ge=0.3)
    """No sound at all from the device for this long is blind; three times as long, and it is opened anew."""
    heartbeat_s: float = Field(1.0, ge=0.3)
    """A recogniser silent for this long is blind; three times as long at a standstill, and it is killed and started anew."""
    backlog_s: float = Field(10.0, ge=2.0, le=30.0)
    """The most sound a recogniser that fell behind is given to catch up on; what is older is a gap."""
    memory_mb: int = Field(1_500, ge=100)
    """A recogniser that takes more than this leaks, and is started anew."""
    clock_jump_s: float = Field(0.5, gt=0)
    """A step of the computer's clock larger than this is reported."""


class ProofSettings(Checked):
    """The proof test: a known call through a second instance of the same pipe; it must be found."""

    every_min: float = Field(10.0, gt=0)
    """How often, and once at the start."""
    words: dict[str, FilePath] = Field({})
    """For phrases of your own: a sound file with the phrase said once, clearly."""


class ToneSettings(Checked):
    """The alert tone: two parts, high and low in turn."""

    enabled: bool = True
    """Whether an alert sounds."""
    device: str | int | None = None
    """The output device, by name or number. Without it: the default."""
    level_db: float = Field(-12.0, ge=-60, le=0)
    """Loudness: 0 is the most."""
    high_hz: float = Field(1_760.0, ge=500, le=2_500)
    low_hz: float = Field(1_175.0, ge=500, le=2_500)
    for_s: float = Field(15.0, ge=1, le=120)
    """How long it sounds at a time. It stops at once when the alert is acknowledged."""
    again_s: float = Field(30.0, ge=5, le=600)
    """It sounds again after a pause of this length, until somebody acknowledges."""
    most_per_hour: int = Field(20, ge=1, le=120)
    """It is repeated this often in an hour at most. A new alert always sounds."""
    blind: bool = True
    """Whether a blind channel is heard too: one low, soft tone, twice, unlike the alert."""
    blind_level_db: float = Field(-24.0, ge=-60, le=0)
    """Loudness of the blind signal."""
    blind_hz: float = Field(440.0, ge=200, le=1_000)
    blind_after_s: float = Field(3.0, ge=0, le=60)
    """A blindness shorter than this stays silent, and so does a start that goes on as it should."""
    blind_again_s: float = Field(60.0, ge=5, le=3_600)
    """The blind signal sounds again after this time, until somebody acknowledges or the channel is well."""
    blind_most_per_hour: int = Field(12, ge=1, le=120)
    """The blind signal sounds this often in an hour at most, whatever goes blind; what is held back is reported as a fault."""
    on_monitored_device: bool = False
    """Let it sound on a device that is also listened to. It may then be heard as radio."""


class RecordSettings(Checked):
    """Continuous recording, when it is asked for with --record."""

    days: float = Field(30.0, gt=0)
    """Recordings older than this are deleted."""
    gigabytes: float = Field(100.0, gt=0)
    """When recordings take more than this, the oldest are deleted."""


class PageSettings(Checked):
    """The watch page, for a browser on this computer (or, with a token, on the network)."""

    enabled: bool = True
    """Whether it is served."""
    host: str = "127.0.0.1"
    """The address it is served on: 127.0.0.1 is this computer only."""
    port: int = Field(8765, ge=0, le=65_535)
    """Its port; 0 takes any that is free."""
    token: SecretStr | None = None
    """What a browser must be told once before it is shown anything. Needed beyond this computer."""
    names: tuple[str, ...] = ()
    """Host names by which browsers reach this computer, besides its own name and its addresses."""

    @property
    def is_local(self) -> bool:
        """Only programs on this computer can reach it."""
        return self.host == "localhost" or _is_loopback(self.host)

    @model_validator(mode="after")
    def _token_beyond_here(self) -> "PageSettings":
        if self.token and len(self.token.get_secret_value()) < 16:
            raise ValueError("token must have at least 16 characters")
        if not self.is_local and not self.token:
            raise ValueError(f"host {self.host} can be reached from the network: set a token of 16 characters or more too")
        return self


def _is_loopback(host: str) -> bool:
    try:
        return ip_address(host).is_loopback
    except ValueError:
        return False


ShortLine = Annotated[Line, Field(max_length=60)]


def check_differ(names: Sequence[str], what: str) -> None:
    """Raises ValueError when two of the names are the same but for case. what: how the message calls them ("steps")."""
    plain = [name.strip().casefold() for name in names]
    for name in names:
        if plain.count(name.strip().casefold()) > 1:
            raise ValueError(f"two {what} are named {name!r}")


class StepSettings(Checked):
    """One of the unit's own steps after a call."""

    name: ShortLine
    """What is done: tension released."""
    within_s: float | None = Field(None, gt=0, le=3_600)
    """So soon after the end of the call it is meant to be done; shown beside it, and judged by nobody."""


def _step(value: Any) -> Any:
    if isinstance(value, bool):
        raise ValueError(f"must be words in quotes; {READS_AS_TRUTH}")
    return {"name": value} if isinstance(value, str) else value


class WatchSettings(Checked):
    """What `listener watch` listens to, and how it is supervised."""

    channels: tuple[ChannelSettings, ...] = Field((ChannelSettings(),), min_length=1, max_length=16)
    """The frequencies, each on an input of its own."""
    folder: FilePath | None = None
    """Where journal and evidence go. Without it: launch-listener in the user's state folder."""
    evidence_before_s: float = Field(10.0, ge=1, le=20)
    """How much sound from before the end of a call its clip holds."""
    evidence_after_s: float = Field(5.0, ge=0, le=15)
    """How much from after it."""
    partly_shown_s: float = Field(10.0, gt=0)
    """How long a call that was heard only partly stays on the display."""
    call_first_s: float = Field(30.0, gt=0)
    """For this long a call is shown before a blindness; after that BLIND comes first."""
    least_free_mb: int = Field(100, ge=1)
    """Less room than this on the journal's disk is reported as full."""
    health: HealthSettings = HealthSettings()
    supervision: SupervisionSettings = SupervisionSettings()
    proof: ProofSettings = ProofSettings()
    tone: ToneSettings = ToneSettings()
    record: RecordSettings = RecordSettings()
    page: PageSettings = PageSettings()
    steps: tuple[Annotated[StepSettings, BeforeValidator(_step)], ...] = Field((), max_length=9)
    """The unit's own steps after a call, in order, to tick off with keys 1 to 9: a memory aid and a record, nothing more."""
    resolved_as: tuple[ShortLine, ...] = Field(("resolved",), max_length=6)
    """How a call can end, in the unit's words; it stays shown until a person says one. []: it ends when acknowledged."""
    view: Literal["auto", "plain"] = "auto"
    """auto: a live view on a terminal, else plain lines."""

    @field_validator("steps")
    @classmethod
    def _steps_differ(cls, steps: tuple[StepSettings, ...]) -> tuple[StepSettings, ...]:
        check_differ([step.name for step in steps], "steps")
        return steps

    @field_validator("resolved_as")
    @classmethod
    def _endings_differ(cls, words: tuple[str, ...]) -> tuple[str, ...]:
        check_differ(words, "endings")
        return words

    @field_validator("channels")
    @classmethod
    def _names_differ(cls, channels: tuple[ChannelSettings, ...]) -> tuple[ChannelSettings, ...]:
        names = [channel.name.casefold() for channel in channels]
        for channel in channels:
            if names.count(channel.name.casefold()) > 1:
                raise ValueError(f"two channels are named {channel.name!r}")
        return channels

    @model_validator(mode="after")
    def _inputs_differ(self) -> "WatchSettings":
        places = [(c.device, c.input) for c in self.channels if c.is_card]
        for device, number in places:
            if places.count((device, number)) > 1:
                raise ValueError(f"two channels listen to input {number} of {_device(device)}; give each an input of its own")
        rates = {(c.device, c.rate_hz) for c in self.channels if c.is_card}
        for device, _ in rates:
            if len([d for d, _ in rates if d == device]) > 1:
                raise ValueError(f"channels of {_device(device)} must have the same rate_hz")
        others = [(c.pipe, c.url, c.input) for c in self.channels if c.pipe or c.url]
        for pipe, url, number in others:
            if others.count((pipe, url, number)) > 1:
                raise ValueError(f"two channels listen to input {number} of {pipe or url}")
        radios = [(c.rtp, c.input) for c in self.channels if c.rtp]
        for radio, number in radios:
            same = [other for other, _ in radios if other.place == radio.place]
            if radios.count((radio, number)) > 1 or any(other != radio for other in same):
                where = radio.sdp or f"{radio.address} port {radio.port}"
                raise ValueError(f"two channels listen to {where}: give each its own ssrc or input")
        return self

    @property
    def state_folder(self) -> Path:
        """Where journal and clips go: `folder`, or the user's state folder (XDG Base Directory)."""
        if self.folder:
            return self.folder
        base = os.environ.get("XDG_STATE_HOME") or Path.home() / ".local" / "state"
        return Path(base) / "launch-listener"

    def from_folder(self, folder: Path) -> "WatchSettings":
        """The same, with relative paths meant from this folder."""

        def at(path: Path | None) -> Path | None:
            return None if path is None else folder / path.expanduser()

        def placed(channel: ChannelSettings) -> ChannelSettings:
            rtp = channel.rtp and channel.rtp.model_copy(update={"sdp": at(channel.rtp.sdp)})
            pipe = channel.pipe if channel.pipe in (None, "-") else str(at(Path(channel.pipe)))
            return channel.model_copy(update={"file": at(channel.file), "rtp": rtp, "pipe": pipe})

        channels = tuple(placed(channel) for channel in self.channels)
        proof = self.proof.model_copy(update={"words": {w: at(p) for w, p in self.proof.words.items()}})
        return self.model_copy(update={"channels": channels, "proof": proof, "folder": at(self.folder)})

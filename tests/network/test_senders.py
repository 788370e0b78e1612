"""Other people's senders, each payload: ffmpeg and GStreamer send, our receiver hears what they sent."""

import multiprocessing
import shutil
import socket
import subprocess
import threading
import time
from contextlib import suppress
from dataclasses import dataclass, field

import numpy as np
import pytest
import soundfile
import soxr
from scipy.signal import correlate

from listener.network import sdp
from listener.network.codec import payload_named
from listener.network.receiver import RtpSource, bound
from listener.network.session import Wanted
from listener.sound.ring import Ring
from listener.sound.source import LineState, Opened
from tests.network.parts import voice

RATE_HZ = 48_000
PAYLOADS = {
    "PCMU": (0, ["-c:a", "pcm_mulaw", "-ar", "8000"], "audio/x-raw,rate=8000 ! mulawenc ! rtppcmupay"),
    "PCMA": (8, ["-c:a", "pcm_alaw", "-ar", "8000"], "audio/x-raw,rate=8000 ! alawenc ! rtppcmapay"),
    "G722": (9, ["-c:a", "g722", "-ar", "16000"], "audio/x-raw,rate=16000 ! avenc_g722 ! rtpg722pay"),
    "L16/8000": (96, ["-c:a", "pcm_s16be", "-ar", "8000", "-payload_type", "96"], "audio/x-raw,rate=8000 ! rtpL16pay pt=96"),
    "L16/48000": (96, ["-c:a", "pcm_s16be", "-ar", "48000", "-payload_type", "96"], "audio/x-raw,rate=48000 ! rtpL16pay pt=96"),
    "opus": (97, ["-c:a", "libopus", "-ar", "48000", "-payload_type", "97"], "audio/x-raw,rate=48000 ! opusenc ! rtpopuspay pt=97"),
}
LIKE = {"PCMU": 0.99, "PCMA": 0.99, "G722": 0.97, "L16/8000": 0.999, "L16/48000": 0.999, "opus": 0.9}
"""How like the sent sound the heard one must be (correlation), by what the coding leaves of it."""


def free_port() -> int:
    with socket.socket(socket.AF_INET, socket.SOCK_DGRAM) as one:
        one.bind(("127.0.0.1", 0))
        return one.getsockname()[1]


@dataclass
class Heard:
    """A receiver in a thread of its own, and what it told."""

    source: RtpSource
    messages: list = field(default_factory=list)

    def __post_init__(self) -> None:
        self.link, theirs = multiprocessing.Pipe()
        self.thread = threading.Thread(target=self.source.run, args=(theirs, None), daemon=True)
        self.thread.start()

    def stop(self) -> np.ndarray:
        """End it; gives the sound in its ring."""
        with suppress(BrokenPipeError):  # it may have ended by itself
            self.link.send("stop")
        self.thread.join(2.0)
        with suppress(EOFError):
            while self.link.poll():
                self.messages.append(self.link.recv())
        opened = next(m for m in self.messages if isinstance(m, Opened))
        ring = Ring.attach(opened.ring_name)
        sound = np.stack([ring.read(c, 0, ring.written) for c in range(ring.columns)], axis=1)
        ring.free()
        return sound

    @property
    def states(self) -> list[LineState]:
        return [m for m in self.messages if isinstance(m, LineState)]


@pytest.fixture(scope="module")
def heard(tmp_path_factory) -> dict[tuple[str, str], tuple[np.ndarray, list[LineState], str]]:
    """All senders at once, three seconds in real time; (sender, payload) -> sound, states, ffmpeg's description."""
    folder = tmp_path_factory.mktemp("senders")
    soundfile.write(folder / "said.wav", voice(3.0, RATE_HZ), RATE_HZ, subtype="PCM_16")
    running, programs = {}, []
    for sender in ("ffmpeg", "gst-launch-1.0"):
        if not shutil.which(sender):
            continue
        for name, (number, ffmpeg, gst) in PAYLOADS.items():
            port = free_port()
            running[sender, name] = Heard(RtpSource("127.0.0.1", port, Wanted(payload_named(name), number)))
            command = (
                ["ffmpeg", "-hide_banner", "-re", "-i", folder / "said.wav", *ffmpeg, "-sdp_file", folder / f"{port}.sdp", "-f",
                 "rtp", f"rtp://127.0.0.1:{port}"]
                if sender == "ffmpeg"
                else ["gst-launch-1.0", "-q", *f"filesrc location={folder}/said.wav ! wavparse ! audioconvert ! audioresample ! "
                      f"{gst} ! udpsink host=127.0.0.1 port={port}".split()]
            )  # fmt: skip
            log = (folder / f"{sender}_{port}.log").open("wb")
            programs.append(subprocess.Popen(command, stdin=subprocess.DEVNULL, stdout=log, stderr=log))
    for program in programs:
        program.wait(30)
    time.sleep(0.2)
    found = {}
    for key, one in running.items():
        sound = one.stop()
        told = folder / f"{one.source.port}.sdp"
        found[key] = (sound, one.states, told.read_text() if told.exists() else "")
    return found


def likeness(sound: np.ndarray, rate_hz: int) -> float:
    """The best correlation of the sent sound with what was heard."""
    said = soxr.resample(voice(3.0, RATE_HZ)[: round(2.5 * RATE_HZ)], RATE_HZ, rate_hz)[rate_hz // 2 :]
    found = correlate(sound, said, "valid", "fft")
    summed = np.concatenate([[0.0], np.cumsum(sound.astype(float) ** 2)])
    power = summed[len(said) :] - summed[: -len(said)]
    return float(np.max(found / np.sqrt(np.maximum(power, 1e-9) * np.sum(said**2))))


@pytest.mark.parametrize("name", PAYLOADS)
@pytest.mark.parametrize("sender", ["ffmpeg", "gst-launch-1.0"])
def test_what_they_sent_is_heard(heard, need, sender, name):
    need((sender, name) in heard, f"{sender} (apt install ffmpeg gstreamer1.0-tools gstreamer1.0-plugins-good gstreamer1.0-libav)")
    sound, states, _ = heard[sender, name]
    payload = payload_named(name)
    assert len(sound) >= 2.6 * payload.rate_hz
    assert likeness(sound[:, 0], payload.rate_hz) > LIKE[name]
    assert any("loss 0.0 %" in state.line for state in states) and not any(r for s in states for r in s.reasons if r[0] == "payload")


@pytest.mark.parametrize("name", PAYLOADS)
def test_ffmpeg_s_own_description_is_understood(heard, need, name):
    need(("ffmpeg", name) in heard, "ffmpeg")
    (media,) = sdp.parse(heard["ffmpeg", name][2])
    assert (media.address, *media.payloads) == ("127.0.0.1", PAYLOADS[name][0])
    assert media.payloads[PAYLOADS[name][0]].rate_hz == payload_named(name).rate_hz


def test_the_socket_is_bound_to_the_address_alone_and_another_program_s_port_is_refused():
    from listener.errors import UserError

    source = RtpSource("127.0.0.1", free_port(), Wanted(payload_named("PCMU"), 0))
    with bound(source) as opened:
        assert opened.getsockname() == ("127.0.0.1", source.port)
        with pytest.raises(UserError, match=rf"cannot listen on 127.0.0.1 port {source.port}: Address already in use; it must be"):
            bound(source)
    with pytest.raises(UserError, match="cannot listen on 192.0.2.1 port 5004: Cannot assign requested address"):
        bound(RtpSource("192.0.2.1", 5004, source.wanted))

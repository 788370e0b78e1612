"""Parts for tests of the live station: a sound server of our own, sounds, and an engine that loads fast."""

import os
import shutil
import signal
import subprocess
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from dataclasses import dataclass
from pathlib import Path
from typing import Any

import numpy as np
import soundfile
from numpy.typing import NDArray

from listener.settings import Settings
from listener.speech.spotter import Engine
from listener.watch.state import ChannelView
from listener.watch.station import Station
from tests.fakes import BurstEngine

RATE_HZ = 48_000
CALL_S = ((1.0, 1.4), (1.8, 2.2), (2.6, 3.0))
"""When the words of one call in traffic() are said, from its start."""


def load_bursts(settings: Settings) -> Engine:
    """Every burst of sound is the first phrase. Loads at once."""
    return BurstEngine(settings.phrases[0].words)


def noise(length_s: float, rate_hz: int = RATE_HZ, dbov: float = -50.0, seed: int = 1) -> NDArray[np.float32]:
    rng = np.random.default_rng(seed)
    return (rng.standard_normal(round(length_s * rate_hz)) * 10 ** (dbov / 20)).astype(np.float32)


def traffic(length_s: float, calls_s: list[float], rate_hz: int = RATE_HZ) -> NDArray[np.float32]:
    """Low noise with a call of three bursts beginning a second after each of calls_s."""
    sound = noise(length_s, rate_hz)
    t = np.arange(len(sound)) / rate_hz
    for call_s in calls_s:
        for start, end in CALL_S:
            said = (t >= call_s + start) & (t < call_s + end)
            sound[said] += 0.5 * np.sin(2 * np.pi * 500 * t[said]).astype(np.float32)
    return sound


def talk(length_s: float, rate_hz: int = RATE_HZ) -> NDArray[np.float32]:
    """Syllables without end in low noise: the voice gate stays open, but no burst is loud enough to be a word."""
    t = np.arange(round(length_s * rate_hz)) / rate_hz
    syllables = 0.05 * np.sin(2 * np.pi * 500 * t) * (np.sin(2 * np.pi * 4 * t) > -0.3)
    return noise(length_s, rate_hz) + syllables.astype(np.float32)


def save(path: Path, sound: NDArray[np.float32], rate_hz: int = RATE_HZ) -> Path:
    soundfile.write(path, sound, rate_hz, subtype="PCM_16")
    return path


def settings(tmp_path: Path, channels: list[dict[str, Any]], **watch: Any) -> Settings:
    """Settings for tests: bursts as the word of the proof, no tone, plain view."""
    word = tmp_path / "word.wav"
    if not word.exists():
        t = np.arange(16_000 * 2 // 5) / 16_000
        save(word, (0.5 * np.sin(2 * np.pi * 500 * t)).astype(np.float32), 16_000)
    given = {
        "channels": channels,
        "proof": {"words": {"suspend": word}},
        "tone": {"enabled": False},
        "least_free_mb": 1,
    }
    for key, value in watch.items():
        given[key] = {**given[key], **value} if isinstance(given.get(key), dict) else value
    return Settings.model_validate({"watch": given})


def follow(station: Station, until: Callable[[Station], bool], within_s: float) -> float:
    """Run the station until something is true; gives how long that took, or fails."""
    began = time.monotonic()
    while not until(station):
        took_s = time.monotonic() - began
        assert took_s < within_s, f"not within {within_s:g} s; now {describe(station)}"
        station.tick()
    return time.monotonic() - began


def describe(station: Station) -> str:
    return "; ".join(
        f"{c.name} {c.state} {[b.code for b in c.because]} {c.proof_detail}" for c in station.snapshot().channels
    )


def channel(station: Station, number: int = 0) -> ChannelView:
    return station.snapshot().channels[number]


def is_state(state: str, number: int = 0) -> Callable[[Station], bool]:
    return lambda station: channel(station, number).state == state


def is_blind(code: str, number: int = 0) -> Callable[[Station], bool]:
    """The state is BLIND for this reason."""
    return lambda station: (
        channel(station, number).state == "BLIND" and code in [b.code for b in channel(station, number).because]
    )


@contextmanager
def running(station: Station) -> Iterator[Station]:
    try:
        yield station
    finally:
        station.stop()


PIPEWIRE = os.environ.get("LISTENER_TEST_SERVER") == "pipewire"
"""Tests that need a sound server run one of their own: PulseAudio, or, if asked so, PipeWire in its place."""


@dataclass
class SoundServer:
    """A sound server of our own, with null sinks whose monitors are the radios' lines."""

    folder: Path
    process: subprocess.Popen[bytes]

    @property
    def socket(self) -> Path:
        return self.folder / "pulse" / "native" if PIPEWIRE else self.folder / "native"

    @property
    def env(self) -> dict[str, str]:
        return {
            "PULSE_SERVER": f"unix:{self.socket}",
            "ALSA_CONFIG_PATH": str(self.folder / "asoundrc"),
            "XDG_RUNTIME_DIR": str(self.folder),
        }

    def control(self, *words: str) -> str:
        """pactl with these words; gives what it printed."""
        done = subprocess.run(["pactl", *words], env={**os.environ, **self.env}, capture_output=True, text=True)
        assert done.returncode == 0, f"pactl {' '.join(words)}: {done.stderr}"
        return done.stdout.strip()

    def add_sink(self, name: str, description: str = "Null Output", channels: int = 2) -> str:
        """A new line; gives the module's number for remove()."""
        return self.control(
            "load-module", "module-null-sink", f"sink_name={name}", f"rate={RATE_HZ}", f"channels={channels}",
            "format=s16le", f"sink_properties='device.description=\"{description}\"'",
        )  # fmt: skip

    def remove(self, module: str) -> None:
        """As if the device were unplugged."""
        self.control("unload-module", module)

    def play(self, sink: str, sound: Path) -> subprocess.Popen[bytes]:
        """Play a file into a line. A busy server refuses now and then: it is asked again."""
        command = ["paplay", f"--device={sink}", "--latency-msec=50", str(sound)]
        for _ in range(10):
            player = subprocess.Popen(command, env={**os.environ, **self.env})
            try:
                if player.wait(0.5) == 0:
                    return player
            except subprocess.TimeoutExpired:
                return player
        raise AssertionError(f"{sound} cannot be played into {sink}")


@contextmanager
def sound_server(folder: Path, sinks: list[str]) -> Iterator[SoundServer]:
    """Start the server with these lines, each an ALSA device of its name."""
    folder.mkdir(parents=True, exist_ok=True)
    devices = "".join(
        f'pcm.{s} {{ type pulse device "{s}.monitor" }}\npcm.{s}_out {{ type pulse device "{s}" }}\n' for s in sinks
    )
    (folder / "asoundrc").write_text(f"</usr/share/alsa/alsa.conf>\n{devices}")
    with open(folder / "log", "wb") as log:
        process = subprocess.Popen(
            _pipewire() if PIPEWIRE else _pulseaudio(folder, sinks), start_new_session=True, stdout=log, stderr=log,
            env={**os.environ, "HOME": str(folder), "XDG_RUNTIME_DIR": str(folder)},
        )  # fmt: skip
    server = SoundServer(folder, process)
    try:
        for _ in range(100):
            if server.socket.exists() and not subprocess.run(
                ["pactl", "info"], env={**os.environ, **server.env}, capture_output=True
            ).returncode:
                break
            time.sleep(0.1)
        for sink in sinks if PIPEWIRE else ():
            server.add_sink(sink)
        yield server
    finally:
        os.killpg(process.pid, signal.SIGKILL)
        process.wait()


def _pulseaudio(folder: Path, sinks: list[str]) -> list[str]:
    lines = [f"load-module module-native-protocol-unix socket={folder / 'native'} auth-anonymous=1"]
    lines += [
        f"load-module module-null-sink sink_name={s} rate={RATE_HZ} channels=2 format=s16le" for s in sinks
    ]
    (folder / "start.pa").write_text("\n".join(lines) + "\n")
    return [
        "pulseaudio", "-n", "-F", str(folder / "start.pa"), "--daemonize=no", "--exit-idle-time=-1",
        "--disallow-exit", "--use-pid-file=no", "--high-priority=no",
    ]  # fmt: skip


def _pipewire() -> list[str]:
    return ["dbus-run-session", "--", "sh", "-c", "pipewire & sleep 1; wireplumber & sleep 1; exec pipewire-pulse"]


def has_sound_server() -> bool:
    mine = ("pipewire", "wireplumber", "pipewire-pulse", "dbus-run-session") if PIPEWIRE else ("pulseaudio",)
    return all(shutil.which(program) for program in (*mine, "pactl", "paplay"))

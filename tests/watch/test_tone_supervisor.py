"""The tone through a real sound server: it sounds until somebody acknowledges, and never on a monitored device."""

import os
import subprocess
import sys
import time
from pathlib import Path

import numpy as np
import pytest

from listener.errors import UserError
from listener.settings.watch import SupervisionSettings, ToneSettings
from listener.sound.capture import Source
from listener.sound.outputs import find_output
from listener.watch.parts.capture import CaptureSupervisor
from listener.watch.parts.tone import ToneSupervisor
from listener.watch.signals import Signal
from tests.watch.parts import has_sound_server, sound_server

STARTED_S = 15.0


@pytest.fixture
def server(tmp_path, need, monkeypatch):
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    with sound_server(tmp_path / "pulse", ["launch", "speaker"]) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        yield server


def strongest_hz(sound: np.ndarray, rate_hz: int) -> float:
    return float(np.argmax(np.abs(np.fft.rfft(sound * np.hanning(len(sound))))) * rate_hz / len(sound))


def test_it_sounds_on_the_loudspeaker_and_falls_silent_when_told(tmp_path: Path, server):
    faults: list[str] = []
    settings = ToneSettings(device="speaker_out", level_db=-10, high_hz=1_500, low_hz=900)
    tone = ToneSupervisor(settings, ["launch"], lambda what, detail: faults.append(detail))
    microphone = CaptureSupervisor(Source("speaker", (1,), 48_000), SupervisionSettings(), time.monotonic())
    try:
        loud_s = _until(tone, microphone, lambda sound: np.abs(sound).max() > 0.2)
        assert loud_s < STARTED_S and tone.is_sounding and faults == []
        _until(tone, microphone, lambda sound: len(sound) > 0 and abs(strongest_hz(sound, 48_000) - 1_500) < 15)
        _until(tone, microphone, lambda sound: len(sound) > 0 and abs(strongest_hz(sound, 48_000) - 900) < 15)
        _until(tone, microphone, lambda sound: np.abs(sound).max() < 1e-4, window_s=0.8, signal=None)
        assert not tone.is_sounding
        _until(tone, microphone, lambda sound: abs(strongest_hz(sound, 48_000) - 440) < 15, signal="blind")
    finally:
        tone.stop()
        microphone.stop()


def test_it_sounds_on_the_servers_sink_of_that_description_and_not_where_it_would_be_heard(tmp_path: Path, server):
    """Nothing written into ALSA's configuration: "USB Audio" is the server's own word."""
    server.add_sink("usb_speaker", "USB Audio")
    faults: list[str] = []
    tone = ToneSupervisor(ToneSettings(device="USB Audio"), ["speaker"], lambda what, detail: faults.append(detail))
    microphone = CaptureSupervisor(Source("Monitor of USB Audio", (1,)), SupervisionSettings(), time.monotonic())
    try:
        _until(tone, microphone, lambda sound: np.abs(sound).max() > 0.2)
    finally:
        tone.stop()
        microphone.stop()
    with pytest.raises(UserError, match="output device 'USB Audio' is also listened to"):
        find_output(ToneSettings(device="USB Audio"), ["usb_speaker.monitor"])
    with pytest.raises(UserError, match="no output device Boom"):
        find_output(ToneSettings(device="Boom"), [])


def test_it_refuses_a_device_that_is_listened_to_and_says_so(server):
    faults: list[str] = []
    tone = ToneSupervisor(ToneSettings(device="launch"), ["launch"], lambda what, detail: faults.append(detail))
    began = time.monotonic()
    try:
        tone.tick(began)
        tone.follow("alert", began)
        while not faults:
            assert time.monotonic() - began < STARTED_S
            tone.tick(time.monotonic())
            time.sleep(0.05)
    finally:
        tone.stop()
    assert "output device 'launch' is also listened to, and would be heard as radio" in faults[0]


@pytest.mark.alone
def test_on_a_busy_machine_the_tone_has_no_gaps(server):
    """Burners on every core; a round of the tone is half a second of sound and half a second of silence."""
    burners = [subprocess.Popen([sys.executable, "-c", "while True: pass"]) for _ in range(2 * (os.cpu_count() or 1))]
    tone = ToneSupervisor(ToneSettings(device="speaker_out", level_db=-10), ["launch"], lambda what, detail: None)
    microphone = CaptureSupervisor(Source("speaker", (1,), 48_000), SupervisionSettings(), time.monotonic())
    try:
        _until(tone, microphone, lambda sound: np.abs(sound).max() > 0.2)
        ring = microphone.ring
        assert ring
        first = ring.written
        while ring.written < first + 10 * 48_000:
            microphone.tick(time.monotonic())
            tone.follow("alert", time.monotonic())
            time.sleep(0.05)
        sound = ring.read(0, first, first + 10 * 48_000)
    finally:
        for burner in burners:
            burner.kill()
            burner.wait()
        tone.stop()
        microphone.stop()
    # Quiet stretches within a part are gaps; between the rounds they last half a second less the ramps.
    loud = np.abs(sound).reshape(-1, 240).max(axis=1) > 0.02  # 5 ms
    edges = np.flatnonzero(np.diff(loud.astype(int)))
    lengths_s = np.diff(edges) * 0.005
    assert len(lengths_s) >= 16, "ten seconds hold ten rounds"
    assert np.all(np.abs(lengths_s - 0.5) < 0.04), f"stretches of sound and silence: {np.round(lengths_s, 3)} s"


def _until(tone: ToneSupervisor, microphone: CaptureSupervisor, heard, window_s: float = 0.2, signal: Signal | None = "alert") -> float:
    """Follow both until the last window of sound is as wanted; gives how long that took."""
    began = time.monotonic()
    while True:
        now_s = time.monotonic()
        microphone.tick(now_s)
        ring = microphone.ring
        tone.follow(signal if ring and ring.written else None, now_s)
        window = round(window_s * 48_000)
        if ring and ring.written > window and heard(ring.read(0, ring.written - window, ring.written)):
            return now_s - began
        assert now_s - began < STARTED_S, "not heard in time"
        time.sleep(0.03)

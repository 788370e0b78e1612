"""Which sound a channel really hears: the source and the input that were named, and no other."""

import os
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest

from listener.keep.records import Query, Records
from listener.sound import server as server_lines
from listener.watch.station import Station
from tests.watch.parts import (
    PIPEWIRE,
    RATE_HZ,
    SoundServer,
    channel,
    follow,
    has_sound_server,
    is_blind,
    is_state,
    load_bursts,
    noise,
    running,
    save,
    settings,
    sound_server,
    traffic,
)  # fmt: skip

QUIET = {"digital_silence_s": "off", "lowest_level_dbov": "off", "steady_carrier_s": "off"}
LONG = os.environ.get("LISTENER_LONG") == "1"
SWAPS = 10 if LONG else 2
SWAP_SEEN_S = 2.0


@pytest.fixture
def server(tmp_path, need, monkeypatch) -> Iterator[SoundServer]:
    """A sound server with two sources, and nothing written by hand that would make them known to ALSA."""
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    with sound_server(tmp_path / "pulse", []) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        server.add_sink("speakers", "Desk speakers")
        yield server


def station(tmp_path: Path, device: str | int | None) -> Station:
    own = {"name": "Launch", "input": 1} | ({} if device is None else {"device": device})
    return Station(settings(tmp_path, [own], health=QUIET), tmp_path / "state", load=load_bursts)


def test_a_source_that_goes_away_is_not_replaced_by_what_the_server_takes_in_its_place(tmp_path, server):
    """The server moves the stream to another source by itself; sound comes in as before, of another radio."""
    radio = server.add_sink("usb_radio", "USB Audio")
    with running(station(tmp_path, "USB Audio")) as watch:
        follow(watch, is_state("LISTENING"), 40.0)
        took_s = []
        for _ in range(SWAPS):
            server.remove(radio)
            took_s.append(follow(watch, is_blind("wrong_source"), SWAP_SEEN_S))
            (because,) = [b for b in channel(watch).because if b.code == "wrong_source"]
            assert because.detail == "connected to Monitor of Desk speakers (speakers.monitor) instead of Monitor of USB Audio"
            follow(watch, is_blind("device_gone"), 10.0)  # and it stays blind while there is no such source
            radio = server.add_sink("usb_radio", "USB Audio")
            follow(watch, is_state("LISTENING"), 20.0)
    print("blind after", ", ".join(f"{s:.2f}" for s in took_s), "s")
    rows = Records(tmp_path / "state").rows(Query(kinds=("connected",)))
    assert [row.body["name"] for row in rows] == ["usb_radio.monitor"] * (SWAPS + 1)


def test_the_default_is_what_it_was_at_the_start_for_good(tmp_path, server):
    """Somebody plugs in a headset and the server makes it the default: the radio is still what is heard, or nothing."""
    radio = server.add_sink("usb_radio", "USB Audio")
    server.control("set-default-source", "usb_radio.monitor")
    with running(station(tmp_path, None)) as watch:
        follow(watch, is_state("LISTENING"), 40.0)
        assert channel(watch).device == "Monitor of USB Audio"
        server.remove(radio)
        follow(watch, is_blind("wrong_source"), SWAP_SEEN_S)
        restarts = channel(watch).restarts
        follow(watch, lambda s: channel(s).restarts >= restarts + 2, 20.0)  # tried again twice, and the default is another
        assert is_blind("wrong_source")(watch)
        assert "is there instead of Monitor of USB Audio" in channel(watch).because[0].detail
        server.add_sink("usb_radio", "USB Audio")
        follow(watch, is_state("LISTENING"), 20.0)


def test_what_the_server_makes_up_while_there_is_no_device_is_none(tmp_path, need, monkeypatch):
    """Its silent stand-in must not become the source that is listened to for good: then the radio, plugged in, would be wrong."""
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    with sound_server(tmp_path / "pulse", []) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        if not PIPEWIRE:
            server.control("load-module", "module-always-sink")
        assert "auto_null.monitor" in server.control("list", "short", "sources") and server_lines.sources() == []
        with running(station(tmp_path, None)) as watch:
            follow(watch, is_blind("device_gone"), 40.0)
            server.add_sink("usb_radio", "USB Audio")
            follow(watch, is_state("LISTENING"), 40.0)
            assert channel(watch).device == "Monitor of USB Audio"


@pytest.mark.parametrize("number", [1, 2] * (10 if LONG else 1))
def test_a_call_on_the_other_input_is_not_this_channels_call(tmp_path, need, monkeypatch, number):
    """Two radios on one stereo jack: asked for one channel, the sound server would mix both."""
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    call, other = traffic(5.0, [0.5]), noise(5.0, seed=2)
    here, there = ([call, other], [other, call]) if number == 1 else ([other, call], [call, other])
    mine = save(tmp_path / "mine.wav", np.stack(here, axis=1))
    wrong = save(tmp_path / "wrong.wav", np.stack(there, axis=1))
    with sound_server(tmp_path / "pulse", ["launch"]) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        own = {"name": "Launch", "device": "launch", "input": number, "rate_hz": RATE_HZ}
        with running(Station(settings(tmp_path, [own], health=QUIET), tmp_path / "state", load=load_bursts)) as station:
            follow(station, is_state("LISTENING"), 40.0)
            server.play("launch", wrong)
            ends_s = channel(station).stream_s + 7.0
            follow(station, lambda s: channel(s).stream_s > ends_s, 27.0)
            assert not channel(station).unacknowledged and channel(station).words == ()
            server.play("launch", mine)
            follow(station, lambda s: len(channel(s).unacknowledged) == 1, 15.0)

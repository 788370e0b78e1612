"""Which sound a channel really hears: the input that was named, and no other."""

import numpy as np
import pytest

from listener.watch.station import Station
from tests.watch.parts import (
    RATE_HZ,
    channel,
    follow,
    has_sound_server,
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


@pytest.mark.parametrize("number", [1, 2])
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

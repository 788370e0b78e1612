"""The console picture: words and shapes say the state, at any width; a broken picture becomes plain lines."""

import re
from dataclasses import replace

import pytest
from rich.console import Console

from listener.watch.letters import LINES, big
from listener.watch.state import Because, ChannelView, Shown, State, StationView
from listener.watch.view import ago, meter_bar, picture

NOW = 1_900_000_000.0
CALL = Shown(7, "alert", "2030-03-17T17:46:32.000000Z", NOW - 8, "suspend", 3, 3, 0.97, 10.0, 12.0, 0.3)
QUIET = ChannelView(
    number=0, name="Launch", device="USB Audio", state=State.LISTENING, since_unix_s=NOW - 60, because=(),
    level_dbov=-24.0, peak_dbov=-9.0, noise_dbov=-50.0, snr_db=26.0, words=(), last_alert=None, last_partly=None,
    unacknowledged=(), engine="ear", model="ear-1", behind_s=0.0, restarts=0, gaps=0, proof_passed=True,
    proof_unix_s=NOW - 90, proof_detail="the known call was found", stream_s=60.0, pids={},
)  # fmt: skip


def shown(*channels: ChannelView, height: int = 40, width: int = 100) -> str:
    view = StationView(
        unix_s=NOW, uptime_s=3_700.0, cursor=9, channels=channels, faults=((NOW - 5, "tone: no output device"),),
        journal_trouble="", tone_trouble="", tone_sounding=False, recording="", page="", version="0",
        settings_fingerprint="f",
    )  # fmt: skip
    console = Console(width=width, height=height, force_terminal=False, record=True, file=open("/dev/null", "w"))
    console.print(picture(view, height))
    return console.export_text()


@pytest.mark.parametrize("state", list(State))
def test_every_state_has_a_big_word_and_a_shape_of_its_own(state):
    text = shown(replace(QUIET, state=state))
    assert all(line in text for line in big(state.value))
    shapes = {State.LISTENING: "●", State.PARTLY_HEARD: "◆", State.CALL_HEARD: "▲", State.BLIND: "✖"}
    assert [s for s in shapes.values() if s in text] == [shapes[state]]
    assert len(big(state.value)) == LINES and max(map(len, big(state.value))) <= 76


def test_a_call_says_phrase_time_age_confidence_and_that_it_is_to_be_confirmed():
    text = shown(replace(QUIET, state=State.CALL_HEARD, last_alert=CALL, unacknowledged=(CALL,)), width=140)
    assert "CALL HEARD: SUSPEND x3" in text and "(17:46:32 UTC)" in text and "8 s ago" in text
    assert "97%" in text and "NOT ACKNOWLEDGED; advisory: confirm by ear" in text


def test_blindness_says_why_and_since_when_and_an_open_call_stays_below_it():
    because = Because("device_gone", "input device 'USB Audio' has stopped", NOW - 42)
    text = shown(replace(QUIET, state=State.BLIND, because=(because,), unacknowledged=(CALL,)), width=140)
    assert "input device 'USB Audio' has stopped (since " in text and "42 s)" in text
    assert "NOT ACKNOWLEDGED" in text


def test_many_channels_on_a_small_terminal_are_a_word_each():
    channels = [replace(QUIET, number=k, name=f"Net {k}") for k in range(8)]
    text = shown(*channels, height=40)
    assert len(re.findall("● LISTENING", text)) == 8 and "██  █" not in text


def test_the_meter_shows_level_peak_and_no_sound():
    assert meter_bar(-30.0, -6.0).plain == "█" * 15 + "·" * 12 + "|" + "·" * 2 + "  -30 dBov"
    assert meter_bar(-120.0, -120.0).plain.endswith("no sound")


@pytest.mark.parametrize("seconds, said", [(0, "0 s"), (59.6, "60 s"), (120, "2 min"), (7_500, "2 h 5 min"), (-1, "0 s")])
def test_spans_of_time_for_people(seconds, said):
    assert ago(seconds) == said

"""The console picture: words and shapes say the state, at any width; a broken picture becomes plain lines."""

import io
from dataclasses import replace

import pytest
from rich.console import Console

from listener.events import confidence_text
from listener.watch.show.big_text import LINES, big
from listener.watch.show.entry import Entry
from listener.watch.show.picture import ago, calls_text, channel_line, meter_bar, picture
from listener.watch.state import Because, ChannelView, Shown, State, StationView, Step, StepDone, WordHeard, Work

NOW = 1_900_000_000.0
CALL = Shown(7, "alert", "2030-03-17T17:46:32.000000Z", NOW - 8, "suspend", 3, 3, 0.97, 10.0, 12.0, 0.3)
QUIET = ChannelView(
    number=0, name="Launch", device="USB Audio", state=State.LISTENING, since_unix_s=NOW - 60, because=(),
    level_dbov=-24.0, peak_dbov=-9.0, noise_dbov=-50.0, snr_db=26.0, words=(), last_alert=None, last_partly=None,
    unacknowledged=(), engine="ear", model="ear-4", behind_s=0.0, restarts=0, gaps=0, proof_passed=True,
    proof_unix_s=NOW - 90, proof_detail="the known call was found", stream_s=60.0, pids={},
)  # fmt: skip


def shown(*channels: ChannelView, height: int = 40, width: int = 100, acceptance: str = "") -> str:
    view = StationView(
        unix_s=NOW, uptime_s=3_700.0, cursor=9, channels=channels, faults=((NOW - 5, "tone: no output device"),),
        journal_trouble="", tone_trouble="", tone_sounding=False, recording="", page="", version="0", acceptance=acceptance,
        settings_fingerprint="f",
    )  # fmt: skip
    console = Console(width=width, height=height, force_terminal=False, record=True, file=io.StringIO())
    console.print(picture(view, height, width))
    return console.export_text()


@pytest.mark.parametrize("state", list(State))
def test_every_state_has_a_big_word_and_a_shape_of_its_own(state):
    text, narrow = shown(replace(QUIET, state=state)), shown(replace(QUIET, state=state), width=80)
    shapes = {State.LISTENING: "●", State.PARTLY_HEARD: "◆", State.CALL_HEARD: "▲", State.BLIND: "✖"}
    drawn = big(f"{shapes[state]} {state.value}")
    assert all(line in text for line in drawn)
    assert [s for s in shapes.values() if s in text] == [shapes[state]]
    assert all(line in narrow for line in big(state.value)) and len(drawn) == LINES
    assert len({tuple(big(shape)) for shape in shapes.values()}) == len(State)


def test_a_channel_s_name_is_big_too_where_there_is_room():
    assert all(line in shown(QUIET, width=120) for line in big("Launch"))
    assert big("Launch")[0] not in shown(QUIET, width=80)


def test_a_call_says_phrase_time_age_confidence_and_that_it_is_to_be_confirmed():
    text = shown(replace(QUIET, state=State.CALL_HEARD, last_alert=CALL, unacknowledged=(CALL,)), width=140)
    assert "CALL HEARD: SUSPEND x3" in text and "17:46:32 UTC" in text and "8 s ago" in text
    assert "CALL HEARD: SUSPEND x3" in text and text.count("17:46:32") == 1, "local time is UTC here: told once"
    assert "97%" in text and "NOT ACKNOWLEDGED; advisory: confirm by ear" in text


def test_blindness_says_why_and_since_when_and_an_open_call_stays_below_it():
    because = Because("device_gone", "input device 'USB Audio' has stopped", NOW - 42)
    text = shown(replace(QUIET, state=State.BLIND, because=(because,), unacknowledged=(CALL,)), width=140)
    assert "input device 'USB Audio' has stopped (since " in text and "42 s)" in text
    assert "NOT ACKNOWLEDGED" in text


def test_a_partly_heard_call_says_how_much_of_it_was_heard_and_no_confidence_of_a_call():
    partly = replace(CALL, kind="partly_heard", words_heard=2)
    text = shown(replace(QUIET, state=State.PARTLY_HEARD, last_partly=partly))
    assert "partly heard: SUSPEND, 2 of 3" in text and "%" not in text


def test_no_confidence_is_told_as_certain():
    assert [confidence_text(c) for c in (0.5, 0.994, 0.9951, 1.0)] == ["50%", "99%", "99%", "99%"]


def test_words_heard_weakly_have_a_question_mark():
    words = (WordHeard(NOW - 4, "suspend", -1.2), WordHeard(NOW - 3, "suspend", 4.8), WordHeard(NOW - 31, "suspend", 5.0))
    assert "words suspend? 4 s  suspend 3 s " in shown(replace(QUIET, words=words))


@pytest.mark.parametrize("channels, height, width", [(1, 24, 80), (2, 24, 80), (2, 40, 120), (8, 24, 80), (8, 60, 120), (16, 24, 80)])
def test_all_channels_fit_the_terminal_whatever_has_happened(channels, height, width):
    because = (Because("device_gone", "input device 'USB Audio' cannot be opened: is it in use or unplugged?", NOW - 42),)
    blind = replace(QUIET, state=State.BLIND, because=because, name="Net 1")
    calls = [replace(QUIET, number=k, name=f"Net {k}", state=State.CALL_HEARD, last_alert=CALL, unacknowledged=(CALL,))
             for k in range(1, channels)]  # fmt: skip
    text = shown(*[blind, *calls], height=height, width=width)
    lines = text.rstrip("\n").split("\n")
    assert len(lines) <= height and max(map(len, lines)) <= width
    assert "a: acknowledge" in lines[-1] + lines[-2]
    assert text.count("▲") == channels - 1 or len(calls) * 2 == text.count("▲")


CHANGED = "Launch: accepted 12 days ago; CHANGED SINCE: sensitivity: balanced then, eager now, model: ear-3 then, ear-4 now"


@pytest.mark.parametrize("width", [80, 120])
def test_what_has_changed_since_the_acceptance_is_told_whole_also_in_a_narrow_terminal(width):
    assert CHANGED in " ".join(line.strip() for line in shown(QUIET, height=24, width=width, acceptance=CHANGED).splitlines())


def test_in_a_low_terminal_the_channels_come_first():
    low = shown(QUIET, QUIET, height=16, width=120, acceptance=CHANGED).splitlines()
    assert len(low) == len(shown(QUIET, QUIET, height=16, width=120).splitlines()) <= 16
    assert "Launch: accepted 12" in low[-3]  # cut at the end of the foot's own line


def test_a_channel_in_one_line_says_state_name_and_why():
    because = (Because("device_gone", "no input device 'USB Audio'", NOW - 42),)
    line = channel_line(replace(QUIET, state=State.BLIND, because=because), NOW, 80).plain
    assert line.startswith(" ✖ BLIND ") and "Launch" in line and "no input device 'USB Audio', 42 s" in line
    assert "CALL HEARD: SUSPEND x3" in channel_line(replace(QUIET, state=State.CALL_HEARD, unacknowledged=(CALL,)), NOW, 80).plain


def test_the_meter_shows_level_peak_and_no_sound():
    assert meter_bar(-30.0, -6.0).plain == "█" * 15 + "·" * 12 + "|" + "·" * 2 + "  -30 dBov"
    assert meter_bar(-120.0, -120.0).plain.endswith("no sound")


@pytest.mark.parametrize("seconds, said", [(0, "0 s"), (59.6, "60 s"), (120, "2 min"), (7_500, "2 h 5 min"), (-1, "0 s")])
def test_spans_of_time_for_people(seconds, said):
    assert ago(seconds) == said


def test_an_open_call_does_not_hide_whether_the_channel_hears_now():
    call = replace(QUIET, state=State.CALL_HEARD, last_alert=CALL, unacknowledged=(CALL,))
    blind = replace(call, because=(Because("device_gone", "input device 'USB Audio' has stopped", NOW - 3),))
    assert "listening now" in shown(call) and "BLIND now" not in shown(call)
    assert "BLIND now" in shown(blind) and "✖ input device 'USB Audio' has stopped (since" in shown(blind)
    assert "listening now" not in shown(blind) and "NOT ACKNOWLEDGED" in shown(blind, width=140)
    assert "listening now  CALL HEARD: SUSPEND x3" in channel_line(call, NOW, 120).plain
    assert "BLIND now  CALL HEARD: SUSPEND x3" in channel_line(blind, NOW, 120).plain


def test_a_call_that_has_not_ended_is_told_with_its_steps_and_leaves_the_state_alone():
    """Acknowledged 8 s after it; the second step was before the spoken call, the first is over its time."""
    done = (StepDone("bar up", "Bo", -2.0),)
    call = replace(CALL, acknowledged_by="Ann", steps=done)
    steps, endings = (Step("tension off", 5.0), Step("bar up"), Step("signal", 20.0)), ("resume",)
    (told, follows) = calls_text(replace(QUIET, last_alert=call, unresolved=(call,)), NOW, steps, endings)
    assert told.plain.endswith("seen by Ann")
    assert follows.plain == "+8 s  1 tension off OPEN, set 5 s OVER  2 bar up -2 s Bo  3 signal –, set 20 s  NOT RESOLVED (r)"
    ended = replace(call, resolved_as="resume", resolved_by="Cy")
    (told,) = calls_text(replace(QUIET, last_alert=ended), NOW, steps, endings)
    assert told.plain.endswith("resume, Cy")
    line = channel_line(replace(QUIET, unresolved=(call,)), NOW, 120).plain
    assert line.startswith(" ● LISTENING") and "not resolved: CALL HEARD: SUSPEND x3" in line


def test_work_on_a_radio_is_told_beside_the_blindness_and_that_it_has_ended():
    work = Work(5, "Launch", "Bo", "antenna", NOW - 60, NOW + 1_740)
    blind = replace(QUIET, state=State.BLIND, because=(Because("no_frames", "no sound", NOW - 3),), work=work)
    assert "being worked on by Bo until 18:15:40 UTC: antenna" in shown(blind) and "✖ no sound (since" in shown(blind)
    assert "worked on by Bo: no sound" in channel_line(blind, NOW, 120).plain
    over = replace(blind, work=replace(work, ended_unix_s=NOW - 5))
    assert "work by Bo ended: its time was over, 5 s ago" in shown(over)


@pytest.mark.parametrize("height, width", [(24, 80), (50, 160)])
def test_the_foot_says_what_this_is_not_and_what_a_person_writes(height, width):
    text = shown(QUIET, height=height, width=width)
    assert "Advisory, not certified" in text and "no alert is never permission" in text
    assert "w: take the watch" in text and "b: BLIND seen" in text


def test_a_name_is_written_key_by_key_and_may_be_left():
    given = []
    entry = Entry(["name", "minutes"], lambda answers: given.append(answers) or "done", {1: str.isdecimal})
    assert [entry.press(key) for key in "Anx"] == [None] * 3 and "name: Anx_" in entry.line
    assert entry.press("\x7f") is None and entry.press("n") is None and entry.press("\n") is None
    assert entry.press("\x00") is None and entry.press("x") is None and entry.press("\r") is None
    assert entry.line.startswith("? minutes: x_"), "what is not an answer is asked for again"
    assert entry.press("\x7f") is None and entry.press("5") is None and entry.press("\r") == "done"
    assert given == [["Ann", "5"]]
    assert Entry(["name"], lambda answers: "done").press("\x1b") == ""
    empty = Entry(["name"], lambda answers: "done")
    assert empty.press("\n") is None and empty.wrong, "nobody takes the watch without a name"

"""JSON lines and the console line of a call."""

import json
from dataclasses import replace

import pytest

from listener.events import Alert, Answer, Candidate, Hit, PartlyHeard, Update
from listener.tell import console
from listener.tell.console import bar, call_line, clock
from listener.tell.json_lines import json_line, update_line

HITS = (Hit("suspend", 12.31, 12.9, 3.14159), Hit("suspend", 13.2, 13.8, 2.5), Hit("suspend", 14.1, 14.77, 4.0))
ALERT = Alert(1, "suspend", 3, 12.31, 14.77, 15.02, 0.98, "ear", HITS)


def test_the_line_of_an_alert_is_exactly_this():
    assert json_line(ALERT, "deck.wav") == (
        '{"kind": "alert", "file": "deck.wav", "channel": 1, "phrase": "suspend", "repeats": 3, '
        '"start_s": 12.31, "end_s": 14.77, "raised_s": 15.02, "confidence": 0.98, "chance_per_h": null, "engine": "ear", '
        '"hits": [{"start_s": 12.31, "end_s": 12.9, "score": 3.142}, {"start_s": 13.2, "end_s": 13.8, "score": 2.5}, '
        '{"start_s": 14.1, "end_s": 14.77, "score": 4.0}]}'
    )


@pytest.mark.parametrize("chance, told", [(0.025, "less than once in 40 h of talk"), (0.1234567, "once in 8 h of talk")])
def test_how_often_talk_does_the_same_stands_beside_the_confidence(chance, told):
    alert = replace(ALERT, chance_per_h=chance)
    assert json.loads(json_line(alert, "a"))["chance_per_h"] == round(chance, 4)
    assert call_line(alert, 1).plain.endswith(f"talk alone: {told}")


def test_a_line_is_one_line_whatever_the_file_is_called():
    line = json_line(ALERT, 'a "b"\nc\u2028중지.wav')
    assert line.isascii() and len(line.splitlines()) == 1
    assert json.loads(line)["file"] == 'a "b"\nc\u2028중지.wav'


@pytest.mark.parametrize("kind", [Candidate, PartlyHeard])
def test_the_other_kinds_have_the_same_fields(kind):
    other = kind(0, "stop", 3, 1.0, 2.0, 5.0, 0.3, "ear", HITS[:2])
    line, alert = json.loads(json_line(other, "a")), json.loads(json_line(ALERT, "a"))
    assert list(line) == list(alert)
    assert line["kind"] == kind.kind != "alert"


@pytest.mark.parametrize(
    "seconds, shown",
    [(0, "0:00.0"), (62.34, "1:02.3"), (59.96, "1:00.0"), (3599.97, "1:00:00.0"), (36_000.04, "10:00:00.0")],
)
def test_the_clock_counts_in_minutes_and_hours(seconds, shown):
    assert clock(seconds) == shown


@pytest.mark.parametrize("share, shown", [(0, "░" * 10), (0.98, "█" * 10), (0.5, "█" * 5 + "░" * 5), (1, "█" * 10)])
def test_the_bar_has_ten_cells(share, shown):
    assert bar(share) == shown


def test_the_console_says_in_words_what_was_heard():
    assert (
        call_line(ALERT, 1).plain == "    0:12.3  CALL HEARD    suspend x3  ██████████  98%  0.25 s after its last word"
    )
    partly = PartlyHeard(1, "suspend", 3, 12.31, 13.8, 17.0, 0.4, "ear", HITS[:2])
    assert "partly heard  suspend 2 of 3" in call_line(partly, 1).plain


def test_the_channel_is_told_when_there_are_several():
    assert call_line(ALERT, 2).plain.endswith("channel 1")


UPDATE = Update(1, "suspend", 12.31, 15.5, Answer("heard", "two", 0.97123, 14.9, 15.2), Answer("unclear"))


def test_the_line_of_an_update_is_exactly_this():
    assert update_line(UPDATE, "deck.wav") == (
        '{"kind": "update", "file": "deck.wav", "channel": 1, "phrase": "suspend", "start_s": 12.31, "raised_s": 15.5, '
        '"position": {"verdict": "heard", "name": "two", "confidence": 0.9712, "start_s": 14.9, "end_s": 15.2}, '
        '"caller": {"verdict": "unclear", "name": null, "confidence": null, "start_s": null, "end_s": null}}'
    )
    assert json.loads(update_line(replace(UPDATE, position=None), "deck.wav"))["position"] is None


def test_an_update_for_people_names_the_call_by_its_time():
    line = console.update_line(UPDATE, channels=2).plain
    assert line == "    0:12.3  about it      position two (97%); caller unclear  at 0:15.5  channel 1"

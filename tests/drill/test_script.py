"""The drill file: what people may write, what comes back, and what is said about mistakes."""

from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.drill.script import (
    Action,
    Drill,
    DrillError,
    MadeCall,
    Track,
    Traffic,
    drill_settings,
    drill_text,
    read_drill,
)
from listener.errors import UserError

BY_HAND = """
title: Grey Heron
place: Halvard
date: 2026-03-02
crew: Blue watch
recordings:
  - {name: launch, file: launch.flac}
  - {name: deck, file: deck.wav, channel: 1, offset_s: -2.5}
calls:
  - at_s: [1:03.5, 65.9]
    caller: launcher two
    expected: throttle back
  - at_s: 2:10
  - at_s: find it
    recording: deck
  - at_s: [4:00, 4:02.1]
    words_s: [[4:00, 4:00.5], [4:00.8, 4:01.3], [4:01.6, 4:02.1]]
    checked: no
actions:
  - {who: controller, what: pressed, at_s: "1:07.2", call: 1}
"""


def read(tmp_path: Path, text: str) -> Drill:
    path = tmp_path / "drill.yaml"
    path.write_text(text, encoding="utf-8")
    return read_drill(path)


def problems(tmp_path: Path, text: str) -> list[str]:
    with pytest.raises(DrillError) as caught:
        read(tmp_path, text)
    return [line.removeprefix(f"{tmp_path / 'drill.yaml'}: ") for line in caught.value.problems]


def test_a_drill_written_by_hand(tmp_path) -> None:
    drill = read(tmp_path, BY_HAND)
    assert drill.calls[0].span_s == (63.5, 65.9)
    assert drill.calls[1].at_s == (130.0, None)
    assert drill.calls[2].to_find and not drill.calls[0].to_find
    assert drill.calls[3].words_s[2] == (241.6, 242.1) and not drill.calls[3].checked
    assert drill.actions[0].at_s == 67.2
    assert drill.recordings[1] == Track(name="deck", file=Path("deck.wav"), channel=1, offset_s=-2.5)
    assert (drill.phrase, drill.repeats, str(drill.date)) == ("suspend", 3, "2026-03-02")


times = st.floats(0, 5000).map(lambda s: round(s, 3))
text = st.text(st.characters(exclude_categories=["Cs", "Cc", "Zl", "Zp"]), max_size=20).map(str.strip)
spans = st.tuples(times, st.floats(0.1, 9).map(lambda s: round(s, 3))).map(lambda x: (x[0], round(x[0] + x[1], 3)))
call_times = spans | st.tuples(times, st.none()) | st.just((None, None))
calls = st.builds(MadeCall, at_s=call_times, caller=text, expected=text, checked=st.booleans(), note=text)
drills = st.builds(
    Drill,
    title=text.filter(bool),
    crew=text,
    date=st.none() | st.dates(),
    notes=text,
    recordings=st.just((Track(name="launch", file=Path("a b.flac")),)),
    calls=st.lists(calls, max_size=3).map(tuple),
    actions=st.lists(st.builds(Action, who=text.filter(bool), what=text.filter(bool), at_s=times), max_size=2).map(
        tuple
    ),
    traffic=st.lists(st.builds(Traffic, at_s=spans, text=text), max_size=2).map(tuple),
)


@given(drill=drills)
def test_a_drill_comes_back_from_its_text(tmp_path_factory, drill: Drill) -> None:
    assert read(tmp_path_factory.mktemp("drill"), drill_text(drill, ["a remark: with [signs]", ""])) == drill


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("", "the drill is empty; it needs title, recordings and calls"),
        ("- a\n", "expected a drill with title, recordings and calls, found ['a']"),
        ("title: a\nrecordings: [{name: a, file: a.wav}]\n", "calls: is missing; name the calls that were made, or write 'calls: []' if none was"),
        ("title: a\nrecordings: []\ncalls: []\n", "recordings: is empty; name at least one recording"),
        ("title: a\nrecordings: [{name: a, file: a.wav}]\ncalls: []\nplaces: x\n", "places: no such entry"),
        ("title: a\nrecordings: [{name: a, file: a.wav}]\ncalls: [{at_s: [3, 2]}]\n", "calls 1: at_s ends (2) before it starts (3)"),
        ("title: a\nrecordings: [{name: a, file: a.wav}]\ncalls: [{at_s: soon}]\n", "calls 1, at_s: input should be a valid tuple (it is 'soon')"),
        (
            "title: a\nrecordings: [{name: a, file: a.wav}]\ncalls: [{at_s: [1, 4], words_s: [[1, 2], [1.5, 3]]}]\n",
            "calls 1: words_s: [1.5, 3] is not in order",
        ),
        (
            "title: a\nrecordings: [{name: a, file: a.wav}]\ncalls: []\nactions: [{who: x, what: y, at_s: .nan}]\n",
            "actions 1, at_s: input should be a finite number (it is nan)",
        ),
    ],
)  # fmt: skip
def test_a_mistake_is_one_clear_line(tmp_path, text: str, said: str) -> None:
    assert problems(tmp_path, text) == [said]


def test_every_mistake_is_told_at_once(tmp_path) -> None:
    said = problems(tmp_path, "recordings: [{name: a}]\ncalls: []\ncolour: red\n")
    assert said == ["title: is missing; add it", "recordings 1, file: is missing; add it", "colour: no such entry"]


def test_a_missing_drill_names_the_way_to_start_one(tmp_path) -> None:
    with pytest.raises(UserError, match="no such drill file; start one with 'listener drill new RECORDING'"):
        read_drill(tmp_path / "none.yaml")


def test_the_settings_listen_for_the_drills_phrase(tmp_path) -> None:
    (tmp_path / "field.yaml").write_text("phrases: [{words: stop, max_gap_s: 0.9}]\n")
    track = (Track(name="a", file=Path("a.wav")),)
    other = MadeCall(at_s=(1.0, 2.0), phrase="hold")
    drill = Drill(title="x", phrase="stop", repeats=2, settings=Path("field.yaml"), recordings=track, calls=(other,))
    phrases = drill_settings(drill, tmp_path).phrases
    assert [(p.words, p.repeats, p.max_gap_s) for p in phrases] == [("stop", 2, 0.9), ("hold", 2, 1.75)]
    assert [p.words for p in drill_settings(Drill(title="x", recordings=track, calls=()), tmp_path).phrases] == [
        "suspend"
    ]

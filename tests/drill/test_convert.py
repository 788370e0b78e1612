"""Drill to labels and back; the machine's own labels are never taken for truth."""

from pathlib import Path

from listener.drill.convert import calls_and_actions, drill_labels
from listener.drill.script import Action, Drill, MadeCall, Track, Traffic
from listener.score.labels import FORMATS, Label, parse_labels

DRILL = Drill(
    title="x",
    recordings=(Track(name="launch", file=Path("a.wav")), Track(name="deck", file=Path("b.wav"))),
    calls=(
        MadeCall(at_s=(10.0, 12.5), words_s=((10.0, 10.5), (11.0, 11.5), (12.0, 12.5)), caller="launcher two"),
        MadeCall(at_s=(30.0, None), recording="deck"),
        MadeCall(at_s=(None, None), caller="somebody"),
    ),
    actions=(Action(who="tower", what="pressed", at_s=13.25),),
    traffic=(Traffic(at_s=(20.0, 22.0), who="deck", text="tension off: all clear", recording="deck"),),
)


def test_times_people_and_words_come_back_through_every_format() -> None:
    for kind in FORMATS.values():
        labels = parse_labels(kind.text(drill_labels(DRILL)), kind).labels
        calls, actions, traffic = calls_and_actions(labels)
        assert tuple(calls) == DRILL.calls[:2]
        assert tuple(actions) == DRILL.actions
        assert tuple(traffic) == DRILL.traffic


def test_the_machines_labels_are_no_truth() -> None:
    labels = [
        Label(1, 2, "alert: suspend 0.98"),
        Label(1, 1.5, "heard: suspend 3.1"),
        Label(3, 4, "Partly_heard: suspend 0.4"),
    ]
    assert calls_and_actions(labels) == ([], [], [])


def test_other_labels_are_kept_as_traffic() -> None:
    _, actions, traffic = calls_and_actions(
        [Label(1, 2, "wind two zero zero"), Label(3, 3, "action: pressed"), Label(4, 4, "a point")]
    )
    assert traffic == [Traffic(at_s=(1, 2), text="wind two zero zero")]
    assert actions == [Action(who="somebody", what="pressed", at_s=3)]


def test_words_in_no_call_are_reported_and_left_out() -> None:
    said: list[str] = []
    labels = [Label(10.0, 13.0, "call: deck", ""), Label(10.0, 10.5, "word: suspend", "")]
    stray = [Label(20.0, 20.5, "word: suspend", ""), Label(21.0, 21.5, "word: suspend", "")]
    (call,), _, traffic = calls_and_actions([*labels, *stray], said.append)
    assert said == ["word at 20.00 s and 1 more: in no call; left out: mark the call around its words"]
    assert call.words_s == ((10.0, 10.5),) and traffic == []
    calls, _, _ = calls_and_actions(stray[:1], said.append)
    assert calls == [] and said[1:] == ["word at 20.00 s: in no call; left out: mark the call around its words"]

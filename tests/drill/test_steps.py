"""Expected steps beside what was done: done, late, out of order, not done; by whom; before the spoken call too."""

import json
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.drill.debrief import heard_around
from listener.drill.result import Result, result_of
from listener.drill.script import Action, Drill, DrillError, ExpectedStep, drill_text, parse_drill
from listener.drill.steps import score_steps
from listener.speech.spotter import NearWord
from tests.drill.exercise import call_at, write_wav
from tests.drill.test_score import LAUNCH, scored
from tests.fakes import AroundEngine

ORDER = [
    {"who": "deck", "what": "tension released", "within_s": 10},
    {"who": "deck", "what": "bar up"},
    {"who": "director", "what": "throttle back", "within_s": 20},
]
EXPECTED = tuple(ExpectedStep(**step) for step in ORDER)


def did(who: str, what: str, at_s: float) -> Action:
    return Action(who=who, what=what, at_s=at_s)


@pytest.mark.parametrize(
    ("actions", "statuses"),
    [
        ([did("deck", "tension released", 8), did("deck", "bar up", 9), did("director", "throttle back", 20)], "done done done"),
        ([did("deck", "tension released", 10.1)], "late, not done, not done"),
        ([did("deck", "bar up", 4), did("deck", "tension released", 6)], "done, out of order, not done"),
        # The last step comes first and the first never: what is not done puts nothing out of order.
        ([did("director", "throttle back", 3), did("deck", "bar up", 5)], "not done, done, out of order"),
        ([did("director", "throttle back", 21), did("deck", "bar up", 30)], "not done, done, out of order"),
        ([did("deck", "tension released", 5), did("deck", "bar up", 5)], "done, done, not done"),
        ([], "not done, not done, not done"),
    ],
)
def test_statuses_by_hand(actions, statuses) -> None:
    want = statuses.split(", ") if "," in statuses else statuses.split()
    assert [s.status for s in score_steps(EXPECTED, sorted(actions, key=lambda a: a.at_s), 0.0)] == want


def test_a_step_by_somebody_else_is_done_and_says_by_whom_and_its_own_person_comes_first() -> None:
    actions = [did("tower", "Tension  Released", 2.0), did("deck", "tension released", 3.0), did("bo", "bar up", 4.0)]
    first, second, _ = score_steps(EXPECTED, actions, 0.0)
    assert (first.action.at_s, first.by, second.status, second.by) == (3.0, "", "done", "bo")


def test_where_nobody_knows_when_the_call_ended_nothing_is_late() -> None:
    first, *_ = score_steps(EXPECTED, [did("deck", "tension released", 99.0)], None)
    assert (first.status, first.delay_s) == ("done", None)


TIMES = st.lists(st.tuples(st.integers(0, 2), st.floats(-20, 60).map(lambda s: round(s, 2))), max_size=6)


@given(TIMES, st.floats(-5, 5))
def test_each_action_is_one_step_at_most_and_the_order_of_the_list_changes_nothing_else(times, complete_s) -> None:
    actions = sorted((did(ORDER[i]["who"], ORDER[i]["what"], at_s) for i, at_s in times), key=lambda a: a.at_s)
    scores = score_steps(EXPECTED, actions, complete_s)
    used = [id(s.action) for s in scores if s.action]
    assert len(set(used)) == len(used)
    for i, score in enumerate(scores):
        theirs = [at_s for k, at_s in times if k == i]
        assert (score.action is None) == (not theirs)
        if theirs:
            assert score.action.at_s == min(theirs) and score.delay_s == pytest.approx(min(theirs) - complete_s)
            assert score.is_late == (score.step.within_s is not None and score.delay_s > score.step.within_s)
            assert bool(score.before) == any(s.action and s.action.at_s > score.action.at_s for s in scores[:i])


@pytest.fixture
def folder(tmp_path: Path) -> Path:
    """Calls at 10 to 11.8 and 40 to 41.8 s."""
    write_wav(tmp_path / "launch.wav", [*call_at(10.0), *call_at(40.0)], 60.0)
    return tmp_path


CALLS = [{"at_s": [10.0, 11.8], "position": "number one"}, {"at_s": [40.0, 41.8]}]


def test_steps_of_a_whole_drill_come_out_as_json_that_reads_back(folder) -> None:
    """A visual signal 3 s before the second call ended; a first step 15 s after the first one, where 10 s were set."""
    actions = [
        {"who": "deck", "what": "tension released", "at_s": 26.8},
        {"who": "deck", "what": "bar up", "at_s": 14.0},
        {"who": "deck", "what": "tension released", "at_s": 38.8},
        {"who": "director", "what": "throttle back", "at_s": 38.0, "before": True},
        {"who": "director", "what": "waved", "at_s": 9.0, "before": True},
    ]
    found = scored(folder, recordings=[LAUNCH], calls=CALLS, actions=actions, expected=ORDER)
    result = result_of(found, Path("drill.yaml"))
    first, second = result.calls
    assert [(s.status, s.late, s.out_of_order, s.delay_s) for s in first.steps] == [
        ("late", True, False, 15.0), ("out of order", False, True, 2.2), ("not done", False, False, None),
    ]  # fmt: skip
    assert [(s.status, s.delay_s) for s in second.steps] == [("done", -3.0), ("not done", None), ("out of order", -3.8)]
    assert first.position == "number one" and next((a.what, a.delay_s) for a in first.actions) == ("waved", -2.8)
    assert Result.model_validate_json(result.model_dump_json()) == result
    old = json.loads(result.model_dump_json())
    for call in old["calls"]:
        del call["steps"], call["position"]
    del old["alerts"]
    assert Result.model_validate(old).calls[0].steps == (), "results of an earlier version can be read"


def test_a_step_before_the_next_call_is_taken_for_the_call_that_still_misses_it(folder) -> None:
    step = {"who": "deck", "what": "tension released"}
    early = {**step, "at_s": 36.0}
    once = scored(folder, recordings=[LAUNCH], calls=CALLS, actions=[early], expected=ORDER)
    assert [len(call.actions) for call in once.calls] == [1, 0], "26 s after the first, which has none yet"
    twice = scored(folder, recordings=[LAUNCH], calls=CALLS, actions=[{**step, "at_s": 13.0}, early], expected=ORDER)
    assert [call.actions[0].delay_s for call in twice.calls] == [pytest.approx(1.2), pytest.approx(-5.8)]
    none = scored(folder, recordings=[LAUNCH], calls=CALLS, actions=[{**step, "at_s": 13.0}, early])
    assert [len(call.actions) for call in none.calls] == [2, 0], "without expected steps as ever"


def test_a_call_may_have_steps_of_its_own_or_none_and_words_are_only_printed(folder) -> None:
    own = [{**CALLS[0], "expected": []}, {**CALLS[1], "expected": "throttle back"}]
    found = scored(folder, recordings=[LAUNCH], calls=own, expected=ORDER)
    assert [len(call.steps) for call in found.calls] == [0, 3]
    assert [step.what for step in found.step_columns] == [step["what"] for step in ORDER]


HEAD = "title: a\nrecordings: [{name: a, file: a.wav}]\n"


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("calls: []\nexpected: [{what: bar up}]", "expected 1: 'bar up' is for nobody: say who does it, for example who: deck"),
        ("calls: []\nexpected: [{who: ' ', what: bar up}]", "expected 1: 'bar up' is for nobody: say who does it, for example who: deck"),
        ("calls: []\nexpected: bar up", "expected: must be a list (it is 'bar up')"),
        ("calls: [{at_s: 3, expected: [bar up]}]", "calls 1, expected, steps 1: 'bar up' is for nobody: write {who: deck, what: bar up} (it is 'bar up')"),
        (
            "calls: [{at_s: 3, expected: [{who: a, what: b}, {who: A, what: b}]}]",
            "calls 1, expected, steps: a: b stands there twice",
        ),
        ("calls: []\nalerts: off", "alerts: input should be 'shown' or 'hidden' (it is False)"),
    ],
)  # fmt: skip
def test_steps_that_cannot_be_are_one_line(text, said) -> None:
    with pytest.raises(DrillError) as caught:
        parse_drill(HEAD + text, Path("d.yaml"))
    assert caught.value.problems[0] == f"d.yaml: {said}"


def test_steps_come_back_from_the_drill_s_text() -> None:
    drill = parse_drill(
        f"{HEAD}calls: [{{at_s: 3, position: one, expected: {json.dumps(ORDER)}}}]\nexpected: {json.dumps(ORDER)}\nalerts: hidden\n"
        "actions: [{who: a, what: b, at_s: 1, before: yes}]",
        Path("d.yaml"),
    )
    again: Drill = parse_drill(drill_text(drill), Path("d.yaml"))
    assert again == drill and again.calls[0].expected == EXPECTED and again.alerts == "hidden" and again.actions[0].before


def test_the_position_as_heard_stands_beside_the_one_that_was_meant(folder) -> None:
    """Behind each call the engine hears "two" (a recorder that began 5 s late): right once, wrong once."""
    deck = {"name": "deck", "file": "launch.wav", "offset_s": 5.0}
    (folder / "tower.yaml").write_text("positions: [one, two]\n")
    calls = [{"at_s": [15.0, 16.8], "position": "number two"}, {"at_s": [45.0, 46.8], "position": "number one"}]
    engine = AroundEngine([NearWord("position", "two", at_s, at_s + 0.3, 4.0) for at_s in (12.1, 42.1)])
    found = scored(folder, engine, recordings=[deck], calls=calls, settings="tower.yaml")
    first, second = result_of(found, Path("drill.yaml")).calls
    assert [(c.heard_position.name, c.heard_position.right) for c in (first, second)] == [("two", True), ("two", False)]
    assert first.heard_caller is None and found.calls[0].position.start_s == pytest.approx(17.1)
    assert heard_around(found.calls[0]).endswith("%) ✓") and heard_around(found.calls[1]).endswith("%) ✕ wrong")
    without = scored(folder, recordings=[deck], calls=calls)
    assert without.calls[0].position is None and heard_around(without.calls[0]) == "–"
    assert [c.delay_s for c in found.calls] == [c.delay_s for c in without.calls], "the alerts are the same"

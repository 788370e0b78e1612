"""What follows a call: steps with their times, and how it ended. Journalled, shown, read back; never a state of the detector."""

import json
import time
from pathlib import Path

import pytest
from hypothesis import given
from hypothesis import strategies as st

from listener.errors import SettingsError, UserError
from listener.keep.bundle import make_bundle, verify_bundle
from listener.keep.records import Query, Records
from listener.keep.records import words as row_words
from listener.settings import Settings, read_settings
from listener.watch.calls import Calls
from listener.watch.duty import open_points
from listener.watch.show.entry import resolve, tick_step
from listener.watch.show.picture import calls_text
from listener.watch.state import Shown, StepDone
from listener.watch.station import Station
from tests.watch.parts import channel, follow, is_state, load_bursts, running, save, settings, traffic

STEPS = [{"name": "tension released", "within_s": 15}, "launch bar up"]


def station_of(folder: Path, calls_s: list[float], **watch) -> Station:
    file = save(folder / "radio.wav", traffic(12.0, calls_s, 16_000), 16_000)
    given = {"steps": STEPS, "resolved_as": ["resume", "aircraft fast"], "evidence_after_s": 0.5, **watch}
    return Station(settings(folder, [{"name": "Launch", "file": str(file)}], **given), folder / "state", load=load_bursts)


def rows(station: Station, *kinds: str) -> list:
    records = Records(station.folder)
    try:
        return list(records.rows(Query(kinds=kinds)))
    finally:
        records.close()


# -- settings ------------------------------------------------------------------------------------------------


def test_a_step_is_a_name_or_a_name_with_the_time_it_is_meant_to_take():
    watch = Settings.model_validate({"watch": {"steps": STEPS}}).watch
    assert [(step.name, step.within_s) for step in watch.steps] == [("tension released", 15.0), ("launch bar up", None)]
    assert watch.resolved_as == ("resolved",)


@pytest.mark.parametrize(
    "text, said",
    [
        ("steps: [a, b, A]", "watch.steps: two steps are named 'a'"),
        ("steps: [{name: a}, {name: ' a'}]", "watch.steps: two steps are named 'a'"),
        ("steps: [{name: a, within_s: 0}]", "watch.steps.0.within_s: must be more than 0"),
        ("steps: [{name: a, within_s: yes}]", "watch.steps.0.within_s: must be a number; YAML reads"),
        ("steps: [{within_s: 3}]", "watch.steps.0.name: is missing"),
        ("steps: ['']", "watch.steps.0.name: must not be empty"),
        ("steps: [yes]", "watch.steps.0: must be words in quotes; YAML reads"),
        ("steps: [a, b, c, d, e, f, g, h, i, j]", "watch.steps: must hold 9 at most; there are 10"),
        ("resolved_as: [resume, Resume]", "watch.resolved_as: two endings are named 'resume'"),
    ],
)
def test_steps_that_cannot_be_are_one_line(tmp_path, text, said):
    path = tmp_path / "mine.yaml"
    path.write_text(f"watch:\n  {text}\n")
    with pytest.raises(SettingsError) as caught:
        read_settings(path)
    assert said in str(caught.value) and "\n" not in str(caught.value)


# -- the calls of a channel ----------------------------------------------------------------------------------

ACTS = st.lists(st.tuples(st.sampled_from(["show", "acknowledge", "tick", "take back", "resolve", "reopen"]), st.integers(1, 4)))


@given(ACTS, st.booleans())
def test_whatever_people_do_a_call_is_in_one_place_and_only_acknowledging_changes_the_state(acts, are_resolved):
    """A model beside it: shown calls by what was last said of each."""
    calls, model = Calls(are_resolved), {}
    for act, id in acts:
        before = calls.unacknowledged_since_s
        if act == "show" and id not in model:
            calls.show(Shown(id, "alert", "", 0.0, "suspend", 3, 3, 0.9, 0.0, 2.0, 0.1), now_s=float(id))
            model[id] = "new"
            continue
        was = model.get(id)
        if act == "acknowledge":
            assert calls.acknowledge(id, "Ann") == (was == "new")
            model |= {id: "open" if are_resolved else "over"} if was == "new" else {}
            continue
        if act == "resolve":
            assert calls.resolve(id, "Bo", "resume") == (was == "open")
            model |= {id: "ended"} if was == "open" else {}
        if act == "reopen":
            assert calls.reopen(id) == (was == "ended")
            model |= {id: "open"} if was == "ended" else {}
        if act in ("tick", "take back") and was:
            calls.tick(id, "a", StepDone("a", "Bo", 3.0) if act == "tick" else None)
            assert [step.name for step in calls.find(id).steps] == (["a"] if act == "tick" else [])
        assert calls.unacknowledged_since_s == before
    assert set(calls.unacknowledged) == {id for id, is_ in model.items() if is_ == "new"}
    assert set(calls.unresolved) == {id for id, is_ in model.items() if is_ == "open"}
    assert all((calls.find(id).resolved_as == "resume") == (is_ == "ended") for id, is_ in model.items())


# -- at the station ------------------------------------------------------------------------------------------


def test_what_people_do_after_a_call_is_journalled_shown_and_survives_a_restart(tmp_path):
    """One call: a step late, one by the person's word before it, acknowledged, the watch started anew, then ended."""
    with running(station_of(tmp_path, [3.0])) as station:
        follow(station, is_state("CALL HEARD"), 25.0)
        (call,) = channel(station).unacknowledged
        alert = station.logbook.rows.row(call.id)
        assert tick_step(station, 2) == "launch bar up: done" and tick_step(station, 3) == "no step 3 in the settings (watch.steps)"
        station.tick()
        assert tick_step(station, 2) == "launch bar up: was done already", "its time stands"
        station.desk.step(alert, "tension released", "Bo", since_call_s=-4.0)
        with pytest.raises(UserError, match="no step 'wave'"):
            station.desk.step(alert, "wave", "Bo")
        station.desk.acknowledge(call.id, "Ann")
        follow(station, is_state("LISTENING"), 5.0)
        view = channel(station)
        assert view.hearing and not view.unacknowledged, "what nobody ended hides nothing of the channel"
        (open_call,) = view.open_calls
        assert [(s.name, s.who) for s in open_call.steps] == [("launch bar up", "console"), ("tension released", "Bo")]
        assert open_points(station.snapshot()) == [f"call not resolved: Launch, suspend, {call.utc[11:19]} UTC, acknowledged by Ann"]
    with running(station_of(tmp_path, [])) as station:
        station.tick()
        (again,) = channel(station).unresolved
        assert (again.id, again.acknowledged_by, again.steps) == (call.id, "Ann", open_call.steps)
        entry = resolve(station)
        assert "1 resume, 2 aircraft fast" in entry.line
        assert [entry.press(key) for key in "3\r\x7f2\rCy\r"][-1] == "resolved: aircraft fast"
        assert station.desk.resolve(alert, "Di", "resume") is None, "the first word stands"
        station.tick()
        assert not channel(station).open_calls and open_points(station.snapshot())[:1] != ["call"]
        assert tick_step(station, 1).startswith("no call that is not resolved")
        assert station.desk.reopen(alert, "Cy") and station.desk.resolve(alert, "Cy", "resume")
        follow(station, lambda s: len(rows(s, "resolve")) == 3, 5.0)
        bar, tension = rows(station, "step")
        assert row_words(bar).endswith("s after the call, before 'tension released', console")
        assert bar.body["still_open"] == ["tension released"] and not bar.body["told"]
        assert row_words(tension) == "step 'tension released' done 4.0 s before the call (set: 15 s), as told, Bo"
        ended, opened, _ = rows(station, "resolve")
        assert row_words(ended).startswith("resolved: aircraft fast, ") and row_words(ended).endswith("s after the call, Cy")
        assert row_words(opened) == "open again: resolution taken back, Cy"
        records = Records(station.folder)
        make_bundle(records, call.id, tmp_path / "bundle")
        assert records.check() == [] and verify_bundle(tmp_path / "bundle") == []
        told = [json.loads(line) for line in (tmp_path / "bundle" / "rows.jsonl").read_text().splitlines()]
        assert [row["kind"] for row in told if row["about"] == call.id and row["kind"] in ("step", "acknowledge", "resolve")] == [
            "step", "step", "acknowledge", "resolve", "resolve", "resolve",
        ]  # fmt: skip


def test_a_call_that_is_resolved_unseen_is_acknowledged_by_that_and_without_endings_acknowledging_ends_it(tmp_path):
    with running(station_of(tmp_path, [3.0])) as station:
        follow(station, is_state("CALL HEARD"), 25.0)
        (call,) = channel(station).unacknowledged
        assert station.desk.resolve(station.logbook.rows.row(call.id), "Bo", "resume")
        follow(station, lambda s: rows(s, "resolve"), 5.0)
        assert [row.body["who"] for row in rows(station, "acknowledge", "resolve")] == ["Bo", "Bo"]
        assert rows(station, "resolve")[0].body["still_open"] == ["tension released", "launch bar up"]
    (tmp_path / "other").mkdir()
    with running(station_of(tmp_path / "other", [3.0], resolved_as=[])) as station:
        follow(station, is_state("CALL HEARD"), 25.0)
        (call,) = channel(station).unacknowledged
        station.desk.acknowledge(call.id, "Ann")
        station.tick()
        assert not channel(station).open_calls and resolve(station) is None
        assert tick_step(station, 1) == "tension released: done", "steps go on where nobody says that a call is over"
        station.tick()
        assert "1 tension released +" in calls_text(channel(station), time.time(), station.snapshot().steps, ())[1].plain

"""A drill played as if live: the station hears it, a person acknowledges, and that becomes an action."""

import threading
import time
from pathlib import Path

import pytest
import soundfile

from listener.drill.check import check_drill
from listener.drill.hear import hear
from listener.drill.play import PlayOptions, Stage, actions_of, play, played_drill, prepare, with_steps
from listener.drill.result import result_of
from listener.drill.score import score
from listener.drill.script import Drill, drill_settings, drill_text, read_drill
from listener.keep.row import Row
from listener.settings import Settings
from tests.drill.exercise import call_at, write_wav
from tests.fakes import BurstEngine
from tests.watch.parts import load_bursts, settings

DRILL = """
title: Live
recordings: [{name: launch, file: launch.wav}]
calls: [{at_s: [4.0, 5.8]}]
"""


def row(id: int, kind: str, utc: str, about: int | None = None, **body) -> Row:
    return Row(id, f"2026-03-02T10:00:{utc}Z", 0.0, kind, "launch", None, about, body)


def test_acknowledgements_become_actions_on_the_drills_clock() -> None:
    rows = [
        row(1, "alert", "05.000000", start_s=4.0, end_s=5.8),
        row(2, "alert", "05.100000", end_s=5.9),
        row(3, "acknowledge", "07.500000", about=1, who="console"),
        row(4, "acknowledge", "07.510000", about=2, who="console"),
        row(5, "step", "09.000000", about=1, who="deck", step="tension released"),
        row(6, "note", "09.500000", about=1, who="deck", text="x"),
        row(7, "acknowledge", "09.500000", about=99, who="deck"),
        row(8, "step", "10.000000", about=1, who="deck", step="bar up", told=False),
        row(9, "step", "10.500000", about=1, who="deck", step="bar up", done=False),
        row(10, "step", "11.000000", about=1, who="deck", step="signalled", told=True, since_call_s=-4.5),
        row(11, "resolve", "12.000000", about=1, who="ann", **{"as": "resume"}),
    ]
    actions = actions_of(rows, Stage((), start_s=-2.0, length_s=20.0), "ann")
    assert [(a.who, a.what, a.at_s, a.before) for a in actions] == [
        ("deck", "signalled", pytest.approx(-0.7), True),  # told to be 4.5 s before the call ended, which began 1.8 s before that
        ("ann", "acknowledged", pytest.approx(6.3), False),
        ("deck", "tension released", pytest.approx(7.8), False),
        ("ann", "resume", pytest.approx(10.8), False),
    ]


def test_recorders_are_brought_to_one_start(tmp_path: Path) -> None:
    write_wav(tmp_path / "launch.wav", call_at(4.0), 10.0)
    late = write_wav(tmp_path / "deck.wav", call_at(1.0), 6.0, channels=2)
    text = DRILL.replace("}]\ncalls", "}, {name: deck, file: deck.wav, channel: 1, offset_s: 3.0}]\ncalls")
    (tmp_path / "drill.yaml").write_text(text)
    drill = read_drill(tmp_path / "drill.yaml")
    stage = prepare(check_drill(drill, tmp_path / "drill.yaml"), tmp_path / "played", lead_s=0)
    assert (stage.start_s, stage.length_s) == (0.0, 10.0)
    assert stage.files[0] == ("launch", tmp_path / "launch.wav", 1)
    name, path, number = stage.files[1]
    samples, rate_hz = soundfile.read(path, dtype="float32")
    assert (name, number, len(samples) / rate_hz) == ("deck", 1, 9.0)
    assert not samples[: 3 * rate_hz].any()
    assert abs(samples[3 * rate_hz :] - late[:, 1]).max() < 2 / 32768


def test_a_played_drill_is_scored_with_what_the_trainee_did(tmp_path: Path) -> None:
    """Real speed, real processes: the trainee acknowledges a second after the alert shows."""
    write_wav(tmp_path / "launch.wav", call_at(4.0), 8.0)
    path = tmp_path / "drill.yaml"
    path.write_text(DRILL)
    drill = read_drill(path)
    sounds = check_drill(drill, path)
    house = settings(tmp_path, [{"name": "unused", "file": tmp_path / "launch.wav"}])
    live = Settings.model_validate({**dict(house), "phrases": drill_settings(drill, tmp_path).phrases})
    pressed_after_s: list[float] = []

    def trainee(station, ended: threading.Event):
        def watch() -> None:
            while not ended.wait(0.02):
                open_ones = station.snapshot().channels[0].unacknowledged
                if open_ones and not pressed_after_s:
                    time.sleep(1.0)
                    pressed_after_s.append(time.time() - open_ones[0].unix_s)
                    station.desk.acknowledge_all("console")

        thread = threading.Thread(target=watch, daemon=True)
        thread.start()
        return lambda: thread.join(2.0)

    rows = play(live, prepare(sounds, tmp_path / "p", lead_s=2.0), tmp_path / "p", PlayOptions(wait_s=10.0), trainee, load=load_bursts)
    actions = actions_of(rows, Stage((), -2.0, 10.0), "ann")
    assert [(a.who, a.what) for a in actions] == [("ann", "acknowledged")]
    played = tmp_path / "drill_played.yaml"
    played.write_text(drill_text(played_drill(drill, actions, 1.0)))
    again: Drill = read_drill(played)
    own = drill_settings(again, tmp_path)
    (call,) = score(again, [hear(s, own, BurstEngine()) for s in check_drill(again, played)], "bursts").calls
    assert call.status == "found"
    (done,) = call.actions
    assert done.delay_s == pytest.approx(pressed_after_s[0], abs=0.15)
    assert 1.0 < done.delay_s < 4.0
    assert "Played at x1" in again.notes


def test_without_alerts_nobody_is_told_and_all_is_kept_and_who_hears_it_by_ear_is_scored(tmp_path: Path) -> None:
    """Real speed, real processes: the trainee presses a second after the call has ended, and ticks a step."""
    write_wav(tmp_path / "launch.wav", call_at(4.0), 8.0)
    path = tmp_path / "drill.yaml"
    path.write_text(DRILL + "expected: [{who: ann, what: bar up, within_s: 5}]\n")
    drill = read_drill(path)
    house = settings(tmp_path, [{"name": "unused", "file": tmp_path / "launch.wav"}], tone={"enabled": True})
    live = with_steps(Settings.model_validate({**dict(house), "phrases": drill_settings(drill, tmp_path).phrases}), drill)
    told: list[object] = []

    def trainee(station, ended: threading.Event):
        def watch() -> None:
            pressed, ticked, cursor = False, False, station.cursor
            while not ended.wait(0.02):
                view = station.snapshot().channels[0]
                rows = station.rows_after(cursor)
                cursor = rows[-1].id if rows else cursor
                told.extend(r.kind for r in rows if r.kind in ("alert", "partly_heard", "evidence"))
                told.extend([*view.words, *view.unacknowledged, *station.words_heard(0), *[view.state] * (view.state == "CALL HEARD")])
                told.extend([station.tone.sounding] * (station.tone.sounding == "alert"))
                if not pressed and view.stream_s > 2.0 + 5.8 + 1.0:
                    pressed = True
                    assert station.desk.by_ear("console") and station.desk.by_ear("console") is None, "twice is once"
                if pressed and not ticked and (own := view.open_calls):
                    ticked = True
                    station.desk.step(station.logbook.rows.row(own[0].id), "bar up", "console")

        thread = threading.Thread(target=watch, daemon=True)
        thread.start()
        return lambda: thread.join(2.0)

    stage = prepare(check_drill(drill, path), tmp_path / "p", lead_s=2.0)
    rows = play(live, stage, tmp_path / "p", PlayOptions(wait_s=10.0, alerts=False), trainee, load=load_bursts)
    assert told == []
    assert [r.kind for r in rows if r.kind in ("alert", "by_ear", "step")] == ["alert", "by_ear", "step"]
    actions = actions_of(rows, stage, "ann")
    assert [(a.who, a.what) for a in actions] == [("ann", "acknowledged"), ("ann", "bar up")]
    assert actions[0].at_s == pytest.approx(6.8, abs=0.3)
    again = played_drill(drill, actions, 1.0, alerts=False)
    assert again.alerts == "hidden" and "without alerts" in again.notes
    own = drill_settings(again, tmp_path)
    found = score(again, [hear(s, own, BurstEngine()) for s in check_drill(again, path)], "bursts")
    assert found.calls[0].steps[0].status == "done" and result_of(found, path).alerts == "hidden"

"""The commands, with the fake engine: what is written, what is said, what is left when it goes wrong."""

import json
from pathlib import Path

import pytest
from typer.testing import CliRunner

from listener.cli import app
from listener.drill.script import read_drill
from listener.errors import UserError
from listener.score.labels import read_labels
from tests.drill.exercise import call_at, write_wav
from tests.fakes import BurstEngine

DRILL = """
title: Grey Heron
crew: Blue watch
recordings: [{name: launch, file: launch.wav}]
calls:
  - {at_s: [10.0, 11.8], caller: launcher two}
  - {at_s: [40.0, 41.8]}
actions:
  - {who: tower, what: pressed, at_s: 13.0}
"""


@pytest.fixture
def folder(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_wav(tmp_path / "launch.wav", [*call_at(10.0), *call_at(25.0)], 60.0)
    (tmp_path / "drill.yaml").write_text(DRILL)
    monkeypatch.setattr("listener.speech.engines.load_engine", lambda settings: BurstEngine())
    monkeypatch.chdir(tmp_path)
    return tmp_path


def run(*words: str, status: int = 0) -> str:
    """What the command printed on stdout."""
    done = CliRunner().invoke(app, ["drill", *words])
    if isinstance(done.exception, UserError):
        raise done.exception
    assert done.exit_code == status, done.output
    return done.stdout


def test_a_drill_becomes_a_debrief_beside_it(folder: Path) -> None:
    said = run("drill.yaml")
    assert "drill.yaml: The listener found one of two calls, not call 2 (missed); it gave one false alert;" in said
    assert "tower pressed 1.2 s after it (median)" in said
    assert "<h1>Grey Heron</h1>" in (folder / "drill.html").read_text()


def test_json_is_one_object_a_line_and_nothing_else(folder: Path) -> None:
    run("--json", "drill.yaml", "--out", "page.html")
    (line,) = run("--json", "drill.yaml").splitlines()
    result = json.loads(line)
    assert (result["kind"], result["title"], result["found"], result["counted"]) == ("drill", "Grey Heron", 1, 2)
    assert result["calls"][0]["actions"] == [{"who": "tower", "what": "pressed", "at_s": 13.0, "delay_s": 1.2}]
    assert result["calls"][1]["status"] == "missed"
    assert result["false_alerts"][0]["start_s"] == pytest.approx(25.0, abs=0.02)
    assert sorted(p.name for p in folder.iterdir()) == ["drill.yaml", "launch.wav", "page.html"]


def test_a_bad_drill_writes_nothing_and_the_others_are_scored(folder: Path) -> None:
    (folder / "bad.yaml").write_text(DRILL.replace("41.8", "99") + "  - {who: a, what: b, at_s: 170}\n")
    done = CliRunner().invoke(app, ["drill", "bad.yaml", "none.yaml", "drill.yaml"])
    assert done.exit_code == 1
    errors = [line for line in done.stderr.splitlines() if line.strip()]
    assert errors == [
        "listener: bad.yaml: call 2: 40.00 to 99.00 s lies outside the recording (0.0 to 60.0 s); correct the time",
        "listener: bad.yaml: action 2: 170 s lies outside the recording (0.0 to 60.0 s)",
        "listener: none.yaml: no such drill file; start one with 'listener drill new RECORDING'",
    ]
    assert sorted(p.name for p in folder.iterdir()) == ["bad.yaml", "drill.html", "drill.yaml", "launch.wav"]


def test_a_draft_is_a_drill_that_proves_nothing_yet(folder: Path) -> None:
    run("new", "launch.wav", "--out", "draft.yaml", "--title", "Tuesday")
    drill = read_drill(folder / "draft.yaml")
    assert [call.checked for call in drill.calls] == [False, False]
    assert [round(call.at_s[0], 1) for call in drill.calls] == [10.0, 25.0]
    assert all(len(call.words_s) == 3 for call in drill.calls)
    assert "Nobody has checked these two calls' times" in run("draft.yaml")
    with pytest.raises(UserError, match=r"draft\.yaml: is there already"):
        run("new", "launch.wav", "--out", "draft.yaml")


def test_labels_made_by_hand_start_a_drill(folder: Path) -> None:
    (folder / "hand.txt").write_text("10.0\t11.8\tcall: launcher two\nnonsense\n13.0\t13.0\taction: tower: pressed\n")
    done = CliRunner().invoke(app, ["drill", "new", "launch.wav", "--labels", "hand.txt", "--out", "hand.yaml"])
    assert done.exit_code == 0
    assert "hand.txt: line 2: expected start, end and text with tabs between; skipped" in done.stderr
    assert "hand.txt: 2 labels read" in done.stderr
    drill = read_drill(folder / "hand.yaml")
    assert [(call.caller, call.checked) for call in drill.calls] == [("launcher two", True), ("", False)]
    assert drill.actions[0].at_s == 13.0


LABELS_THAT_DO_NOT_FIT = """2.0\t3.0\tcall: one
2.0\t2.5\tword: suspend
2.4\t3.0\tword: suspend
2.5\t4.0\tcall: over the first
5.0\t6.0\tcall: point-length words
5.0\t5.0\tword: suspend
5.2\t5.4\tword: suspend
5.5\t5.9\tword: suspend
7.0\t8.0\tcall: two words only
7.0\t7.2\tword: suspend
7.4\t7.6\tword: suspend
50.0\t99.0\tcall: too late
9.0\t9.5\t[nobody] call: elsewhere
500.0\t500.0\taction: tower: pressed
70.0\t71.0\ttraffic: deck: x
"""


@pytest.mark.parametrize("coding", ["utf-8", "utf-8-sig", "utf-16"])
def test_labels_that_do_not_fit_are_left_out_and_the_draft_can_be_scored(folder: Path, coding: str) -> None:
    (folder / "hand.txt").write_text(LABELS_THAT_DO_NOT_FIT, encoding=coding)
    done = CliRunner().invoke(app, ["drill", "new", "launch.wav", "--labels", "hand.txt", "--out", "hand.yaml"])
    assert done.exit_code == 0, done.output
    assert done.stderr.splitlines() == [
        "hand.txt: call at 2.00 s: its words overlap or last no time; kept without them",
        "hand.txt: call at 5.00 s: its words overlap or last no time; kept without them",
        "hand.txt: call at 2.50 s: overlaps the call before it; left out",
        "hand.txt: call at 7.00 s: 2 words are marked and a call has 3; kept without them",
        "hand.txt: call at 9.00 s: no recording is named 'nobody'; there are: launch; left out",
        "hand.txt: and 3 more; 8 in all",
    ]
    callers = [call.caller for call in read_drill(folder / "hand.yaml").calls if call.checked]
    assert callers == ["one", "point-length words", "two words only"]
    run("--json", "hand.yaml")


def test_a_thousand_bad_lines_are_told_in_a_few(folder: Path) -> None:
    (folder / "hand.txt").write_text("nonsense\n" * 1000 + "2\t4\tcall: x\n")
    done = CliRunner().invoke(app, ["drill", "new", "launch.wav", "--labels", "hand.txt", "--out", "hand.yaml"])
    assert done.exit_code == 0 and len(done.stderr.splitlines()) == 7
    assert "hand.txt: and 995 more; 1000 in all" in done.stderr
    (folder / "none.csv").write_text("x" * 140_000)
    done = CliRunner().invoke(app, ["drill", "new", "launch.wav", "--labels", "none.csv", "--out", "none.yaml"])
    assert isinstance(done.exception, UserError) and "none.csv: holds no label that can be read" in str(done.exception)


def test_every_channel_becomes_a_track(folder: Path) -> None:
    write_wav(folder / "both.wav", call_at(10.0), 30.0, channels=2)
    run("new", "both.wav", "launch.wav", "--out", "many.yaml")
    tracks = read_drill(folder / "many.yaml").recordings
    assert [(t.name, t.channel) for t in tracks] == [("both 0", 0), ("both 1", 1), ("launch", None)]


@pytest.mark.parametrize("suffix", ["txt", "vtt", "rttm", "csv"])
def test_the_drill_as_labels(folder: Path, suffix: str) -> None:
    run("labels", "drill.yaml", "--out", f"out.{suffix}", "--heard")
    read = read_labels(folder / f"out.{suffix}")
    assert read.bad == ()
    texts = [label.text for label in read.labels]
    assert texts.count("call: launcher two") == 1 and "action: tower: pressed" in texts
    assert sum(text.startswith("alert: suspend") for text in texts) == 2
    assert sum(text.startswith("heard: suspend") for text in texts) == 6


def test_drills_add_up_to_a_record(folder: Path) -> None:
    (folder / "one.json").write_text(run("--json", "drill.yaml"))
    (folder / "two.yaml").write_text(DRILL.replace("Blue", "Red").replace("Grey Heron", "Two"))
    said = run("record", "one.json", "two.yaml", "--out", "record.html")
    assert "2 of 4 (15 to 85 %)" in said and "2 false alerts in 0.03 h: 60.0 per hour (7.3 to 216.7)" in said
    assert "2 of 4 (15 to 85 %)" in (folder / "record.html").read_text()
    assert "1 of 2 (9 to 91 %)" in run("record", "one.json", "two.yaml", "--crew", "red watch")
    with pytest.raises(
        UserError, match="no drill of crew 'Green' and person None; crews: Blue watch, Red watch; people: tower"
    ):
        run("record", "one.json", "two.yaml", "--crew", "Green")
    with pytest.raises(UserError, match="is there twice"):
        run("record", "one.json", "drill.yaml")
    (folder / "bad.json").write_text("{}\n")
    done = CliRunner().invoke(app, ["drill", "record", "bad.json", "drill.yaml", "none.yaml"])
    assert done.exit_code == 1 and "1 of 2 (9 to 91 %)" in done.stdout  # the good one is in it all the same
    told = [line.split(": ")[1] for line in done.stderr.splitlines() if line.startswith("listener: ")]
    assert told == ["bad.json", "none.yaml"]


def test_help_lists_the_commands(folder: Path) -> None:
    said = run("--help")
    assert all(name in said for name in ("score", "new", "labels", "record", "make"))

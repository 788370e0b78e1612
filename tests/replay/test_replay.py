"""`listener replay`: the JSON contract, the view for people, the exit status."""

import json
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from listener.cli import app
from listener.errors import UserError
from tests.fakes import BurstEngine, bursts

THREE = [(1.0, 1.4), (2.0, 2.4), (3.0, 3.4)]


@pytest.fixture(autouse=True)
def bursts_are_words(monkeypatch):
    """Every burst of sound is the first phrase of the settings, with a score of 2."""
    monkeypatch.setattr("listener.replay.report.load_engine", lambda s: BurstEngine(s.phrases[0].words))


@pytest.fixture
def recording(tmp_path) -> Path:
    path = tmp_path / "deck.wav"
    soundfile.write(path, bursts(THREE, 6.0, 16_000), 16_000)
    return path


def replay(*args: object):
    return CliRunner().invoke(app, ["replay", *map(str, args)])


def lines(*args: object) -> list[dict]:
    result = replay("--json", *args)
    assert result.exit_code == 0, result.output
    return [json.loads(line) for line in result.stdout.splitlines()]


def test_an_alert_as_json_has_these_fields_and_no_others(recording):
    (alert,) = lines(recording)
    assert list(alert) == [
        "kind", "file", "channel", "phrase", "repeats", "start_s", "end_s", "raised_s",
        "confidence", "chance_per_h", "engine", "hits",
    ]  # fmt: skip
    assert alert["kind"] == "alert"
    assert alert["file"] == str(recording)
    assert (alert["channel"], alert["phrase"], alert["repeats"], alert["engine"]) == (0, "suspend", 3, "bursts")
    assert alert["start_s"] == pytest.approx(1.0, abs=0.01)
    assert alert["end_s"] == pytest.approx(3.4, abs=0.011)
    assert alert["end_s"] < alert["raised_s"] < alert["end_s"] + 0.1
    assert 0 < alert["confidence"] < 1
    assert [list(hit) for hit in alert["hits"]] == [["start_s", "end_s", "score"]] * 3


def test_with_positions_an_update_follows_its_alert_and_the_alert_is_the_same(recording, tmp_path):
    config = tmp_path / "mine.yaml"
    config.write_text("positions: [one, two]")
    alert, update = lines("--config", config, recording)
    assert [alert] == lines(recording)
    assert list(update) == ["kind", "file", "channel", "phrase", "start_s", "raised_s", "position", "caller"]
    assert [update[key] for key in ("file", "channel", "phrase", "start_s")] == [
        alert[key] for key in ("file", "channel", "phrase", "start_s")
    ]
    assert update["position"]["verdict"] == "not available" and update["caller"] is None
    told = replay("--config", config, recording).stdout.splitlines()
    assert "CALL HEARD" in told[1] and "position not available" in told[2]


def test_partly_heard_calls_are_lines_only_with_all(tmp_path):
    path = tmp_path / "two.wav"
    soundfile.write(path, bursts(THREE[:2], 6.0, 16_000), 16_000)
    assert lines(path) == []
    assert [line["kind"] for line in lines(path, "--all")] == ["partly_heard"]


def test_candidates_are_lines_only_with_all(recording, tmp_path):
    (tmp_path / "high.yaml").write_text("alert_level: 8.0")
    assert lines(recording, "--config", tmp_path / "high.yaml") == []
    everything = lines(recording, "--config", tmp_path / "high.yaml", "--all")
    assert sorted(line["kind"] for line in everything) == ["candidate", "partly_heard"]


def test_each_channel_is_heard_on_its_own(tmp_path):
    path = tmp_path / "stereo.flac"
    silent, call = np.zeros(96_000, np.float32), bursts(THREE, 6.0, 16_000)
    soundfile.write(path, np.stack([silent, call, silent], axis=1), 16_000)
    (alert,) = lines(path)
    assert alert["channel"] == 1


def test_the_command_line_comes_before_the_settings_file(recording, tmp_path):
    (tmp_path / "stop.yaml").write_text("phrases: [{words: stop, repeats: 2}]")
    (alert,) = lines(recording, "--config", tmp_path / "stop.yaml")
    assert (alert["phrase"], alert["repeats"]) == ("stop", 2)
    (alert,) = lines(recording, "--config", tmp_path / "stop.yaml", "--phrase", "Cease  fire", "--repeats", "3")
    assert (alert["phrase"], alert["repeats"]) == ("cease fire", 3)


def test_every_file_is_read_even_if_one_is_bad(recording, tmp_path):
    result = replay("--json", recording, tmp_path / "none.wav", recording)
    assert result.exit_code == 1
    assert len(result.stdout.splitlines()) == 2
    assert f"listener: {tmp_path / 'none.wav'}: no such file" in result.stderr.splitlines()


def test_people_see_time_phrase_and_confidence_and_totals_on_stderr(recording):
    result = replay(recording)
    name, call = result.stdout.splitlines()
    assert name == str(recording)
    assert "0:01.0" in call and "CALL HEARD" in call and "suspend x3" in call and "█" in call and "%" in call
    last = result.stderr.splitlines()[-1]
    assert last.startswith("1 file, 0:06.0 of sound: 1 call heard, 0 partly; took ")
    assert "real-time factor 0." in last


def test_paced_takes_as_long_as_the_sound(tmp_path):
    import time

    path = tmp_path / "short.wav"
    soundfile.write(path, np.zeros(16_000, np.float32), 16_000)
    began = time.monotonic()
    assert replay(path, "--paced").exit_code == 0
    assert 0.95 < time.monotonic() - began < 3.0


@pytest.mark.parametrize(
    "args, said",
    [
        (["--repeats", "9"], "command line: phrases.0.repeats: must be at most 5 (it is 9)"),
        (["--engine", "magic"], "command line: engine: must be"),
        (["--phrase", " "], "command line: phrases.0.words: must not be empty"),
        (["--config", "none.yaml"], "none.yaml: cannot read the settings: No such file or directory"),
    ],
)
def test_wrong_settings_are_one_line_naming_them(recording, args, said):
    result = replay(recording, *args)
    assert isinstance(result.exception, UserError)
    assert said in str(result.exception)
    assert result.stdout == ""

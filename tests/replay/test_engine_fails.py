"""An engine that breaks on some sound ends that file in one line; the other files, and the calls before, are heard."""

import json

import numpy as np
import pytest
import soundfile

from tests.fakes import BurstEngine, BurstSpotter, bursts
from tests.fuzz.runs import listener

RATE_HZ = 16_000
CALL = [(2.0, 2.4), (2.7, 3.1), (3.4, 3.8)]


class Breaks(BurstSpotter):
    """Breaks at 8 s, on sound louder than half of full scale."""

    def feed(self, samples):
        if np.abs(samples).max() > 0.8:
            raise ValueError("math domain error")
        return super().feed(samples)


class BreakingEngine(BurstEngine):
    name = model = "breaks"

    def spotter(self):
        return Breaks("suspend")


@pytest.fixture
def place(tmp_path, monkeypatch):
    good = bursts(CALL, 12.0, RATE_HZ)
    bad = good.copy()
    bad[8 * RATE_HZ : 8 * RATE_HZ + 400] = 0.95
    for name, sound in (("bad.wav", bad), ("good.wav", good)):
        soundfile.write(tmp_path / name, sound + np.random.default_rng(1).normal(0, 0.01, len(sound)), RATE_HZ)
        drill = f"title: {name}\nrecordings: [{{name: launch, file: {name}}}]\ncalls: [{{at_s: [2.0, 3.8]}}]\n"
        (tmp_path / name).with_suffix(".yaml").write_text(drill)
    for module in ("listener.speech.engines", "listener.replay.report"):
        monkeypatch.setattr(f"{module}.load_engine", lambda settings: BreakingEngine())
    monkeypatch.chdir(tmp_path)


def test_replay_tells_it_in_a_line_and_goes_on(place):
    done = listener("engine", "replay", "--json", "bad.wav", "good.wav")
    assert [json.loads(line)["file"] for line in done.out.splitlines()] == ["bad.wav", "good.wav"]
    line, totals = done.err.splitlines()
    assert line.startswith("listener: bad.wav: the engine breaks failed at 8.0")
    assert "(ValueError: math domain error); up to there it was heard; try another with --engine" in line
    assert done.status == 1 and totals.startswith("2 files")


def test_a_drill_is_not_scored_on_half_a_recording(place):
    done = listener("engine", "drill", "--json", "bad.yaml", "good.yaml")
    assert [json.loads(line)["title"] for line in done.out.splitlines()] == ["good.wav"]
    (line,) = done.err.splitlines()
    assert line.startswith("listener: bad.wav: the engine breaks failed at 8.0") and done.status == 1

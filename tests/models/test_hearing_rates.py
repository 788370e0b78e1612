"""A small part of the development evaluation, made anew: rates with their intervals, not single clips.

Two voices that never trained (flite rms and awb) in simulated turbine noise through the 300-3400 Hz band, the whole
pipe at default settings. The full evaluation, with people and real jets, is models/training/evaluation.yaml.
(about a minute of one core)
"""

import shutil
import subprocess
from pathlib import Path

import numpy as np
import pytest
import soundfile
from scipy.stats import binomtest

from listener.radio import noise
from listener.settings import Settings
from models.training import devset
from models.training.evaluate import _too_little, judge_call
from models.training.rows import Row

VOICES, SPEEDS = ("rms", "awb"), (0.8, 0.9, 1.0, 1.1)
CALLS = 20  # of 48 that the takes allow in order


def _say(word: str, voice: str, speed: float, path: Path) -> np.ndarray:
    command = ["flite", "-voice", voice, "--setf", f"duration_stretch={1 / speed:.3f}", "-t", word, "-o", path]
    subprocess.run(command, check=True, capture_output=True)
    audio, rate = soundfile.read(path, dtype="float32")
    assert rate == devset.RATE_HZ
    return devset.trimmed(audio, margin_s=0.0)


@pytest.fixture(scope="module")
def takes(need, tmp_path_factory) -> devset.Takes:
    need(shutil.which("flite") is not None, "flite (apt install flite)")
    path = tmp_path_factory.mktemp("said") / "word.wav"
    return {
        (word, f"flite/{voice}"): [_say(word, voice, speed, path) for speed in SPEEDS]
        for word in ("suspend", "stop", "suspect", "expand")
        for voice in VOICES
    }


@pytest.fixture(scope="module")
def turbine() -> list[np.ndarray]:
    return [noise("turbine", 20.0, devset.RATE_HZ, np.random.default_rng(seed)) for seed in (1, 2)]


def _interval(rows: list[Row]) -> tuple[float, float, str]:
    """95 % Wilson interval of the share found, and all of it in words."""
    found = sum(row.found for row in rows)
    low, high = binomtest(found, len(rows)).proportion_ci(method="wilson")
    return low, high, f"{found} of {len(rows)} ({low:.2f}-{high:.2f})"


@pytest.mark.parametrize(
    "phrase, snr_db, at_least",
    [
        ("suspend", None, 0.80),
        ("suspend", -5.0, 0.80),
        ("stop", 10.0, 0.45),
        ("stop", 0.0, 0.65),
    ],
)
def test_calls_are_found(takes, turbine, phrase, snr_db, at_least):
    """The lower end of the interval: twenty calls of twenty allow 0.84, eighteen 0.70, fourteen 0.48.

    "stop" by these two voices was found 15 times in 20 at 10 dB and 19 at 0 dB by ear-3: its lines only keep it from getting worse.
    """
    trials = devset.trials(takes, "voices", [phrase], [snr_db], turbine, CALLS, 21)
    low, _, words = _interval([judge_call(trial, Settings()) for trial in trials])
    assert low >= at_least, words


def test_the_word_said_twice_and_other_words_said_three_times_are_no_call(takes, turbine):
    """Twelve recordings of each: the upper end of the interval of none is 0.24."""
    rows = [
        row
        for phrase, alike in (("suspend", ["suspect", "expand"]), ("stop", []))
        for snr_db in (None, 10.0, 5.0)
        for negative in devset.too_little(takes, phrase, alike, [snr_db], turbine, 22)
        for row in _too_little(Settings(), negative)
    ]
    assert len(rows) == 24
    assert [(row.phrase, row.speaker, row.condition) for row in rows if row.false] == []

"""Words cut out of people's sentences for training."""

import csv
import subprocess

import numpy as np
import pytest
import soundfile
import soxr

from models.training import data, words

TEXT = "please stop the engine before seven"


@pytest.fixture
def folder(tmp_path, espeak):
    """A folder of "people": the same sentence by a speaker who trains and one who is held back, and a word without a name."""
    subprocess.run([espeak, "-s", "140", "-w", tmp_path / "said.wav", TEXT], check=True)
    said, rate_hz = soundfile.read(tmp_path / "said.wav", dtype="float32")
    said = soxr.resample(said, rate_hz, data.RATE_HZ)
    soundfile.write(tmp_path / "all.ogg", np.concatenate([said, said]), data.RATE_HZ, subtype="OPUS")
    trains = next(name for name in map(str, range(9)) if not data.held_back(name))
    held = next(name for name in map(str, range(9)) if data.held_back(name))
    seconds = len(said) / data.RATE_HZ
    with (tmp_path / "clips.csv").open("w", newline="") as file:
        csv.writer(file).writerows([
            ("file", "start_s", "seconds", "speaker", "text"),
            ("all.ogg", 0, seconds, trains, TEXT), ("all.ogg", seconds, seconds, held, TEXT),
        ])  # fmt: skip
    return tmp_path


def test_the_long_words_of_a_sentence_are_cut_in_order_and_in_their_place(folder) -> None:
    assert words.cut_words(folder) >= 8
    rows = [
        row
        for row in data.rows_of(folder / data.WORDS)
        if row["speaker"] == data.rows_of(folder / "clips.csv")[0]["speaker"]
    ]
    said = [row["text"] for row in rows]
    assert said == [w for w in TEXT.split() if w in said] and {"please", "stop", "engine", "seven"} <= set(said)
    starts = [float(row["start_s"]) for row in rows]
    assert starts == sorted(starts)
    assert all(words.SHORTEST_S <= float(row["seconds"]) <= 1.0 for row in rows)


def test_cut_words_train_but_are_never_tried_on(folder) -> None:
    before = data.load(folder, real=True, workers=1, dev=True)
    words.cut_words(folder)
    after = data.load(folder, real=True, workers=1, dev=True)
    assert [(c.text, c.kind) for c in after.clips] == [(c.text, c.kind) for c in before.clips] == [(TEXT, "sentence")]
    trained = data.load(folder, real=True, workers=1)
    assert {c.kind for c in trained.clips} == {"sentence", "word"}
    assert {c.voice for c in trained.clips}.isdisjoint({c.voice for c in after.clips})

"""Listening to what was missed: the files are the very samples that the engine heard."""

import re
import shutil

import numpy as np
import polars as pl
import pytest
import soundfile

from listener.errors import UserError
from listener.study.bank import Bank
from listener.study.design import Design
from listener.study.listening import chosen, sample, write_sounds
from listener.study.report import write_report
from listener.study.results import load_result
from listener.study.trials import Study


@pytest.fixture(scope="module")
def result(once, tmp_path_factory):
    folder = tmp_path_factory.mktemp("heard") / "results"
    shutil.copytree(once[1], folder)
    return load_result(folder)


def test_the_sounds_of_missed_calls_are_those_that_the_engine_heard(result, tmp_path):
    listed = pl.read_csv(write_sounds(result, tmp_path / "out", chosen(result, "missed", None, None)))
    calls = result.of("sphinx").calls
    assert listed["sound"].to_list() and set(listed["sound"]) == set(calls.filter(~pl.col("found"))["sound"])
    study = Study(Design(result.plan), Bank.load(result.folder))
    for row in listed.iter_rows(named=True):
        written, rate_hz = soundfile.read(tmp_path / "out" / row["file"], dtype="float32")
        heard = study.sound(row["sound"]).samples
        assert rate_hz == 16_000 and np.abs(written - heard).max() <= 1 / 32768
        assert "missed: “suspend” 3 times by" in row["what"] and " dB after the radio" in row["what"]


def test_one_trial_all_sounds_and_those_that_are_not_there(result, tmp_path):
    one = pl.read_csv(write_sounds(result, tmp_path / "one", chosen(result, "all", 5, None)))
    assert one["sound"].to_list() == [5]
    assert [e.sound for e in chosen(result, "all", None, None)] == list(range(20))
    with pytest.raises(UserError, match="trial 20: the study has trials 0 to 19"):
        chosen(result, "all", 20, None)
    with pytest.raises(UserError, match="engine 'owl': the study has sphinx"):
        chosen(result, "missed", None, "owl")


def test_the_report_plays_misses(result):
    write_report(result.folder)
    page = (result.folder / "report.html").read_text(encoding="utf-8")
    playing = re.findall(r'<audio controls preload="none" src="data:audio/flac;base64,', page)
    assert len(playing) == len(sample([result.of("sphinx")])) > 0

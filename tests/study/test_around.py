"""A study of positions: what is said around its calls, what was heard, and what came of it, counted by hand beside it."""

import shutil
from collections import Counter
from pathlib import Path

import numpy as np
import polars as pl
import pytest

from listener.errors import SettingsError
from listener.events import RATE_HZ, Answer, Update
from listener.study.around import NONE, heard_around, said_around
from listener.study.bank import Bank
from listener.study.confusion import matrices
from listener.study.design import Design
from listener.study.plan import Plan, plan_from, plan_hash
from listener.study.report import write_report
from listener.study.results import load_result
from listener.study.run import run_study

VALUES = {
    "name": "Around", "speech": {"voices": ["flite slt"], "paces": [1.0]}, "engines": {"ear": {"engine": "ear"}},
    "positions": ["one", "two"], "snr_db": [None, 5.0], "trials": 6, "lead_s": 1.0, "tail_s": 3.2, "resamples": 100,
}  # fmt: skip


def test_recorded_speakers_say_no_positions_and_a_plan_without_them_is_the_one_it_was(speech_folder: Path) -> None:
    recorded = {**VALUES, "speech": {"recordings": [{"folder": str(speech_folder)}]}}
    with pytest.raises(SettingsError, match="speech.recordings: recorded speakers do not say positions"):
        plan_from(recorded, "plan")
    without = {key: value for key, value in recorded.items() if key != "positions"}
    assert "positions" in Plan.model_fields and plan_hash(plan_from(without, "plan")) != plan_hash(plan_from(VALUES, "plan"))


def test_the_last_update_about_an_alert_counts() -> None:
    two, unclear = Answer("heard", "two", 0.9), Answer("unclear")
    updates = [Update(0, "stop", 1.0, 3.0, two), Update(0, "stop", 9.0, 12.0, two), Update(0, "stop", 1.0, 6.0, unclear, two)]
    assert heard_around(updates, "stop", 1.0) == ("unclear", "two")
    assert heard_around(updates, "stop", 9.0) == ("two", "")
    assert heard_around(updates, "hold", 1.0) == ("", "")


def test_a_study_of_positions_from_plan_to_report(need, tmp_path) -> None:
    need(shutil.which("flite") is not None, "flite (apt install flite)")
    plan = plan_from(VALUES, "plan")
    folder = tmp_path / "results"
    run_study(plan, folder, workers=1)
    rows = load_result(folder).of("ear").all_rows()
    assert {row["position"] for row in rows} <= {"one", "two", NONE} and {row["caller"] for row in rows} == {""}
    # what a row says was said is what stands in its sound: drawn again, the call lies behind what comes before it
    design, bank = Design(plan), Bank.load(folder)
    for row in rows:
        again = said_around(plan, bank, design.slot(row["sound"]), row["speaker"])
        assert again.position == row["position"]
        assert row["call_start_s"] == pytest.approx(1.0 + sum(map(len, again.before)) / RATE_HZ)
        assert (again.position == NONE) == (not again.before and not again.after)
    found = [row for row in rows if row["found"]]
    assert len(found) >= 8
    quiet = [row for row in found if row["snr_db"] is None and row["position"] != NONE]
    right = [row for row in quiet if row["position_heard"] == row["position"]]
    assert len(right) >= len(quiet) - 1, "a clean position by a voice that trained"
    write_report(folder)
    counted = Counter((row["snr_db"], row["position"], row["position_heard"]) for row in found)
    table = pl.read_csv(folder / "tables" / "confusion.csv")
    assert {(r["snr_db"], r["said"], r["heard"]): r["calls"] for r in table.iter_rows(named=True)} == counted
    outcomes = pl.read_csv(folder / "tables" / "around.csv")
    for r in outcomes.filter(pl.col("was_said")).iter_rows(named=True):
        here = [(s, h) for s_db, s, h in counted.elements() if s_db == r["snr_db"] and s != NONE]
        assert r["calls"] == len(here)
        assert r["right"] == sum(s == h for s, h in here)
        assert r["wrong"] == sum(h in ("one", "two") and s != h for s, h in here)
        assert r["right"] + r["wrong"] + r["not_heard"] + r["unclear"] + r["not_available"] == len(here)
        assert r["found_right_low"] <= r["found_right"] <= r["found_right_high"]
    drawn = list(matrices(load_result(folder).of("ear"), "position"))
    assert sum(int(np.sum(counts)) for *_, counts in drawn) == len(found)
    assert "Positions heard by ear" in (folder / "report.html").read_text()

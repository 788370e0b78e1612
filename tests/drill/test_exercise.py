"""The exercise recording becomes a debrief; its figures are the manifest's truth, counted here anew."""

import json
import os
import resource
import subprocess
import sys
from pathlib import Path

import pytest
import yaml

from listener.drill.script import Drill, drill_text

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"
TRUTH = next(c for c in yaml.safe_load((RECORDINGS / "manifest.yaml").read_text())["clips"] if c["kind"] == "exercise")
PRESSED_AFTER_S = [1.2, 2.4, 0.9, 3.1, 1.7, 2.2]


@pytest.fixture(scope="module")
def done(tmp_path_factory) -> tuple[dict, str, float]:
    """The result, the page, and the processor seconds they took, by the real command with the default engine."""
    folder = tmp_path_factory.mktemp("exercise")
    drill = Drill.model_validate(
        {
            "title": "Grey Heron",
            "synthetic": True,
            "recordings": [{"name": "launch", "file": RECORDINGS / TRUTH["file"]}],
            "calls": [{"at_s": (c["start_s"], c["end_s"]), "words_s": c["words"]} for c in TRUTH["calls"]],
            "actions": [
                {"who": "tower", "what": "pressed", "at_s": c["words"][2][1] + after_s}
                for c, after_s in zip(TRUTH["calls"], PRESSED_AFTER_S, strict=True)
            ],
        }
    )
    (folder / "drill.yaml").write_text(drill_text(drill))
    one_core = dict.fromkeys(("OMP_NUM_THREADS", "OPENBLAS_NUM_THREADS", "MKL_NUM_THREADS"), "1")
    code = "import sys; from listener.cli import main; sys.argv[0] = 'listener'; main()"
    words = ["drill", "--json", "drill.yaml", "--out", "drill.html"]
    before = resource.getrusage(resource.RUSAGE_CHILDREN)
    ran = subprocess.run(
        [sys.executable, "-c", code, *words],
        cwd=folder,
        env={**os.environ, **one_core, "PYTHONPATH": str(RECORDINGS.parent)},
        capture_output=True,
        text=True,
    )
    after = resource.getrusage(resource.RUSAGE_CHILDREN)
    assert ran.returncode == 0, ran.stderr
    spent_s = after.ru_utime + after.ru_stime - before.ru_utime - before.ru_stime
    return json.loads(ran.stdout), (folder / "drill.html").read_text(), spent_s


def test_ten_minutes_take_less_than_a_minute_of_one_core(done) -> None:
    result, _, spent_s = done
    assert result["heard_s"] == pytest.approx(TRUTH["seconds"], abs=0.001) and result["heard_s"] > 540
    assert spent_s < 60


def test_the_calls_are_the_manifests_to_the_millisecond(done) -> None:
    got = [(c["start_s"], c["end_s"], c["complete_s"]) for c in done[0]["calls"]]
    want = [(c["start_s"], c["end_s"], c["words"][2][1]) for c in TRUTH["calls"]]
    assert got == [pytest.approx(w, abs=0.001) for w in want]


def test_found_and_false_are_counted_alike(done) -> None:
    """Every alert by hand: the first whose middle lies within 0.5 s of a call is that call's, the others are false."""
    result = done[0]
    alerts = [c["alert"] for c in result["calls"] if c["alert"]] + result["false_alerts"]
    found: dict[int, dict] = {}
    wrong = 0
    for alert in sorted(alerts, key=lambda a: a["start_s"]):
        middle = (alert["start_s"] + alert["end_s"]) / 2
        near = [
            i
            for i, c in enumerate(TRUTH["calls"])
            if c["start_s"] - 0.5 <= middle <= c["end_s"] + 0.5 and i not in found
        ]
        if near:
            found[near[0]] = alert
        else:
            wrong += 1
    assert result["counted"] == len(TRUTH["calls"])
    assert result["found"] == len(found) > 0
    assert len(result["false_alerts"]) == wrong
    for i, call in enumerate(result["calls"]):
        assert (call["status"] == "found") == (i in found)
        want = found[i]["raised_s"] - TRUTH["calls"][i]["words"][2][1] if i in found else None
        assert call["delay_s"] == (None if want is None else pytest.approx(want, abs=0.0011))


def test_the_persons_delays_are_what_was_put_in(done) -> None:
    got = [call["actions"][0]["delay_s"] for call in done[0]["calls"]]
    assert got == [pytest.approx(s, abs=0.001) for s in PRESSED_AFTER_S]


def test_the_measured_snr_is_near_the_mixed_one(done) -> None:
    """Within 4 dB where the manifest states one: real words have quiet parts, and noise wavers."""
    sent = [next(t for t in TRUTH["transmissions"] if t["start_s"] < c["start_s"] < t["end_s"]) for c in TRUTH["calls"]]
    pairs = [(c["snr_db"], t["snr_db"]) for c, t in zip(done[0]["calls"], sent) if t["snr_db"] is not None]
    assert len(pairs) >= 4
    assert all(abs(measured - mixed) < 4.0 for measured, mixed in pairs), pairs


def test_the_page_holds_all_six_calls(done) -> None:
    page = done[1]
    assert page.count("<audio controls") == len(done[0]["calls"]) + len(done[0]["false_alerts"])
    assert f"<b>{done[0]['found']} of 6</b>" in page

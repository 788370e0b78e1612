"""The drill room against published code: matching, label formats, and times."""

from pathlib import Path
from urllib.parse import unquote

import numpy as np
import pytest
import yaml
from hypothesis import given
from hypothesis import strategies as st

from listener.drill.check import check_drill
from listener.drill.convert import drill_labels
from listener.drill.script import Drill, drill_text, read_drill
from listener.score.labels import FORMATS, Label, parse_labels
from listener.score.match import match
from tests.parts import need_python

mir_eval = need_python("mir_eval", "mir_eval")
webvtt = need_python("webvtt", "webvtt-py")
pyannote = need_python("pyannote.database.util", "pyannote.database")

RECORDINGS = Path(__file__).parents[2] / "recordings_synthetic"

points = st.lists(st.integers(0, 400).map(lambda x: x / 8), max_size=12).map(sorted)


@given(calls=points, alerts=points, tolerance=st.sampled_from([0.125, 0.5, 1.0]))
def test_as_many_pairs_as_mir_eval(calls: list[float], alerts: list[float], tolerance: float) -> None:
    """Raffel et al., mir_eval (ISMIR 2014): match_events is the largest one-to-one matching in a window."""
    ours = match([(t, t) for t in calls], [(t, t) for t in alerts], tolerance)
    theirs = mir_eval.util.match_events(np.array(calls), np.array(alerts), tolerance)
    assert len(ours) == len(theirs)


@given(calls=points.filter(len), alerts=points.filter(len))
def test_rates_as_mir_evals_onset_measure(calls: list[float], alerts: list[float]) -> None:
    """Share found = recall, share of alerts that are true = precision (mir_eval.onset.f_measure, window 0.5 s)."""
    pairs = len(match([(t, t) for t in calls], [(t, t) for t in alerts], 0.5))
    _, precision, recall = mir_eval.onset.f_measure(np.array(calls), np.array(alerts), window=0.5)
    assert pairs / len(calls) == pytest.approx(recall, abs=1e-12)
    assert pairs / len(alerts) == pytest.approx(precision, abs=1e-12)


@st.composite
def labels(draw: st.DrawFn) -> Label:
    """Labels with length and text: what the other readers can hold (pandas takes names such as NaN for none)."""
    start = round(draw(st.floats(0, 7000)), 3)
    text = draw(st.text(st.characters(categories=["L", "N", "P"]), min_size=1, max_size=12))
    track = draw(st.text(st.characters(categories=["L", "N"]), min_size=1, max_size=8))
    return Label(start, start + draw(st.integers(1, 9000)) / 1000, f"x{text}", f"t{track}")


@given(wanted=st.lists(labels(), min_size=1, max_size=6))
def test_webvtt_py_reads_our_webvtt(tmp_path_factory, wanted: list[Label]) -> None:
    path = tmp_path_factory.mktemp("vtt") / "drill.vtt"
    path.write_text(FORMATS[".vtt"].text(wanted), encoding="utf-8")
    cues = list(webvtt.read(str(path)))
    assert len(cues) == len(wanted)
    for cue, label in zip(cues, wanted):
        assert cue.voice == label.track
        assert seconds(cue.start) == pytest.approx(label.start_s, abs=0.0005001)
        assert seconds(cue.end) == pytest.approx(label.end_s, abs=0.0005001)


def test_we_read_what_webvtt_py_writes() -> None:
    made = webvtt.WebVTT()
    made.captions.append(webvtt.Caption("00:01:03.700", "00:01:05.200", "<v tower>suspend &amp; hold</v>"))
    assert parse_labels(made.content, FORMATS[".vtt"]).labels == (Label(63.7, 65.2, "suspend & hold", "tower"),)


def seconds(clock: str) -> float:
    hours, minutes, rest = clock.split(":")
    return int(hours) * 3600 + int(minutes) * 60 + float(rest)


@given(wanted=st.lists(labels(), min_size=1, max_size=6, unique_by=lambda x: (x.track, x.start_s, x.end_s)))
def test_pyannote_reads_our_rttm(tmp_path_factory, wanted: list[Label]) -> None:
    path = tmp_path_factory.mktemp("rttm") / "drill.rttm"
    path.write_text(FORMATS[".rttm"].text(wanted), encoding="utf-8")
    read = pyannote.load_rttm(str(path))
    got = sorted((s.start, s.end) for found in read.values() for s in found.itersegments())
    assert got == [pytest.approx((x.start_s, x.end_s), abs=1e-5) for x in sorted(wanted)]
    names = {who for found in read.values() for who in found.labels()}
    assert {unquote(name) for name in names} == {x.text for x in wanted}


def test_a_published_rttm_line_is_read() -> None:
    """The example of NIST's RT-09 evaluation plan, appendix A (from memory of the field order)."""
    read = parse_labels(
        "SPEAKER CMU_20020319-1400_d01_NONE 1 130.430000 2.350 <NA> <NA> juliet <NA> <NA>\n", FORMATS[".rttm"]
    )
    assert read.labels == (Label(130.43, 132.78, "juliet", "CMU_20020319-1400_d01_NONE"),)


@pytest.mark.parametrize("suffix", [".txt", ".vtt", ".rttm", ".csv"])
def test_the_manifests_times_survive_drill_file_and_labels(tmp_path, suffix: str) -> None:
    """Every word of the exercise's calls, to 1 ms, through the drill file and each label format."""
    truth = next(
        c for c in yaml.safe_load((RECORDINGS / "manifest.yaml").read_text())["clips"] if c["kind"] == "exercise"
    )
    drill = Drill.model_validate(
        {
            "title": "Exercise",
            "recordings": [{"name": "launch", "file": RECORDINGS / truth["file"]}],
            "calls": [{"at_s": (c["start_s"], c["end_s"]), "words_s": c["words"]} for c in truth["calls"]],
        }
    )
    path = tmp_path / "drill.yaml"
    path.write_text(drill_text(drill))
    (sound,) = check_drill(read_drill(path), path)
    assert sound.end_s == pytest.approx(truth["seconds"], abs=0.001)
    kind = FORMATS[suffix]
    read = parse_labels(kind.text(drill_labels(read_drill(path))), kind).labels
    got = sorted((x.start_s, x.end_s) for x in read if x.text == "word: suspend")
    want = sorted(tuple(word) for call in truth["calls"] for word in call["words"])
    assert len(got) == len(want) >= 18
    assert np.abs(np.array(got) - np.array(want)).max() <= 0.001

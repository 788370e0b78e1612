"""Other systems on the same sounds: hits from files are scored as an engine's, and an engine may come from a package."""

import shutil
import sys

import pytest

from listener.errors import SettingsError, UserError
from listener.settings import PhraseSettings, Settings
from listener.speech.engines import load_engine
from listener.study.bank import build
from listener.study.design import Design
from listener.study.imported import Word, calls_of, import_hits, read_hits
from listener.study.plan import plan_from
from listener.study.report import write_report
from listener.study.results import load_result
from listener.study.tables import pair_table
from listener.study.trials import Study, run_trial

SUSPEND = (PhraseSettings(words="suspend"),)


@pytest.fixture
def folder(once, tmp_path):
    shutil.copytree(once[1], tmp_path / "results")
    return tmp_path / "results"


def truth(folder):
    return [row for row in load_result(folder).of("sphinx").all_rows() if row["kind"] == "call"]


def as_ctm(folder, sounds, path):
    lines = []
    for row in truth(folder):
        if row["sound"] in sounds:
            step = (row["call_end_s"] - row["call_start_s"]) / 3
            lines += [f"sound_{row['sound']:06d} 1 {row['call_start_s'] + i * step:.3f} {step * 0.9:.3f} suspend 0.9" for i in range(3)]
    path.write_text("\n".join(lines) + "\n")
    return path


def test_a_system_that_hears_half_of_the_calls_has_half(folder, tmp_path):
    half = {row["sound"] for row in truth(folder)[::2]}
    import_hits(load_result(folder), as_ctm(folder, half, tmp_path / "heard.ctm"), "rival")
    result = load_result(folder)
    assert result.engines == ("sphinx", "rival") and result.missing() == (0, 20)
    rival = result.of("rival")
    assert rival.found().k == len(half) == 8 and rival.false_alerts().count == 0 and rival.delays().size == 0
    pairs = pair_table([result.of("sphinx"), rival])
    assert pairs["calls"][0] == 16 and pairs["second"][0] == "rival"
    write_report(folder)
    assert "rival" in (folder / "tables" / "summary.csv").read_text()


def test_hits_in_talk_are_false_alerts_with_their_line(folder, tmp_path):
    (tmp_path / "h.csv").write_text(
        "file,start_s,end_s,text,confidence,raised_s\nsound_000001.wav,1.0,3.0,\"Suspend, suspend, suspend!\",0.8,3.2\n"
    )
    import_hits(load_result(folder), tmp_path / "h.csv", "rival")
    rival = load_result(folder).of("rival")
    assert rival.false_alerts().count == rival.lines["alerts"].sum() == 1


def test_words_in_a_row_make_a_call_and_a_long_pause_breaks_it():
    def said(*starts_s, text="suspend"):
        return [t.kind for t in calls_of([Word(0, s, s + 0.5, text) for s in starts_s], SUSPEND)]

    assert said(1.0, 1.8, 2.6) == ["alert"] and said(1.0, 1.8) == ["partly_heard"] and said(1.0) == []
    assert said(1.0, 1.8, 9.0) == ["partly_heard"] and said(1, 1.8, 2.6, 3.4) == ["alert"]
    assert said(1.0, 1.8, 2.6, text="suspended") == []


@pytest.mark.parametrize(
    "name, text, said",
    [
        ("h.csv", "file,start_s\n", "its first line lacks end_s, text"),
        ("h.ctm", "sound_000001 1 0.5\n", "line 1: too few fields for CTM"),
        ("h.ctm", "sound_000001 1 x 0.4 suspend\n", "line 1: a time or confidence is no number"),
        ("h.ctm", "sound_000001 1 1 0.4 suspend 7\n", "line 1: the confidence 7 is not between 0 and 1"),
        ("h.csv", "file,start_s,end_s,text\nsound_000001.wav,nan,2,suspend\n", "line 2: the times must be numbers"),
        ("h.rttm", "SPEAKER dog 1 0.5 0.5 <NA> <NA> suspend <NA> <NA>\n", "'dog' is no sound of a study"),
        ("h.xml", "", "cannot tell its format; its name must end in .csv, .ctm, .rttm"),
        ("h.ctm", "sound_000099 1 1 0.4 suspend\n", "names sound 99, which the study does not have"),
    ],
)
def test_a_file_that_cannot_be_right_is_named_with_its_line(folder, tmp_path, name, text, said):
    (tmp_path / name).write_text(text)
    with pytest.raises(UserError) as caught:
        import_hits(load_result(folder), tmp_path / name, "rival")
    assert said in str(caught.value) and "\n" not in str(caught.value)
    with pytest.raises(UserError, match="is an engine of the study's own"):
        import_hits(load_result(folder), tmp_path / name, "sphinx")


def test_the_three_formats_say_the_same(tmp_path):
    (tmp_path / "a.csv").write_text("file,start_s,end_s,text\nsound_000007.wav,1.5,2.0,suspend\n")
    (tmp_path / "a.ctm").write_text(";; a comment\nsound_000007 1 1.5 0.5 suspend\n")
    (tmp_path / "a.rttm").write_text("LEXEME sound_000007 1 1.5 0.5 <NA> <NA> suspend <NA> <NA>\n")
    assert [read_hits(tmp_path / f"a.{kind}") for kind in ("csv", "ctm", "rttm")] == [[Word(7, 1.5, 2.0, "suspend")]] * 3


def test_an_engine_of_another_package_is_heard_in_a_study_and_refused_by_a_watch(small, tmp_path, monkeypatch):
    """A package as pip would install it: its code, and entry_points.txt in its metadata."""
    (tmp_path / "burst_engine.py").write_text("from tests.fakes import BurstEngine\ndef load(settings):\n    return BurstEngine()\n")
    info = tmp_path / "burst_engine-1.2.dist-info"
    info.mkdir()
    (info / "METADATA").write_text("Metadata-Version: 2.1\nName: burst-engine\nVersion: 1.2\n")
    (info / "entry_points.txt").write_text("[listener.engines]\nbursts = burst_engine:load\n")
    monkeypatch.syspath_prepend(str(tmp_path))
    monkeypatch.delitem(sys.modules, "burst_engine", raising=False)
    plan = plan_from({**small, "engines": {"bursts": {"engine": "bursts"}}}, "plan")
    study = Study(Design(plan), build(plan))
    row = run_trial(study, len(study.design) - 1)
    assert row.failed is None and row.engine == "bursts"
    with pytest.raises(SettingsError, match="engine bursts: comes from another package, which only studies take"):
        load_engine(Settings(engine="bursts"))

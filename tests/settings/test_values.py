"""Yes is not a number, an endless number is none, a path's ~ must be somebody: in settings, drills and study plans."""

import pytest

from listener.drill.script import DrillError, read_drill
from listener.errors import SettingsError
from listener.settings import Settings, read_settings
from listener.study.plan import read_plan


@pytest.mark.parametrize(
    "text, said",
    [
        ("alert_level: yes", "alert_level: must be a number; YAML reads on, off, yes and no as true or false (it is True)"),
        ("alert_level: .nan", "alert_level: must be a number, and a finite one"),
        ("gate: {hangover_s: no}", "gate.hangover_s: must be a number"),
        ("phrases: [{words: stop, repeats: true}]", "phrases.0.repeats: must be a number"),
        ("watch: {channels: [{input: yes}]}", "watch.channels.0.input: must be a number"),
        ("watch: {health: {clipping_s: yes}}", "watch.health.clipping_s: must be a number"),
        ("watch: {health: {clipping_s: .inf}}", "watch.health.clipping_s: must be a number, and a finite one"),
        ("watch: {folder: ~nouser/x}", "watch.folder: nobody here is called '~nouser'"),
        ("vosk: {model_path: ~nouser/x}", "vosk.model_path: nobody here is called '~nouser'"),
    ],
)
def test_settings(tmp_path, text, said):
    path = tmp_path / "mine.yaml"
    path.write_text(text)
    with pytest.raises(SettingsError) as caught:
        read_settings(path)
    assert said in str(caught.value)


def test_off_is_still_a_value_where_it_means_something(tmp_path):
    path = tmp_path / "mine.yaml"
    path.write_text("gate: off\nwatch: {health: {clipping_s: off, lowest_level_dbov: off}}\n")
    settings = read_settings(path)
    assert settings.gate == "off" and settings.watch.health.clipping_s is None
    assert settings.watch.health.lowest_level_dbov is None and settings.phrases == Settings().phrases


@pytest.mark.parametrize(
    "changed, said",
    [
        (("title: x", "title: ' '"), "title: must not be empty"),
        (("title: x", 'title: "a\\nb"'), "title: must be one line of plain text"),
        (("[2, 4]", "yes"), "at_s: must be a number; YAML reads"),
        (("[2, 4]", "[yes, 4]"), "at_s: must be a number; YAML reads"),
        (("a.wav", "~nouser/a.wav"), "file: nobody here is called '~nouser'"),
        (("title: x", "title: x\nrepeats: yes"), "repeats: must be a number"),
        (("title: x", "title: x\ntitle: y"), "'title' stands here twice"),
    ],
)
def test_drills(tmp_path, changed, said):
    path = tmp_path / "drill.yaml"
    good = "title: x\nrecordings: [{name: a, file: a.wav}]\ncalls: [{at_s: [2, 4]}]\n"
    path.write_text(good.replace(*changed))
    with pytest.raises(DrillError) as caught:
        read_drill(path)
    assert said in str(caught.value) and len(caught.value.problems) == 1


def test_study_plans(tmp_path):
    path = tmp_path / "plan.yaml"
    for text, said in (("trials: yes", "trials: must be a number"), ("snr_db: [no]", "snr_db: must be a number")):
        path.write_text(f"name: x\nspeech: {{voices: [flite rms]}}\nengines: {{ear: {{engine: ear}}}}\n{text}\n")
        with pytest.raises(SettingsError, match=said):
            read_plan(path)

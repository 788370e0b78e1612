"""The same mistake has the same exit status in every command: 2 for usage and settings, 1 for a bad file, 0 when well."""

import os
import tempfile
from pathlib import Path

import pytest

from tests.drill.exercise import call_at, write_wav
from tests.fakes import BurstEngine
from tests.fuzz.runs import listener

RECORDINGS = Path(__file__).parents[1] / "recordings_synthetic"
DRILL = "title: x\nrecordings: [{name: launch, file: launch.wav}]\ncalls: [{at_s: [2.0, 3.8]}]\n"
BAD_SETTINGS = "phrases: [{words: suspend, repeats: yes}]\n"


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    write_wav(tmp_path / "launch.wav", call_at(2.0), 12.0)
    (tmp_path / "drill.yaml").write_text(DRILL)
    (tmp_path / "bad.yaml").write_text(BAD_SETTINGS)
    (tmp_path / "notext.wav").write_text("no sound")
    (tmp_path / "deaf.yaml").write_text(DRILL.replace("launch.wav", "notext.wav"))
    (tmp_path / "own.yaml").write_text(DRILL + "settings: bad.yaml\n")
    for module in ("listener.speech.engines", "listener.replay.report"):
        monkeypatch.setattr(f"{module}.load_engine", lambda settings: BurstEngine())
    monkeypatch.chdir(tmp_path)
    return tmp_path


WITH_CONFIG = (
    "replay launch.wav", "drill drill.yaml", "drill new launch.wav", "drill labels drill.yaml --heard --out x.vtt",
    "drill record drill.yaml", "drill play drill.yaml --out p.yaml --no-page --plain", "models", "watch", "watch --check", "journal", "tone",
)  # fmt: skip


@pytest.mark.parametrize("command", WITH_CONFIG)
@pytest.mark.parametrize("config, said", [("bad.yaml", "bad.yaml: phrases.0.repeats: must be a number"), ("none.yaml", "No such file")])
def test_settings_that_are_wrong_are_2(place, command, config, said):
    done = listener("status", *command.split(), "--config", config)
    assert done.status == 2
    (line,) = done.err.splitlines()
    assert line.startswith("listener: ") and said in line


@pytest.mark.parametrize("command", ["config bad.yaml", "study bad.yaml", "drill own.yaml", "drill record own.yaml"])
def test_settings_reached_by_another_way_are_2_too(place, command):
    assert listener("status", *command.split()).status == 2


@pytest.mark.parametrize(
    "command",
    [
        "replay notext.wav", "replay none.wav", "replay notext.wav launch.wav", "drill deaf.yaml", "drill none.yaml",
        "drill new notext.wav", "drill new none.wav", "drill labels deaf.yaml --out x.vtt", "drill record deaf.yaml",
        "drill record none.json", "drill new launch.wav --labels none.txt", "drill drill.yaml --out launch.wav",
        "drill labels drill.yaml --out none/x.vtt", "journal --folder none", "recordings none",
    ],
)  # fmt: skip
def test_files_that_are_bad_are_1(place, command):
    done = listener("status", *command.split())
    assert done.status == 1 and done.err.startswith("listener: ")


@pytest.mark.parametrize(
    "command",
    [
        "replay", "drill", "dance", "replay --repeats many launch.wav", "replay --repeats 9 launch.wav", "drill drill.yaml drill.yaml --out x.html",
        "drill new launch.wav --out n.yaml --title=", "drill labels drill.yaml --out x.doc", f"drill make x --voices {RECORDINGS} --minutes 0", "drill make x --at soon",
        "recordings . --at 2031-05-01T12:00:00", "study",
        "recordings . --at 2031-05-01T12:00:00 --out x.mp3",
    ],
)  # fmt: skip
def test_usage_that_is_wrong_is_2(place, command):
    assert listener("status", *command.split()).status == 2


@pytest.mark.parametrize("command", ["replay launch.wav", "drill drill.yaml", "drill new launch.wav --out n.yaml", "config", "drill record drill.yaml"])
def test_what_is_well_is_0(place, command):
    assert listener("status", *command.split()).status == 0


def test_what_may_not_be_read_is_a_line_and_1(monkeypatch):
    """Root may read everything, so as root this is tried as nobody."""
    for module in ("listener.speech.engines", "listener.replay.report"):
        monkeypatch.setattr(f"{module}.load_engine", lambda settings: BurstEngine())
    with tempfile.TemporaryDirectory() as name:
        folder, root = Path(name), os.geteuid() == 0
        (folder / "locked").mkdir()
        for file in ("locked/a.wav", "closed.wav", "open.wav"):
            write_wav(folder / file, call_at(2.0), 12.0)
        (folder / "closed.wav").chmod(0)
        (folder / "locked").chmod(0)
        folder.chmod(0o755)
        if root:
            os.seteuid(65534)
        try:
            done = listener("status", "replay", "--json", *(str(folder / f) for f in ("locked/a.wav", "closed.wav", "open.wav")))
        finally:
            if root:
                os.seteuid(0)
            (folder / "locked").chmod(0o700)
        assert done.status == 1 and '"kind": "alert"' in done.out
        one, two, _ = done.err.splitlines()
        assert one == f"listener: {folder / 'locked' / 'a.wav'}: cannot be opened: Permission denied"
        assert two == f"listener: {folder / 'closed.wav'}: cannot be opened: Permission denied"

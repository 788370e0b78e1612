"""No input ends in a traceback, hangs, or costs somebody a file. A few hundred here; LISTENER_FUZZ=2000 for as many.

Every input goes through the program's own entry, in this process; the engine is the tests' fast one, since what
is tried is everything around it. Some inputs of each kind go through a real process in tests/test_bad_input.py.
"""

import os
import shutil
from pathlib import Path

import pytest
from hypothesis import HealthCheck, assume, given, settings
from hypothesis import strategies as st

from tests.drill.exercise import call_at, write_wav
from tests.fakes import BurstEngine
from tests.fuzz.runs import listener, report, sources, tried
from tests.fuzz.strategies import (
    DRILL,
    GOOD_SOUNDS,
    LABELS,
    ODD_NAMES,
    drill_files,
    label_files,
    settings_files,
    sound_files,
)  # fmt: skip

INPUTS = int(os.environ.get("LISTENER_FUZZ", "300"))


def share(of_all: float):
    """Settings for a part of the inputs."""
    checks = [HealthCheck.function_scoped_fixture, HealthCheck.too_slow, HealthCheck.data_too_large]
    return settings(max_examples=max(1, round(INPUTS * of_all)), suppress_health_check=checks, database=None)


@pytest.fixture
def place(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A folder with a recording and a drill, in which the commands run."""
    write_wav(tmp_path / "launch.wav", call_at(2.0), 12.0)
    (tmp_path / "drill.yaml").write_text(DRILL)
    for module in ("listener.speech.engines", "listener.replay.report"):
        monkeypatch.setattr(f"{module}.load_engine", lambda settings: BurstEngine(settings.phrases[0].words))
    monkeypatch.chdir(tmp_path)
    return tmp_path


@given(data=settings_files)
@share(0.25)
def test_settings(place: Path, data: bytes) -> None:
    (place / "mine.yaml").write_bytes(data)
    one = listener("settings", "config", "mine.yaml")
    others = [
        listener("settings, replay", "replay", "--json", "--config", "mine.yaml", "launch.wav"),
        listener("settings, drill", "drill", "--json", "--config", "mine.yaml", "drill.yaml"),
    ]
    if one.status:  # the same mistake has the same status, and the same line, everywhere
        assert one.status == 2
        assert all((done.status, done.err) == (2, one.err) for done in others)
        assert len(one.err.splitlines()) == 1 and one.err.startswith("listener: mine.yaml: ")


@given(data=drill_files)
@share(0.2)
def test_drills(place: Path, data: bytes) -> None:
    (place / "x.yaml").write_bytes(data)
    scored = listener("drills", "drill", "--json", "x.yaml")
    assert len(scored.out.splitlines()) == (1 if scored.status == 0 else 0)
    assert all(line.startswith("listener: ") for line in scored.err.splitlines())
    out = place / "x.vtt"
    out.unlink(missing_ok=True)
    as_labels = listener("drills, labels", "drill", "labels", "x.yaml", "--out", "x.vtt")
    # Settings named in a drill are used for hearing only.
    assert as_labels.status == scored.status or "settings" in data.decode("utf-8", "replace")
    record = listener("drills, record", "drill", "record", "x.yaml", "drill.yaml")
    assert record.status == scored.status and "TOTAL" in record.out


@given(file=label_files())
@share(0.2)
def test_labels(place: Path, file: tuple[str, bytes]) -> None:
    end, data = file
    (place / f"hand{end}").write_bytes(data)
    (place / "new.yaml").unlink(missing_ok=True)
    done = listener("labels", "drill", "new", "launch.wav", "--labels", f"hand{end}", "--out", "new.yaml")
    assert len(done.err.splitlines()) < 20
    assert (done.status == 0) == (place / "new.yaml").exists()
    if done.status == 0:
        assert listener("labels, scored", "drill", "--json", "new.yaml").status == 0


@given(data=sound_files(GOOD_SOUNDS), name=st.sampled_from(["a.wav", "a.mp3", "a.raw", "a.flac"]))
@share(0.25)
def test_sound_files(place: Path, data: bytes, name: str) -> None:
    (place / name).write_bytes(data)
    done = listener("sound files", "replay", "--json", "--all", name, "launch.wav")
    assert done.status in (0, 1)
    bad = [line for line in done.err.splitlines() if line.startswith(f"listener: {name}: ")]
    # A channel with samples out of bounds is told and is not the file's end.
    assert bool([line for line in bad if ": channel " not in line and "taken as silence" not in line]) == (done.status == 1)
    assert done.err.splitlines()[-1].startswith("2 files, ")
    assert '"file": "launch.wav"' in done.out  # the good file behind it is heard
    (place / name).unlink()


@given(name=st.sampled_from(ODD_NAMES) | st.binary(min_size=1, max_size=60), kind=st.sampled_from(sorted(GOOD_SOUNDS)))
@share(0.05)
def test_names(place: Path, name: bytes, kind: str) -> None:
    assume(b"/" not in name and name not in (b".", b"..") and not name.startswith(b"-"))
    path = os.path.join(b"names", name)
    (place / "names").mkdir(exist_ok=True)
    try:
        with open(path, "wb") as file:
            file.write(GOOD_SOUNDS[kind])
    except (OSError, ValueError):
        pass
    done = listener("names", "replay", "--json", path, "launch.wav") if b"\0" not in name else None
    shutil.rmtree(place / "names")
    assert done is None or '"file": "launch.wav"' in done.out


COMMANDS = (
    ("drill", "score", "drill.yaml", "--out"),
    ("drill", "--json", "drill.yaml", "--out"),
    ("drill", "new", "launch.wav", "--out"),
    ("drill", "new", "launch.wav", "--labels", "hand.txt", "--out"),
    ("drill", "labels", "drill.yaml", "--out"),
    ("drill", "labels", "drill.yaml", "--heard", "--out"),
    ("drill", "record", "drill.yaml", "--out"),
    ("drill", "record", "one.json", "--out"),
    ("drill", "make", "--minutes", "0.5", "--calls", "1", "--voices", "none"),
    ("recordings", "kept", "--at", "2031-05-01T12:00:00", "--out"),
    ("study", "plan.yaml", "--out"),
    ("study", "compare", "a", "b", "--out"),
)
TARGETS = (
    "launch.wav", "drill.yaml", "hand.txt", "hand.vtt", "one.json", "plan.yaml", "page.html", "folder", "folder/inside.txt", "link.yaml",
    "link.html", "pipe.html", "pipe.txt", "", ".", "/", "..", "none/x.html", "x" * 300 + ".html", "/dev/null", "/proc/x.html", "launch.wav/x.txt", "fresh.html", "fresh.txt",
)  # fmt: skip


@given(command=st.sampled_from(COMMANDS), target=st.sampled_from(TARGETS))
@share(0.05)
def test_outputs(place: Path, command: tuple[str, ...], target: str) -> None:
    for name, text in (("hand.txt", LABELS[".txt"]), ("hand.vtt", LABELS[".vtt"]), ("one.json", "{}\n"), ("plan.yaml", "name: x\n"), ("page.html", "<html>mine</html>")):
        (place / name).write_text(text)
    (place / "folder").mkdir(exist_ok=True)
    (place / "folder" / "inside.txt").write_text("mine")
    for link, to in (("link.yaml", "drill.yaml"), ("link.html", "launch.wav")):
        if not (place / link).is_symlink():
            (place / link).symlink_to(to)
    for pipe in ("pipe.html", "pipe.txt"):
        if not (place / pipe).exists():
            os.mkfifo(place / pipe)
    before = sources(place)
    listener("outputs", *command, target)
    after = sources(place)
    assert {path: after.get(path) for path in before} == before


def test_counts() -> None:
    """Last: states how many were tried."""
    print(f"\n{report()}")
    assert sum(tried.values()) >= INPUTS

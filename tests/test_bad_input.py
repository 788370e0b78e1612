"""Bad input through the real program: one clear line each, the other files are still read, status 1.

Each case is a real file given to a real `listener replay` process with a good file behind it.
"""

import json
import os
import subprocess
import sys
import threading
import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

RECORDINGS = Path(__file__).parents[1] / "recordings_synthetic"
RATE_HZ = 16_000


def noise(seconds: float = 2.0, level: float = 0.01) -> np.ndarray:
    return np.random.default_rng(3).normal(0, level, round(seconds * RATE_HZ)).astype(np.float32)


def write(path: Path, samples: np.ndarray, **kind: str) -> Path:
    soundfile.write(path, samples, RATE_HZ, **kind)
    return path


def listener(*args: object) -> subprocess.CompletedProcess[str]:
    command = [sys.executable, "-m", "listener", *map(str, args)]
    return subprocess.run(command, capture_output=True, text=True, timeout=120)


def without_totals(stderr: str) -> list[str]:
    *lines, totals = stderr.splitlines()
    assert "of sound" in totals
    return lines


@pytest.fixture(scope="module")
def good(tmp_path_factory) -> Path:
    return write(tmp_path_factory.mktemp("good") / "good.wav", noise())


def missing(folder: Path) -> Path:
    return folder / "missing.wav"


def directory(folder: Path) -> Path:
    (folder / "directory.wav").mkdir()
    return folder / "directory.wav"


def text(folder: Path) -> Path:
    path = folder / "text.wav"
    path.write_text("Tower, good morning.\n" * 50)
    return path


def empty(folder: Path) -> Path:
    path = folder / "empty.wav"
    path.touch()
    return path


def cut_header(folder: Path) -> Path:
    path = write(folder / "header.wav", noise())
    path.write_bytes(path.read_bytes()[:30])
    return path


def no_samples(folder: Path) -> Path:
    return write(folder / "nothing.wav", np.zeros(0))


def cut_wav(folder: Path) -> Path:
    path = write(folder / "cut.wav", noise())
    path.write_bytes(path.read_bytes()[:30_000])
    return path


def cut_flac(folder: Path) -> Path:
    path = write(folder / "cut.flac", noise())
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    return path


def cut_ogg(folder: Path) -> Path:
    path = write(folder / "cut.ogg", noise(10.0))
    data = path.read_bytes()
    path.write_bytes(data[: len(data) // 2])
    return path


def nine_channels(folder: Path) -> Path:
    return write(folder / "nine.wav", np.zeros((1000, 9)))


def too_slow(folder: Path) -> Path:
    path = folder / "slow.wav"
    soundfile.write(path, noise(), 2_000)
    return path


def a_pipe(folder: Path) -> Path:
    os.mkfifo(folder / "pipe.wav")
    return folder / "pipe.wav"


def name_that_is_no_text(folder: Path) -> Path:
    return text(folder).rename(folder / os.fsdecode(b"caf\xe9.wav"))


def name_too_long(folder: Path) -> Path:
    return folder / ("x" * 300 + ".wav")


def raw(folder: Path) -> Path:
    (folder / "a.raw").write_bytes(b"\x01\x02" * 5_000)
    return folder / "a.raw"


BAD = {
    missing: "no such file",
    directory: "is a directory; name the sound files in it",
    text: "cannot be read as a sound file",
    empty: "cannot be read as a sound file",
    cut_header: "cannot be read as a sound file",
    no_samples: "holds no samples",
    cut_wav: "broke off after 0.94 s",
    cut_flac: "broke off after",
    cut_ogg: "broke off after",
    nine_channels: "has 9 channels; at most 8",
    too_slow: "sample rate 2000 Hz: must be 4000 to 192000 Hz",
    a_pipe: "is a pipe, not a file",
    name_too_long: "cannot be opened: File name too long",
    raw: "cannot be read as a sound file",
}


def test_bad_files_are_one_line_each_and_the_rest_is_read(good, tmp_path):
    paths = [make(tmp_path) for make in BAD]
    result = listener("replay", "--json", *paths, good)
    assert result.returncode == 1
    assert "Traceback" not in result.stderr
    lines = without_totals(result.stderr)
    for line, path, said in zip(lines, paths, BAD.values(), strict=True):
        assert line.startswith(f"listener: {path}: ")
        assert said in line
    assert result.stdout == ""
    assert f"{len(BAD) + 1} files, " in result.stderr.splitlines()[-1]


def not_finite(folder: Path) -> Path:
    samples = noise()
    samples[1_000:1_010] = np.nan
    samples[2_000] = np.inf
    return write(folder / "nan.wav", samples, subtype="FLOAT")


def silence(folder: Path) -> Path:
    return write(folder / "silence.wav", np.zeros(3 * RATE_HZ))


def clipped(folder: Path) -> Path:
    return write(folder / "clipped.wav", np.sign(noise()))


def far_over(folder: Path) -> Path:
    return write(folder / "over.wav", 1e6 * noise(), subtype="FLOAT")


def offset(folder: Path) -> Path:
    return write(folder / "offset.wav", noise() + 0.8)


def one_sample(folder: Path) -> Path:
    return write(folder / "one.wav", np.ones(1))


ODD = {
    not_finite: "values that are not numbers",
    silence: None,
    clipped: None,
    far_over: "beyond 100 times full scale; taken as silence (at 0:00.0)",
    offset: None,
    one_sample: None,
}


def test_odd_sound_is_simply_heard(tmp_path):
    told_of = {make(tmp_path): said for make, said in ODD.items()}
    result = listener("replay", "--json", *told_of)
    assert result.returncode == 0
    assert result.stdout == ""
    expected = {path: said for path, said in told_of.items() if said}
    for line, (path, said) in zip(without_totals(result.stderr), expected.items(), strict=True):
        assert str(path) in line and said in line


def test_one_broken_sample_costs_no_call_after_it(tmp_path):
    clip, rate_hz = soundfile.read(RECORDINGS / "suspend_turbine_10db.flac", dtype="float32")
    broken = []
    for value in (1e38, -1e20, np.nan, np.inf, 150.0):
        clip[round(0.2 * rate_hz)] = value
        broken.append(tmp_path / f"{value}.wav")
        soundfile.write(broken[-1], clip, rate_hz, subtype="FLOAT")
    result = listener("replay", "--json", RECORDINGS / "suspend_turbine_10db.flac", *broken)
    before, *alerts = map(json.loads, result.stdout.splitlines())
    for alert, path in zip(alerts, broken, strict=True):
        assert alert["file"] == str(path)
        assert alert["start_s"] == pytest.approx(before["start_s"], abs=0.05)
        assert alert["confidence"] == pytest.approx(before["confidence"], abs=0.02)
    for line, path in zip(without_totals(result.stderr), broken, strict=True):
        assert str(path) in line and "taken as silence (at 0:00.2)" in line


def test_no_number_in_json_is_nan_whatever_the_sound(tmp_path):
    clip, rate_hz = soundfile.read(RECORDINGS / "suspend_turbine_10db.flac", dtype="float32")
    clip[round(0.2 * rate_hz)], clip[round(1.5 * rate_hz)] = 1e38, np.nan
    soundfile.write(tmp_path / "launch.wav", clip, rate_hz, subtype="FLOAT")
    (tmp_path / "x.yaml").write_text("title: x\nrecordings: [{name: launch, file: launch.wav}]\ncalls: [{at_s: [1.1, 4.0]}]\n")
    result = listener("drill", "--json", tmp_path / "x.yaml", "--out", tmp_path / "x.html")
    drill = json.loads(result.stdout, parse_constant=lambda name: pytest.fail(f"{name} in JSON"))
    assert result.returncode == 0 and drill["found"] == 1
    assert drill["calls"][0]["level_dbov"] < 0 and "nan" not in (tmp_path / "x.html").read_text().split("base64")[0].lower()


def test_drills_with_bad_recordings_are_told_one_line_each_and_the_next_one_is_scored(good, tmp_path):
    bad = {make.__name__: make(tmp_path) for make in (a_pipe, name_that_is_no_text, name_too_long, raw, directory)}
    for name, file in {**bad, "good": good}.items():
        (tmp_path / f"{name}.yaml").write_text(
            yaml.safe_dump({"title": name, "recordings": [{"name": "launch", "file": str(file)}], "calls": []})
        )
    result = listener("drill", "--json", "--engine", "sphinx", *(tmp_path / f"{name}.yaml" for name in (*bad, "good")))
    assert result.returncode == 1
    lines = result.stderr.splitlines()
    assert [line.split(".yaml: ")[0] for line in lines] == [f"listener: {tmp_path / name}" for name in bad]
    assert json.loads(result.stdout)["title"] == "good"


def test_a_file_that_shrinks_while_it_is_read(good, tmp_path):
    path = write(tmp_path / "shrinks.wav", noise(6.0))
    command = [sys.executable, "-m", "listener", "replay", "--paced", "--json", path, good]

    def shrink() -> None:
        time.sleep(3.0)
        os.truncate(path, 20_000)

    cutter = threading.Thread(target=shrink)
    with subprocess.Popen(command, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True) as process:
        cutter.start()
        stdout, stderr = process.communicate(timeout=60)
    cutter.join()
    (line,) = without_totals(stderr)
    assert line.startswith(f"listener: {path}: broke off after ")
    assert (process.returncode, stdout) == (1, "")


@pytest.mark.parametrize(
    "args, said",
    [
        (["--config", "none.yaml"], "none.yaml: cannot read the settings"),
        (["--engine", "vosk"], "engine vosk needs a model: set vosk.model_path"),
        (["--phrase", "zzyzx"], "'zzyzx' is not in the pronouncing dictionary"),
    ],
)
def test_settings_that_cannot_be_used_end_at_once_in_one_line(args, said, good):
    result = listener("replay", good, *args)
    assert result.returncode == 2
    (line,) = result.stderr.splitlines()
    assert line.startswith("listener: ") and said in line


@pytest.mark.parametrize("args", [["replay"], ["replay", "--nonsense", "x.wav"], ["dance"]])
def test_wrong_usage_is_status_2(args):
    result = listener(*args)
    assert result.returncode == 2
    assert "Traceback" not in result.stderr


def test_a_reader_that_goes_away_is_no_error_to_shout_about(good):
    command = f"{sys.executable} -m listener config | head -c 1"
    result = subprocess.run(command, shell=True, capture_output=True, text=True, timeout=60)
    assert result.stderr == ""


def test_stdout_holds_json_only(good):
    result = listener("replay", "--json", "--all", good)
    assert all(json.loads(line) for line in result.stdout.splitlines())

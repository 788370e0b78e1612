"""The real program: `listener watch` as a service manager, a terminal and a technician see it."""

import itertools
import os
import re
import signal
import socket
import subprocess
import sys
import threading
import time
from pathlib import Path

import pytest
import soundfile
import yaml

from listener.keep.records import Query, Records
from listener.settings import read_settings
from listener.watch.check import check_all
from listener.watch.service import Notifier
from tests.watch.parts import has_sound_server, noise, save, sound_server

REPO = Path(__file__).parent.parent.parent
CALL = REPO / "recordings_synthetic" / "suspend_clean_1.flac"
STARTED_S = 60.0


def command(*args: object, **kwargs) -> subprocess.Popen[str]:
    full = [sys.executable, "-m", "listener", *map(str, args)]
    return subprocess.Popen(full, stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, cwd=REPO, **kwargs)


def run(*args: object, timeout_s: float = 120.0) -> tuple[int, str, str]:
    process = command(*args)
    out, err = process.communicate(timeout=timeout_s)
    return process.returncode, out, err


@pytest.fixture
def config(tmp_path) -> Path:
    """One channel that plays a call over and over, with silence in between that its line test must bear."""
    path = tmp_path / "tower.yaml"
    channel = {"name": "Launch", "file": str(CALL)}
    health = {"digital_silence_s": "off", "lowest_level_dbov": "off"}
    watch = {"channels": [channel], "folder": "state", "tone": {"enabled": False}, "health": health, "least_free_mb": 1}
    watch["page"] = {"port": 0}
    path.write_text(yaml.safe_dump({"watch": watch}))
    return path


def lines_until(process: subprocess.Popen[str], word: str) -> list[str]:
    """What was printed up to a line with the word; the process is killed when none comes in time."""
    lines: list[str] = []
    late = threading.Timer(STARTED_S, process.kill)
    late.start()
    try:
        for line in process.stdout:
            lines.append(line.rstrip("\n"))
            if word in line:
                return lines
    finally:
        late.cancel()
    raise AssertionError(f"ended without {word!r}: {lines} {process.stderr.read()}")


def children(pid: int) -> list[int]:
    return [int(child) for task in Path(f"/proc/{pid}/task").iterdir() for child in (task / "children").read_text().split()]


def is_gone(pid: int) -> bool:
    try:
        return Path(f"/proc/{pid}/stat").read_text().rsplit(")", 1)[1].split()[0] == "Z"
    except OSError:
        return True


def wait_gone(pids: list[int]) -> None:
    """No child outlives its station for more than a moment (the resource tracker sees last that it has gone)."""
    ends = time.monotonic() + 5.0
    while not all(is_gone(pid) for pid in pids):
        assert time.monotonic() < ends, "children outlive their station"
        time.sleep(0.05)


def test_a_call_is_told_journalled_recorded_and_kept_as_a_clip_and_sigterm_flushes_everything(config, tmp_path):
    process = command("watch", "--config", config, "--record", tmp_path / "recorded")
    lines = lines_until(process, "CALL HEARD: suspend x3")
    below = children(process.pid)
    assert len(below) >= 2, "capture and recogniser are processes of their own"
    status, out, err = run("watch", "--config", config, "--check")
    assert (status, out) == (1, "") and err.count("\n") == 1 and "a watch is running there" in err
    process.send_signal(signal.SIGTERM)
    rest, errors = process.communicate(timeout=20)
    assert process.returncode == 0 and re.fullmatch(r"page: http://127\.0\.0\.1:\d+/\n", errors)
    assert "stop" in rest or any(row.kind == "stop" for row in Records(tmp_path / "state").rows())
    wait_gone(below)
    assert any(re.match(r"\d{4}-\d\d-\d\dT\d\d:\d\d:\d\d\.\d{3}Z  Launch +BLIND \(starting: ", line) for line in lines)

    records = Records(tmp_path / "state")
    (alert,) = list(records.rows(Query(kinds=("alert",), limit=1)))
    clip = records.clip(alert.id)
    assert clip is not None and soundfile.info(clip).format == "FLAC"
    assert records.check() == []
    assert next(records.rows(Query(kinds=("start",)))).body["version"]

    status, out, _ = run("journal", "--config", config, "--check")
    assert status == 0 and "nothing wrong" in out
    status, out, _ = run("journal", "--config", config, "--kind", "alert", "--format", "csv")
    assert out.splitlines()[0].startswith("id,utc,") and "suspend" in out

    status, out, err = run("journal", "--config", config, "--channel", "Tower")
    assert (status, out, err) == (0, "", "no rows like that\n")

    cut = tmp_path / "cut.flac"
    status, out, err = run("recordings", tmp_path / "recorded", "--at", alert.utc, "--out", cut)
    assert status == 0, err
    at_s = float(re.search(r"is at (\d+\.\d+) s", out)[1])
    status, out, _ = run("replay", cut)
    heard = re.search(r"(\d+):(\d\d\.\d)  CALL HEARD", out)
    begins_s = 60 * int(heard[1]) + float(heard[2])
    body = alert.body
    assert begins_s == pytest.approx(at_s - (body["end_s"] - body["start_s"]), abs=0.3)


def test_kill_9_of_everything_leaves_the_shown_call_in_the_journal_and_it_stays_unacknowledged(config, tmp_path):
    process = command("watch", "--config", config)
    shown = lines_until(process, "CALL HEARD: suspend x3")[-1]
    below = children(process.pid)
    os.kill(process.pid, signal.SIGKILL)
    process.wait()
    wait_gone(below)
    records = Records(tmp_path / "state")
    alerts = list(records.rows(Query(kinds=("alert",))))
    assert shown.startswith(alerts[0].utc[:23]) and records.check() == []

    again = command("watch", "--config", config)
    try:
        first = [next(again.stdout) for _ in range(2)]
        assert "start: version" in first[0] and first[0][:23] > shown[:23], (
            "the rows of the first watch are not told again"
        )
        assert re.search("  Launch +CALL HEARD", first[1]), (
            "a call that nobody acknowledged is shown again, before BLIND"
        )
    finally:
        again.send_signal(signal.SIGTERM)
        again.communicate(timeout=20)


def test_check_passes_on_a_line_that_is_well_and_fails_with_the_reason_on_one_that_is_not(config, tmp_path, capsys):
    status, out, err = run("watch", "--config", config, "--check")
    assert status == 0, out + err
    assert "ok    Launch: suspend_clean_1.flac" in out and "the known call was found" in out
    text = config.read_text().replace(str(CALL), str(tmp_path / "missing.flac"))
    config.write_text(text)
    status = check_all(read_settings(config), tmp_path / "state", longest_s=6.0)  # the command waits for a minute
    out = capsys.readouterr().out
    assert status == 1 and "FAIL  Launch: device_gone" in out and "no such file" in out


def test_a_wrong_setting_is_one_line_and_status_2(config):
    config.write_text("watch: {channels: [{name: Launch, input: 0}]}")
    status, out, err = run("watch", "--config", config)
    assert (status, out) == (2, "") and err.count("\n") == 1 and "watch.channels.0.input" in err


@pytest.fixture
def manager(tmp_path, monkeypatch):
    """A socket as systemd's: gives what was told."""
    with socket.socket(socket.AF_UNIX, socket.SOCK_DGRAM) as inbox:
        inbox.bind(str(tmp_path / "notify"))
        inbox.settimeout(30)
        monkeypatch.setenv("NOTIFY_SOCKET", str(tmp_path / "notify"))
        yield inbox


def test_the_service_manager_is_told_ready_alive_and_stopping(config, manager, monkeypatch):
    monkeypatch.setenv("WATCHDOG_USEC", "1500000")
    process = command("watch", "--config", config)
    told, times = [], []
    while len(times) < 4:
        told.append(manager.recv(4096).decode())
        if "WATCHDOG=1" in told[-1]:
            times.append(time.monotonic())
    process.send_signal(signal.SIGTERM)
    process.communicate(timeout=20)
    assert told[0].startswith("READY=1")
    assert max(b - a for a, b in itertools.pairwise(times)) < 1.5
    assert "STATUS=Launch " in told[-1]
    manager.settimeout(2)
    rest = []
    try:
        while True:
            rest.append(manager.recv(4096).decode())
    except TimeoutError:
        pass
    assert "STOPPING=1" in rest


def test_without_a_service_manager_nothing_is_told(monkeypatch):
    monkeypatch.delenv("NOTIFY_SOCKET", raising=False)
    notifier = Notifier()
    notifier.ready("on watch")
    assert notifier.watchdog_s == 0


def test_a_clock_that_faketime_steps_is_told(config, tmp_path, need):
    library = next(iter(Path("/usr/lib").glob("*/faketime/libfaketime.so.1")), None)
    need(library is not None, "faketime (apt install faketime)")
    # faketime breaks clock_nanosleep to an absolute monotonic time, which is how Python sleeps: it gets another way.
    (tmp_path / "sitecustomize.py").write_text(
        "import select, time\ntime.sleep = lambda seconds: select.select([], [], [], seconds) and None\n"
    )
    offset = tmp_path / "offset"
    offset.write_text("+0")
    env = {
        **os.environ, "LD_PRELOAD": str(library), "FAKETIME_TIMESTAMP_FILE": str(offset), "FAKETIME_NO_CACHE": "1",
        "FAKETIME_DONT_FAKE_MONOTONIC": "1", "DONT_FAKE_MONOTONIC": "1", "PYTHONPATH": str(tmp_path),
    }  # fmt: skip
    process = command("watch", "--config", config, env=env)
    try:
        lines_until(process, "proof test passed")
        offset.write_text("-3600")
        began = time.monotonic()
        line = lines_until(process, "clock_jump")[-1]
        assert time.monotonic() - began < 2.0
        assert re.search(r"stepped by -3(600|599)", line)
    finally:
        process.send_signal(signal.SIGTERM)
        process.communicate(timeout=20)


def test_devices_lists_the_lines_with_their_live_level(tmp_path, need, monkeypatch):
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    with sound_server(tmp_path / "pulse", ["launch"]) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        player = server.play("launch", save(tmp_path / "hiss.wav", noise(30.0, dbov=-20)))
        status, out, err = run("devices")
        player.kill()
    assert status == 0, err
    named = r"\* Monitor of Null Output  \(sound server, 2 inputs, 48000 Hz\)\n       device: \"launch.monitor\"\n"
    written = r"launch  \(ALSA.*?\n       device: \d+\n"  # in ALSA's configuration
    for head in (named, written):
        block = re.search(head + r"(?P<meters>(?:       input.*\n)+)", out)
        assert block, out
        assert re.search(r"input 1 +█+.* -\d+ dBov", block["meters"]), "the bar of the input with sound stands out"
    assert out.endswith('Outputs, for watch.tone.device:\n* Null Output\n       device: "launch"\n')
    assert not re.search(r"^.. (pulse|default)  ", out, re.MULTILINE), "what leads to the server is no line of its own"

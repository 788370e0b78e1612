"""Installing: what is shown is what is written, nothing is half done, and what the program did not make is left alone."""

import os
import shlex
import shutil
import signal
import stat
import subprocess
import sys
from pathlib import Path

import pytest
from typer.testing import CliRunner

from listener.cli import app
from listener.errors import UsageError, UserError
from listener.settings import read_settings
from listener.site.install import commands
from listener.site.install.carry_out import install as carry_out
from listener.site.install.choose import loudest
from listener.site.install.plan import Places, Wanted, has_portaudio, make_plan
from listener.site.install.unit import quoted, unit_text
from listener.sound.meter import FLOOR_DBOV
from listener.tell import cautions
from listener.watch.devices import Measured, Offered
from tests.watch.parts import noise, save

GIVEN = ("--source", "USB Audio", "--speaker", "none", "--unit")


@pytest.fixture
def home(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Path:
    """A person's home, empty."""
    monkeypatch.setenv("HOME", str(tmp_path / "home"))
    for name in ("XDG_CONFIG_HOME", "XDG_STATE_HOME"):
        monkeypatch.delenv(name, raising=False)
    (tmp_path / "home").mkdir()
    monkeypatch.chdir(tmp_path / "home")
    return tmp_path / "home"


def run(*words: str) -> str:
    """What the command printed on stdout."""
    done = CliRunner().invoke(app, ["install", *words])
    if isinstance(done.exception, UserError):
        raise done.exception
    assert done.exit_code == 0, (done.output, done.exception)
    return done.stdout


def all_in(folder: Path) -> dict[str, bytes]:
    return {str(path.relative_to(folder)): path.read_bytes() for path in sorted(folder.rglob("*")) if path.is_file()}


# --- what is written -------------------------------------------------------------------------------------------


def test_a_dry_run_shows_every_file_and_writes_none(home: Path) -> None:
    shown = run(*GIVEN, "--dry-run")
    assert list(home.iterdir()) == []
    run(*GIVEN)
    for name, text in all_in(home).items():
        if name.endswith(("installed.json", ".launch-listener")):
            continue
        assert str(home / name) in shown
        assert all(line in shown for line in text.decode().splitlines())


def test_the_settings_are_those_asked_for_and_read_back(home: Path) -> None:
    run("--source", 'Größe "x": #1', "--input", "2", "--speaker", "Speaker, left", "--phrase", "cease fire", "--repeats", "2",
        "--port", "9000", "--folder", "kept", "--name", "Guard", "--unit")  # fmt: skip
    settings = read_settings(home / ".config/launch-listener/station.yaml")
    own = settings.watch
    assert [(p.words, p.repeats) for p in settings.phrases] == [("cease fire", 2)]
    assert [(c.name, c.device, c.input) for c in own.channels] == [("Guard", 'Größe "x": #1', 2)]
    assert (own.tone.enabled, own.tone.device, own.page.port, own.folder) == (True, "Speaker, left", 9000, home / "kept")
    text = (home / ".config/launch-listener/station.yaml").read_text()
    assert all(line in text for line in cautions.ALL)
    assert stat.S_IMODE((home / "kept").stat().st_mode) == 0o700


@pytest.mark.parametrize(
    "source, channel",
    [
        ("rtp:239.10.0.1:5004", {"rtp": ("239.10.0.1", 5004)}), ("rtp:[ff15::1]:6000", {"rtp": ("ff15::1", 6000)}),
        ("http://10.0.0.1:8000/a.ogg", {"url": "http://10.0.0.1:8000/a.ogg"}), ("3", {"device": 3}), ("default", {"device": None}),
    ],
)  # fmt: skip
def test_a_source_may_be_a_radio_on_the_network_a_stream_or_a_number(home: Path, source: str, channel: dict) -> None:
    run("--source", source, "--speaker", "none", "--unit")
    own = read_settings(home / ".config/launch-listener/station.yaml").watch.channels[0]
    found = {"rtp": own.rtp and (own.rtp.address, own.rtp.port), "url": own.url, "device": own.device}
    assert {key: found[key] for key in channel} == channel


def test_a_usb_device_gets_a_rule_that_keeps_it_awake_and_the_line_to_copy_it(home: Path) -> None:
    said = run("--source", "Device usb 0d8c:0014 usb-0000:00:14.0-2", "--speaker", "none", "--unit")
    rule = (home / ".config/launch-listener/70-launch-listener.rules").read_text()
    assert 'ATTR{idVendor}=="0d8c", ATTR{idProduct}=="0014"' in rule and 'ATTR{power/control}="on"' in rule
    assert f"sudo cp {home}/.config/launch-listener/70-launch-listener.rules /etc/udev/rules.d/" in said


def test_a_person_is_told_what_to_type_and_nothing_is_started(home: Path) -> None:
    said = run(*GIVEN).splitlines()
    typed = [line.strip() for line in said if line.startswith("    ")][-3:]
    linger = "sudo loginctl enable-linger $USER"  # on a bare Debian only root may
    assert typed == [linger, "systemctl --user daemon-reload", "systemctl --user enable --now launch-listener"]


def test_without_systemd_it_says_so_and_writes_the_settings_alone(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(commands, "_SYSTEMD_RUNS", home / "none")
    with pytest.raises(UsageError, match="systemd does not run here: --no-unit writes the settings alone"):
        run(*GIVEN[:-1])
    assert list(home.iterdir()) == []
    said = run(*GIVEN[:-1], "--no-unit")
    assert not (home / ".config/systemd").exists()
    assert f"watch --config {home}/.config/launch-listener/station.yaml" in said


def test_a_sound_card_without_portaudio_is_warned_of(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    (home / "lib/x86_64-linux-gnu").mkdir(parents=True)
    assert not has_portaudio((home / "lib",))
    (home / "lib/x86_64-linux-gnu/libportaudio.so.2").touch()
    assert has_portaudio((home / "lib",))
    monkeypatch.setattr("listener.site.install.plan.has_portaudio", lambda: False)
    assert "apt install libportaudio2" in run(*GIVEN, "--dry-run")
    assert "libportaudio2" not in run("--source", "rtp:10.0.0.1:5004", "--speaker", "none", "--unit", "--dry-run")


# --- the unit ------------------------------------------------------------------------------------------------------


@pytest.mark.parametrize("account", ["", "daemon"])
def test_systemd_finds_nothing_wrong_with_the_unit(tmp_path: Path, need, account: str) -> None:
    """Outside check: `systemd-analyze verify`, which reads the unit as systemd would (and finds a spoilt one)."""
    need(shutil.which("systemd-analyze") is not None, "systemd-analyze (apt install systemd)")
    folder = tmp_path / "größe 100% (b)"
    folder.mkdir()
    command = folder / "listener"
    command.write_text("#!/bin/sh\n")
    command.chmod(0o755)
    unit = tmp_path / "launch-listener.service"
    unit.write_text(unit_text([str(command)], folder / "station.yaml", account))
    done = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, timeout=60)
    said = [line for line in done.stderr.splitlines() if str(unit.name) in line or str(tmp_path) in line]
    assert done.returncode == 0 and said == [], done.stderr
    unit.write_text(unit.read_text().replace("KillMode=mixed", "KillMode=sometimes").replace("listener config", "nothing config"))
    spoilt = subprocess.run(["systemd-analyze", "verify", unit], capture_output=True, text=True, timeout=60)
    assert "sometimes" in spoilt.stderr


@pytest.mark.parametrize("path", ["/home/a\nExecStart=/bin/sh", '/home/"a"', "/home/$x", "/home/a\\b", "/home/o'neil"])
def test_a_path_that_no_unit_can_hold_is_refused(path: str) -> None:
    """systemd takes no quotes, backslashes or control characters in a program's name, and $ begins a variable."""
    with pytest.raises(UsageError, match="a unit cannot hold such a path"):
        quoted(path)


def test_what_the_unit_starts_listens_and_does_so_again_after_a_stop(home: Path) -> None:
    """A restart, as far as it can be had here: the ExecStart lines are run, stopped as systemd would, and run again."""
    carried = make_plan(
        Wanted("default", 1, "none", "suspend", 3, 0, home / "kept"), Places(home / "etc", home / "units", None, None),
        [sys.executable, "-m", "listener"],
    )  # fmt: skip
    carry_out(carried)
    settings = home / "etc/station.yaml"
    sound = save(home / "radio.wav", noise(20.0))
    settings.write_text(settings.read_text().replace("device: default", f"file: {sound}"))
    unit = (home / "units/launch-listener.service").read_text()
    lines = {key: shlex.split(value) for key, _, value in (line.partition("=") for line in unit.splitlines()) if key.startswith("Exec")}
    subprocess.run(lines["ExecStartPre"], check=True, capture_output=True, timeout=60)
    for _ in range(2):
        watch = subprocess.Popen(lines["ExecStart"], stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True, env={**os.environ})
        try:
            assert watch.stdout
            assert any("LISTENING" in line for line in watch.stdout)
        finally:
            watch.send_signal(signal.SIGTERM)
            rest = watch.communicate(timeout=60)
        assert watch.returncode == 0, rest


# --- nothing half done, nothing taken that is not ours --------------------------------------------------------------


def _taken_unit(home: Path) -> None:
    path = home / ".config/systemd/user/launch-listener.service"
    path.parent.mkdir(parents=True)
    path.write_text("mine")


def _foreign_folder(home: Path) -> None:
    (home / "kept").mkdir()
    (home / "kept/letter.txt").write_text("mine")


def _file_for_folder(home: Path) -> None:
    (home / ".config").write_text("mine")


@pytest.mark.parametrize(
    "spoil, words, said",
    [
        (_taken_unit, (), r"launch-listener.service: is there already; move it away"),
        (_foreign_folder, ("--folder", "kept"), r"kept: holds files that are not this program's"),
        (_file_for_folder, (), r"\.config: is not a folder"),
        (lambda home: None, ("--source", "rtp:239.1.1.1"), r"write it as rtp:ADDRESS:PORT"),
        (lambda home: None, ("--phrase", " "), r"phrases.0.words: must not be empty"),
        (lambda home: None, ("--account", "nobody-of-that-name"), r"there is no such account"),
    ],
)  # fmt: skip
def test_what_is_in_the_way_is_one_line_and_nothing_is_written(home: Path, spoil, words, said: str) -> None:
    spoil(home)
    before = all_in(home)
    with pytest.raises(UserError, match=said) as error:
        run(*GIVEN, *words)
    assert "\n" not in str(error.value) and all_in(home) == before


@pytest.mark.parametrize("breaks_at", range(4))
def test_a_disk_that_fails_in_the_middle_leaves_nothing(home: Path, monkeypatch: pytest.MonkeyPatch, breaks_at: int) -> None:
    """The write of each file in turn fails (settings, unit, rule, record)."""
    from listener.site.install import carry_out as module

    write, count = module.write_new, 0

    def failing(path: Path, text: str) -> None:
        nonlocal count
        count += 1
        if count > breaks_at:
            raise UserError(f"{path}: cannot be written: No space left on device; choose another place")
        write(path, text)

    monkeypatch.setattr(module, "write_new", failing)
    with pytest.raises(UserError, match="No space left on device.*nothing was installed"):
        run("--source", "Device usb 0d8c:0014 usb-1", "--speaker", "none", "--unit")
    assert list(home.iterdir()) == []


def test_a_home_that_cannot_be_written_to_is_one_line(home: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    monkeypatch.setattr(os, "access", lambda path, mode: False)  # root may write anywhere
    with pytest.raises(UserError, match="cannot be written to by this account, so nothing was installed"):
        run(*GIVEN)
    assert list(home.iterdir()) == []


def test_removing_takes_away_what_was_installed_and_keeps_what_was_changed_and_the_journal(home: Path) -> None:
    run(*GIVEN, "--folder", "kept")
    (home / "kept/journal.db").write_text("rows")
    with pytest.raises(UsageError, match="installed here already; 'listener install --remove' first"):
        run(*GIVEN)
    said = run("--remove", "--dry-run")
    assert "systemctl --user disable --now launch-listener" in said and (home / ".config/launch-listener/installed.json").exists()
    settings = home / ".config/launch-listener/station.yaml"
    settings.write_text(settings.read_text() + "sensitivity: eager\n")
    said = run("--remove")
    assert "stays: it was changed since" in said
    assert set(all_in(home)) == {".config/launch-listener/station.yaml", "kept/journal.db", "kept/.launch-listener"}
    with pytest.raises(UsageError, match="no installation of the listener there"):
        run("--remove")


def test_removing_leaves_no_trace_of_what_was_left_as_it_was(home: Path) -> None:
    run(*GIVEN, "--folder", "kept")
    run("--remove")
    assert set(all_in(home)) == {"kept/.launch-listener"} and {p.name for p in home.iterdir()} == {"kept"}


def test_a_record_that_was_spoilt_removes_nothing(home: Path) -> None:
    run(*GIVEN)
    record = home / ".config/launch-listener/installed.json"
    record.write_text("{")
    before = all_in(home)
    with pytest.raises(UserError, match="cannot be read .*; nothing was removed"):
        run("--remove")
    assert all_in(home) == before


# --- which input --------------------------------------------------------------------------------------------------


def measured(title: str, number: int, loudest: float, is_monitor: bool = False) -> Measured:
    return Measured(Offered(title, title, "sound server", 2, 48_000, False, is_monitor), number, loudest, loudest - 10)


def test_the_radio_is_where_the_most_sound_is_and_monitors_count_only_where_nothing_else_has_any() -> None:
    quiet, left, right = measured("mic", 1, -70.0), measured("radio", 1, -20.1), measured("radio", 2, -20.0)
    monitor, dead = measured("monitor of speakers", 1, -5.0, True), measured("dead", 1, FLOOR_DBOV)
    assert loudest([quiet, left, right, monitor, dead]) is left
    assert loudest([dead, monitor]) is monitor
    assert loudest([dead]) is None

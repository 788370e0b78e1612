"""The page on the real program, with the real ear, fed by the exercise recording through a real sound server.

One story: the line is dead, then the exercise is played and a call comes; a person answers; the program is killed,
comes back, stands still. Chromium watches all the while.
"""

import re
import signal
import socket
import subprocess
import sys
import time
from dataclasses import dataclass
from pathlib import Path

import numpy as np
import pytest
import soundfile
import yaml

from listener.keep.records import Query, Records
from tests.watch.page.browser import (
    CHROMIUM,
    LIVE,
    chromium,
    opened,
    shown_cover,
    until,
)
from tests.watch.parts import SoundServer, has_sound_server, noise, save, sound_server

REPO = Path(__file__).parent.parent.parent.parent
EXERCISE = REPO / "recordings_synthetic" / "exercise_halvard.flac"
FIRST_CALL_S = (95.0, 110.0)  # of the exercise: traffic, then its first call
STEPS = ["tension released", "launch bar up", "throttle-back signal given"]
RATE_HZ = 48_000
STARTED_MS = 60_000


@dataclass
class Program:
    """`listener watch`, started and killed at will, always at the same address."""

    config: Path
    folder: Path
    server: SoundServer
    port: int
    process: subprocess.Popen[bytes] | None = None

    @property
    def address(self) -> str:
        return f"http://127.0.0.1:{self.port}/"

    def start(self) -> None:
        command = [sys.executable, "-m", "listener", "watch", "--config", str(self.config), "--plain"]
        self.process = subprocess.Popen(command, cwd=REPO, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
        ends_s = time.monotonic() + 60
        while True:
            try:
                return socket.create_connection(("127.0.0.1", self.port), 1).close()
            except OSError:
                assert time.monotonic() < ends_s and self.process.poll() is None, "the page is not served"
                time.sleep(0.1)

    def kill(self) -> None:
        assert self.process
        self.process.send_signal(signal.SIGKILL)
        self.process.wait()

    def rows(self, kind: str) -> list:
        records = Records(self.folder)
        try:
            return list(records.rows(Query(kinds=(kind,))))
        finally:
            records.close()


def excerpt(folder: Path) -> Path:
    """A hiss, the exercise around its first call, and a hiss again, as the radio's line would bring it."""
    rate_hz = soundfile.info(EXERCISE).samplerate
    sound, _ = soundfile.read(EXERCISE, start=round(FIRST_CALL_S[0] * rate_hz), stop=round(FIRST_CALL_S[1] * rate_hz), dtype="float32")
    hiss = noise(6.0, rate_hz, -60.0)
    return save(folder / "excerpt.wav", np.concatenate([hiss, sound, noise(25.0, rate_hz, -60.0)]), rate_hz)


@pytest.fixture
def program(tmp_path, need, monkeypatch):
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils libportaudio2 libasound2-plugins)")
    need(CHROMIUM is not None, "Chromium (apt install chromium)")
    with socket.create_server(("127.0.0.1", 0)) as free:
        port = free.getsockname()[1]
    with sound_server(tmp_path / "pulse", ["launch"]) as server:
        for name, value in server.env.items():
            monkeypatch.setenv(name, value)
        config = tmp_path / "tower.yaml"
        watch = {
            "channels": [{"name": "Launch", "device": "launch", "rate_hz": RATE_HZ}], "folder": str(tmp_path / "state"),
            "tone": {"enabled": False}, "steps": STEPS, "page": {"port": port}, "least_free_mb": 1,
        }  # fmt: skip
        config.write_text(yaml.safe_dump({"watch": watch}))
        program = Program(config, tmp_path / "state", server, port)
        program.start()
        try:
            yield program
        finally:
            program.kill()


SHOWN = """
window.shown = null;
new MutationObserver((_, observer) => {
  if (!document.querySelector(".call[data-open=true]")) return;
  window.shown = Date.now() / 1000;
  observer.disconnect();
}).observe(document.getElementById("channels"), { subtree: true, childList: true, attributes: true });
"""


def test_a_watch_from_dead_line_to_answered_call_through_a_kill_and_a_standstill(program, tmp_path):
    with chromium() as browser, opened(browser, program.address) as page:
        # The line is dead: digital silence is blindness, and is told so.
        page.wait_for_selector(LIVE)
        page.wait_for_selector(".channel[data-state=BLIND] .why li:has-text('only one fixed value')", timeout=STARTED_MS)
        page.wait_for_selector("#say:has-text('Launch is blind')", state="attached")
        page.reload()
        page.wait_for_selector("#say:has-text('Launch is blind')", state="attached")  # and to a page that comes later

        # The radio speaks; then the call.
        player = program.server.play("launch", excerpt(tmp_path))
        page.wait_for_selector(".channel[data-state=LISTENING]", timeout=STARTED_MS)
        page.evaluate(SHOWN)
        page.wait_for_selector(".channel[data-state='CALL HEARD']", timeout=40_000)
        (alert,) = program.rows("alert")
        row_unix_s = alert.monotonic_s + time.time() - time.monotonic()
        assert -0.05 < page.evaluate("window.shown") - row_unix_s <= 0.3
        told = page.locator(".call").inner_text()
        assert "SUSPEND ×3" in told and "very likely, confidence" in told and "advisory: confirm by ear" in told
        assert alert.utc[11:19] + " UTC" in told and re.search(r"\d+ s ago", told)

        ends_s = time.monotonic() + 15
        while not program.rows("evidence"):
            assert time.monotonic() < ends_s, "no clip of the call"
            time.sleep(0.1)

        # A killed program: the page is as loud as an alert, and the call is there when it comes back.
        program.kill()
        until(page, "document.body.dataset.link === 'lost'", 5)
        until(page, "getComputedStyle(document.getElementById('dead')).opacity > 0.9", 4)
        assert "no connection to the listener" in page.locator("#dead").inner_text()
        page.wait_for_selector("#say:has-text('Not live')", state="attached")
        assert page.title() == "▲ CALL HEARD"  # what nobody acknowledged stays
        page.keyboard.press("a")
        page.wait_for_selector(".trouble:has-text('Not recorded')")
        program.start()
        page.wait_for_selector(LIVE, timeout=STARTED_MS)
        assert shown_cover(page) == 0
        until(page, "document.querySelectorAll('.call[data-open=true]').length === 1")

        # A person answers.
        page.fill("#who", "Ann")
        page.get_by_role("button", name="Acknowledge").click()
        page.wait_for_selector(".seen:has-text('Acknowledged by Ann')")
        page.get_by_role("checkbox", name="launch bar up").check()
        page.get_by_role("button", name="drill").click()
        page.fill(".note input", "heard by ear too")
        page.get_by_role("button", name="Add note").click()
        page.wait_for_selector(".notes li:has-text('Ann: heard by ear too')")
        page.wait_for_selector(".mark[aria-pressed=true]")
        (seen,), (note,), (mark,), (step,) = (program.rows(k) for k in ("acknowledge", "note", "mark", "step"))
        assert {row.about for row in (seen, note, mark, step)} == {alert.id}
        assert (seen.body["who"], mark.body["mark"], step.body["step"]) == ("Ann", "drill", "launch bar up")

        # A program that stands still, and turns again.
        assert program.process
        program.process.send_signal(signal.SIGSTOP)
        began = time.monotonic()
        until(page, "getComputedStyle(document.getElementById('dead')).opacity > 0.9", 4)
        assert 1.5 < time.monotonic() - began < 3.5
        until(page, "document.body.dataset.link === 'stale'", 2)
        program.process.send_signal(signal.SIGCONT)
        page.wait_for_selector(LIVE)
        until(page, "getComputedStyle(document.getElementById('dead')).opacity == 0", 3)

        # A second page that comes now knows all of it, from the journal.
        with opened(browser, program.address) as other:
            other.wait_for_selector(".seen:has-text('Acknowledged by Ann')")
            other.wait_for_selector(".notes li:has-text('heard by ear too')")
            assert other.get_by_role("checkbox", name="launch bar up").is_checked()
        page.goto(program.address + "history?kind=alert")
        assert page.locator("tbody tr").count() == 1 and page.locator("audio").count() == 1
        player.kill()


def test_a_page_that_is_open_to_the_network_without_a_token_is_refused_in_one_line(tmp_path):
    config = tmp_path / "tower.yaml"
    config.write_text(yaml.safe_dump({"watch": {"page": {"host": "0.0.0.0"}}}))
    command = [sys.executable, "-m", "listener", "watch", "--config", str(config)]
    done = subprocess.run(command, cwd=REPO, capture_output=True, text=True)
    assert done.returncode == 2 and "set a token" in done.stderr
    assert "Traceback" not in done.stderr and len(done.stderr.strip().splitlines()) == 1

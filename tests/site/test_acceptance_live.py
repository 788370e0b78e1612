"""An acceptance with people, on a line that is a file played as if it were a radio: bursts are the word."""

import time
from pathlib import Path

import numpy as np
import pytest
import soundfile
from typer.testing import CliRunner

from listener.cli import app
from listener.errors import UsageError, UserError
from listener.settings import Settings
from listener.site.acceptance.begin import begun_or_open
from listener.site.acceptance.findings import findings
from listener.site.acceptance.guide import Guide, Wish, opened
from listener.site.acceptance.live import LiveLine
from listener.site.acceptance.report import headline
from listener.site.acceptance.session import Session
from tests.fakes import BurstEngine, bursts
from tests.site.acceptance_parts import RATE_HZ, call_at
from tests.site.terminal import Terminal

SPEED = 8.0
CALL = Path(__file__).parents[2] / "recordings_synthetic" / "suspend_clean_1.flac"


class Script:
    """Types lines when the guide has said something: (what it says, what is typed then, seconds of the line to wait)."""

    def __init__(self, *lines: tuple[str, str, float]) -> None:
        self._lines = list(lines)
        self._due: list[tuple[float, str]] = []
        self.said: list[str] = []
        self.is_over = False

    def say(self, text: str) -> None:
        self.said.append(text)
        if self._lines and self._lines[0][0] in text:
            _, typed, after_s = self._lines.pop(0)
            self._due.append((time.monotonic() + after_s / SPEED, typed))

    def line(self) -> str | None:
        if self._due and time.monotonic() >= self._due[0][0]:
            return self._due.pop(0)[1]
        return None


@pytest.fixture
def settings(tmp_path: Path) -> Settings:
    """Twelve seconds, over and over: low noise with one call in it."""
    sound = bursts(call_at(5.0), 12.0, RATE_HZ) + np.random.default_rng(1).normal(0, 0.003, 12 * RATE_HZ).astype(np.float32)
    soundfile.write(tmp_path / "radio.wav", sound, RATE_HZ, subtype="PCM_16")
    return Settings.model_validate({"watch": {"channels": [{"file": tmp_path / "radio.wav"}], "folder": tmp_path / "station"}})


def guided(settings: Settings, script: Script, hours: float, people: tuple[str, ...] = (), calls: int = 1) -> Session:
    own, engine = settings.watch.channels[0], BurstEngine()
    line = LiveLine(settings, own, engine, SPEED)
    try:
        opened(line)
        session = begun_or_open(settings.watch.state_folder, settings, own, engine, "live", line.source, new=False)
        Guide(session, line, Wish(hours, people, calls), script, script.say).run()  # type: ignore[arg-type]
    finally:
        line.stop()
    return session


def test_traffic_is_counted_and_a_real_call_in_it_is_neither_false_nor_found(settings: Settings) -> None:
    script = Script(("ALERT", "real Ann", 0.0))
    session = guided(settings, script, 40 / 3600)
    found = findings(session)
    assert session.is_over and 40 <= 3600 * found.now.false.hours < 46
    assert found.real_in_traffic == 1 and found.now.false.count in (2, 3)  # one call every twelve seconds
    assert any("a real call by Ann" in text for text in script.said)
    assert found.blind_h < 5 / 3600


def test_calls_are_answered_by_the_alerts_between_the_two_presses_and_told_only_at_the_end(settings: Settings) -> None:
    """Ann's first call lasts a whole round of the file and is heard; her second, a moment, is not; one is taken back."""
    script = Script(
        ("Ann, call 1", "", 0.0), ("When it has been said", "", 12.0), ("Ann, call 2", "", 0.0), ("When it has been said", "x", 0.1),
        ("Ann, call 2", "", 0.0), ("When it has been said", "", 12.0),
    )  # fmt: skip
    session = guided(settings, script, 0.0, ("Ann",), calls=2)
    found = findings(session)
    assert [(call.person, call.is_marked, call.answers["cautious"]) for call in found.calls] == [("Ann", False, None)] * 2
    assert all(call.answers["balanced"] and call.answers["eager"] for call in found.calls)
    assert [one.what for one in found.left_out] == ["a call by Ann"]
    assert all(-0.5 < delay < 3.0 for delay in found.delays_s) and not found.delays_are_marked
    assert found.calls[0].level_dbov == pytest.approx(-9.0, abs=1.0) and found.calls[1].noise_dbov == pytest.approx(-50.5, abs=2.0)
    told = [text for text in script.said if "found" in text]
    assert told == ["Ann: 2 of 2 found."]
    assert headline(found).startswith("2 of 2 calls by 1 person found")


def test_what_was_stopped_goes_on_where_it_was(settings: Settings, monkeypatch: pytest.MonkeyPatch) -> None:
    class Stops(Script):
        def line(self) -> str | None:
            if self._due and time.monotonic() >= self._due[0][0]:
                raise KeyboardInterrupt
            return None

    with pytest.raises(KeyboardInterrupt):
        guided(settings, Stops(("Normal traffic", "", 20.0)), 1.0)
    script = Script(("Normal traffic", "enough", 10.0))
    session = guided(settings, script, 1.0)
    assert len(session.parts) >= 2 and 25 < sum(part.seconds for part in session.parts) < 60
    assert "60 min are wanted, 0 are there" in script.said[0]


def test_nobody_who_types_is_one_line_and_loses_nothing(settings: Settings) -> None:
    script = Script()
    script.is_over = True
    with pytest.raises(UserError, match="calls need somebody who types; run the same command on a terminal"):
        guided(settings, script, 10 / 3600, ("Ann",))


def test_a_line_without_sound_is_one_line_and_begins_nothing(
    settings: Settings, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    monkeypatch.setattr("listener.site.acceptance.guide._OPENING_S", 1.0)
    (tmp_path / "radio.wav").unlink()
    with pytest.raises(UserError, match=r"radio.wav.*nothing can be accepted"):
        guided(settings, Script(), 1.0)
    assert not (tmp_path / "station").exists()


def test_on_a_terminal_a_call_between_two_presses_of_enter_is_found_and_the_report_is_there(tmp_path: Path) -> None:
    """The whole command with the shipped ear; the recording of a call, over and over, is the radio. About 15 s."""
    (tmp_path / "s.yaml").write_text(f"watch: {{channels: [{{name: Tower, file: {CALL}}}], folder: state}}\n")
    words = ("acceptance", "--config", tmp_path / "s.yaml", "--hours", 0, "--people", "Ann", "--calls", 1)
    with Terminal(*words, env={}) as terminal:
        terminal.until("Ann, call 1 of 1: press Enter")
        terminal.type("")
        terminal.until("When it has been said, press Enter")
        time.sleep(soundfile.info(CALL).duration)
        terminal.type("")
        terminal.until("Ann: 1 of 1 found.")
        assert terminal.end() == 0 and "Tower: 1 of 1 calls by 1 person found, 0 false alerts in " in terminal.rest
    (page,) = (tmp_path / "state/acceptance").glob("*/report.html")
    assert "Tower" in page.read_text()


def test_people_without_a_terminal_are_refused_before_anything_is_heard(tmp_path: Path) -> None:
    result = CliRunner().invoke(app, ["acceptance", "--hours", "8", "--people", "Ann", "--folder", str(tmp_path / "s")])
    assert isinstance(result.exception, UsageError) and "run it on a terminal" in str(result.exception)
    assert not (tmp_path / "s").exists()

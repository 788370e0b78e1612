"""The questions of an installation on a real terminal, answered by somebody who mistypes. About 12 s, of which 6 listen."""

from pathlib import Path

import pytest

from listener.settings import read_settings
from listener.site.install import choose
from listener.watch.devices import Measured, Offered
from tests.site.terminal import Terminal
from tests.watch.parts import has_sound_server, noise, save, sound_server


def test_the_questions_are_asked_until_they_are_answered_well(need, tmp_path: Path) -> None:
    """A wrong answer is told in a line and asked again: nothing that was answered before is lost."""
    need(has_sound_server(), "PulseAudio (apt install pulseaudio pulseaudio-utils)")
    home = tmp_path / "home"
    (home / "letters").mkdir(parents=True)
    (home / "letters/one.txt").write_text("mine")
    with sound_server(tmp_path / "pulse", ["radio", "speaker"]) as server:
        (tmp_path / "pulse/asoundrc").write_text("</usr/share/alsa/alsa.conf>\n")
        server.control("set-default-source", "radio.monitor")
        player = server.play("radio", save(tmp_path / "radio.wav", noise(60.0, dbov=-25.0)))
        env = {**server.env, "HOME": str(home), "XDG_CONFIG_HOME": "", "XDG_STATE_HOME": ""}
        try:
            with Terminal("install", "--no-unit", env=env) as terminal:
                shown = terminal.until("Its number [1]: ")
                assert "Monitor of Null Output (radio.monitor), input 1" in shown  # two have this title
                for answer in ("99", "radio"):
                    terminal.type(answer)
                    assert "is none of the numbers 1 to" in terminal.until("Its number [1]: ")
                terminal.type("")
                assert "(radio)   is listened to: no tone there" in terminal.until("or none [2]: ")
                terminal.type("1")
                assert "the tone would be heard as radio; choose another" in terminal.until("or none [2]: ")
                terminal.type("")
                terminal.until("[suspend]: ")
                terminal.type(" ")
                terminal.until("[suspend]: ")
                terminal.type("Cease  Fire")
                terminal.until("[8765]: ")
                terminal.type("99999")
                assert "is no port" in terminal.until("[8765]: ")
                terminal.type("9000")
                terminal.until("clips [")
                terminal.type("~/letters")
                assert "holds files that are not this program's" in terminal.until("clips [")
                terminal.type("~/kept")
                terminal.until("Write these files? [Y/n]: ")
                terminal.type("")
                assert terminal.end() == 0 and "have 'cease fire' said 3 times" in terminal.rest
        finally:
            player.kill()
            player.wait()
    settings = read_settings(home / ".config/launch-listener/station.yaml")
    own = settings.watch
    assert (own.channels[0].device, own.tone.device, own.page.port) == ("radio.monitor", "speaker", 9000)
    assert own.folder == home / "kept" and settings.phrases[0].words == "cease fire"


def test_an_installation_that_is_there_is_told_before_anything_is_asked(tmp_path: Path) -> None:
    record = tmp_path / ".config/launch-listener/installed.json"
    record.parent.mkdir(parents=True)
    record.write_text("{}")
    with Terminal("install", "--no-unit", env={"HOME": str(tmp_path), "XDG_CONFIG_HOME": ""}) as terminal:
        assert terminal.end() == 2 and "installed here already" in terminal.text and "Listening" not in terminal.text


def test_of_many_silent_inputs_one_has_a_line_and_what_cannot_be_opened_has_no_number(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    def offered(name: str) -> Offered:
        return Offered(name, name, "ALSA", 8, 48_000, False)

    desk, broken = offered("desk"), offered("broken")
    levels = [-120.0] * 4 + [-25.0] + [-120.0] * 3
    measured = [Measured(desk, number, level, level) for number, level in enumerate(levels, 1)]
    measured.append(Measured(broken, 1, -120.0, -120.0, "input device 'broken' cannot be opened"))
    monkeypatch.setattr(choose, "offered_inputs", lambda: [desk, broken])
    monkeypatch.setattr(choose, "measure_inputs", lambda offered, seconds: measured)
    assert choose.source_by_level(lambda question, usual: usual).input == 5
    lines = capsys.readouterr().err.splitlines()[1:]
    assert lines[0] == "   1  desk, input 1   no sound" and lines[1].startswith("*  2  desk, input 5   ")
    assert lines[2:] == ["   -  input device 'broken' cannot be opened"]

"""What an extra brings is not there by default: each place that needs it says so in one line that names it."""

import ast
import subprocess
import sys
import tomllib
from pathlib import Path

import pytest
from typer.testing import CliRunner

import listener
from listener import cli
from listener.errors import EXTRAS, SettingsError, missing_extra
from listener.replay.report import print_engines
from listener.settings import Settings
from listener.speech.engines import load_engine

ROOT = Path(__file__).parents[1]
PROJECT = tomllib.loads((ROOT / "pyproject.toml").read_text())["project"]


@pytest.fixture
def without(monkeypatch):
    """Takes packages away, as if they were not installed."""

    def take(*names: str) -> None:
        for name in names:
            for loaded in [m for m in sys.modules if m.split(".")[0] == name]:
                monkeypatch.delitem(sys.modules, loaded)
            monkeypatch.setitem(sys.modules, name, None)

    return take


def test_an_engine_without_its_package_is_one_line(without, capsys, tmp_path):
    without("pocketsphinx", "vosk")
    for engine, given in (("sphinx", {}), ("vosk", {"vosk": {"model_path": str(tmp_path)}})):
        with pytest.raises(SettingsError) as error:
            load_engine(Settings.model_validate({"engine": engine, **given}))
        assert f"pip install 'launch-listener[{engine}]'" in str(error.value) and "\n" not in str(error.value)
    print_engines(Settings())
    lines = capsys.readouterr().out.splitlines()
    assert lines[0].split() == ["*", "ear", "ready"] and len(lines) == 3
    assert "launch-listener[sphinx]" in lines[1] and "launch-listener[vosk]" in lines[2]


@pytest.mark.parametrize(
    "words, gone, extra",
    [
        (["replay", "--engine", "sphinx", "recordings_synthetic/suspend_clean_1.flac"], "pocketsphinx", "sphinx"),
        (["drill", "none.yaml"], "matplotlib", "drills"), (["study", "none.yaml"], "polars", "study"),
    ],
)  # fmt: skip
def test_a_command_without_its_extra_is_one_line_and_status_2(words, gone, extra):
    run = f"import sys; sys.modules[{gone!r}] = None; sys.argv = ['listener', *{words!r}]; from listener.cli import main; main()"
    done = subprocess.run([sys.executable, "-c", run], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 2
    assert done.stderr.count("\n") == 1 and f"pip install 'launch-listener[{extra}]'" in done.stderr


def test_a_fault_of_our_own_is_not_taken_for_a_missing_extra():
    assert missing_extra(ModuleNotFoundError("x", name="listener.nothing")) is None


def test_what_is_no_default_is_in_the_extra_that_the_line_names():
    def names(lines: list[str]) -> set[str]:
        return {line.split(">")[0].split("[")[0].split("<")[0] for line in lines}

    for package, extra in EXTRAS.items():
        assert package in names(PROJECT["optional-dependencies"][extra]) or package == "distributed"
        assert package not in names(PROJECT["dependencies"])


def test_the_default_commands_need_no_extra():
    """Rooms that a replay or a watch runs through import no package of an extra at their top."""
    rooms = ("call", "keep", "replay", "settings", "sound", "speech", "tell", "watch")
    package = Path(listener.__file__).parent
    files = [f for f in package.rglob("*.py") if f.parent == package or f.relative_to(package).parts[0] in rooms]
    for file in files:
        for node in ast.parse(file.read_text(encoding="utf-8")).body:
            names = [a.name for a in node.names] if isinstance(node, ast.Import) else [getattr(node, "module", None) or ""]
            if isinstance(node, ast.Import | ast.ImportFrom):
                assert EXTRAS.keys().isdisjoint(n.split(".")[0] for n in names), file


def test_a_replay_and_a_watch_run_in_a_default_installation():
    """Whatever their modules import, and what that imports, down to the last: none needs an extra."""
    modules = ("replay.report", "monitor", "speech.ear", "watch.station", "watch.check", "watch.devices", "watch.page.serve",
               "network.receiver", "network.pipe", "network.stream", "network.captures", "network.sender")  # fmt: skip
    run = f"import sys; sys.modules.update(dict.fromkeys({[*EXTRAS]!r}))\n"
    run += "".join(f"import listener.{module}\n" for module in modules)
    done = subprocess.run([sys.executable, "-c", run], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.returncode == 0, done.stderr


def test_help_is_there_without_extras(without):
    without("scipy", "matplotlib", "pocketsphinx", "vosk", "polars", "joblib")
    for words in (["--help"], ["drill", "--help"], ["drill", "score", "--help"], ["study", "--help"], ["study", "run", "--help"]):
        assert CliRunner().invoke(cli.app, words).exit_code == 0, words

"""The package as a library: README's ten lines run, and importing it costs little."""

import re
import subprocess
import sys
from pathlib import Path

import pytest

import listener

ROOT = Path(__file__).parents[1]
README = (ROOT / "README.md").read_text(encoding="utf-8")


def test_readme_s_ten_lines_run_and_find_the_call():
    (code,) = re.findall(r"```python\n(.*?)```", README, re.DOTALL)
    assert len(code.strip().splitlines()) <= 10
    done = subprocess.run([sys.executable, "-c", code], cwd=ROOT, capture_output=True, text=True, timeout=120)
    assert done.returncode == 0, done.stderr
    phrase, start_s, confidence = done.stdout.split()
    assert phrase == "suspend" and 0.9 < float(start_s) < 1.4 and 0.6 < float(confidence) <= 1.0
    assert done.stdout.count("\n") == 1


def test_public_names_are_there_and_no_others():
    from listener.events import Block
    from listener.monitor import Monitor

    assert listener.Block is Block and listener.Monitor is Monitor
    assert all(getattr(listener, name) for name in listener.__all__)
    with pytest.raises(AttributeError, match="no attribute 'Moniter'"):
        listener.Moniter  # noqa: B018


def test_the_package_says_that_it_is_typed():
    assert (Path(listener.__file__).parent / "py.typed").exists()


def test_help_imports_nothing_heavy():
    """What makes a start slow is imported where it is used: help must come at once on an old computer."""
    ask = "import sys, listener.cli; print([m for m in ('numpy', 'pydantic', 'scipy', 'onnxruntime', 'yaml') if m in sys.modules])"
    done = subprocess.run([sys.executable, "-c", ask], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == "[]", done.stdout + done.stderr


def test_the_version_is_the_package_s():
    done = subprocess.run([sys.executable, "-m", "listener", "--version"], cwd=ROOT, capture_output=True, text=True, timeout=60)
    assert done.stdout.strip() == f"listener {listener.__version__}"
    assert f'version = "{listener.__version__}"' in (ROOT / "pyproject.toml").read_text()

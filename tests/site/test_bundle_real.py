"""A bundle of the real wheels hears a call where there is no network: gathers 140 MB, so LISTENER_LONG=1 collects it."""

import subprocess
import sys
from pathlib import Path

import pytest

from listener.site.install.bundle import make_bundle
from tests.site.test_bundle import ROOT, installs, without_network

pytestmark = pytest.mark.long


def test_it_hears_a_call_where_there_is_no_network(tmp_path: Path, need) -> None:
    command = without_network(need)
    gathered = [sys.executable, "-m", "pip", "wheel", "--quiet", "--wheel-dir", str(tmp_path / "wheels"), f"{ROOT}[drills]", "pip"]
    subprocess.run(gathered, check=True, timeout=600)
    make_bundle(tmp_path / "out", tmp_path / "wheels")
    done = installs(tmp_path / "out", tmp_path / "to", command)
    assert done.returncode == 0, done.stderr
    call = [*command, tmp_path / "to/bin/listener", "replay", ROOT / "recordings_synthetic/suspend_clean_1.flac"]
    assert "CALL HEARD" in subprocess.run(call, cwd=tmp_path, capture_output=True, text=True, timeout=120).stdout

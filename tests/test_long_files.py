"""Sound is streamed: a long file takes no more memory than a short one, and nothing swells on the way."""

import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest
import soundfile

RATE_HZ = 8_000
REPLAY = """
from listener.cli import main
try:
    main()
except SystemExit:
    # Not getrusage: its figure is never less than what the process that started this one had then.
    print(next(line.split()[1] for line in open("/proc/self/status") if line.startswith("VmHWM")))
"""


def write(path: Path, seconds: int, noisy_s: int) -> Path:
    """Silence with noise at its end, written a minute at a time."""
    rng = np.random.default_rng(1)
    with soundfile.SoundFile(path, "w", RATE_HZ, 1) as file:
        for at in range(0, seconds, 10):
            loud = at >= seconds - noisy_s
            file.write(rng.normal(0, 0.05, 10 * RATE_HZ) if loud else np.zeros(10 * RATE_HZ))
    return path


def peak_mib(path: Path) -> int:
    """The most memory that replaying this file took, MiB."""
    done = subprocess.run(
        [sys.executable, "-c", REPLAY, "replay", "--json", path], capture_output=True, text=True, timeout=300
    )
    assert "of sound" in done.stderr, done.stderr
    return int(done.stdout.splitlines()[-1]) // 1024


pytestmark = pytest.mark.skipif(not Path("/proc/self/status").exists(), reason="memory is read from /proc (Linux)")


@pytest.fixture(scope="module")
def short(tmp_path_factory) -> int:
    return peak_mib(write(tmp_path_factory.mktemp("short") / "short.wav", 60, noisy_s=60))


def test_the_whole_program_with_the_default_engine_stays_below_400_mib(short):
    assert short <= 400


def test_twenty_minutes_take_no_more_memory_than_a_minute(short, tmp_path):
    # Held whole as float32, twenty minutes would be 37 MiB at 8 kHz and 73 MiB at 16 kHz.
    assert peak_mib(write(tmp_path / "long.wav", 1_200, noisy_s=120)) - short < 15
